//! ISO base media files (HEIF, AVIF and raw files built like them): boxes with a length in front.

use std::io::{Read, Seek, SeekFrom};

use super::{Fault, Layout, be32};

/// Boxes at the top of one file; cameras write fewer than ten.
const MOST_BOXES: usize = 256;

/// Whole when every box at the top fits into the file.
pub fn examine(file: &mut (impl Read + Seek), length: u64) -> Result<Layout, Fault> {
    let mut layout = Layout::default();
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
