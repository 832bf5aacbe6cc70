//! Pixels of a frame at reduced size, upright.
//!
//! JPEGs are decoded at 1/8 size in the DCT domain (ITU-T T.81) where they are large. Everything
//! is bounded by the header's claim before anything is allocated.

use std::io::Cursor;

use image::{DynamicImage, ImageDecoder, ImageFormat, Limits};
use mozjpeg::{ColorSpace, Decompress};
use thiserror::Error;

use super::dc;
use super::guard::{guarded, plainly};
use crate::container::{Coding, Kind, Process};

/// A small upright copy of the picture, 8-bit RGB in its own colour space.
#[derive(Debug, Clone, PartialEq)]
pub struct Proxy {
    pub width: usize,
    pub height: usize,
    /// Row by row, red green blue.
    pub rgb: Vec<[u8; 3]>,
}

/// Why a picture can't be metered.
#[derive(Debug, Error, PartialEq)]
pub enum PixelFault {
    #[error(
        "the picture claims {width} x {height} pixels, more than the {MOST_MEGAPIXELS} megapixels that are looked at"
    )]
    TooManyPixels { width: u32, height: u32 },
    #[error("the picture claims {width} x {height} pixels, which its {bytes} bytes can't hold")]
    Bomb { width: u32, height: u32, bytes: usize },
    #[error(
        "decoding the picture would take {mib} MiB of memory, more than the {MEMORY_MIB} MiB allowed; a smaller picture or a \
         plain JPEG takes less"
    )]
    Memory { mib: u64 },
    #[error("the picture is stored in pieces that are too large to be read; save it in strips or tiles")]
    Strip,
    #[error("the picture is in printing inks (CMYK), which are not metered")]
    Inks,
    #[error("the picture's data are damaged: {0}")]
    Damaged(String),
    #[error("the raw file's picture can't be read: {0}")]
    Raw(String),
}

const MOST_MEGAPIXELS: u64 = 200;
/// For all that decoding one picture takes, the file's own bytes with it.
const MEMORY_MIB: u64 = 448;
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
fn check_memory(needed: u64, bytes: usize, most_mib: u64) -> Result<(), PixelFault> {
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

fn decode_jpeg(bytes: &[u8], coding: Option<&Coding>) -> Result<Proxy, PixelFault> {
    let damaged = |e: std::io::Error| PixelFault::Damaged(plainly(&e.to_string()));
    let Some(coding) = coding else { return Err(PixelFault::Damaged("its picture has no heading".to_owned())) };
    check_claim(coding.width as u32, coding.height as u32, bytes.len())?;
    // Where several scans tell the coefficients, all of them are kept in memory.
    if coding.scans > 1 || coding.process != Process::Sequential {
        check_memory(coding.coefficient_bytes(), bytes.len(), MEMORY_MIB)?;
    }
    let mut decoder = Decompress::new_mem(bytes).map_err(damaged)?;
    let (width, height) = decoder.size();
    if matches!(decoder.color_space(), ColorSpace::JCS_CMYK | ColorSpace::JCS_YCCK) {
        return Err(PixelFault::Inks);
    }
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
    decode_whole(format, Cursor::new(bytes), bytes.len(), bytes.len())
}

/// Decodes at full size, then shrinks; `held` are the file's bytes that are in memory.
pub(super) fn decode_whole(
    format: ImageFormat,
    file: impl std::io::BufRead + std::io::Seek,
    length: usize,
    held: usize,
) -> Result<Proxy, PixelFault> {
    let damaged = |e: image::ImageError| match e {
        image::ImageError::Limits(_) => PixelFault::Memory { mib: MEMORY_MIB },
        other => PixelFault::Damaged(plainly(&other.to_string())),
    };
    // The libraries for WebP and TIFF keep the picture twice; of a TIFF nothing else is in memory.
    let copies = if format == ImageFormat::Png { 1 } else { 2 };
    let most_mib = if format == ImageFormat::Tiff { MEMORY_MIB } else { FULL_SIZE_MIB };
    let mut reader = image::ImageReader::with_format(file, format);
    let mut limits = Limits::default();
    limits.max_alloc = Some(most_mib << 20);
    reader.limits(limits);
    let decoder = reader.into_decoder().map_err(damaged)?;
    let (width, height) = decoder.dimensions();
    check_claim(width, height, length)?;
    check_memory(decoder.total_bytes().saturating_mul(copies), held, most_mib)?;
    let picture = DynamicImage::from_decoder(decoder).map_err(damaged)?;
    Ok(shrink(&picture))
}

/// Box average down to about the size that a large JPEG's proxy has.
fn shrink(picture: &DynamicImage) -> Proxy {
    let by = u32::from(8 / eighths(picture.width() as usize, picture.height() as usize));
    let small =
        if by > 1 { picture.thumbnail_exact(picture.width() / by, picture.height() / by) } else { picture.clone() };
    let small = small.to_rgb8();
    let (width, height) = (small.width() as usize, small.height() as usize);
    Proxy { width, height, rgb: small.pixels().map(|p| p.0).collect() }
}

impl Proxy {
    /// The picture as the photographer sees it. Orientations by Exif 2.32.
    pub(super) fn turned(self, orientation: u8) -> Proxy {
        self.turned_with_order(orientation).0
    }

    /// Also gives which stored pixel stands at each place.
    pub(super) fn turned_with_order(self, orientation: u8) -> (Proxy, Vec<usize>) {
        let (w, h) = (self.width, self.height);
        let (width, height) = if orientation >= 5 { (h, w) } else { (w, h) };
        let source = |x: usize, y: usize| match orientation {
            2 => (w - 1 - x, y),
            3 => (w - 1 - x, h - 1 - y),
            4 => (x, h - 1 - y),
            5 => (y, x),
            6 => (y, h - 1 - x),
            7 => (w - 1 - y, h - 1 - x),
            8 => (w - 1 - y, x),
            _ => (x, y),
        };
        if !(2..=8).contains(&orientation) {
            let order = (0..self.rgb.len()).collect();
            return (self, order);
        }
        let places = (0..height).flat_map(|y| (0..width).map(move |x| (x, y)));
        let order: Vec<usize> = places.map(|(x, y)| source(x, y)).map(|(x, y)| y * w + x).collect();
        let rgb = order.iter().map(|at| self.rgb[*at]).collect();
        (Proxy { width, height, rgb }, order)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: Exif 2.32, Orientation: where row 0 and column 0 of the stored picture stand.
    #[test]
    fn every_orientation_puts_the_first_stored_pixel_where_exif_says() {
        let stored = Proxy { width: 3, height: 2, rgb: (0..6).map(|i| [i, 0, 0]).collect() };
        let corners =
            [(1, (0, 0)), (2, (2, 0)), (3, (2, 1)), (4, (0, 1)), (5, (0, 0)), (6, (1, 0)), (7, (1, 2)), (8, (0, 2))];
        for (orientation, (x, y)) in corners {
            let upright = stored.clone().turned(orientation);
            assert_eq!(upright.rgb[y * upright.width + x], [0, 0, 0], "orientation {orientation}");
            assert_eq!(upright.rgb.len(), 6);
        }
    }
}
