//! The light of a frame on a fine grid: what several lights' pictures are added up from.
//!
//! Light adds, and neither its logarithm nor codes do. So a patch holds the mean of its pixels' light by the fixed
//! curve of IEC 61966-2-1, told as the code of that light. Read by a camera's curve it is the light of its patch as
//! far as that is of one tone: for a curve that rises a times as fast in stops, a patch whose tones deviate by d stops
//! is off by a (1 - a) d^2 ln 2 / 2 stops, the same in every frame of the scene. Patches are small for that, too.

use serde::{Deserialize, Serialize};

use super::reading::Scale;
use crate::align::Alignment;
use crate::frame::{Ends, Picture, apart};
use crate::response::srgb_encode;

/// Codes of the patches of a frame, row by row from the top left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub struct LightMap {
    pub columns: usize,
    pub rows: usize,
    pub scale: Scale,
    /// The colour space, where its pictures have a curve of their own.
    pub rendering: Option<String>,
    /// In steps of a [`PER_CODE`]th, as records hold them; `None` where too much of a patch is clipped to say how
    /// bright it is.
    codes: Vec<Option<u16>>,
}

/// Patches along each side of one of the coarse cells that lights are solved on.
pub const PATCHES: usize = 4;
/// Coarse cells of a frame, about.
const CELLS: f64 = 400.0;
/// A patch with more of its pixels at the top of the scale tells no light.
const MOST_CLIPPED: f64 = 0.02;
/// Of what a file's integer is one code: a step is less than a hundredth of a stop where codes are trusted.
const PER_CODE: f64 = 32.0;
const MOST: u16 = 255 * PER_CODE as u16;
/// A patch that counts for less between others is left out.
const COUNTS: f64 = 0.1;
/// Patches of the largest map that a log may hold.
const MOST_PATCHES: usize = 40_000;

/// As records hold it.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    columns: usize,
    rows: usize,
    scale: Scale,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    rendering: Option<String>,
    codes: Vec<Option<u16>>,
}

impl TryFrom<Written> for LightMap {
    type Error = &'static str;

    fn try_from(w: Written) -> Result<LightMap, &'static str> {
        check_shape(w.columns, w.rows, w.codes.len())?;
        if w.codes.iter().flatten().any(|code| *code > MOST) {
            return Err("a map of light has codes up to white");
        }
        let Written { columns, rows, scale, rendering, codes } = w;
        Ok(LightMap { columns, rows, scale, rendering, codes })
    }
}

/// A map's number of values is that of its columns and rows, which make whole cells.
pub(super) fn check_shape(columns: usize, rows: usize, values: usize) -> Result<(), &'static str> {
    let count = columns.checked_mul(rows).filter(|n| *n <= MOST_PATCHES);
    if count != Some(values) || values == 0 || !(columns | rows).is_multiple_of(PATCHES) {
        return Err("a map of light has as many values as columns times rows, in whole cells");
    }
    Ok(())
}

impl From<LightMap> for Written {
    fn from(map: LightMap) -> Written {
        let LightMap { columns, rows, scale, rendering, codes } = map;
        Written { columns, rows, scale, rendering, codes }
    }
}

/// Measures every patch of a picture.
pub fn light_map(picture: &Picture) -> LightMap {
    let (width, height) = (picture.proxy.width, picture.proxy.height);
    let (columns, rows) = grid(width, height);
    let ends = Ends::of(picture);
    let mut sums = vec![(0.0_f64, 0_u32, 0_u32); columns * rows];
    let column_of: Vec<usize> = (0..width).map(|x| x * columns / width).collect();
    for (at, y) in picture.luminance().enumerate() {
        let patch = at / width * rows / height * columns + column_of[at % width];
        let (sum, pixels, clipped) = &mut sums[patch];
        *sum += f64::from(y.clamp(0.0, 1.0));
        *pixels += 1;
        *clipped += u32::from(picture.proxy.rgb[at].iter().any(|code| ends.is_burnt_out(*code)));
    }
    let codes = sums.into_iter().map(|(sum, pixels, clipped)| {
        let told = f64::from(clipped) <= MOST_CLIPPED * f64::from(pixels);
        told.then(|| srgb_encode(sum / f64::from(pixels)) * 255.0)
    });
    let rendering = apart(&picture.colour.space.to_string()).map(str::to_owned);
    LightMap { rendering, ..LightMap::of(columns, rows, Scale::of(picture), codes) }
}

/// Columns and rows of patches for a picture: about square, in whole cells, none without a pixel.
fn grid(width: usize, height: usize) -> (usize, usize) {
    let aspect = width as f64 / height as f64;
    let side = |cells: f64, pixels: usize| (cells.round() as usize).clamp(1, (pixels / PATCHES).max(1)) * PATCHES;
    (side((CELLS * aspect).sqrt(), width), side((CELLS / aspect).sqrt(), height))
}

impl LightMap {
    /// Of as many codes as columns times rows.
    pub(super) fn of(columns: usize, rows: usize, scale: Scale, codes: impl Iterator<Item = Option<f64>>) -> LightMap {
        // The cast stops at both ends, and takes what is no number for black.
        let step = |code: f64| ((code * PER_CODE).round() as u16).min(MOST);
        LightMap { columns, rows, scale, rendering: None, codes: codes.map(|code| code.map(step)).collect() }
    }

    /// The map as a reference that the frame was laid over would see it: each patch where its part of the scene lies in the
    /// frame, and none where the frame doesn't show it. `shaped` is a map of the reference's shape: the camera may have been turned.
    pub fn laid_over(&self, alignment: &Alignment, shaped: &LightMap) -> LightMap {
        let (columns, rows) = (shaped.columns, shaped.rows);
        let nothing_is_covered = alignment.moved_as_one();
        let place = |at: usize| {
            let column = (at % columns) as f64 + 0.5;
            let row = (at / columns) as f64 + 0.5;
            let in_reference = [column / columns as f64, row / rows as f64];
            if !nothing_is_covered && !alignment.followed_beside(in_reference) {
                return None;
            }
            let [x, y] = alignment.place_in_frame(in_reference);
            self.between(x * self.columns as f64 - 0.5, y * self.rows as f64 - 0.5)
        };
        let laid = LightMap::of(columns, rows, self.scale, (0..columns * rows).map(place));
        LightMap { rendering: self.rendering.clone(), ..laid }
    }

    /// The code between four patches, by their distance; `None` where one that counts is clipped, or lies beyond the edge by more
    /// than half a patch.
    fn between(&self, x: f64, y: f64) -> Option<f64> {
        let split = |at: f64, count: usize| {
            let inside = at >= -1.0 && at <= count as f64;
            let at = at.clamp(0.0, count as f64 - 1.0);
            let first = (at as usize).min(count.saturating_sub(2));
            inside.then_some((first, at - first as f64))
        };
        let ((left, beside), (top, below)) = (split(x, self.columns)?, split(y, self.rows)?);
        let (mut sum, mut all) = (0.0, 0.0);
        for (right, across) in [(0, 1.0 - beside), (1, beside)] {
            for (down, along) in [(0, 1.0 - below), (1, below)] {
                let weight = across * along;
                if weight > COUNTS {
                    let code = self.codes[(top + down) * self.columns + left + right]?;
                    (sum, all) = (sum + weight * f64::from(code), all + weight);
                }
            }
        }
        Some(sum / all / PER_CODE)
    }

    /// The codes of all patches, row by row; `None` where one is clipped.
    pub fn codes(&self) -> impl Iterator<Item = Option<f64>> + '_ {
        self.codes.iter().map(|code| code.map(|steps| f64::from(steps) / PER_CODE))
    }

    /// Coarse cells along both sides.
    pub fn cells(&self) -> (usize, usize) {
        (self.columns / PATCHES, self.rows / PATCHES)
    }

    /// Whether this is the linear light of a raw file.
    pub fn is_raw(&self) -> bool {
        self.scale == Scale::Linear
    }

    /// Two maps show frames of one shape.
    pub fn fits(&self, other: &LightMap) -> bool {
        (self.columns, self.rows) == (other.columns, other.rows)
    }

    /// Share of the patches that are clipped.
    pub fn clipped(&self) -> f64 {
        self.codes.iter().filter(|v| v.is_none()).count() as f64 / self.codes.len() as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Proxy};
    use crate::response::Response;

    fn picture(width: usize, height: usize, code: impl Fn(usize, usize) -> u8) -> Picture {
        let rgb = (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| [code(x, y); 3]).collect();
        Picture { proxy: Proxy { width, height, rgb }, colour: Colour::of(None, None), linear: None }
    }

    /// CHECK: half the area at 0.18 and half at 0.36 linear light has a mean of 0.27 (definition); sRGB
    /// codes by IEC 61966-2-1.
    #[test]
    fn a_patch_holds_the_mean_of_linear_light() {
        let map = light_map(&picture(960, 640, |x, _| if x % 2 == 0 { 118 } else { 162 }));
        assert_eq!(map.cells(), (24, 16));
        let wanted = (0.27_f64 / 0.18).log2();
        let srgb = Response::srgb();
        assert!(
            map.codes().all(|code| (srgb.light(code.unwrap()).0 - wanted).abs() < 0.02),
            "{:?}",
            map.codes().next()
        );
    }

    #[test]
    fn it_is_the_same_after_writing_and_a_wrong_count_or_code_is_refused() {
        let map = light_map(&picture(300, 400, |x, y| if x < 90 { 255 } else { (y % 200) as u8 }));
        assert!(map.rows > map.columns && map.codes[0].is_none() && map.clipped() > 0.2);
        let text = serde_json::to_string(&map).unwrap();
        assert_eq!(serde_json::from_str::<LightMap>(&text).unwrap(), map);
        assert!(serde_json::from_str::<LightMap>(&text.replacen("[null,", "[", 1)).is_err());
        assert!(serde_json::from_str::<LightMap>(&text.replacen("[null,", "[8161,", 1)).is_err());
    }
}
