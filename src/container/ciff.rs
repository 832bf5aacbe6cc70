//! CIFF, one maker's raw files of before 2005: heaps of values, each with its directory at its end (common practice, no source;
//! tried on two real files).
//!
//! The last bytes of the file tell where the outermost directory is, so that a file that is cut has none.

use std::io::{Read, Seek};

use jiff::SignedDuration;
use jiff::civil::date;

use super::directories::{Window, number};
use super::exif_block::{Value, block_of};
use super::{Fault, Layout, Piece};

const MAGIC: &[u8] = b"HEAPCCDR";
/// Entries of all directories together; cameras write some sixty.
const MOST_ENTRIES: usize = 1024;
/// Heaps inside each other, as deep as the raw library follows them.
const DEEPEST: u32 = 10;
/// Bytes that all values may have together: the raw library copies them.
const MOST_CLAIMED: u64 = 256 << 20;
/// The longest value that tells a setting.
const LONGEST_VALUE: u64 = 4096;

const SAMPLES: u16 = 0x2005;
const JPEG: u16 = 0x2007;
const MAKE_AND_MODEL: u16 = 0x080A;
const CAPTURED: u16 = 0x180E;
const PICTURE: u16 = 0x1810;
const FOCAL_LENGTH: u16 = 0x1029;
const SHOT: u16 = 0x102A;
const CAMERA: u16 = 0x102D;

const NO_DIRECTORY: Fault = Fault::Incomplete("its directory, which stands at its end, is missing");
const UNSOUND: Fault = Fault::Foreign("one of its inner directories reaches beyond what holds it");
const UNKNOWN_PLACE: Fault = Fault::Foreign("its directory puts a value where no raw file of its kind has one");

/// Whole when the outermost directory ends where the file does, and all inner heaps and values lie within those that hold them.
pub fn examine(file: &mut (impl Read + Seek), length: u64) -> Result<Layout, Fault> {
    let mut window = Window::of(file, length);
    let head = window.read(0, 14).map_err(|_| Fault::Incomplete("it is cut in its heading"))?;
    if &head[..2] != b"II" || &head[6..] != MAGIC {
        return Err(Fault::Foreign("it does not begin as a raw file of its kind"));
    }
    let mut walk = Walk { window: &mut window, entries: 0, claimed: 0, found: Vec::new() };
    walk.heap(number(&head[2..6], true), length, 0)?;
    let found = walk.found;
    let piece = |tag: u16| found.iter().find(|entry| entry.tag == tag).map(|entry| entry.piece);
    let Some(samples) = piece(SAMPLES) else { return Err(NO_DIRECTORY) };
    let exif = settings(&mut window, &found);
    let embedded = piece(JPEG).into_iter().collect();
    Ok(Layout { exif, payload: samples.at, picture: vec![samples], embedded, ..Layout::default() })
}

/// A value, with its place in the file.
struct Entry {
    tag: u16,
    piece: Piece,
}

struct Walk<'w, 'a, F> {
    window: &'w mut Window<'a, F>,
    entries: usize,
    claimed: u64,
    found: Vec<Entry>,
}

impl<F: Read + Seek> Walk<'_, '_, F> {
    fn heap(&mut self, start: u64, end: u64, depth: u32) -> Result<(), Fault> {
        let last = end.checked_sub(4).filter(|last| *last >= start).ok_or(NO_DIRECTORY)?;
        let values = number(&self.window.read(last, 4)?, true);
        let at = start.saturating_add(values);
        if at.saturating_add(2) > last {
            return Err(NO_DIRECTORY);
        }
        let count = number(&self.window.read(at, 2)?, true);
        if at + 2 + count * 10 > last {
            return Err(NO_DIRECTORY);
        }
        self.entries += count as usize;
        if self.entries > MOST_ENTRIES {
            return Err(Fault::Tangled);
        }
        let table = self.window.read(at + 2, count * 10)?;
        for (n, raw) in table.chunks_exact(10).enumerate() {
            let written = number(&raw[..2], true) as u16;
            let tag = written & 0x3FFF;
            let piece = match written & 0xC000 {
                0 => Piece { at: start.saturating_add(number(&raw[6..], true)), length: number(&raw[2..6], true) },
                // The value stands in the entry itself.
                0x4000 => Piece { at: at + 4 + n as u64 * 10, length: 8 },
                _ => return Err(UNKNOWN_PLACE),
            };
            let ends = piece.at.saturating_add(piece.length);
            if ends > end {
                return Err(NO_DIRECTORY);
            }
            self.claimed += piece.length;
            if self.claimed > MOST_CLAIMED {
                return Err(Fault::Tangled);
            }
            if matches!(tag & 0x3800, 0x2800 | 0x3000) && depth + 1 < DEEPEST {
                // The raw library would follow an unsound one out of its bounds. Its own directory stands before the outermost
                // one, which is there: waiting doesn't mend it.
                self.heap(piece.at, ends, depth + 1).map_err(|fault| match fault {
                    Fault::Incomplete(_) => UNSOUND,
                    other => other,
                })?;
            } else {
                self.found.push(Entry { tag, piece });
            }
        }
        Ok(())
    }
}

/// The settings as an Exif block: the numbers are powers of two in fixed parts of a stop.
fn settings<F: Read + Seek>(window: &mut Window<'_, F>, found: &[Entry]) -> Option<Vec<u8>> {
    let mut value = |tag: u16| {
        let piece = found.iter().find(|entry| entry.tag == tag)?.piece;
        window.read(piece.at, piece.length.min(LONGEST_VALUE)).ok()
    };
    let shorts = |bytes: Option<Vec<u8>>| -> Vec<i16> {
        bytes.unwrap_or_default().chunks_exact(2).map(|two| i16::from_le_bytes([two[0], two[1]])).collect()
    };
    let (shot, camera, focal) = (shorts(value(SHOT)), shorts(value(CAMERA)), shorts(value(FOCAL_LENGTH)));
    let stops_at = |at: usize| shot.get(at).copied().map(stops);
    let f_number = stops_at(21).filter(|stops| *stops != 0.0).map(|stops| (stops / 2.0).exp2());
    // Nothing stands for 1 s, too; where there is no f-number either, nothing was set.
    let seconds = stops_at(22).filter(|stops| *stops != 0.0 || f_number.is_some()).map(|stops| (-stops).exp2());
    let mut block: Vec<(u16, Value)> = Vec::new();
    if let Some(names) = value(MAKE_AND_MODEL) {
        let mut names = names.split(|byte| *byte == 0).map(|name| String::from_utf8_lossy(name).into_owned());
        block.extend([0x010F, 0x0110].into_iter().zip(names.by_ref()).map(|(tag, name)| (tag, Value::Text(name))));
    }
    if let Some(rotation) = value(PICTURE).and_then(|bytes| bytes.get(12..16).map(|r| number(r, true))) {
        let orientation = match rotation {
            90 => 6,
            180 => 3,
            270 => 8,
            _ => 1,
        };
        block.push((0x0112, Value::Short(orientation)));
    }
    // Seconds of the camera's own clock, without a zone.
    let captured = value(CAPTURED).and_then(|bytes| bytes.get(..4).map(|s| number(s, true) as i64));
    let epoch = date(1970, 1, 1).at(0, 0, 0, 0);
    if let Some(at) = captured.filter(|s| *s > 0).and_then(|s| epoch.checked_add(SignedDuration::from_secs(s)).ok()) {
        block.push((0x9003, Value::Text(at.strftime("%Y:%m:%d %H:%M:%S").to_string())));
    }
    block.extend(f_number.map(|f_number| (0x829D, Value::Rational(f_number))));
    block.extend(seconds.map(|seconds| (0x829A, Value::Rational(seconds))));
    block.extend(iso(&shot, &camera).map(|iso| (0x8827, Value::Short(iso))));
    block.extend(stops_at(6).map(|bias| (0x9204, Value::SignedRational(bias))));
    let unit = camera.get(25).map_or(1.0, |unit| f64::from((*unit).max(1)));
    block.extend(focal.get(1).filter(|f| **f > 0).map(|f| (0x920A, Value::Rational(f64::from(*f) / unit))));
    block_of(&block)
}

/// Stops that are written in 32nds, in which a third stands as 12 and two thirds as 20 (common practice, no source; ExifTool reads
/// them so).
fn stops(written: i16) -> f64 {
    let size = written.unsigned_abs();
    let part = match size % 32 {
        12 => 1.0 / 3.0,
        20 => 2.0 / 3.0,
        part => f64::from(part) / 32.0,
    };
    (f64::from(size / 32) + part) * f64::from(written.signum())
}

/// As the camera was set, where it tells that; else what it took of its own.
fn iso(shot: &[i16], camera: &[i16]) -> Option<u16> {
    let set = match camera.get(16).copied() {
        Some(16) => Some(50),
        Some(17) => Some(100),
        Some(18) => Some(200),
        Some(19) => Some(400),
        Some(20) => Some(800),
        Some(told) if told & 0x4000 != 0 => Some((told & 0x3FFF) as u16),
        _ => None,
    };
    let own = || {
        let [automatic, base] = [shot.get(1)?, shot.get(2)?].map(|v| (f64::from(*v) / 32.0).exp2());
        Some((base * 100.0 / 32.0 * automatic).round() as u16)
    };
    set.or_else(own).filter(|iso| *iso > 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: 76 and -20 stand in two real files, for which ExifTool 12.57 tells 1/5.04 s, 5.04 s and -2/3.
    #[test]
    fn thirds_of_a_stop_are_thirds() {
        for (written, thirds) in [(0, 0), (12, 1), (20, 2), (32, 3), (76, 7), (-76, -7), (-20, -2), (160, 15)] {
            assert!((stops(written) - f64::from(thirds) / 3.0).abs() < 1e-12, "{written}: {}", stops(written));
        }
        assert!((stops(99) - 99.0 / 32.0).abs() < 1e-12, "what is no third stays what it is");
    }

    /// A heap of values, as the tags and the places of their values are written.
    fn heap(values: &[(u16, &[u8])]) -> Vec<u8> {
        let mut bytes = values.iter().flat_map(|(_, value)| value.to_vec()).collect::<Vec<u8>>();
        let (directory, mut at) = (bytes.len() as u32, 0_u32);
        bytes.extend((values.len() as u16).to_le_bytes());
        for (tag, value) in values {
            bytes.extend(tag.to_le_bytes());
            bytes.extend((value.len() as u32).to_le_bytes());
            bytes.extend(at.to_le_bytes());
            at += value.len() as u32;
        }
        bytes.extend(directory.to_le_bytes());
        bytes
    }

    fn examined(values: &[(u16, &[u8])]) -> Result<Layout, Fault> {
        let file = [&b"II\x0e\0\0\0HEAPCCDR"[..], &heap(values)].concat();
        examine(&mut std::io::Cursor::new(&file), file.len() as u64)
    }

    #[test]
    fn an_inner_heap_that_leaves_its_bounds_is_refused() {
        let samples = (SAMPLES, &[5; 40][..]);
        assert!(examined(&[samples, (0x300A, &heap(&[(0x0805, b"text")]))]).is_ok());
        for unsound in [&[][..], &[0; 3], &[0xFF; 8], &[0, 0, 9, 0, 2, 0, 0, 0]] {
            let said = examined(&[samples, (0x300A, unsound)]).unwrap_err().to_string();
            assert!(said.contains("inner directories"), "{unsound:?}: {said}");
        }
    }

    /// It is not waited for.
    #[test]
    fn a_value_at_an_unknown_place_is_refused() {
        for place in [0x8000, 0xC000] {
            let fault = examined(&[(SAMPLES, &[5; 40]), (0x0805 | place, b"text")]).unwrap_err();
            assert!(matches!(fault, Fault::Foreign(_)), "{fault}");
        }
    }

    #[test]
    fn a_second_is_told_where_an_f_number_is() {
        let told = |f_number: i16| {
            let mut shot = [0_i16; 27];
            shot[21] = f_number;
            let shot: Vec<u8> = shot.iter().flat_map(|v| v.to_le_bytes()).collect();
            let block = examined(&[(SAMPLES, &[5; 40]), (SHOT, &shot)]).unwrap().exif.unwrap();
            let exif = exif::Reader::new().read_raw(block).unwrap();
            let time = exif.get_field(exif::Tag::ExposureTime, exif::In::PRIMARY);
            time.map(|field| field.display_value().to_string())
        };
        assert_eq!(told(160).as_deref(), Some("1"));
        assert_eq!(told(0), None);
    }
}
