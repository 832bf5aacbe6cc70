//! A frame's picture at reduced size, and why there may be none.
//!
//! Owns the small picture and how it is turned upright. How it is got out of a file is left to the decoders.

use thiserror::Error;

pub(super) const MOST_MEGAPIXELS: u64 = 200;
/// For all that decoding one picture takes, the file's own bytes with it.
pub(super) const MEMORY_MIB: u64 = 448;

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
    #[error("{0}")]
    NotMetered(&'static str),
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
    #[error(
        "decoding the HEIF picture would take {mib} MiB of memory, more than is allowed; a smaller picture, a JPEG or a raw file \
         takes less"
    )]
    HeifMemory { mib: u64 },
    #[error("the HEIF picture is coded in a way that is not read here (AVIF, say): set the camera to JPEG or raw")]
    HeifCoding,
    #[error("the picture's data are damaged: {0}")]
    Damaged(String),
    #[error(
        "no library here reads this camera's raw files, or the way in which this one is coded: set the camera to another kind of raw \
         file, or to RAW and JPEG"
    )]
    RawCoding,
    #[error("the raw file's picture can't be read: {0}")]
    Raw(String),
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
