//! PNG and WebP: files of chunks with a length in front.

use super::{Fault, Layout, be32};

const CUT: Fault = Fault::Incomplete("it is cut before its end");

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
        bytes.get(end..end + 4).ok_or(CUT)?;
        match name {
            b"eXIf" => layout.exif = Some(body.to_vec()),
            b"IDAT" if layout.payload == 0 => layout.payload = at as u64,
            b"IEND" => return Ok(layout),
            _ => {}
        }
        at = end + 4;
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
            b"ICCP" => layout.icc = Some(body.to_vec()),
            b"VP8 " | b"VP8L" => layout.payload = at as u64,
            _ => {}
        }
        at += 8 + size + size % 2;
    }
    if bytes.len() < length { Err(CUT) } else { Ok(layout) }
}

fn begins_with(bytes: &[u8], signature: &[u8], what: &'static str) -> Result<(), Fault> {
    let head = bytes.get(..signature.len().min(bytes.len())).unwrap_or_default();
    if !signature.starts_with(head) {
        return Err(Fault::Foreign(what));
    }
    if head.len() < signature.len() { Err(CUT) } else { Ok(()) }
}
