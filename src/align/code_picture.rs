//! A frame's codes at reduced size: what two frames are laid one over the other by.

use std::ops::Range;
use std::sync::{Arc, LazyLock};

use super::plane::Plane;
use crate::frame::{Ends, Picture};
use crate::response::{Tones, srgb_decode};

/// Codes of luminance and of colour, row by row from the top left.
#[derive(Debug, Clone, PartialEq)]
pub struct CodePicture {
    pub(super) width: usize,
    pub(super) height: usize,
    /// The linear light of a raw file, told by the codes of IEC 61966-2-1.
    pub(super) is_raw: bool,
    /// In steps of a [`PER_CODE`]th of an sRGB code; the top of the scale where two channels stand there:
    /// of warm skin red alone often does, and the light is told by the others.
    pub(super) luminance: Vec<u16>,
    /// Codes of red, green and blue of squares with [`COLOUR_SIDE`] pixels a side.
    pub(super) colour: Vec<[u8; 3]>,
}

/// The long side of such a picture, where the frame's own is not shorter.
pub(super) const LONG_SIDE: usize = 384;
const PER_CODE: f32 = 64.0;
const MOST: u16 = 255 * PER_CODE as u16;
/// Colour changes little from pixel to pixel.
const COLOUR_SIDE: usize = 4;

impl CodePicture {
    /// Of a frame's pixels. One that has none, shrunk to nothing from a single line, is told as one black pixel.
    pub fn of(picture: &Picture) -> CodePicture {
        if picture.proxy.rgb.is_empty() {
            return CodePicture { width: 1, height: 1, is_raw: false, luminance: vec![0], colour: vec![[0; 3]] };
        }
        let (from_width, from_height) = (picture.proxy.width, picture.proxy.height);
        let shrink = (LONG_SIDE as f64 / from_width.max(from_height).max(1) as f64).min(1.0);
        let side = |pixels: usize| ((pixels as f64 * shrink).round() as usize).max(1);
        let (width, height) = (side(from_width), side(from_height));
        let light = Plane { width: from_width, height: from_height, values: picture.luminance().collect() };
        let light = light.shrunk(width, height);
        let in_steps = |light: &f32| ((CODES.of(*light) * PER_CODE).round() as u16).min(MOST);
        let mut luminance: Vec<u16> = light.values.iter().map(in_steps).collect();
        let (column, row) = (covering(from_width, width), covering(from_height, height));
        let ends = Ends::of(picture);
        let burnt_out = picture.proxy.rgb.iter().enumerate().filter(|(_, rgb)| ends.burn_out(rgb));
        for (at, _) in burnt_out {
            for row in row(at / from_width) {
                luminance[row * width..][column(at % from_width)].fill(MOST);
            }
        }
        CodePicture {
            width,
            height,
            is_raw: picture.linear.is_some(),
            luminance,
            colour: colour(picture, width, height),
        }
    }

    pub fn width(&self) -> usize {
        self.width
    }

    pub fn height(&self) -> usize {
        self.height
    }

    pub fn is_raw(&self) -> bool {
        self.is_raw
    }

    /// As a picture for the eye: sRGB codes of red, green and blue, row by row from the top left.
    pub fn srgb(&self) -> Vec<u8> {
        let light = |code: f64| srgb_decode(code / 255.0);
        let pixel = |at: usize| {
            let square =
                self.colour_at((at % self.width) as f32, (at / self.width) as f32).map(|c| light(f64::from(c)));
            // Luminance of ITU-R BT.709 primaries.
            let luminance = 0.2126 * square[0] + 0.7152 * square[1] + 0.0722 * square[2];
            let own = light(f64::from(self.luminance[at]) / f64::from(PER_CODE));
            square.map(|c| CODES.of((c * own / luminance.max(1e-6)).min(1.0) as f32).round() as u8)
        };
        (0..self.width * self.height).flat_map(pixel).collect()
    }

    /// The code of a pixel's luminance.
    pub(super) fn code_at(&self, x: usize, y: usize) -> f32 {
        f32::from(self.luminance[y * self.width + x]) / PER_CODE
    }

    /// The mean of the codes of the four pixels about a place, by their distance; `None` where it lies outside. The top of
    /// the scale where one of them stands there.
    pub(super) fn code_between(&self, x: f32, y: f32) -> Option<f32> {
        // Written so that what is no number lies outside, too.
        let inside = x >= 0.0 && y >= 0.0 && x < (self.width - 1) as f32 && y < (self.height - 1) as f32;
        if !inside {
            return None;
        }
        let (beside, below) = (x.fract(), y.fract());
        let at = y as usize * self.width + x as usize;
        let corners = [at, at + 1, at + self.width, at + self.width + 1].map(|at| self.luminance[at]);
        if corners.contains(&MOST) {
            return Some(255.0);
        }
        let [a, b, c, d] = corners.map(f32::from);
        let (upper, lower) = (a + (b - a) * beside, c + (d - c) * beside);
        Some((upper + (lower - upper) * below) / PER_CODE)
    }

    /// The light of each pixel by the standard curve, in stops from white. Shadows fade into a floor: what stands
    /// below it is noise.
    pub(super) fn log_light(&self) -> Plane {
        let values = self.luminance.iter().map(|steps| LOG_LIGHT[usize::from(*steps)]).collect();
        Plane { width: self.width, height: self.height, values }
    }

    /// The codes of red, green and blue about a place.
    pub(super) fn colour_at(&self, x: f32, y: f32) -> [u8; 3] {
        let columns = colour_side(self.width);
        let square = |at: f32, pixels: usize| (at.max(0.0) as usize / COLOUR_SIDE).min(colour_side(pixels) - 1);
        self.colour[square(y, self.height) * columns + square(x, self.width)]
    }

    /// The same scene as a mirror shows it.
    pub(super) fn mirrored(&self) -> Arc<CodePicture> {
        let lines = self.luminance.chunks(self.width).flat_map(|line| line.iter().rev().copied());
        let squares = self.colour.chunks(colour_side(self.width)).flat_map(|line| line.iter().rev().copied());
        Arc::new(CodePicture { luminance: lines.collect(), colour: squares.collect(), ..*self })
    }
}

/// About the light of code 6, below which codes are not believed.
const FLOOR: f64 = 0.002;

static CODES: LazyLock<Tones> = LazyLock::new(|| Tones::new(|code| code));

static LOG_LIGHT: LazyLock<Vec<f32>> = LazyLock::new(|| {
    let light = |steps: u16| (srgb_decode(f64::from(steps) / f64::from(MOST)) + FLOOR).log2() as f32;
    (0..=MOST).map(light).collect()
});

/// The pixels of a row of `to` that cover a pixel of a row of `from`.
fn covering(from: usize, to: usize) -> impl Fn(usize) -> Range<usize> {
    move |at| at * to / from..((at + 1) * to).div_ceil(from)
}

pub(super) fn colour_side(pixels: usize) -> usize {
    pixels.div_ceil(COLOUR_SIDE)
}

/// The mean light of each square and channel by the standard curve, told as its code.
fn colour(picture: &Picture, width: usize, height: usize) -> Vec<[u8; 3]> {
    let (columns, rows) = (colour_side(width), colour_side(height));
    let decoded = picture.colour.srgb_code.map(|code| srgb_decode(f64::from(code) / 255.0) as f32);
    let mut sums = vec![([0.0_f32; 3], 0_u32); columns * rows];
    let proxy = &picture.proxy;
    let column_of: Vec<usize> = (0..proxy.width).map(|x| x * width / proxy.width / COLOUR_SIDE).collect();
    for (y, line) in proxy.rgb.chunks(proxy.width).enumerate() {
        let row = y * height / proxy.height / COLOUR_SIDE;
        for (x, rgb) in line.iter().enumerate() {
            let (sum, pixels) = &mut sums[row * columns + column_of[x]];
            (0..3).for_each(|channel| sum[channel] += decoded[usize::from(rgb[channel])]);
            *pixels += 1;
        }
    }
    // The cast stops at both ends.
    let code = |sum: f32, pixels: u32| CODES.of(sum / pixels.max(1) as f32).round() as u8;
    sums.into_iter().map(|(sum, pixels)| sum.map(|sum| code(sum, pixels))).collect()
}
