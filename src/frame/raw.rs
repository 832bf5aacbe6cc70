//! Raw files: the sensor's own linear light, at reduced size.
//!
//! Black and white level are taken off each sample, then whole repeats of the colour filter are
//! averaged. No tone curve, no demosaicing, nothing that is not linear.

use std::path::Path;
use std::sync::Arc;

use nalgebra::{Matrix3, Vector3};
use rawler::decoders::RawDecodeParams;
use rawler::imgop::xyz::Illuminant;
use rawler::rawimage::{RawImage, RawImageData, RawPhotometricInterpretation};
use rawler::rawsource::RawSource;

use super::Picture;
use super::colour::Colour;
use super::guard::guarded;
use super::pixels::{PixelFault, Proxy, check_area, eighths};
use super::settings::ColourTag;
use crate::response::srgb_encode;

/// From this share of the scale on, a sample is taken as saturated: sensors bend before they end.
const SATURATED: f32 = 0.97;
/// Linear sRGB to XYZ, D65. Source: IEC 61966-2-1.
const SRGB_TO_XYZ: [f32; 9] = [0.4124, 0.3576, 0.1805, 0.2126, 0.7152, 0.0722, 0.0193, 0.1192, 0.9505];
/// Illuminants whose colour matrix is taken, the best first.
const ILLUMINANTS: [Illuminant; 4] = [Illuminant::D65, Illuminant::D55, Illuminant::D50, Illuminant::A];

/// Develops a raw file to a reduced picture of linear light.
pub fn develop(path: &Path, bytes: Vec<u8>, orientation: u8) -> Result<Picture, PixelFault> {
    let decoded = guarded(|| {
        let source = RawSource::new_from_shared_vec(Arc::new(bytes)).with_path(path);
        rawler::decode(&source, &RawDecodeParams::default()).map_err(|e| PixelFault::Raw(e.to_string()))
    });
    let image = decoded.unwrap_or_else(|panic| Err(PixelFault::Raw(panic)))?;
    check_area(image.width as u32, image.height as u32)?;
    let reduced = reduce(&image)?;
    let to_srgb = to_srgb(&image);
    let balance = balance(&image);
    let mut linear = Vec::with_capacity(reduced.light.len());
    let mut rgb = Vec::with_capacity(reduced.light.len());
    for light in &reduced.light {
        let saturated = light.iter().any(|v| *v >= SATURATED);
        let balanced = Vector3::from_fn(|i, _| light[i] * balance[i]);
        let seen = to_srgb * balanced;
        let luminance = 0.2126 * seen[0] + 0.7152 * seen[1] + 0.0722 * seen[2];
        linear.push(if saturated { 1.0 } else { luminance.clamp(0.0, 1.0) });
        let code = |i: usize| {
            if light[i] >= SATURATED {
                255
            } else {
                (srgb_encode(f64::from(seen[i].clamp(0.0, 1.0))) * 255.0).round() as u8
            }
        };
        rgb.push([code(0), code(1), code(2)]);
    }
    let proxy = Proxy { width: reduced.width, height: reduced.height, rgb };
    let (proxy, order) = proxy.turned_with_order(orientation);
    let linear = order.into_iter().map(|at| linear[at]).collect();
    Ok(Picture { proxy, colour: Colour::of(None, Some(ColourTag::Srgb)), linear: Some(linear) })
}

struct Reduced {
    width: usize,
    height: usize,
    /// Red, green, blue of the camera, 0 to 1.
    light: Vec<[f32; 3]>,
}

/// Colour of a sample at a place of the sensor: red, green or blue.
type ColourAt<'a> = Box<dyn Fn(usize, usize, usize) -> Option<usize> + 'a>;

fn reduce(image: &RawImage) -> Result<Reduced, PixelFault> {
    let refused = |what: &str| PixelFault::Raw(format!("{what}, which is not metered"));
    let (period, colour_at): (usize, ColourAt) = match &image.photometric {
        RawPhotometricInterpretation::Cfa(config) if image.cpp == 1 && config.cfa.is_rgb() => {
            let cfa = &config.cfa;
            (
                cfa.width.max(cfa.height),
                Box::new(move |row, column, _| Some(cfa.color_at(row, column)).filter(|c| *c < 3)),
            )
        }
        RawPhotometricInterpretation::LinearRaw if image.cpp == 3 => (1, Box::new(|_, _, sample| Some(sample))),
        RawPhotometricInterpretation::Cfa(_) => return Err(refused("its colour filter is not of red, green and blue")),
        _ => return Err(refused("it holds neither a colour filter's samples nor three colours")),
    };
    let (left, top, across, down) =
        image.active_area.map_or((0, 0, image.width, image.height), |a| (a.p.x, a.p.y, a.d.w, a.d.h));
    if left + across > image.width || top + down > image.height {
        return Err(PixelFault::Damaged("its picture lies outside its sensor".to_owned()));
    }
    let by = 8 / usize::from(eighths(across, down));
    let step = (by / period).max(1) * period;
    let (width, height) = (across / step, down / step);
    let levels = Levels::of(image);
    let value = |row: usize, column: usize, sample: usize| match &image.data {
        RawImageData::Integer(data) => {
            data.get((row * image.width + column) * image.cpp + sample).map(|v| f32::from(*v))
        }
        RawImageData::Float(data) => data.get((row * image.width + column) * image.cpp + sample).copied(),
    };
    let mut light = Vec::with_capacity(width * height);
    for y in 0..height {
        for x in 0..width {
            let (mut sum, mut count, mut saturated) = ([0.0_f32; 3], [0_u32; 3], [false; 3]);
            for row in top + y * step..top + (y + 1) * step {
                for column in left + x * step..left + (x + 1) * step {
                    for sample in 0..image.cpp {
                        let Some(colour) = colour_at(row, column, sample) else { continue };
                        let raw = value(row, column, sample).ok_or(PixelFault::Damaged("it ends early".to_owned()))?;
                        let part = levels.scaled(raw, row, column, sample);
                        sum[colour] += part;
                        count[colour] += 1;
                        saturated[colour] |= part >= SATURATED;
                    }
                }
            }
            let mean = |i: usize| if saturated[i] { 1.0 } else { sum[i] / count[i].max(1) as f32 };
            light.push([mean(0), mean(1), mean(2)]);
        }
    }
    Ok(Reduced { width, height, light })
}

/// Black and white of every place of the repeat.
struct Levels {
    black: Vec<f32>,
    width: usize,
    height: usize,
    samples: usize,
    white: Vec<f32>,
}

impl Levels {
    fn of(image: &RawImage) -> Levels {
        let black = &image.blacklevel;
        Levels {
            black: black.as_vec(),
            width: black.width.max(1),
            height: black.height.max(1),
            samples: black.cpp.max(1),
            white: image.whitelevel.as_vec(),
        }
    }

    fn scaled(&self, raw: f32, row: usize, column: usize, sample: usize) -> f32 {
        let place = (row % self.height) * self.width + column % self.width;
        let black = self.black.get(place * self.samples + sample % self.samples).copied().unwrap_or(0.0);
        let white_at = if self.white.len() == 4 { (row % 2) * 2 + column % 2 } else { sample };
        let white = self.white.get(white_at).or(self.white.first()).copied().unwrap_or(f32::from(u16::MAX));
        (raw - black) / (white - black).max(1.0)
    }
}

/// White balance as the camera set it, green 1.
fn balance(image: &RawImage) -> [f32; 3] {
    let [red, green, blue, _] = image.wb_coeffs;
    let sound = [red, green, blue].iter().all(|v| v.is_finite() && *v > 0.0);
    if sound { [red / green, 1.0, blue / green] } else { [1.0; 3] }
}

/// From white-balanced camera colours to linear sRGB; the identity where the file tells no matrix.
/// White stays white. Source: DNG specification 1.6, 'Mapping camera color space to CIE XYZ' (from memory).
fn to_srgb(image: &RawImage) -> Matrix3<f32> {
    let Some((_, matrix)) = image.color_matrix_find_first(ILLUMINANTS).filter(|(_, m)| m.len() == 9) else {
        return Matrix3::identity();
    };
    let mut from_srgb = Matrix3::from_row_slice(&matrix) * Matrix3::from_row_slice(&SRGB_TO_XYZ);
    for mut row in from_srgb.row_iter_mut() {
        let sum = row.sum();
        row /= sum;
    }
    let sound = from_srgb.iter().all(|v| v.is_finite());
    from_srgb.try_inverse().filter(|_| sound).unwrap_or_else(Matrix3::identity)
}
