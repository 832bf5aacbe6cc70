//! PNG and WebP: files of chunks with a length in front.

use std::io::Read;

use flate2::read::ZlibDecoder;

use super::tiff::MOST_PROFILE;
use super::{Fault, Layout, Piece, be32};

const CUT: Fault = Fault::Incomplete("it is cut before its end");
const LARGE_PROFILE: Fault = Fault::Overloaded("its colour profile is larger than 4 MiB");
/// Files are set aside in pages of this size, in bytes.
const PAGE: usize = 4096;

/// PNG (ISO/IEC 15948): whole when the chunks run to `IEND`.
pub fn examine_png(bytes: &[u8]) -> Result<Layout, Fault> {
    const SIGNATURE: &[u8] = b"\x89PNG\r\n\x1a\n";
    begins_with(bytes, SIGNATURE, "it does not begin as a PNG")?;
    let mut layout = Layout::default();
    let mut at = SIGNATURE.len();
    loop {
        let length = be32(bytes, at).ok_or(CUT)? as usize;
        let name = bytes.get(at + 4..at + 8).ok_or(CUT)?;
        let end = at + 8 + length;
        let body = bytes.get(at + 8..end).ok_or(CUT)?;
        let checksum = be32(bytes, end).ok_or(CUT)?;
        match name {
            b"eXIf" => layout.exif = Some(body.to_vec()),
            b"iCCP" if layout.icc.is_none() => layout.icc = unpacked_profile(body)?,
            b"IDAT" if layout.payload == 0 => layout.payload = at as u64,
            b"IEND" => return Ok(layout),
            _ => {}
        }
        // Chunks without which there is no picture have a capital letter in front.
        if name[0].is_ascii_uppercase() {
            if has_empty_page(body) && crc32fast::hash(&bytes[at + 4..end]) != checksum {
                return Err(Fault::Incomplete("part of its picture is not written yet"));
            }
            layout.picture.push(Piece { at: at as u64 + 8, length: length as u64 });
        }
        at = end + 4;
    }
}

/// The profile behind its name and the number of the packing; a few bytes of it may stand for gigabytes.
fn unpacked_profile(body: &[u8]) -> Result<Option<Vec<u8>>, Fault> {
    let Some(packed) = body.iter().position(|b| *b == 0).and_then(|name_end| body.get(name_end + 2..)) else {
        return Ok(None);
    };
    let mut profile = Vec::new();
    match ZlibDecoder::new(packed).take(MOST_PROFILE + 1).read_to_end(&mut profile) {
        Ok(length) if length as u64 > MOST_PROFILE => Err(LARGE_PROFILE),
        Ok(_) => Ok(Some(profile)),
        // A damaged profile costs no more than itself.
        Err(_) => Ok(None),
    }
}

/// WebP (RIFF): whole when the file has the length that its header states.
pub fn examine_webp(bytes: &[u8]) -> Result<Layout, Fault> {
    begins_with(bytes, b"RIFF", "it does not begin as a WebP")?;
    let little = |at: usize| be32(bytes, at).map(u32::swap_bytes);
    let length = little(4).ok_or(CUT)? as usize + 8;
    if bytes.get(8..12).ok_or(CUT)? != b"WEBP" {
        return Err(Fault::Foreign("it does not begin as a WebP"));
    }
    let mut layout = Layout::default();
    let mut at = 12;
    while at + 8 <= length {
        let name = bytes.get(at..at + 4).ok_or(CUT)?;
        let size = little(at + 4).ok_or(CUT)? as usize;
        let body = bytes.get(at + 8..at + 8 + size).ok_or(CUT)?;
        match name {
            // Some writers keep the JPEG segment's own heading in front of the block.
            b"EXIF" => layout.exif = Some(body.strip_prefix(b"Exif\0\0").unwrap_or(body).to_vec()),
            b"ICCP" if size as u64 > MOST_PROFILE => return Err(LARGE_PROFILE),
            b"ICCP" => layout.icc = Some(body.to_vec()),
            b"VP8 " | b"VP8L" | b"ALPH" | b"ANMF" => {
                if layout.payload == 0 {
                    layout.payload = at as u64;
                }
                layout.picture.push(Piece { at: at as u64 + 8, length: size as u64 });
            }
            // Space that was set aside; no chunk is called so.
            [0, 0, 0, 0] => return Err(Fault::Incomplete("part of its picture is not written yet")),
            _ => {}
        }
        at += 8 + size + size % 2;
    }
    if bytes.len() < length { Err(CUT) } else { Ok(layout) }
}

fn has_empty_page(body: &[u8]) -> bool {
    // Looking at half-steps finds every empty page, whatever its alignment.
    body.chunks_exact(PAGE / 2).any(|half| half.iter().all(|b| *b == 0))
}

fn begins_with(bytes: &[u8], signature: &[u8], what: &'static str) -> Result<(), Fault> {
    let head = bytes.get(..signature.len().min(bytes.len())).unwrap_or_default();
    if !signature.starts_with(head) {
        return Err(Fault::Foreign(what));
    }
    if head.len() < signature.len() { Err(CUT) } else { Ok(()) }
}
