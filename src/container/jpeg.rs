//! JPEG: the walk over its markers (ITU-T T.81), to the end of the picture.

use memchr::memchr;

use super::jpeg_coding::{Coding, tables_in};
use super::jpeg_holes::{self, Hole};
use super::tiff::MOST_PROFILE;
use super::{Fault, Layout, Piece, be16, be32};

const EXIF: &[u8] = b"Exif\0\0";
const ICC: &[u8] = b"ICC_PROFILE\0";
const MULTI_PICTURE: &[u8] = b"MPF\0";
/// Code tables in one picture. Each costs a decoder time; one for each scan and kind of coefficient is usual.
const MOST_TABLES: usize = 64;
/// Scans of one picture, and as many more for each colour: a progressive picture has about ten.
const MOST_SCANS: usize = 64;
const MORE_SCANS_A_COLOUR: usize = 4;

/// What the segments before the picture hold.
#[derive(Debug, Default)]
pub struct Walk {
    pub exif: Option<Vec<u8>>,
    /// Absent where the first scan comes before the frame's heading.
    coding: Option<Coding>,
    /// Where the segments stand that the picture is decoded by.
    means: Vec<Piece>,
    tables: usize,
    icc_parts: Vec<(u8, Vec<u8>)>,
    /// Where the first scan's marker stands.
    pub scan_at: usize,
    /// Furthest byte that a multi-picture index (CIPA DC-007) speaks of.
    announced: u64,
}

impl Walk {
    /// Walks from the start to the first scan; needs no byte behind it.
    pub fn header(bytes: &[u8]) -> Result<Walk, Fault> {
        match bytes.get(..2) {
            Some([0xFF, 0xD8]) => {}
            Some([0xFF, 0x00]) => return Err(Fault::Incomplete("its beginning is not written yet")),
            Some(_) => return Err(Fault::Foreign("it does not begin as a JPEG")),
            None => return Err(Fault::Incomplete("it has no beginning yet")),
        }
        let mut walk = Walk::default();
        let mut at = 2;
        loop {
            let (marker, body_at) = next_marker(bytes, at)?;
            match marker {
                0xD9 => return Err(Fault::Incomplete("it ends before its picture")),
                0x01 | 0xD0..=0xD7 => at = body_at,
                _ => {
                    let end = segment_end(bytes, body_at)?;
                    let Some(body) = bytes.get(body_at + 2..end) else {
                        return Err(Fault::Incomplete("it is cut in its header"));
                    };
                    if marker == 0xDA {
                        walk.scan_at = body_at - 2;
                        return Ok(walk);
                    }
                    walk.segment(marker, body, body_at as u64 + 2)?;
                    at = end;
                }
            }
        }
    }

    fn segment(&mut self, marker: u8, body: &[u8], body_at: u64) -> Result<(), Fault> {
        match marker {
            0xE1 if body.starts_with(EXIF) && self.exif.is_none() => {
                self.exif = body.get(EXIF.len()..).map(<[u8]>::to_vec)
            }
            0xE2 if body.starts_with(ICC) => {
                if let Some((&number, rest)) = body.get(ICC.len()..).and_then(|b| b.split_first()) {
                    self.icc_parts.push((number, rest.get(1..).unwrap_or_default().to_vec()));
                }
            }
            0xE2 if body.starts_with(MULTI_PICTURE) => {
                let base = body_at + MULTI_PICTURE.len() as u64;
                self.announced = body.get(MULTI_PICTURE.len()..).and_then(furthest_picture).map_or(0, |far| base + far);
            }
            0xC4 => self.count_tables(body)?,
            0xC0..=0xCF if marker != 0xC8 && marker != 0xCC => {
                if self.coding.is_some() {
                    return Err(Fault::Foreign("it has two headings for one picture"));
                }
                self.coding = Coding::read(marker, body);
            }
            _ => {}
        }
        if matches!(marker, 0xC0..=0xCF | 0xDB | 0xDD) {
            self.means.push(Piece { at: body_at, length: body.len() as u64 });
        }
        Ok(())
    }

    fn count_tables(&mut self, body: &[u8]) -> Result<(), Fault> {
        self.tables += tables_in(body);
        let within = self.tables <= MOST_TABLES;
        if within { Ok(()) } else { Err(Fault::Overloaded("it has more code tables than any picture needs")) }
    }

    fn icc(&mut self) -> Option<Vec<u8>> {
        self.icc_parts.sort_by_key(|(number, _)| *number);
        let joined: Vec<u8> = self.icc_parts.drain(..).flat_map(|(_, part)| part).collect();
        (!joined.is_empty()).then_some(joined)
    }
}

/// Walks the whole file. `Ok` only when the picture's end marker stands behind all its scans and
/// no hole lies between.
pub fn examine(bytes: &[u8]) -> Result<Layout, Fault> {
    let mut walk = Walk::header(bytes)?;
    let (end, scans) = walk.picture_end(bytes)?;
    if let Some(coding) = &mut walk.coding {
        coding.scans = scans;
    }
    let perhaps_unfinished = match jpeg_holes::find(bytes, walk.scan_at..end) {
        Hole::None => None,
        Hole::Perhaps => Some("its picture holds whole pages of zeros, which may not be written yet"),
        Hole::Surely => return Err(Fault::Incomplete("part of its picture is not written yet")),
    };
    let icc = walk.icc();
    if icc.as_ref().is_some_and(|icc| icc.len() as u64 > MOST_PROFILE) {
        return Err(Fault::Overloaded("its colour profile is larger than 4 MiB"));
    }
    let mut picture = walk.means;
    picture.push(Piece { at: walk.scan_at as u64, length: (end - walk.scan_at) as u64 });
    Ok(Layout {
        icc,
        payload: walk.scan_at as u64,
        picture,
        tail_missing: walk.announced > bytes.len() as u64,
        exif: walk.exif,
        coding: walk.coding,
        perhaps_unfinished,
        ..Layout::default()
    })
}

impl Walk {
    /// The place just behind the picture's end marker, and how many scans it has.
    fn picture_end(&mut self, bytes: &[u8]) -> Result<(usize, usize), Fault> {
        let most_scans = MOST_SCANS + MORE_SCANS_A_COLOUR * self.coding.as_ref().map_or(1, |c| c.components.len());
        let mut scans = 1;
        let mut at = segment_end(bytes, self.scan_at + 2)?;
        loop {
            let rest = bytes.get(at..).unwrap_or_default();
            let Some(found) = memchr(0xFF, rest) else {
                return Err(Fault::Incomplete("its picture has no end"));
            };
            at += found + 1;
            match bytes.get(at) {
                None => return Err(Fault::Incomplete("its picture has no end")),
                Some(0xFF) => {}
                Some(0x00 | 0x01 | 0xD0..=0xD7) => at += 1,
                Some(0xD9) => return Ok((at + 1, scans)),
                Some(marker) => {
                    let end = segment_end(bytes, at + 1)?;
                    if *marker == 0xDA {
                        scans += 1;
                    } else if *marker == 0xC4 {
                        self.count_tables(bytes.get(at + 3..end).unwrap_or_default())?;
                    }
                    if scans > most_scans {
                        return Err(Fault::Overloaded("its picture is cut into more scans than any picture needs"));
                    }
                    at = end;
                }
            }
        }
    }
}

/// The next marker at or behind `at`, and where its body begins. Stray bytes are passed over.
fn next_marker(bytes: &[u8], at: usize) -> Result<(u8, usize), Fault> {
    let mut at = at;
    loop {
        let rest = bytes.get(at..).unwrap_or_default();
        let Some(found) = memchr(0xFF, rest) else {
            return Err(Fault::Incomplete("it is cut in its header"));
        };
        at += found + 1;
        match bytes.get(at) {
            None => return Err(Fault::Incomplete("it is cut in its header")),
            Some(0x00 | 0xFF) => {}
            Some(marker) => return Ok((*marker, at + 1)),
        }
    }
}

fn segment_end(bytes: &[u8], body_at: usize) -> Result<usize, Fault> {
    match be16(bytes, body_at) {
        None => Err(Fault::Incomplete("it is cut in its header")),
        Some(0) => Err(Fault::Incomplete("part of its header is not written yet")),
        Some(1) => Err(Fault::Foreign("a segment has no length")),
        Some(length) => Ok(body_at + usize::from(length)),
    }
}

/// The furthest end of a picture in a multi-picture index, from its own start.
fn furthest_picture(index: &[u8]) -> Option<u64> {
    let little = index.starts_with(b"II");
    let u16_at = |at: usize| be16(index, at).map(|v| if little { v.swap_bytes() } else { v });
    let u32_at = |at: usize| be32(index, at).map(|v| if little { v.swap_bytes() } else { v });
    let ifd = u32_at(4)? as usize;
    let entries = usize::from(u16_at(ifd)?).min(16);
    let entry = (0..entries).map(|i| ifd + 2 + i * 12).find(|at| u16_at(*at) == Some(0xB002))?;
    let (bytes, list) = (u32_at(entry + 4)? as usize, u32_at(entry + 8)? as usize);
    (0..(bytes / 16).min(16))
        .filter_map(|i| {
            let at = list + i * 16;
            let (size, offset) = (u64::from(u32_at(at + 4)?), u64::from(u32_at(at + 8)?));
            // The first picture's offset is 0, from the file's start; its end marker is checked anyway.
            (offset > 0).then_some(offset + size)
        })
        .max()
}
