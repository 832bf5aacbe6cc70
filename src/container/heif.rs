//! The index of a HEIF file (ISO/IEC 23008-12, ISO/IEC 14496-12, from memory): which parts are metadata, and where.

use std::io::{Read, Seek, SeekFrom};

use super::box_heading::{Box, heading};
use super::{Fault, Piece};

/// The largest index that is read; a picture of hundreds of tiles has some ten KiB.
const MOST_INDEX: u64 = 4 << 20;
/// Parts of all items; a picture of hundreds of tiles has one each.
const MOST_PARTS: usize = 65_536;
/// Boxes side by side inside the index.
const MOST_BOXES: usize = 4096;
/// The largest Exif block that is read.
const MOST_EXIF: u64 = 256 << 10;

/// Where the parts of a file lie.
#[derive(Debug, Default)]
pub struct Index {
    parts: Vec<Part>,
    /// Items that hold metadata; the first of kind Exif is read.
    exif: Option<u64>,
    metadata: Vec<u64>,
    /// Bytes that the index itself holds.
    held: Option<Piece>,
}

#[derive(Debug, Clone, Copy)]
struct Part {
    item: u64,
    /// Counted from the file's start, or from the start of what the index holds.
    inside: bool,
    piece: Piece,
}

impl Index {
    /// Reads the index; `None` where it is of a form that isn't known here.
    pub fn read(file: &mut (impl Read + Seek), meta: Box) -> Result<Option<Index>, Fault> {
        let size = meta.end - meta.content;
        if size > MOST_INDEX {
            return Err(Fault::Overloaded("its index is larger than 4 MiB"));
        }
        let mut bytes = vec![0; size as usize];
        file.seek(SeekFrom::Start(meta.content))?;
        file.read_exact(&mut bytes)?;
        let mut index = Index::default();
        // Version and flags stand in front of the boxes.
        for found in side_by_side(&bytes, 4).take(MOST_BOXES) {
            let body =
                Fields { bytes: bytes.get(..found.end as usize).unwrap_or_default(), at: found.content as usize };
            let read = match &found.name {
                b"iinf" => index.items(body)?,
                b"iloc" => index.places(body)?,
                b"idat" => {
                    index.held = Some(Piece { at: meta.content + found.content, length: found.end - found.content });
                    Some(())
                }
                _ => Some(()),
            };
            if read.is_none() {
                return Ok(None);
            }
        }
        Ok(Some(index))
    }

    /// Which items are metadata.
    fn items(&mut self, mut list: Fields<'_>) -> Result<Option<()>, Fault> {
        let Some(version) = list.number(4).map(|number| number >> 24) else { return Ok(None) };
        if list.number(if version == 0 { 2 } else { 4 }).is_none() {
            return Ok(None);
        }
        // The decoder looks for each item among all.
        if side_by_side(list.bytes, list.at).nth(MOST_BOXES).is_some() {
            return Err(Fault::Overloaded("its index tells of more than 4096 pictures and blocks"));
        }
        Ok(self.metadata_among(list))
    }

    fn metadata_among(&mut self, list: Fields<'_>) -> Option<()> {
        for entry in side_by_side(list.bytes, list.at) {
            let mut entry = Fields { bytes: list.bytes.get(..entry.end as usize)?, at: entry.content as usize };
            let item = match entry.number(4)? >> 24 {
                2 => entry.number(2)?,
                3 => entry.number(4)?,
                _ => continue,
            };
            entry.number(2)?;
            match &entry.number(4)?.to_be_bytes()[4..] {
                b"Exif" => {
                    self.exif.get_or_insert(item);
                    self.metadata.push(item);
                }
                b"mime" => self.metadata.push(item),
                _ => {}
            }
        }
        Some(())
    }

    /// Where each item's parts lie.
    fn places(&mut self, mut list: Fields<'_>) -> Result<Option<()>, Fault> {
        let mut read = || -> Option<Result<(), Fault>> {
            let version = list.number(4)? >> 24;
            let widths = list.number(2)?;
            let width = |shift: u64| (widths >> shift & 15) as usize;
            let long = if version == 2 { 4 } else { 2 };
            for _ in 0..list.number(long)? {
                let item = list.number(long)?;
                let method = if version > 0 { list.number(2)? & 15 } else { 0 };
                list.number(2)?;
                let base = list.number(width(4))?;
                for _ in 0..list.number(2)? {
                    list.number(if version > 0 { width(0) } else { 0 })?;
                    let (at, length) = (list.number(width(12))?, list.number(width(8))?);
                    if self.parts.len() == MOST_PARTS {
                        return Some(Err(Fault::Overloaded("its index tells of more than 65536 parts")));
                    }
                    let piece = Piece { at: base.saturating_add(at), length };
                    // Parts of other items are no place in the file.
                    if method < 2 {
                        self.parts.push(Part { item, inside: method == 1, piece });
                    }
                }
            }
            Some(Ok(()))
        };
        read().transpose()
    }

    /// The furthest byte that a part needs.
    pub fn reached(&self) -> u64 {
        let ends = self.parts.iter().filter(|p| !p.inside).map(|p| p.piece.at.saturating_add(p.piece.length));
        ends.max().unwrap_or(0)
    }

    /// The Exif block in TIFF form.
    pub fn exif(&self, file: &mut (impl Read + Seek)) -> Option<Vec<u8>> {
        let mut block = Vec::new();
        for part in self.parts.iter().filter(|p| Some(p.item) == self.exif) {
            let base = if part.inside { self.held?.at } else { 0 };
            let left = MOST_EXIF.checked_sub(block.len() as u64)?;
            // A part without a length is all that follows.
            let length = if part.piece.length == 0 { left } else { part.piece.length.min(left) };
            file.seek(SeekFrom::Start(base.checked_add(part.piece.at)?)).ok()?;
            file.by_ref().take(length).read_to_end(&mut block).ok()?;
        }
        // In front stands how many bytes lie between there and the TIFF heading.
        let mut fields = Fields { bytes: &block, at: 0 };
        let between = fields.number(4)? as usize;
        let block = block.get(4_usize.checked_add(between)?..)?;
        Some(block.strip_prefix(b"Exif\0\0").unwrap_or(block).to_vec())
    }

    /// Ranges of the file without the metadata that lie in them.
    pub fn without_metadata(&self, ranges: &[Piece]) -> Vec<Piece> {
        let is_metadata = |part: &&Part| !part.inside && self.metadata.contains(&part.item);
        let mut cuts: Vec<(u64, u64)> = self
            .parts
            .iter()
            .filter(is_metadata)
            .map(|p| (p.piece.at, p.piece.at.saturating_add(p.piece.length)))
            .collect();
        cuts.sort_unstable();
        let mut kept = Vec::new();
        for range in ranges {
            let (mut at, end) = (range.at, range.at + range.length);
            for (from, to) in &cuts {
                if *to <= at || *from >= end {
                    continue;
                }
                if *from > at {
                    kept.push(Piece { at, length: from - at });
                }
                at = (*to).min(end);
            }
            if at < end {
                kept.push(Piece { at, length: end - at });
            }
        }
        kept
    }
}

/// Boxes side by side from a place on; ends at the first that doesn't fit.
fn side_by_side(bytes: &[u8], from: usize) -> impl Iterator<Item = Box> + '_ {
    let mut at = from as u64;
    let to = bytes.len() as u64;
    std::iter::from_fn(move || {
        if at >= to {
            return None;
        }
        let found = heading(&mut std::io::Cursor::new(bytes), at, to).ok().filter(|b| b.end <= to)?;
        at = found.end;
        Some(found)
    })
}

/// Numbers one after the other, the highest byte first.
struct Fields<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Fields<'_> {
    /// A number of up to eight bytes; none at all is zero.
    fn number(&mut self, width: usize) -> Option<u64> {
        let bytes = self.bytes.get(self.at..self.at.checked_add(width)?)?;
        self.at += width;
        Some(bytes.iter().fold(0, |acc, byte| acc << 8 | u64::from(*byte)))
    }
}
