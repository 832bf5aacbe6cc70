//! Quantiles of the codes of a picture's parts: what a response curve is recovered from.
//!
//! The n-th quantile of a part is the same patch of the scene in every frame of a series, even
//! if the scene moved a little.

use crate::frame::Picture;
use crate::response::Tones;

/// sRGB codes, in one order for all pictures of a scene.
#[derive(Debug, Clone, PartialEq)]
pub struct Quantiles {
    pub luminance: Vec<f64>,
    /// Red, green and blue.
    pub channels: [Vec<f64>; 3],
}

/// Parts along each side of the frame.
const PARTS: usize = 3;
const QUANTILES: usize = 10;

pub fn quantiles(picture: &Picture) -> Quantiles {
    let codes = Tones::new(|code| code);
    let luminance: Vec<f32> = picture.luminance().map(|y| codes.of(y)).collect();
    let channel = |channel: usize| {
        let values = picture.proxy.rgb.iter().map(|rgb| picture.colour.srgb_code[rgb[channel] as usize]);
        of_parts(picture, &values.collect::<Vec<f32>>())
    };
    Quantiles { luminance: of_parts(picture, &luminance), channels: [channel(0), channel(1), channel(2)] }
}

fn of_parts(picture: &Picture, codes: &[f32]) -> Vec<f64> {
    let (width, height) = (picture.proxy.width, picture.proxy.height);
    let mut found = Vec::with_capacity(PARTS * PARTS * QUANTILES);
    for row in 0..PARTS {
        for column in 0..PARTS {
            let lines = row * height / PARTS..(row + 1) * height / PARTS;
            let (from, to) = (column * width / PARTS, (column + 1) * width / PARTS);
            let mut part: Vec<f32> =
                lines.flat_map(|y| codes[y * width + from..y * width + to].iter().copied()).collect();
            part.sort_unstable_by(f32::total_cmp);
            let at =
                |quantile: usize| part.get((2 * quantile + 1) * part.len() / (2 * QUANTILES)).copied().unwrap_or(0.0);
            found.extend((0..QUANTILES).map(|quantile| f64::from(at(quantile))));
        }
    }
    found
}
