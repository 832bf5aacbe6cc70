//! JPEG: the walk over its markers (ITU-T T.81), to the end of the picture.

use memchr::memchr;

use super::{Fault, Layout, be16, be32};

const EXIF: &[u8] = b"Exif\0\0";
const ICC: &[u8] = b"ICC_PROFILE\0";
const MULTI_PICTURE: &[u8] = b"MPF\0";
/// Pre-allocated files are zero where they are not yet written; a page of zeros in coded data is
/// such a hole (entropy-coded camera pictures have no such runs).
const HOLE: usize = 4096;

/// What the segments before the picture hold.
#[derive(Debug, Default)]
pub struct Walk {
    pub exif: Option<Vec<u8>>,
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
                    walk.segment(marker, body, body_at as u64 + 2);
                    at = end;
                }
            }
        }
    }

    fn segment(&mut self, marker: u8, body: &[u8], body_at: u64) {
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
            _ => {}
        }
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
    let end = picture_end(bytes, walk.scan_at)?;
    if has_hole(bytes.get(walk.scan_at..end).unwrap_or_default()) {
        return Err(Fault::Incomplete("part of its picture is not written yet"));
    }
    Ok(Layout {
        icc: walk.icc(),
        payload: walk.scan_at as u64,
        tail_missing: walk.announced > bytes.len() as u64,
        exif: walk.exif,
        ..Layout::default()
    })
}

/// The place just behind the picture's end marker.
fn picture_end(bytes: &[u8], scan_at: usize) -> Result<usize, Fault> {
    let mut at = segment_end(bytes, scan_at + 2)?;
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
            Some(0xD9) => return Ok(at + 1),
            Some(_) => at = segment_end(bytes, at + 1)?,
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

fn has_hole(scan: &[u8]) -> bool {
    // Looking at half-steps finds every run of 1.5 pages, whatever its alignment.
    scan.chunks(HOLE / 2).any(|piece| piece.len() == HOLE / 2 && piece.iter().all(|byte| *byte == 0))
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
