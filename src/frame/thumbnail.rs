//! A small picture of a frame, for people to look at: no metadata, sRGB.

use image::codecs::jpeg::JpegEncoder;
use image::{RgbImage, imageops};

use super::Picture;

/// A small JPEG of a frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Thumbnail {
    pub width: u32,
    pub height: u32,
    pub jpeg: Vec<u8>,
}

const LONG_SIDE: u32 = 720;
const QUALITY: u8 = 82;

impl Picture {
    /// The picture at a size for a screen. Tones are brought to the sRGB curve; colours of a wider space
    /// look a little duller than they are. `None` when it can't be encoded.
    pub fn thumbnail(&self) -> Option<Thumbnail> {
        let to_srgb = self.colour.srgb_code.map(|code| code.round().clamp(0.0, 255.0) as u8);
        let proxy = &self.proxy;
        let codes = proxy.rgb.iter().flatten().map(|code| to_srgb[usize::from(*code)]).collect();
        let full = RgbImage::from_raw(proxy.width as u32, proxy.height as u32, codes)?;
        let shrink = f64::from(LONG_SIDE) / f64::from(full.width().max(full.height()));
        let side = |pixels: u32| ((f64::from(pixels) * shrink).round() as u32).max(1);
        let small =
            if shrink < 1.0 { imageops::thumbnail(&full, side(full.width()), side(full.height())) } else { full };
        let mut jpeg = Vec::new();
        JpegEncoder::new_with_quality(&mut jpeg, QUALITY).encode_image(&small).ok()?;
        Some(Thumbnail { width: small.width(), height: small.height(), jpeg })
    }
}
