//! Camera metadata, copied out of a file entry by entry into a small block of our own making.
//!
//! The metadata parser sees only what is written here: each directory once, every value inside the block, links
//! that end. So a directory that is cut, or that ends without its link, costs no more than the entries it lacks, and
//! nothing in it can refer to itself.

use std::io::{Cursor, Read, Seek};

use super::Fault;
use super::directories::{Window, heading, number, width};

/// Entries of all directories together; cameras write some hundred.
const MOST_ENTRIES: u64 = 4096;
/// No setting is longer; previews, profiles and maker's notes are.
const LONGEST_VALUE: u64 = 4096;
const EXIF: u16 = 0x8769;
const INTEROPERABILITY: u16 = 0xA005;

/// What can be read of an Exif block (TIFF form).
pub fn clean_block(block: &[u8]) -> Result<Vec<u8>, Fault> {
    clean(&mut Window::of(&mut Cursor::new(block), block.len() as u64))
}

/// The first directory of a TIFF structure with its settings below, in a block of their own.
pub fn clean<F: Read + Seek>(window: &mut Window<'_, F>) -> Result<Vec<u8>, Fault> {
    let (little, first) = heading(window)?;
    let mut reader = Reader { window, little, seen: Vec::new(), entries: 0 };
    let mut main = reader.directory(first)?;
    let mut exif = reader.below(&mut main, EXIF)?;
    let interoperability = match &mut exif {
        Some(exif) => reader.below(exif, INTEROPERABILITY)?,
        None => None,
    };
    if main.is_empty() && exif.is_none() {
        return Err(Fault::Incomplete("its metadata have no entry yet"));
    }
    Ok(written(little, main, exif, interoperability))
}

/// One entry, its value beside it.
struct Entry {
    tag: u16,
    kind: u64,
    count: u64,
    value: Vec<u8>,
}

struct Reader<'w, 'a, F> {
    window: &'w mut Window<'a, F>,
    little: bool,
    /// Where directories lie.
    seen: Vec<(u64, u64)>,
    entries: u64,
}

impl<F: Read + Seek> Reader<'_, '_, F> {
    /// The entries of a directory that are there, with the values that are there.
    fn directory(&mut self, at: u64) -> Result<Vec<Entry>, Fault> {
        let head = self.window.read(at, 2)?;
        let count = number(&head, self.little);
        let there = count.min((self.window.length - at - 2) / 12);
        let end = at + 2 + there * 12;
        self.entries += there;
        if self.entries > MOST_ENTRIES || self.seen.iter().any(|(from, to)| at < *to && *from < end) {
            return Err(Fault::Tangled);
        }
        self.seen.push((at, end));
        let table = self.window.read(at + 2, there * 12)?;
        Ok(table.chunks_exact(12).filter_map(|raw| self.entry(raw)).collect())
    }

    fn entry(&mut self, raw: &[u8]) -> Option<Entry> {
        let number = |from: usize, to: usize| number(&raw[from..to], self.little);
        let (tag, kind, count) = (number(0, 2) as u16, number(2, 4), number(4, 8));
        let size = count.checked_mul(width(kind)).filter(|size| *size <= LONGEST_VALUE)?;
        let value = if size <= 4 { raw[8..8 + size as usize].to_vec() } else { self.value(number(8, 12), size)? };
        ((1..=13).contains(&kind)).then_some(Entry { tag, kind, count, value })
    }

    fn value(&mut self, at: u64, size: u64) -> Option<Vec<u8>> {
        self.window.read(at, size).ok()
    }

    /// The first directory that an entry points to and that can be read; the pointers are taken out.
    fn below(&mut self, above: &mut Vec<Entry>, tag: u16) -> Result<Option<Vec<Entry>>, Fault> {
        let pointers: Vec<u64> = above
            .iter()
            .filter(|e| e.tag == tag && width(e.kind) == 4 && e.count == 1)
            .map(|e| number(&e.value, self.little))
            .collect();
        above.retain(|e| e.tag != tag);
        for at in pointers {
            match self.directory(at) {
                Ok(entries) => return Ok(Some(entries)),
                Err(Fault::Incomplete(_)) => {}
                Err(fault) => return Err(fault),
            }
        }
        Ok(None)
    }
}

/// A value that is known otherwise and is put into a block.
pub enum Value {
    Text(String),
    Short(u16),
    /// Above 0.
    Rational(f64),
    SignedRational(f64),
}

/// A block of values with their tags. `None` of nothing.
pub fn block_of(values: &[(u16, Value)]) -> Option<Vec<u8>> {
    const PARTS: f64 = 10_000.0;
    let entry = |(tag, value): &(u16, Value)| {
        let signed = |number: f64| [((number * PARTS).round() as i32).to_le_bytes(), (PARTS as i32).to_le_bytes()];
        let (kind, count, value) = match value {
            Value::Text(text) => (2, text.len() as u64 + 1, [text.as_bytes(), &[0]].concat()),
            Value::Short(number) => (3, 1, number.to_le_bytes().to_vec()),
            Value::Rational(number) => {
                // The larger of the two numbers is the rounded one.
                let whole = |number: f64| number.round() as u32;
                let fraction = if *number < 1.0 {
                    [PARTS as u32, whole(PARTS / number)]
                } else {
                    [whole(number * PARTS), PARTS as u32]
                };
                (5, 1, fraction.map(u32::to_le_bytes).concat())
            }
            Value::SignedRational(number) => (10, 1, signed(*number).concat()),
        };
        Entry { tag: *tag, kind, count, value }
    };
    // Those of the first directory have numbers below those of the one with the settings.
    let (main, settings): (Vec<Entry>, Vec<Entry>) = values.iter().map(entry).partition(|e| e.tag < 0x0200);
    (!main.is_empty() || !settings.is_empty()).then(|| written(true, main, Some(settings), None))
}

/// Directories with their values, one after the other.
fn written(
    little: bool,
    mut main: Vec<Entry>,
    mut exif: Option<Vec<Entry>>,
    interoperability: Option<Vec<Entry>>,
) -> Vec<u8> {
    const HEADING: usize = 8;
    let mut block = if little { b"II*\0\x08\0\0\0".to_vec() } else { b"MM\0*\0\0\0\x08".to_vec() };
    let pointer = |tag: u16, at: usize| Entry { tag, kind: 4, count: 1, value: bytes_of(at as u64, 4, little) };
    // A pointer adds an entry of fixed length, so every place is known before anything is written.
    let below_main = HEADING + length_of(&main) + if exif.is_some() { 12 } else { 0 };
    if let Some(exif) = &mut exif {
        main.push(pointer(EXIF, below_main));
        if interoperability.is_some() {
            exif.push(pointer(INTEROPERABILITY, below_main + length_of(exif) + 12));
        }
    }
    for directory in [Some(main), exif, interoperability].into_iter().flatten() {
        append(&mut block, &directory, little);
    }
    block
}

/// Bytes of a directory, its values behind it.
fn length_of(entries: &[Entry]) -> usize {
    let values: usize = entries.iter().filter(|e| e.value.len() > 4).map(|e| e.value.len().next_multiple_of(2)).sum();
    2 + entries.len() * 12 + 4 + values
}

fn append(block: &mut Vec<u8>, entries: &[Entry], little: bool) {
    let mut values_at = block.len() + 2 + entries.len() * 12 + 4;
    let mut values = Vec::new();
    block.extend(bytes_of(entries.len() as u64, 2, little));
    for entry in entries {
        block.extend(bytes_of(u64::from(entry.tag), 2, little));
        block.extend(bytes_of(entry.kind, 2, little));
        block.extend(bytes_of(entry.count, 4, little));
        if entry.value.len() <= 4 {
            let mut value = entry.value.clone();
            value.resize(4, 0);
            block.extend(value);
        } else {
            block.extend(bytes_of(values_at as u64, 4, little));
            values.extend(&entry.value);
            values.resize(values.len().next_multiple_of(2), 0);
            values_at += entry.value.len().next_multiple_of(2);
        }
    }
    block.extend([0; 4]);
    block.extend(values);
}

fn bytes_of(value: u64, width: usize, little: bool) -> Vec<u8> {
    if little { value.to_le_bytes()[..width].to_vec() } else { value.to_be_bytes()[8 - width..].to_vec() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photometry::{ExposureTime, Series};

    /// Cameras that tell exposure times as powers of two tell every mark by its exact time.
    #[test]
    fn every_exposure_time_is_the_same_when_it_is_read() {
        for series in [Series::Thirds, Series::Halves] {
            for seconds in ExposureTime::marks(series) {
                let mark = ExposureTime::new(*seconds, None, series).unwrap();
                let block = block_of(&[(0x829A, Value::Rational(mark.exact_seconds()))]).unwrap();
                let exif = exif::Reader::new().read_raw(block).unwrap();
                let field = exif.get_field(exif::Tag::ExposureTime, exif::In::PRIMARY).unwrap();
                let exif::Value::Rational(read) = &field.value else { panic!("{field:?}") };
                let read = ExposureTime::new(read[0].to_f64(), None, series).unwrap();
                assert!((read.tv() - mark.tv()).abs().0 < 1e-3, "{mark}: {read}");
            }
        }
    }
}
