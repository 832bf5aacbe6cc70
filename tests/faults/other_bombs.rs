//! PNG, TIFF, WebP and box files that cost a reader far more than their size: made here, as code.

use super::harness::hostile::{boxed, entry, tiff};

/// Bits, first one lowest, as deflate (RFC 1951) and WebP lossless want them.
#[derive(Default)]
struct Bits {
    bytes: Vec<u8>,
    held: u64,
    count: u32,
}

impl Bits {
    fn push(&mut self, value: u64, bits: u32) {
        self.held |= value << self.count;
        self.count += bits;
        while self.count >= 8 {
            self.bytes.push(self.held as u8);
            self.held >>= 8;
            self.count -= 8;
        }
    }

    fn end(mut self) -> Vec<u8> {
        if self.count > 0 {
            self.bytes.push(self.held as u8);
        }
        self.bytes
    }
}

/// A zlib stream (RFC 1950) of so many zero bytes: one as it is, then copies of 258 at a time.
fn zeros(count: u64) -> Vec<u8> {
    let mut bits = Bits::default();
    bits.push(0x78 | (0x01 << 8), 16);
    bits.push(0b011, 3);
    // The fixed code of the zero byte is 0011 0000, highest bit first.
    const ZERO: (u64, u32) = (0b0000_1100, 8);
    bits.push(ZERO.0, ZERO.1);
    let copies = (count - 1) / 258;
    for _ in 0..copies {
        // Length 258 is 1100 0101, distance 1 is 00000, highest bit first.
        bits.push(0b1010_0011, 13);
    }
    for _ in 0..(count - 1) % 258 {
        bits.push(ZERO.0, ZERO.1);
    }
    bits.push(0, 7);
    let mut bytes = bits.end();
    // Adler-32 of zeros: the first sum stays 1, the second counts.
    bytes.extend((((count % 65_521) as u32) << 16 | 1).to_be_bytes());
    bytes
}

fn chunk(kind: &[u8; 4], content: &[u8]) -> Vec<u8> {
    let named = [&kind[..], content].concat();
    [&(content.len() as u32).to_be_bytes()[..], &named, &crc32fast::hash(&named).to_be_bytes()].concat()
}

fn png(width: u32, height: u32, depth: u8, colour: u8, before: &[u8], row_bytes: u64) -> Vec<u8> {
    let mut head = [width.to_be_bytes(), height.to_be_bytes()].concat();
    head.extend([depth, colour, 0, 0, 0]);
    let rows = zeros((row_bytes + 1) * u64::from(height));
    [b"\x89PNG\r\n\x1a\n".to_vec(), chunk(b"IHDR", &head), before.to_vec(), chunk(b"IDAT", &rows), chunk(b"IEND", &[])]
        .concat()
}

/// One colour, all of it.
pub fn flat_png(side: u32) -> Vec<u8> {
    png(side, side, 8, 6, &[], u64::from(side) * 4)
}

/// A small picture with a colour profile that unpacks to so much.
pub fn png_with_profile(unpacked: u64) -> Vec<u8> {
    let profile = [&b"profile\0\0"[..], &zeros(unpacked)].concat();
    png(64, 64, 8, 2, &chunk(b"iCCP", &profile), 64 * 3)
}

/// Lossless WebP of one colour: every code has one symbol and so no bits; a few bytes in all.
pub fn flat_webp(side: u64) -> Vec<u8> {
    let mut bits = Bits::default();
    bits.push(0x2F, 8);
    bits.push(side - 1, 14);
    bits.push(side - 1, 14);
    // No alpha, version 0; no transform, no colour cache, one group of codes.
    bits.push(0, 4);
    bits.push(0, 3);
    for _ in 0..5 {
        // Simple, one symbol, of one bit, and that is 0.
        bits.push(0b0001, 4);
    }
    let mut content = bits.end();
    content.resize(content.len().next_multiple_of(2).max(32), 0);
    let body = [&b"WEBPVP8L"[..], &(content.len() as u32).to_le_bytes(), &content].concat();
    [&b"RIFF"[..], &(body.len() as u32).to_le_bytes(), &body].concat()
}

/// A directory whose entries all list the same tens of thousands of further directories.
pub fn tiff_of_directories(entries: u32) -> Vec<u8> {
    const EACH: u32 = 65_535;
    let list_at = 8 + 2 + 12 * entries + 4;
    let all: Vec<_> = (0..entries).map(|_| entry(0x014A, 4, EACH, list_at)).collect();
    let list: Vec<u8> = (0..EACH).flat_map(|k| (8 + 4 * k).to_le_bytes()).collect();
    [tiff(&all, 0, 0), list].concat()
}

/// A directory that says it is followed by itself.
pub fn tiff_that_loops() -> Vec<u8> {
    tiff(&[entry(0x0100, 4, 1, 100), entry(0x0101, 4, 1, 100), entry(0x8769, 4, 1, 8), entry(0x014A, 4, 1, 8)], 8, 0)
}

/// Four channels of sixteen bits, all zero, in runs of 128 bytes (PackBits).
pub fn flat_tiff(side: u32) -> Vec<u8> {
    let bytes = u64::from(side) * u64::from(side) * 8;
    let mut packed = Vec::new();
    for _ in 0..bytes.div_ceil(128) {
        packed.extend([0x81, 0]);
    }
    let depths_at = 8 + 2 + 12 * 10 + 4;
    let strip_at = depths_at + 8;
    let entries = [
        entry(256, 4, 1, side),
        entry(257, 4, 1, side),
        entry(258, 3, 4, depths_at),
        entry(259, 3, 1, 32_773),
        entry(262, 3, 1, 2),
        entry(273, 4, 1, strip_at),
        entry(277, 3, 1, 4),
        entry(278, 4, 1, side),
        entry(279, 4, 1, packed.len() as u32),
        entry(338, 3, 1, 2),
    ];
    let rest = [&[16, 0, 16, 0, 16, 0, 16, 0][..], &packed].concat();
    [tiff(&entries, 0, 0), rest].concat()
}

/// A raw file of boxes: so many empty ones in its head.
pub fn many_boxes(count: usize) -> Vec<u8> {
    let empty = boxed(b"uuid", &[0; 16]);
    let head = boxed(b"moov", &empty.repeat(count));
    [boxed(b"ftyp", b"crx \0\0\0\x01crx isom"), head, boxed(b"mdat", &[0; 64])].concat()
}

/// A raw file of boxes that are inside each other, or have no length, or end before they begin.
pub fn boxes_in_boxes() -> Vec<u8> {
    let own = b"\x85\xc0\xb6\x87\x82\x0f\x11\xe0\x81\x11\xf4\xce\x46\x2b\x6a\x48";
    let mut inner = vec![0, 0, 0, 0];
    inner.extend(b"uuid");
    inner.extend(own);
    inner.extend([0, 0, 0, 1]);
    inner.extend(b"CMT1");
    inner.extend([0; 8]);
    let mut nested = boxed(b"uuid", &[&own[..], &inner].concat());
    for _ in 0..400 {
        nested = boxed(b"moov", &nested);
    }
    [boxed(b"ftyp", b"crx \0\0\0\x01crx isom"), nested, boxed(b"mdat", &[0; 64])].concat()
}
