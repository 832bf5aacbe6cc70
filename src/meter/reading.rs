//! Readings: which codes, of which colour, stand at each spot of a frame.
//!
//! A reading holds codes, because they are what a file says and stay true whatever becomes known of its camera.
//! Quantiles lose nothing by that: a curve rises, so the n-th darkest code is the n-th darkest light. A mean does
//! lose something, as a mean of light is not the light of a mean: it is taken of light by one fixed curve, that of
//! IEC 61966-2-1, and told as the code of that light. By another curve it is exact where all is of one tone, and off
//! by half the curvature between the two times the variance of the tones elsewhere; [`Reading::level_by`] makes up
//! for it by the quantiles.

use serde::{Deserialize, Serialize};

use super::histogram::{Fine, Histogram};
use super::spot::{Area, Place, Spot, Weighting};
use crate::align::PictureId;
use crate::frame::{Ends, Picture};
use crate::photometry::Stops;
use crate::response::{Response, TRUSTED, Tones};

/// What a file's codes stand for. All run from 0 to 255, with parts of a code between.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scale {
    /// A picture that a camera rendered, in codes of the sRGB encoding: its response curve says what light they show.
    Rendered,
    /// The picture that a camera put into a raw file, in codes as a rendered one's: whether they are alike is to be proved.
    Embedded,
    /// The linear light of a raw file, told by the codes that encode it as IEC 61966-2-1 does: it needs no curve but
    /// that one, which [`Response::raw`] undoes.
    Linear,
}

/// What one spot of one frame reads.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    pub spot: String,
    pub area: Area,
    /// The code of the log-average of light by the standard curve; mid-grey (18 % reflectance) is 118.
    pub level: f64,
    /// Codes at equal shares of the spot's pixels, dark to bright.
    pub quantiles: Vec<f64>,
    pub histogram: Histogram,
    /// Share of pixels at the top of the scale, for red, green, blue.
    pub clipped_high: [f32; 3],
    /// Share of pixels at the bottom of the scale.
    pub clipped_low: [f32; 3],
    /// Codes of the log-averages of red, green and blue light by the standard curve.
    pub rgb: [f64; 3],
    pub pixels: u32,
}

/// Everything metered in one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameReadings {
    pub scale: Scale,
    /// Colour space.
    pub colour: String,
    pub readings: Vec<Reading>,
    /// The level of [`GRID`] cells, row by row from the top left, as a reading's.
    pub cells: Vec<f64>,
    /// The small picture that these are of, by which the frame is laid over others. `None` up to logs that knew none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub picture: Option<PictureId>,
}

/// Columns and rows of the coarse grid.
pub const GRID: (usize, usize) = (8, 6);
const QUANTILES: usize = 64;

impl FrameReadings {
    pub fn reading(&self, spot: &str) -> Option<&Reading> {
        self.readings.iter().find(|r| r.spot == spot)
    }
}

impl Reading {
    /// Most of it is burnt out: what it is of can't be seen.
    pub fn is_mostly_burnt_out(&self) -> bool {
        self.quantiles.get(self.quantiles.len() / 2).is_some_and(|code| *code >= TRUSTED.end)
    }

    /// Log-average of the light by a curve, in stops from mid-grey.
    pub fn level_by(&self, response: &Response) -> Stops {
        let standard = Response::srgb();
        // The quantiles tell how the curve differs from the standard one over the spot's tones.
        let apart = self.quantiles.iter().map(|q| (response.light(*q) - standard.light(*q)).0);
        standard.light(self.level) + Stops(apart.sum::<f64>() / self.quantiles.len().max(1) as f64)
    }

    /// Log2 of red over green light, and of blue over green, by a curve; warmer is positive in the first.
    ///
    /// The tones of each colour are taken to lie about its mean as those of luminance do.
    pub fn tints_by(&self, response: &Response) -> [Stops; 2] {
        let standard = Response::srgb();
        let level = standard.light(self.level);
        let [red, green, blue] = [0, 1, 2].map(|channel| {
            let own = standard.light(self.rgb[channel]);
            let tones = self.quantiles.iter().map(|q| standard.code(standard.light(*q) + own - level));
            let apart = tones.map(|code| (response.channel_light(channel, code) - standard.light(code)).0);
            own + Stops(apart.sum::<f64>() / self.quantiles.len().max(1) as f64)
        });
        [red - green, blue - green]
    }
}

/// As records hold codes, to a hundredth, which is less than any of them is sure by: rounded where they come about, so
/// that a reading is the same after it was written and read.
pub(super) fn rounded(code: f64) -> f64 {
    (code * 100.0).round() / 100.0
}

/// Light per pixel by the standard curve, ready for any number of spots.
struct PixelLight<'a> {
    picture: &'a Picture,
    standard: Response,
    /// Luminance in stops from mid-grey.
    light: Vec<f32>,
    /// Stops from mid-grey for each code value of a colour.
    log_of_code: [f32; 256],
    ends: Ends,
}

/// Meters every spot of a picture. Which small picture goes with the readings is for whoever made that.
pub fn meter(picture: &Picture, spots: &[Spot]) -> FrameReadings {
    let light = PixelLight::new(picture);
    let readings = spots.iter().filter_map(|spot| {
        let area = match spot.place {
            Place::At(area) => area,
            Place::FoundGrey => light.find_grey()?,
        };
        Some(light.reading(&spot.name, area, spot.weighting))
    });
    FrameReadings {
        scale: Scale::of(picture),
        colour: picture.colour.space.to_string(),
        readings: readings.collect(),
        cells: light.cells(GRID.0, GRID.1),
        picture: None,
    }
}

impl Scale {
    pub(super) fn of(picture: &Picture) -> Scale {
        if picture.linear.is_some() { Scale::Linear } else { Scale::Rendered }
    }
}

impl<'a> PixelLight<'a> {
    fn new(picture: &'a Picture) -> PixelLight<'a> {
        let standard = Response::srgb();
        let log_of_code = picture.colour.srgb_code.map(|code| standard.light(f64::from(code)).0 as f32);
        let tones = Tones::new(|code| standard.light(code).0);
        let light = picture.luminance().map(|y| tones.of(y)).collect();
        PixelLight { picture, standard, light, log_of_code, ends: Ends::of(picture) }
    }

    fn colours(&self, at: usize) -> [f32; 3] {
        self.picture.proxy.rgb[at].map(|code| self.log_of_code[code as usize])
    }

    fn code(&self, light: Stops) -> f64 {
        rounded(self.standard.code(light))
    }

    fn reading(&self, name: &str, area: Area, weighting: Weighting) -> Reading {
        let proxy = &self.picture.proxy;
        let (columns, rows) = area.pixels(proxy.width, proxy.height);
        let across = fall_off(columns.len(), weighting);
        let down = fall_off(rows.len(), weighting);
        let mut fine = Fine::new();
        let (mut sum, mut total) = (0.0_f64, 0.0_f64);
        let mut colours = [0.0_f64; 3];
        let (mut high, mut low) = ([0_u32; 3], [0_u32; 3]);
        for (y, row_weight) in rows.clone().zip(&down) {
            let line = y * proxy.width;
            for (x, column_weight) in columns.clone().zip(&across) {
                let (light, rgb) = (self.light[line + x], proxy.rgb[line + x]);
                let weight = row_weight * column_weight;
                fine.add(light, weight);
                sum += f64::from(light * weight);
                total += f64::from(weight);
                let logs = self.colours(line + x);
                for channel in 0..3 {
                    colours[channel] += f64::from(logs[channel] * weight);
                    high[channel] += u32::from(self.ends.is_burnt_out(rgb[channel]));
                    low[channel] += u32::from(self.ends.is_black(rgb[channel]));
                }
            }
        }
        let pixels = (columns.len() * rows.len()) as u32;
        let share = |counts: [u32; 3]| counts.map(|c| (c as f32 / pixels as f32 * 1e4).round() / 1e4);
        Reading {
            spot: name.to_owned(),
            area,
            level: self.code(Stops(sum / total)),
            quantiles: fine.quantiles(QUANTILES).into_iter().map(|q| self.code(q)).collect(),
            histogram: Histogram::of(fine.bins().map(|(light, weight)| (self.standard.code(light), weight))),
            clipped_high: share(high),
            clipped_low: share(low),
            rgb: colours.map(|sum| self.code(Stops(sum / total))),
            pixels,
        }
    }

    fn cells(&self, columns: usize, rows: usize) -> Vec<f64> {
        let proxy = &self.picture.proxy;
        let mut means = Vec::with_capacity(columns * rows);
        for row in 0..rows {
            for column in 0..columns {
                let area = Area {
                    left: column as f64 / columns as f64,
                    right: (column + 1) as f64 / columns as f64,
                    top: row as f64 / rows as f64,
                    bottom: (row + 1) as f64 / rows as f64,
                };
                let (xs, ys) = area.pixels(proxy.width, proxy.height);
                let count = xs.len() * ys.len();
                let sum: f64 = ys
                    .flat_map(|y| self.light[y * proxy.width + xs.start..y * proxy.width + xs.end].iter())
                    .map(|l| f64::from(*l))
                    .sum();
                means.push(self.code(Stops(sum / count as f64)));
            }
        }
        means
    }

    /// The flattest patch that is neutral, neither dark nor nearly clipped; `None` if there is none.
    fn find_grey(&self) -> Option<Area> {
        const ACROSS: usize = 24;
        const MOST_TINT: f32 = 0.25;
        const MOST_ROUGHNESS: f32 = 0.12;
        let proxy = &self.picture.proxy;
        let side = (proxy.width.min(proxy.height) / ACROSS).max(4);
        let mut best: Option<(f32, Area)> = None;
        for top in (0..proxy.height.saturating_sub(side)).step_by(side) {
            for left in (0..proxy.width.saturating_sub(side)).step_by(side) {
                let (mean, roughness, tint) = self.patch(left, top, side);
                if !(-3.0..=1.5).contains(&mean) || roughness > MOST_ROUGHNESS || tint > MOST_TINT {
                    continue;
                }
                let score = roughness + tint;
                if best.is_none_or(|(least, _)| score < least) {
                    let area = Area {
                        left: left as f64 / proxy.width as f64,
                        right: (left + side) as f64 / proxy.width as f64,
                        top: top as f64 / proxy.height as f64,
                        bottom: (top + side) as f64 / proxy.height as f64,
                    };
                    best = Some((score, area));
                }
            }
        }
        best.map(|(_, area)| area)
    }

    /// Mean light, its standard deviation, and the stronger of the two tints, of a square.
    fn patch(&self, left: usize, top: usize, side: usize) -> (f32, f32, f32) {
        let (mut sum, mut squares, mut red_green, mut blue_green) = (0.0_f32, 0.0_f32, 0.0_f32, 0.0_f32);
        for y in top..top + side {
            for at in y * self.picture.proxy.width + left..y * self.picture.proxy.width + left + side {
                let light = self.light[at];
                sum += light;
                squares += light * light;
                let [red, green, blue] = self.colours(at);
                red_green += red - green;
                blue_green += blue - green;
            }
        }
        let count = (side * side) as f32;
        let mean = sum / count;
        let roughness = (squares / count - mean * mean).max(0.0).sqrt();
        (mean, roughness, (red_green / count).abs().max((blue_green / count).abs()))
    }
}

/// Weights along one side of a spot.
fn fall_off(length: usize, weighting: Weighting) -> Vec<f32> {
    (0..length).map(|i| weighting.at((i as f64 + 0.5) / length as f64 - 0.5) as f32).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::frame::{Colour, Proxy};
    use crate::meter::spot::{GREY, WHOLE};
    use crate::response::srgb_encode;

    fn picture(width: usize, height: usize, code: impl Fn(usize, usize) -> [u8; 3]) -> Picture {
        let rgb = (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| code(x, y)).collect();
        Picture { proxy: Proxy { width, height, rgb }, colour: Colour::of(None, None), linear: None }
    }

    fn whole(picture: &Picture) -> Reading {
        meter(picture, &Spot::ready()).reading(WHOLE).unwrap().clone()
    }

    /// CHECK: sRGB code 118 is mid-grey (IEC 61966-2-1, ISO 12232).
    #[test]
    fn code_118_meters_as_mid_grey() {
        let reading = whole(&picture(40, 30, |_, _| [118; 3]));
        assert!((reading.level - 118.0).abs() < 0.5, "{}", reading.level);
        assert_eq!(reading.pixels, 1200);
        assert_eq!(reading.clipped_high, [0.0; 3]);
    }

    /// CHECK: patches of known linear light, encoded by IEC 61966-2-1.
    #[test]
    fn patches_of_known_light_read_one_stop_apart() {
        for stops in [-3.0, -2.0, -1.0, 1.0, 2.0] {
            let code = (srgb_encode(0.18 * f64::exp2(stops)) * 255.0).round() as u8;
            let level = whole(&picture(40, 30, |_, _| [code; 3])).level_by(&Response::srgb());
            assert!((level.0 - stops).abs() < 0.03, "{stops}: {level}");
        }
    }

    /// CHECK: half the area at 0.09 and half at 0.36 has a log-average of exactly 0.18 (definition).
    #[test]
    fn the_level_is_the_average_of_logs_and_not_of_codes() {
        let reading = whole(&picture(40, 30, |x, _| if x < 20 { [85; 3] } else { [162; 3] }));
        assert!(reading.level_by(&Response::srgb()).abs() < Stops(0.02), "{}", reading.level);
        assert_eq!(reading.quantiles.len(), QUANTILES);
        assert!(reading.quantiles.is_sorted_by(|a, b| a <= b));
        let halves: Vec<(usize, u16)> = reading.histogram.bins().filter(|(_, share)| *share > 0).collect();
        assert_eq!(halves, [(80, 500), (160, 500)], "of codes 85 and 162");
    }

    /// A curve that is steeper in the shadows than the standard one, and flatter in the lights.
    fn bent() -> Response {
        let table = std::array::from_fn(|code| (code as f64 / 118.0).max(0.02).log2() * (1.3 + code as f64 / 500.0));
        Response::of_table("bent", table)
    }

    proptest! {
        /// CHECK: the mean over the pixels of each one's light by the curve (definition).
        #[test]
        fn the_level_by_any_curve_is_the_mean_of_light_by_it(codes in proptest::collection::vec(8_u8..248, 64)) {
            let response = bent();
            let scene = picture(32, 32, |x, y| [codes[(y / 4) * 8 + x / 4]; 3]);
            let truth = codes.iter().map(|c| response.light(f64::from(*c)).0).sum::<f64>() / 64.0;
            let level = whole(&scene).level_by(&response);
            prop_assert!((level.0 - truth).abs() < 0.02, "{level} {truth}");
        }
    }

    proptest! {
        /// CHECK: the mean over the pixels of each one's log2 of red over green light by the curve (definition).
        #[test]
        fn tints_by_any_curve_are_the_means_of_tints_by_it(greens in proptest::collection::vec(24_u8..200, 64)) {
            let response = bent();
            let warm = |green: u8| [green + green / 8, green, green - green / 8];
            let scene = picture(32, 32, |x, y| warm(greens[(y / 4) * 8 + x / 4]));
            let mean = |channel: usize| {
                let tint = |green: &u8| response.light(f64::from(warm(*green)[channel])) - response.light(f64::from(*green));
                greens.iter().map(|green| tint(green).0).sum::<f64>() / 64.0
            };
            let [red_green, blue_green] = whole(&scene).tints_by(&response);
            prop_assert!((red_green.0 - mean(0)).abs() < 0.03, "{red_green} {}", mean(0));
            prop_assert!((blue_green.0 - mean(2)).abs() < 0.03, "{blue_green} {}", mean(2));
        }
    }

    #[test]
    fn a_reading_is_the_same_after_it_was_written_and_read() {
        let metered = meter(&picture(90, 60, |x, y| [(x * 2) as u8, y as u8, 200]), &Spot::ready());
        let text = serde_json::to_string(&metered).unwrap();
        assert_eq!(serde_json::from_str::<FrameReadings>(&text).unwrap(), metered);
    }

    #[test]
    fn clipping_is_counted_per_channel() {
        let reading = whole(&picture(40, 30, |x, _| if x < 10 { [255, 100, 0] } else { [100; 3] }));
        assert_eq!(reading.clipped_high, [0.25, 0.0, 0.0]);
        assert_eq!(reading.clipped_low, [0.0, 0.0, 0.25]);
    }

    #[test]
    fn a_grey_card_among_colours_is_found() {
        let scene = picture(480, 320, |x, y| {
            if (200..260).contains(&x) && (100..160).contains(&y) { [118; 3] } else { [180, (x % 97) as u8 + 60, 40] }
        });
        let metered = meter(&scene, &Spot::ready());
        let grey = metered.reading(GREY).unwrap();
        assert!(grey.area.left > 0.4 && grey.area.right < 0.55, "{:?}", grey.area);
        let none = picture(480, 320, |x, _| [180, (x % 97) as u8 + 60, 40]);
        assert!(meter(&none, &Spot::ready()).reading(GREY).is_none());
    }
}
