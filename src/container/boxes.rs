//! ISO base media files (HEIF, AVIF and raw files built like them): boxes with a length in front.

use std::io::{Read, Seek, SeekFrom};

use super::{Fault, Layout, be32};

/// Boxes at the top of one file; cameras write fewer than ten.
const MOST_BOXES: usize = 256;

/// The box that one maker's raw files keep their metadata in (`CMT1`, `CMT2`), by its identifier
/// (common practice, no source; proved on a real file).
const CAMERA_BOX: [u8; 16] =
    [0x85, 0xC0, 0xB6, 0x87, 0x82, 0x0F, 0x11, 0xE0, 0x81, 0x11, 0xF4, 0xCE, 0x46, 0x2B, 0x6A, 0x48];
/// The largest block of metadata that is read.
const MOST_METADATA: u64 = 256 << 10;

/// Whole when every box at the top fits into the file.
pub fn examine(file: &mut (impl Read + Seek), length: u64) -> Result<Layout, Fault> {
    let mut layout = camera_blocks(file, length).unwrap_or_default();
    let mut at = 0;
    for number in 0..MOST_BOXES {
        if at == length {
            return if number > 1 { Ok(layout) } else { Err(Fault::Incomplete("it has a heading only")) };
        }
        let (name, size) = heading(file, at, length)?;
        if number == 0 && &name != b"ftyp" {
            return Err(Fault::Foreign("it does not begin as a HEIF or raw file of boxes"));
        }
        if &name == b"mdat" && layout.payload == 0 {
            layout.payload = at;
        }
        at = at.saturating_add(size);
        if at > length {
            return Err(Fault::Incomplete("part of its picture is missing"));
        }
    }
    Err(Fault::Tangled)
}

/// A box's name and its length with the heading.
fn heading(file: &mut (impl Read + Seek), at: u64, length: u64) -> Result<([u8; 4], u64), Fault> {
    const CUT: Fault = Fault::Incomplete("it is cut in a heading");
    let mut head = [0_u8; 16];
    let have = (length - at).min(16) as usize;
    file.seek(SeekFrom::Start(at))?;
    file.read_exact(&mut head[..have])?;
    if have < 8 {
        return Err(CUT);
    }
    let name = [head[4], head[5], head[6], head[7]];
    let size = match be32(&head, 0) {
        Some(0) => length - at,
        Some(1) if have == 16 => {
            (u64::from(be32(&head, 8).unwrap_or(0)) << 32) | u64::from(be32(&head, 12).unwrap_or(0))
        }
        Some(1) | None => return Err(CUT),
        Some(size) => u64::from(size),
    };
    if size < 8 { Err(Fault::Foreign("a box has no length")) } else { Ok((name, size)) }
}

/// The camera's metadata blocks of a raw file, even of one that is cut behind them.
pub fn camera_blocks(file: &mut (impl Read + Seek), length: u64) -> Option<Layout> {
    let (moov, end) = find(file, 0, length, b"moov")?;
    let mut at = moov;
    while let Some((uuid, uuid_end)) = find(file, at, end, b"uuid") {
        let mut identifier = [0_u8; 16];
        file.seek(SeekFrom::Start(uuid)).ok()?;
        file.read_exact(&mut identifier).ok()?;
        if identifier == CAMERA_BOX {
            let mut block = |name: &[u8; 4]| {
                let (from, to) = find(file, uuid + 16, uuid_end, name)?;
                let mut bytes = vec![0; (to - from).min(MOST_METADATA) as usize];
                file.seek(SeekFrom::Start(from)).ok()?;
                file.read_exact(&mut bytes).ok()?;
                Some(bytes)
            };
            return Some(Layout { exif: block(b"CMT1"), exif_more: block(b"CMT2"), ..Layout::default() });
        }
        at = uuid_end;
    }
    None
}

/// Where the content of the first box of a name lies, among those side by side in a range.
fn find(file: &mut (impl Read + Seek), from: u64, to: u64, wanted: &[u8; 4]) -> Option<(u64, u64)> {
    let mut at = from;
    for _ in 0..MOST_BOXES {
        let (name, size) = heading(file, at, to).ok()?;
        let end = at.checked_add(size)?;
        if &name == wanted && end <= to {
            return Some((at + 8, end));
        }
        at = end;
        if at >= to {
            return None;
        }
    }
    None
}
