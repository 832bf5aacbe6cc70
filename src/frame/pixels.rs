//! Pixels of a frame at reduced size, upright.
//!
//! JPEGs are decoded at 1/8 size in the DCT domain (ITU-T T.81) where they are large. Everything
//! is bounded by the header's claim before anything is allocated.

use std::io::Cursor;

use image::{DynamicImage, ImageDecoder, ImageFormat, Limits};
use mozjpeg::{ColorSpace, Decompress};

use super::dc;
use super::guard::{guarded, plainly};
use super::proxy::{MEMORY_MIB, MOST_MEGAPIXELS, PixelFault, Proxy};
use crate::container::{Coding, Kind, Process};

/// Of that, for a picture that is decoded at full size by a library that takes as much again for its own work.
const FULL_SIZE_MIB: u64 = 256;
/// No coding holds more pixels in a byte (a flat JPEG holds about 64).
const MOST_PIXELS_A_BYTE: u64 = 2_000;
/// A proxy keeps at least this many pixels if the picture has them.
const ENOUGH_PIXELS: usize = 200_000;

/// Decodes a whole file to a proxy; `orientation` is Exif's, 1 to 8.
pub fn decode(kind: Kind, bytes: &[u8], coding: Option<&Coding>, orientation: u8) -> Result<Proxy, PixelFault> {
    let decoded = guarded(|| match kind {
        Kind::Jpeg => decode_jpeg(bytes, coding),
        _ => decode_other(kind, bytes),
    });
    decoded.map_err(|panic| PixelFault::Damaged(plainly(&panic)))?.map(|proxy| proxy.turned(orientation))
}

pub(super) fn check_area(width: u32, height: u32) -> Result<(), PixelFault> {
    let within = u64::from(width) * u64::from(height) <= MOST_MEGAPIXELS * 1_000_000;
    if within { Ok(()) } else { Err(PixelFault::TooManyPixels { width, height }) }
}

/// A picture's claim must also be one that its bytes can hold.
pub(super) fn check_claim(width: u32, height: u32, bytes: usize) -> Result<(), PixelFault> {
    check_area(width, height)?;
    let within = u64::from(width) * u64::from(height) <= MOST_PIXELS_A_BYTE * bytes as u64;
    if within { Ok(()) } else { Err(PixelFault::Bomb { width, height, bytes }) }
}

/// Memory that decoding takes besides the file's own bytes.
pub(super) fn check_memory(needed: u64, bytes: usize, most_mib: u64) -> Result<(), PixelFault> {
    let all = needed.saturating_add(bytes as u64);
    if needed <= most_mib << 20 && all <= MEMORY_MIB << 20 {
        Ok(())
    } else {
        Err(PixelFault::Memory { mib: all >> 20 })
    }
}

/// The smallest of 1/8, 1/4, 1/2 and 1/1 that keeps enough pixels.
pub(super) fn eighths(width: usize, height: usize) -> u8 {
    [1_u8, 2, 4].into_iter().find(|n| width * height * usize::from(n * n) / 64 >= ENOUGH_PIXELS).unwrap_or(8)
}

pub(super) fn damaged(why: impl std::fmt::Display) -> PixelFault {
    PixelFault::Damaged(plainly(&why.to_string()))
}

/// Begins with a JPEG whose claims can be met.
pub(super) fn begin_jpeg<'a>(bytes: &'a [u8], coding: Option<&Coding>) -> Result<Decompress<&'a [u8]>, PixelFault> {
    let Some(coding) = coding else { return Err(damaged("its picture has no heading")) };
    check_claim(coding.width as u32, coding.height as u32, bytes.len())?;
    // Where several scans tell the coefficients, all of them are kept in memory.
    if coding.scans > 1 || coding.process != Process::Sequential {
        check_memory(coding.coefficient_bytes(), bytes.len(), MEMORY_MIB)?;
    }
    let decoder = Decompress::new_mem(bytes).map_err(damaged)?;
    let has_inks = matches!(decoder.color_space(), ColorSpace::JCS_CMYK | ColorSpace::JCS_YCCK);
    if has_inks { Err(PixelFault::Inks) } else { Ok(decoder) }
}

fn decode_jpeg(bytes: &[u8], coding: Option<&Coding>) -> Result<Proxy, PixelFault> {
    let mut decoder = begin_jpeg(bytes, coding)?;
    let (width, height) = decoder.size();
    if eighths(width, height) == 1
        && let Some(decoded) = dc::decode(bytes)
    {
        return decoded;
    }
    decoder.scale(eighths(width, height));
    decoder.do_fancy_upsampling(false);
    let mut lines = decoder.rgb().map_err(damaged)?;
    let (width, height) = (lines.width(), lines.height());
    let rgb: Vec<[u8; 3]> = lines.read_scanlines().map_err(damaged)?;
    lines.finish().map_err(damaged)?;
    if rgb.len() != width * height {
        return Err(PixelFault::Damaged("fewer lines than its header says".to_owned()));
    }
    Ok(Proxy { width, height, rgb })
}

fn decode_other(kind: Kind, bytes: &[u8]) -> Result<Proxy, PixelFault> {
    let format = if kind == Kind::Png { ImageFormat::Png } else { ImageFormat::WebP };
    let whole = decode_whole(format, Cursor::new(bytes), [bytes.len(); 2], FULL_SIZE_MIB)?;
    Ok(shrink(&whole))
}

/// Decodes at full size; `[length, held]` are the file's bytes, and those of them that are in memory.
pub(super) fn decode_whole(
    format: ImageFormat,
    file: impl std::io::BufRead + std::io::Seek,
    [length, held]: [usize; 2],
    most_mib: u64,
) -> Result<DynamicImage, PixelFault> {
    let damaged = |e: image::ImageError| match e {
        image::ImageError::Limits(_) => PixelFault::Memory { mib: MEMORY_MIB },
        other => PixelFault::Damaged(fault_in_words(&other)),
    };
    // The libraries for WebP and TIFF keep the picture twice; of a TIFF nothing else is in memory.
    let copies = if format == ImageFormat::Png { 1 } else { 2 };
    let mut reader = image::ImageReader::with_format(file, format);
    let mut limits = Limits::default();
    limits.max_alloc = Some(most_mib << 20);
    reader.limits(limits);
    let decoder = reader.into_decoder().map_err(damaged)?;
    let (width, height) = decoder.dimensions();
    check_claim(width, height, length)?;
    check_memory(decoder.total_bytes().saturating_mul(copies), held, most_mib)?;
    DynamicImage::from_decoder(decoder).map_err(damaged)
}

/// What is wrong with the data, without the name of the library's own error.
fn fault_in_words(error: &image::ImageError) -> String {
    let said = std::error::Error::source(error).map_or_else(|| error.to_string(), ToString::to_string);
    if ["CRC", "hecksum"].iter().any(|word| said.contains(word)) {
        return "a checksum in them is wrong".to_owned();
    }
    plainly(&said)
}

/// Box average down to about the size that a large JPEG's proxy has.
pub(super) fn shrink(picture: &DynamicImage) -> Proxy {
    let by = u32::from(8 / eighths(picture.width() as usize, picture.height() as usize));
    let small =
        if by > 1 { picture.thumbnail_exact(picture.width() / by, picture.height() / by) } else { picture.clone() };
    let small = small.to_rgb8();
    let (width, height) = (small.width() as usize, small.height() as usize);
    Proxy { width, height, rgb: small.pixels().map(|p| p.0).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn png() -> Vec<u8> {
        let mut bytes = Cursor::new(Vec::new());
        let picture = image::RgbImage::from_fn(64, 48, |x, y| image::Rgb([x as u8 * 3, y as u8 * 5, 90]));
        picture.write_to(&mut bytes, ImageFormat::Png).unwrap();
        bytes.into_inner()
    }

    /// The place of a chunk's data.
    fn data_of(name: &[u8; 4], bytes: &[u8]) -> usize {
        bytes.windows(4).position(|four| four == name).unwrap() + 4
    }

    #[test]
    fn a_damaged_png_is_said_to_be_damaged_as_other_files_are() {
        let whole = png();
        assert!(decode(Kind::Png, &whole, None, 1).is_ok());
        let length = |at: usize| u32::from_be_bytes(whole[at - 8..at - 4].try_into().unwrap()) as usize;
        let data = data_of(b"IDAT", &whole);
        let end = data + length(data);
        // The checksum itself, the data under it, and the header of the picture.
        for at in [end, end + 3, data + 10, data_of(b"IHDR", &whole) + 12] {
            let mut bytes = whole.clone();
            bytes[at] ^= 0x55;
            let said = decode(Kind::Png, &bytes, None, 1).unwrap_err().to_string();
            assert!(said.starts_with("the picture's data are damaged: "), "{at}: {said}");
            for foreign in ["Format error", "Png", "CRC", "decoding", "chunk", "0x"] {
                assert!(!said.contains(foreign), "{at}: {said}");
            }
        }
    }
}
