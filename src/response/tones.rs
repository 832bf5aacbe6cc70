//! Luminance of a pixel to whatever a curve makes of its code, by a table.

use super::srgb::srgb_encode;

/// A function of the sRGB code of luminance, tabled over the root of linear light: fine in the
/// shadows, where codes are few.
#[derive(Debug, Clone)]
pub struct Tones(Vec<f32>);

const ENTRIES: usize = 4096;

impl Tones {
    pub fn new(of_code: impl Fn(f64) -> f64) -> Tones {
        let entry = |i: usize| {
            let root = i as f64 / (ENTRIES - 1) as f64;
            of_code(srgb_encode(root * root) * 255.0) as f32
        };
        Tones((0..ENTRIES).map(entry).collect())
    }

    /// For linear luminance, 0 to 1.
    pub fn of(&self, luminance: f32) -> f32 {
        let place = luminance.clamp(0.0, 1.0).sqrt() * (ENTRIES - 1) as f32;
        let below = (place as usize).min(ENTRIES - 2);
        self.0[below] + (self.0[below + 1] - self.0[below]) * (place - below as f32)
    }
}
