//! A small picture of a frame, for people to look at: no metadata, sRGB.

use image::codecs::jpeg::JpegEncoder;
use image::{RgbImage, imageops};

use super::{Picture, Proxy};

/// What a small picture is made of, once somebody wants to see it.
#[derive(Debug, Clone)]
pub struct Small {
    proxy: Proxy,
    /// For each 8-bit code the code of the same tone on the sRGB curve.
    to_srgb: [u8; 256],
}

/// A reduced camera picture has fewer pixels than this on its long side and stays as it is.
const LONG_SIDE: u32 = 1024;
const QUALITY: u8 = 82;

impl Picture {
    /// Keeps what a small picture needs.
    pub fn small(&self) -> Small {
        let to_srgb = self.colour.srgb_code.map(|code| code.round().clamp(0.0, 255.0) as u8);
        Small { proxy: self.proxy.clone(), to_srgb }
    }
}

impl Small {
    /// Width over height.
    pub fn shape(&self) -> f64 {
        self.proxy.width as f64 / self.proxy.height.max(1) as f64
    }

    /// Tones are brought to the sRGB curve; colours of a wider space look a little duller than they are. `None` when it
    /// has no pixels.
    pub fn image(&self) -> Option<RgbImage> {
        self.image_within(LONG_SIDE)
    }

    fn image_within(&self, long_side: u32) -> Option<RgbImage> {
        let codes = self.proxy.rgb.iter().flatten().map(|code| self.to_srgb[usize::from(*code)]).collect();
        let full = RgbImage::from_raw(self.proxy.width as u32, self.proxy.height as u32, codes)?;
        let shrink = f64::from(long_side) / f64::from(full.width().max(full.height()).max(1));
        let side = |pixels: u32| ((f64::from(pixels) * shrink).round() as u32).max(1);
        let small =
            if shrink < 1.0 { imageops::thumbnail(&full, side(full.width()), side(full.height())) } else { full };
        (small.width() > 0 && small.height() > 0).then_some(small)
    }

    /// As a JPEG. `None` when it can't be encoded.
    pub fn jpeg(&self) -> Option<Vec<u8>> {
        self.jpeg_within(LONG_SIDE, QUALITY)
    }

    /// With no more pixels than this on its long side. `None` when it can't be encoded.
    pub fn jpeg_within(&self, long_side: u32, quality: u8) -> Option<Vec<u8>> {
        let mut jpeg = Vec::new();
        JpegEncoder::new_with_quality(&mut jpeg, quality).encode_image(&self.image_within(long_side)?).ok()?;
        Some(jpeg)
    }
}
