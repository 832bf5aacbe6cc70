//! The heading of a box of ISO base media files (ISO/IEC 14496-12): its length and its name.

use std::io::{Read, Seek, SeekFrom};

use super::{Fault, be32};

/// The box that one maker's raw files keep their metadata in (`CMT1`, `CMT2`), by its identifier
/// (common practice, no source; proved on a real file).
pub const CAMERA_BOX: [u8; 16] =
    [0x85, 0xC0, 0xB6, 0x87, 0x82, 0x0F, 0x11, 0xE0, 0x81, 0x11, 0xF4, 0xCE, 0x46, 0x2B, 0x6A, 0x48];

/// A box: its name, where its content begins, and where it ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Box {
    pub name: [u8; 4],
    pub content: u64,
    pub end: u64,
}

/// The box whose heading stands at `at`. A length of zero means all that is left, up to `to`.
pub fn heading(file: &mut (impl Read + Seek), at: u64, to: u64) -> Result<Box, Fault> {
    const CUT: Fault = Fault::Incomplete("it is cut in a heading");
    let mut head = [0_u8; 16];
    let have = to.saturating_sub(at).min(16) as usize;
    file.seek(SeekFrom::Start(at))?;
    file.read_exact(&mut head[..have]).map_err(|_| CUT)?;
    if have < 8 {
        return Err(CUT);
    }
    let name = [head[4], head[5], head[6], head[7]];
    let (size, long) = match be32(&head, 0) {
        Some(0) => (to - at, 0),
        Some(1) if have == 16 => {
            ((u64::from(be32(&head, 8).unwrap_or(0)) << 32) | u64::from(be32(&head, 12).unwrap_or(0)), 8)
        }
        Some(1) | None => return Err(CUT),
        Some(size) => (u64::from(size), 0),
    };
    if size < 8 + long {
        return Err(Fault::Foreign("a box in it is shorter than its own heading"));
    }
    Ok(Box { name, content: at + 8 + long, end: at.saturating_add(size) })
}
