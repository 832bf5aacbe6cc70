//! Raw files of one maker whose heading points to a whole JPEG, which holds the metadata, and to the
//! sensor's samples (common practice, no source; tried on a real file's heading).

use std::io::{Read, Seek, SeekFrom};

use super::directories::Window;
use super::jpeg::Walk;
use super::tiff::check_inside;
use super::{Fault, Layout, Piece, be32};

const MAGIC: &[u8] = b"FUJIFILMCCD-RAW ";
/// Pairs of offset and length: the JPEG, the metadata of the samples, the samples.
const PARTS: [usize; 3] = [84, 92, 100];
const HEADING: usize = 108;
/// The JPEG's metadata stand in its first bytes.
const JPEG_HEAD: u64 = 256 << 10;
/// Where the raw library looks for a TIFF structure inside the JPEG.
const TIFF_IN_JPEG: u64 = 12;

/// Whole when all parts lie inside the file.
pub fn examine(file: &mut (impl Read + Seek), length: u64) -> Result<Layout, Fault> {
    let [jpeg, metadata, samples] = parts(file)?;
    if [jpeg, metadata, samples].iter().any(|part| part.at + part.length > length) {
        return Err(Fault::Incomplete("part of its picture is missing"));
    }
    // The structures that the raw library follows.
    for at in [jpeg.at + TIFF_IN_JPEG, samples.at] {
        check_inside(&mut Window::within(file, at, length.saturating_sub(at)))?;
    }
    let exif = exif(file, jpeg)?;
    Ok(Layout { exif, payload: samples.at, picture: vec![samples], embedded: vec![jpeg], ..Layout::default() })
}

/// The metadata, even of a file that is cut behind them.
pub fn camera_block(file: &mut (impl Read + Seek)) -> Option<Layout> {
    let [jpeg, ..] = parts(file).ok()?;
    Some(Layout { exif: exif(file, jpeg).ok()?, ..Layout::default() })
}

fn parts(file: &mut (impl Read + Seek)) -> Result<[Piece; 3], Fault> {
    let mut heading = [0_u8; HEADING];
    file.seek(SeekFrom::Start(0))?;
    file.read_exact(&mut heading).map_err(|_| Fault::Incomplete("it is cut in its heading"))?;
    if !heading.starts_with(MAGIC) {
        return Err(Fault::Foreign("it does not begin as a raw file of its kind"));
    }
    let number = |at: usize| u64::from(be32(&heading, at).unwrap_or_default());
    Ok(PARTS.map(|at| Piece { at: number(at), length: number(at + 4) }))
}

fn exif(file: &mut (impl Read + Seek), jpeg: Piece) -> Result<Option<Vec<u8>>, Fault> {
    file.seek(SeekFrom::Start(jpeg.at))?;
    let mut head = Vec::new();
    file.by_ref().take(jpeg.length.min(JPEG_HEAD)).read_to_end(&mut head)?;
    Ok(Walk::header(&head).ok().and_then(|walk| walk.exif))
}
