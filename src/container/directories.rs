//! What all TIFF structures have in common: a heading with a byte order, places counted from it, numbers of a width.

use std::io::{self, Read, Seek, SeekFrom};

use super::Fault;

/// What stands behind the byte order: TIFF's own number, and those of three makers' raw files.
const MAGIC: [u64; 4] = [42, 0x55, 0x4F52, 0x5352];
const BIG_TIFF: u64 = 43;

/// A part of a file whose places are counted from its own beginning.
pub struct Window<'a, F> {
    file: &'a mut F,
    base: u64,
    pub length: u64,
}

impl<'a, F: Read + Seek> Window<'a, F> {
    pub fn of(file: &'a mut F, length: u64) -> Window<'a, F> {
        Window { file, base: 0, length }
    }

    pub fn within(file: &'a mut F, base: u64, length: u64) -> Window<'a, F> {
        Window { file, base, length }
    }

    pub fn read(&mut self, at: u64, count: u64) -> Result<Vec<u8>, Fault> {
        if at.checked_add(count).is_none_or(|end| end > self.length) {
            return Err(Fault::Incomplete("a directory lies behind its end"));
        }
        let mut bytes = vec![0; count as usize];
        self.file.seek(SeekFrom::Start(self.base + at))?;
        self.file.read_exact(&mut bytes).map_err(|e| match e.kind() {
            io::ErrorKind::UnexpectedEof => Fault::Incomplete("it changed while it was read"),
            _ => Fault::Unreadable(e),
        })?;
        Ok(bytes)
    }
}

/// A whole number in the byte order of its structure.
pub fn number(bytes: &[u8], little: bool) -> u64 {
    let fold = |acc: u64, byte: &u8| acc << 8 | u64::from(*byte);
    if little { bytes.iter().rev().fold(0, fold) } else { bytes.iter().fold(0, fold) }
}

/// Bytes of one value of a type; unknown ones are taken as bytes, as the raw library does.
pub fn width(kind: u64) -> u64 {
    match kind {
        3 | 8 => 2,
        4 | 9 | 11 | 13 => 4,
        5 | 10 | 12 => 8,
        _ => 1,
    }
}

/// Byte order and place of the first directory.
pub fn heading<F: Read + Seek>(window: &mut Window<'_, F>) -> Result<(bool, u64), Fault> {
    let head = window.read(0, 8).map_err(|_| Fault::Incomplete("it has no beginning yet"))?;
    let little = match &head[..2] {
        b"II" => true,
        b"MM" => false,
        _ => return Err(Fault::Foreign("it does not begin as a TIFF")),
    };
    match number(&head[2..4], little) {
        BIG_TIFF => Err(Fault::Foreign("it is a BigTIFF, which is not read here; an ordinary TIFF is")),
        magic if MAGIC.contains(&magic) => Ok((little, number(&head[4..8], little))),
        _ => Err(Fault::Foreign("it does not begin as a TIFF")),
    }
}
