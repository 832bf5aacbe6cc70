//! The light of a frame on a fine grid: what several lights' pictures are added up from.
//!
//! Light adds, its logarithm does not, so a patch holds the mean of linear light.

use serde::{Deserialize, Serialize};

use super::tones::Tones;
use crate::frame::Picture;
use crate::photometry::Stops;
use crate::response::{RAW, Response};

/// Mean light of the patches of a frame, row by row from the top left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub struct LightMap {
    pub columns: usize,
    pub rows: usize,
    /// The curve that the light was read by.
    pub response: String,
    /// `None` where too much of a patch is clipped to say how bright it is.
    light: Vec<Option<Stops>>,
}

/// Patches along each side of one of the coarse cells that lights are solved on.
pub const PATCHES: usize = 4;
/// Coarse cells of a frame, about.
const CELLS: f64 = 400.0;
/// A patch with more of its pixels at the top of the scale tells no light.
const MOST_CLIPPED: f64 = 0.02;
/// At reduced size a clipped pixel is pulled below the very end.
const HIGH_CODE: u8 = 251;
/// Light that adds nothing to any other.
const BLACK: Stops = Stops(-20.0);
/// Of what a file's integer is one stop.
const PER_STOP: f64 = 200.0;
/// Patches of the largest map that a log may hold.
const MOST_PATCHES: usize = 40_000;

/// As records hold it: integers of a two-hundredth of a stop, `null` where clipped.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    columns: usize,
    rows: usize,
    response: String,
    light: Vec<Option<i32>>,
}

impl TryFrom<Written> for LightMap {
    type Error = &'static str;

    fn try_from(w: Written) -> Result<LightMap, &'static str> {
        let count = w.columns.checked_mul(w.rows).filter(|n| *n <= MOST_PATCHES);
        if count != Some(w.light.len()) || w.light.is_empty() || !(w.columns | w.rows).is_multiple_of(PATCHES) {
            return Err("a map of light has as many values as columns times rows, in whole cells");
        }
        let light = w.light.iter().map(|v| v.map(|v| Stops(f64::from(v) / PER_STOP))).collect();
        Ok(LightMap { columns: w.columns, rows: w.rows, response: w.response, light })
    }
}

impl From<LightMap> for Written {
    fn from(map: LightMap) -> Written {
        let light = map.light.iter().map(|v| v.map(|v| (v.0 * PER_STOP).round() as i32)).collect();
        Written { columns: map.columns, rows: map.rows, response: map.response, light }
    }
}

/// Measures the light of every patch of a picture.
pub fn light_map(picture: &Picture, response: &Response) -> LightMap {
    let (width, height) = (picture.proxy.width, picture.proxy.height);
    let (columns, rows) = grid(width, height);
    let tones = Tones::new(|code| response.light(code).ratio());
    let mut sums = vec![(0.0_f64, 0_u32, 0_u32); columns * rows];
    let column_of: Vec<usize> = (0..width).map(|x| x * columns / width).collect();
    for (at, y) in picture.luminance().enumerate() {
        let patch = at / width * rows / height * columns + column_of[at % width];
        let (sum, pixels, clipped) = &mut sums[patch];
        *sum += f64::from(tones.of(y));
        *pixels += 1;
        *clipped += u32::from(picture.proxy.rgb[at].iter().any(|code| *code >= HIGH_CODE));
    }
    let light = sums.into_iter().map(|(sum, pixels, clipped)| {
        let told = f64::from(clipped) <= MOST_CLIPPED * f64::from(pixels);
        Stops::from_ratio(sum / f64::from(pixels)).filter(|_| told)
    });
    LightMap { columns, rows, response: response.name.clone(), light: light.collect() }
}

/// Columns and rows of patches for a picture: about square, in whole cells, none without a pixel.
fn grid(width: usize, height: usize) -> (usize, usize) {
    let aspect = width as f64 / height as f64;
    let side = |cells: f64, pixels: usize| (cells.round() as usize).clamp(1, (pixels / PATCHES).max(1)) * PATCHES;
    (side((CELLS * aspect).sqrt(), width), side((CELLS / aspect).sqrt(), height))
}

impl LightMap {
    /// Light of a patch; `None` where it is clipped.
    pub fn at(&self, column: usize, row: usize) -> Option<Stops> {
        self.light[row * self.columns + column]
    }

    /// All patches, row by row.
    pub fn patches(&self) -> impl Iterator<Item = Option<Stops>> + '_ {
        self.light.iter().copied()
    }

    /// Coarse cells along both sides.
    pub fn cells(&self) -> (usize, usize) {
        (self.columns / PATCHES, self.rows / PATCHES)
    }

    /// Whether this is the linear light of a raw file.
    pub fn is_raw(&self) -> bool {
        self.response == RAW
    }

    /// Two maps show frames of one shape.
    pub fn fits(&self, other: &LightMap) -> bool {
        (self.columns, self.rows) == (other.columns, other.rows)
    }

    /// The same picture through another curve than the one it was read by; what lies within a patch
    /// is taken to be of one tone.
    pub fn reread(&self, from: &Response, to: &Response) -> LightMap {
        let light = self.light.iter().map(|v| v.map(|v| to.light(from.code(v)))).collect();
        LightMap { response: to.name.clone(), light, ..self.clone() }
    }

    /// With other light taken off, patch by patch. What is left of a patch is at least a thousandth of it.
    pub fn without(&self, other: &LightMap, change: Stops) -> LightMap {
        let less = |(own, other): (&Option<Stops>, &Option<Stops>)| {
            let (own, other) = ((*own)?.ratio(), (*other)? + change);
            Stops::from_ratio((own - other.ratio()).max(own * 1e-3))
        };
        LightMap { light: self.light.iter().zip(&other.light).map(less).collect(), ..self.clone() }
    }

    /// With patches darker than `least` as black: what a curve says of them is not to be believed.
    pub fn above(&self, least: Stops) -> LightMap {
        let believed = |v: &Option<Stops>| v.map(|v| if v < least { BLACK } else { v });
        LightMap { light: self.light.iter().map(believed).collect(), ..self.clone() }
    }

    /// Share of the patches that are clipped.
    pub fn clipped(&self) -> f64 {
        self.light.iter().filter(|v| v.is_none()).count() as f64 / self.light.len() as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Proxy};

    fn picture(width: usize, height: usize, code: impl Fn(usize, usize) -> u8) -> Picture {
        let rgb = (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| [code(x, y); 3]).collect();
        Picture { proxy: Proxy { width, height, rgb }, colour: Colour::of(None, None), linear: None }
    }

    /// CHECK: half the area at 0.18 and half at 0.36 linear light has a mean of 0.27 (definition); sRGB
    /// codes by IEC 61966-2-1.
    #[test]
    fn a_patch_holds_the_mean_of_linear_light() {
        let map = light_map(&picture(960, 640, |x, _| if x % 2 == 0 { 118 } else { 162 }), &Response::srgb());
        assert_eq!(map.cells(), (24, 16));
        let wanted = (0.27_f64 / 0.18).log2();
        assert!(map.patches().all(|v| (v.unwrap().0 - wanted).abs() < 0.02), "{:?}", map.at(3, 3));
    }

    #[test]
    fn it_survives_writing_and_a_wrong_count_is_refused() {
        let map = light_map(&picture(300, 400, |x, y| if x < 90 { 255 } else { (y % 200) as u8 }), &Response::srgb());
        assert!(map.rows > map.columns && map.at(0, 0).is_none() && map.clipped() > 0.2);
        let text = serde_json::to_string(&map).unwrap();
        let back: LightMap = serde_json::from_str(&text).unwrap();
        let apart = back.patches().zip(map.patches()).map(|(a, b)| a.zip(b).map_or(0.0, |(a, b)| (a - b).abs().0));
        assert!(apart.fold(0.0, f64::max) <= 0.0026);
        assert!(serde_json::from_str::<LightMap>(&text.replacen("[null,", "[", 1)).is_err());
    }
}
