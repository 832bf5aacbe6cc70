//! ISO base media files (HEIF, AVIF and raw files built like them): boxes with a length in front.

use std::io::{Read, Seek, SeekFrom};

use super::box_heading::{Box, CAMERA_BOX, heading};
use super::directories::Window;
use super::exif_block::clean;
use super::heif;
use super::raw_boxes;
use super::{Fault, Layout, Piece};

/// Boxes at the top of one file; cameras write fewer than ten.
const MOST_BOXES: usize = 256;

/// A raw file of boxes: whole when every box at the top fits into the file. The boxes inside are those that the raw
/// library follows, so they are walked before.
pub fn examine_raw(file: &mut (impl Read + Seek), length: u64) -> Result<Layout, Fault> {
    let mut layout = top(file, length, |_, _| Ok(()))?;
    raw_boxes::check(file, length)?;
    let camera = camera_blocks(file, length).unwrap_or_default();
    (layout.exif, layout.exif_more) = (camera.exif, camera.exif_more);
    Ok(layout)
}

/// A HEIF file: whole when every box at the top, and every part that its index tells of, fits into the file.
pub fn examine_heif(file: &mut (impl Read + Seek), length: u64) -> Result<Layout, Fault> {
    let (mut index, mut has_index) = (None, false);
    let mut layout = top(file, length, |file, found| {
        if &found.name == b"meta" {
            // What is checked here must be what the decoder reads.
            if std::mem::replace(&mut has_index, true) {
                return Err(Fault::Foreign("it has two indexes"));
            }
            index = heif::Index::read(file, found)?;
        }
        Ok(())
    })?;
    if let Some(index) = index {
        if index.reached() > length {
            return Err(Fault::Incomplete("part of its picture is missing"));
        }
        layout.exif = index.exif(file);
        layout.picture = index.without_metadata(&layout.picture);
    }
    Ok(layout)
}

/// Walks the boxes at the top and shows each to `see`.
fn top<F: Read + Seek>(
    file: &mut F,
    length: u64,
    mut see: impl FnMut(&mut F, Box) -> Result<(), Fault>,
) -> Result<Layout, Fault> {
    let mut layout = Layout::default();
    let mut at = 0;
    for number in 0..MOST_BOXES {
        if at == length {
            return if number > 1 { Ok(layout) } else { Err(Fault::Incomplete("it has a heading only")) };
        }
        let found = heading(file, at, length)?;
        if number == 0 && &found.name != b"ftyp" {
            return Err(Fault::Foreign("it does not begin as a HEIF or raw file of boxes"));
        }
        if found.end > length {
            return Err(Fault::Incomplete("part of its picture is missing"));
        }
        if &found.name == b"mdat" {
            if layout.payload == 0 {
                layout.payload = at;
            }
            layout.picture.push(Piece { at: found.content, length: found.end - found.content });
        }
        see(file, found)?;
        at = found.end;
    }
    Err(Fault::Tangled)
}

/// The camera's metadata blocks of a raw file, even of one that is cut behind them.
pub fn camera_blocks(file: &mut (impl Read + Seek), length: u64) -> Option<Layout> {
    let moov = find(file, 0, length, b"moov")?;
    let mut at = moov.content;
    while let Some(uuid) = find(file, at, moov.end, b"uuid") {
        let mut identifier = [0_u8; 16];
        file.seek(SeekFrom::Start(uuid.content)).ok()?;
        file.read_exact(&mut identifier).ok()?;
        if identifier == CAMERA_BOX {
            let mut block = |name: &[u8; 4]| {
                let found = find(file, uuid.content + 16, uuid.end, name)?;
                clean(&mut Window::within(file, found.content, found.end - found.content)).ok()
            };
            return Some(Layout { exif: block(b"CMT1"), exif_more: block(b"CMT2"), ..Layout::default() });
        }
        at = uuid.end;
    }
    None
}

/// The first box of a name among those side by side in a range.
fn find(file: &mut (impl Read + Seek), from: u64, to: u64, wanted: &[u8; 4]) -> Option<Box> {
    let mut at = from;
    for _ in 0..MOST_BOXES {
        let found = heading(file, at, to).ok()?;
        if &found.name == wanted && found.end <= to {
            return Some(found);
        }
        at = found.end;
        if at >= to {
            return None;
        }
    }
    None
}
