//! Raw files: the sensor's own linear light, at reduced size.
//!
//! Black and white level are taken off each sample, then whole repeats of the colour filter are
//! averaged. No tone curve, no demosaicing, nothing that is not linear.

use std::path::Path;
use std::sync::Arc;

use nalgebra::{Matrix3, Vector3};
use rawler::RawlerError;
use rawler::decoders::RawDecodeParams;
use rawler::imgop::xyz::Illuminant;
use rawler::rawimage::{RawImage, RawImageData, RawPhotometricInterpretation};
use rawler::rawsource::RawSource;

use super::Picture;
use super::colour::Colour;
use super::guard::{guarded, plainly};
use super::pixels::{check_area, eighths};
use super::proxy::{PixelFault, Proxy};
use super::raw_opcodes::has_unread_curve;
use super::settings::ColourTag;
use crate::response::srgb_encode;

/// From this share of the scale on, a sample is taken as saturated: sensors bend before they end.
pub(super) const SATURATED: f32 = 0.97;
/// Linear sRGB to XYZ, D65. Source: IEC 61966-2-1.
const SRGB_TO_XYZ: [f32; 9] = [0.4124, 0.3576, 0.1805, 0.2126, 0.7152, 0.0722, 0.0193, 0.1192, 0.9505];
/// Illuminants whose colour matrix is taken, the best first.
const ILLUMINANTS: [Illuminant; 4] = [Illuminant::D65, Illuminant::D55, Illuminant::D50, Illuminant::A];

/// Develops a raw file to a reduced picture of linear light.
pub fn develop(path: &Path, bytes: Arc<Vec<u8>>, orientation: u8) -> Result<Picture, PixelFault> {
    let image = guarded(|| decoded(path, bytes));
    let image = image.unwrap_or_else(|panic| Err(PixelFault::Raw(plainly(&panic))))?;
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
        linear.push(if saturated { 1.0 } else { unit(luminance) });
        let code = |i: usize| {
            if light[i] >= SATURATED { 255 } else { (srgb_encode(f64::from(unit(seen[i]))) * 255.0).round() as u8 }
        };
        rgb.push([code(0), code(1), code(2)]);
    }
    let proxy = Proxy { width: reduced.width, height: reduced.height, rgb };
    let (proxy, order) = proxy.turned_with_order(orientation);
    let linear = order.into_iter().map(|at| linear[at]).collect();
    Ok(Picture { proxy, colour: Colour::of(None, Some(ColourTag::Srgb)), linear: Some(linear) })
}

/// The samples as they are stored; to be called within the guard.
pub(super) fn decoded(path: &Path, bytes: Arc<Vec<u8>>) -> Result<RawImage, PixelFault> {
    let source = RawSource::new_from_shared_vec(bytes).with_path(path);
    // The size that it claims, before anything of that size is allocated.
    let claim = rawler::decode_dummy(&source).map_err(refused)?;
    check_area(claim.width as u32, claim.height as u32)?;
    if has_unread_curve(rawler::get_decoder(&source).map_err(refused)?.as_ref()) {
        return Err(PixelFault::RawCoding);
    }
    rawler::decode(&source, &RawDecodeParams::default()).map_err(refused)
}

/// How the library begins to say that it doesn't know a coding which the file's own directory names. What is not of these may be
/// damage, and damage is no reason to go by another picture.
const UNKNOWN_CODINGS: [&str; 6] = [
    "NEF compression ",
    "ARW: Don't know how to decode type ",
    "ARW2: Don't know how to decode images with ",
    "Unsupported IIQ format: ",
    "TODO: Unsupported DNG compression",
    "Unsupported compression method: ",
];

/// The library tells partly by words alone whether it knows camera and coding.
fn refused(fault: RawlerError) -> PixelFault {
    let is_unknown = match &fault {
        RawlerError::Unsupported { .. } => true,
        RawlerError::DecoderFailed(said) => UNKNOWN_CODINGS.iter().any(|coding| said.starts_with(coding)),
    };
    if is_unknown { PixelFault::RawCoding } else { PixelFault::Raw(plainly(&fault.to_string())) }
}

/// Light from 0 to 1; what is no number is black.
pub(super) fn unit(light: f32) -> f32 {
    if light.is_nan() { 0.0 } else { light.clamp(0.0, 1.0) }
}

struct Reduced {
    width: usize,
    height: usize,
    /// Red, green, blue of the camera, 0 to 1.
    light: Vec<[f32; 3]>,
}

/// What a sample at one place of the repeat says.
#[derive(Clone, Copy)]
pub(super) struct CfaSite {
    /// 0 red, 1 green, 2 blue; none of them for a colour that is not metered.
    pub(super) colour: usize,
    black: f32,
    /// One over white less black.
    scale: f32,
}

/// All places, row by row, after which everything repeats.
pub(super) struct Repeat {
    side: usize,
    samples: usize,
    sites: Vec<CfaSite>,
}

fn reduce(image: &RawImage) -> Result<Reduced, PixelFault> {
    let (left, top, across, down) = active_area(image)?;
    let (repeat, period) = Repeat::of(image)?;
    let by = 8 / usize::from(eighths(across, down));
    let step = (by / period).max(1) * period;
    let mut light = Vec::with_capacity((across / step) * (down / step));
    for y in 0..down / step {
        for x in 0..across / step {
            let tile = Tile { row: top + y * step, column: left + x * step, side: step };
            light.push(match &image.data {
                RawImageData::Integer(data) => repeat.mean(data, image.width, &tile),
                RawImageData::Float(data) => repeat.mean(data, image.width, &tile),
            }?);
        }
    }
    Ok(Reduced { width: across / step, height: down / step, light })
}

/// Left, top, width and height of the samples that are picture.
pub(super) fn active_area(image: &RawImage) -> Result<(usize, usize, usize, usize), PixelFault> {
    let whole = (0, 0, image.width, image.height);
    let (left, top, across, down) = image.active_area.map_or(whole, |a| (a.p.x, a.p.y, a.d.w, a.d.h));
    if left + across > image.width || top + down > image.height {
        return Err(PixelFault::Damaged("its picture lies outside its sensor".to_owned()));
    }
    Ok((left, top, across, down))
}

struct Tile {
    row: usize,
    column: usize,
    side: usize,
}

impl Repeat {
    /// Also gives the period of the colour filter alone.
    pub(super) fn of(image: &RawImage) -> Result<(Repeat, usize), PixelFault> {
        let refused = |what: &str| Err(PixelFault::Raw(format!("{what}, which is not metered")));
        let (period, cfa) = match &image.photometric {
            RawPhotometricInterpretation::Cfa(config) if image.cpp == 1 && config.cfa.is_rgb() => {
                (config.cfa.width.max(config.cfa.height).max(1), Some(&config.cfa))
            }
            RawPhotometricInterpretation::LinearRaw if image.cpp == 3 => (1, None),
            RawPhotometricInterpretation::Cfa(_) => return refused("its colour filter is not of red, green and blue"),
            _ => return refused("it holds neither a colour filter's samples nor three colours"),
        };
        let (black, white) = (&image.blacklevel, image.whitelevel.as_vec());
        let (levels, width, height) = (black.as_vec(), black.width.max(1), black.height.max(1));
        // White may be told for each place of a 2 x 2 repeat, black for a repeat of its own.
        let side = [2, width, height].into_iter().fold(period, least_common);
        let site = |row: usize, column: usize, sample: usize| {
            let at = ((row % height) * width + column % width) * black.cpp.max(1) + sample % black.cpp.max(1);
            let black = levels.get(at).copied().filter(|level| level.is_finite()).unwrap_or(0.0);
            let white_at = if white.len() == 4 { (row % 2) * 2 + column % 2 } else { sample };
            let white = white.get(white_at).or(white.first()).copied().filter(|level| level.is_finite());
            let white = white.unwrap_or(f32::from(u16::MAX));
            let colour = cfa.map_or(sample, |cfa| cfa.color_at(row, column));
            CfaSite { colour, black, scale: 1.0 / (white - black).max(1.0) }
        };
        let all = (0..side).flat_map(|r| (0..side).flat_map(move |c| (0..image.cpp).map(move |s| (r, c, s))));
        let sites = all.map(|(r, c, s)| site(r, c, s)).collect();
        Ok((Repeat { side, samples: image.cpp, sites }, period))
    }

    /// What the sample at a place says.
    pub(super) fn site(&self, row: usize, column: usize, sample: usize) -> &CfaSite {
        &self.sites[((row % self.side) * self.side + column % self.side) * self.samples + sample]
    }

    /// Mean light of a tile in each colour; 1 where any of its samples is saturated.
    fn mean<T: Copy + Into<f32>>(&self, data: &[T], width: usize, tile: &Tile) -> Result<[f32; 3], PixelFault> {
        let (mut sum, mut count, mut saturated) = ([0.0_f32; 3], [0_u32; 3], [false; 3]);
        let across = self.side * self.samples;
        for row in tile.row..tile.row + tile.side {
            let from = (row * width + tile.column) * self.samples;
            let line = data.get(from..from + tile.side * self.samples);
            let line = line.ok_or_else(|| PixelFault::Damaged("it ends early".to_owned()))?;
            let sites = &self.sites[(row % self.side) * across..][..across];
            let around = sites.iter().cycle().skip((tile.column % self.side) * self.samples);
            for (raw, site) in line.iter().zip(around) {
                if site.colour < 3 {
                    let part = part_of((*raw).into(), site);
                    sum[site.colour] += part;
                    count[site.colour] += 1;
                    saturated[site.colour] |= part >= SATURATED;
                }
            }
        }
        Ok(std::array::from_fn(|i| if saturated[i] { 1.0 } else { sum[i] / count[i].max(1) as f32 }))
    }
}

/// A sample's light, 1 at white. Files of floating point may hold what is no number, or no end: black and saturated.
pub(super) fn part_of(sample: f32, site: &CfaSite) -> f32 {
    let part = (sample - site.black) * site.scale;
    match part {
        // Beyond this range a sample says no more, and sums stay finite.
        part if part.is_finite() => part.clamp(-2.0, 2.0),
        f32::INFINITY => 2.0,
        _ => 0.0,
    }
}

fn least_common(a: usize, b: usize) -> usize {
    let (mut x, mut y) = (a, b);
    while y != 0 {
        (x, y) = (y, x % y);
    }
    a / x * b
}

/// White balance as the camera set it, green 1.
pub(super) fn balance(image: &RawImage) -> [f32; 3] {
    let [red, green, blue, _] = image.wb_coeffs;
    let sound = [red, green, blue].iter().all(|v| v.is_finite() && *v > 0.0);
    if sound { [red / green, 1.0, blue / green] } else { [1.0; 3] }
}

/// From white-balanced camera colours to linear sRGB; the identity where the file tells no matrix.
/// White stays white. Source: DNG specification 1.6, 'Mapping camera color space to CIE XYZ' (from memory).
pub(super) fn to_srgb(image: &RawImage) -> Matrix3<f32> {
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

#[cfg(test)]
mod tests {
    use rawler::decompressors::ljpeg::LjpegDecompressor;
    use rawler::ljpeg92::LjpegCompressor;

    use super::*;

    const SIDE: usize = 16;

    fn decoded(coded: &[u8]) -> Result<(), RawlerError> {
        let mut samples = vec![0; SIDE * SIDE];
        let decoder = LjpegDecompressor::new(coded).map_err(|said| RawlerError::from(&said))?;
        decoder.decode(&mut samples, 0, SIDE, SIDE, SIDE, false).map_err(|said| RawlerError::from(&said))
    }

    /// The library has the same words for a byte that is damaged and for a way to code that nobody knows.
    #[test]
    fn damage_is_not_taken_for_a_camera_that_is_not_known() {
        let samples: Vec<u16> = (0..SIDE * SIDE).map(|n| (n * 7 % 251) as u16).collect();
        let coded = LjpegCompressor::new(&samples, SIDE, SIDE, 1, 14, 1, 0, 0).unwrap().encode().unwrap();
        decoded(&coded).unwrap();
        let after = |marker: u8| coded.windows(2).position(|two| two == [0xFF, marker]).unwrap() + 2;
        // ITU-T T.81: the class of a table stands behind its segment's length, the predictor behind the components.
        let (class, predictor) = (after(0xC4) + 2, after(0xDA) + 5);
        for (at, value, words) in
            [(class, 0x50, "unsupported table class"), (predictor, 9, "predictor 9 not supported")]
        {
            let mut damaged = coded.clone();
            damaged[at] = value;
            let fault = decoded(&damaged).unwrap_err();
            assert!(fault.to_string().contains(words), "the byte is another one: {fault}");
            assert!(matches!(refused(fault), PixelFault::Raw(_)), "{words}");
        }
    }

    #[test]
    fn a_coding_that_the_directory_names_is_told_from_damage() {
        let unknown = ["NEF compression Some(Unread) is not supported", "TODO: Unsupported DNG compression"];
        for said in unknown {
            assert_eq!(refused(RawlerError::DecoderFailed(said.to_owned())), PixelFault::RawCoding, "{said}");
        }
    }
}
