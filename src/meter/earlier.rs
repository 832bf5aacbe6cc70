//! Readings as logs up to format 4 hold them: light by a curve that they name.
//!
//! A record keeps such a reading as it was written. Whoever takes it up asks for its codes, and must know the curve
//! for that: the curve's inverse gives back what the file said. What is a mean (levels, cells, patches) was a mean of
//! light by that curve, and becomes the code of that light: read by the same curve again it is what it was.

use serde::{Deserialize, Serialize};

use super::histogram::Histogram;
use super::light_map::{LightMap, check_shape};
use super::reading::{Metered, Reading, Scale, rounded};
use super::spot::Area;
use crate::photometry::Stops;
use crate::response::{RAW, Response};

/// A frame's readings as a record holds them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Logged {
    Codes(Metered),
    Light(EarlierMetered),
}

/// A map of light as a record holds it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum LoggedMap {
    Codes(LightMap),
    Light(EarlierLightMap),
}

/// Readings in light by a named curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EarlierMetered {
    response: String,
    colour: String,
    readings: Vec<EarlierReading>,
    cells: Vec<Stops>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct EarlierReading {
    spot: String,
    area: Area,
    level: Stops,
    quantiles: Vec<Stops>,
    /// Pixels in sixths of a stop, from ten stops below mid-grey on.
    histogram: Vec<u32>,
    clipped_high: [f32; 3],
    clipped_low: [f32; 3],
    red_green: Stops,
    blue_green: Stops,
    pixels: u32,
}

/// A map of light by a named curve: in two-hundredths of a stop, `null` where clipped.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "WrittenMap", into = "WrittenMap")]
pub struct EarlierLightMap(WrittenMap);

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenMap {
    columns: usize,
    rows: usize,
    response: String,
    light: Vec<Option<i32>>,
}

const MAP_STEPS_PER_STOP: f64 = 200.0;
const HISTOGRAM_FROM: Stops = Stops(-10.0);
const HISTOGRAM_BINS_PER_STOP: f64 = 6.0;

impl From<Metered> for Logged {
    fn from(metered: Metered) -> Logged {
        Logged::Codes(metered)
    }
}

impl Logged {
    /// The readings in codes; `None` when nobody knows the curve that they went through.
    pub fn in_codes(&self, named: impl Fn(&str) -> Option<Response>) -> Option<Metered> {
        match self {
            Logged::Codes(metered) => Some(metered.clone()),
            Logged::Light(earlier) => named(&earlier.response).map(|by| earlier.in_codes(&by)),
        }
    }
}

impl From<LightMap> for LoggedMap {
    fn from(map: LightMap) -> LoggedMap {
        LoggedMap::Codes(map)
    }
}

impl LoggedMap {
    /// The map in codes; `None` when nobody knows the curve that it went through.
    pub fn in_codes(&self, named: impl Fn(&str) -> Option<Response>) -> Option<LightMap> {
        match self {
            LoggedMap::Codes(map) => Some(map.clone()),
            LoggedMap::Light(earlier) => named(&earlier.0.response).map(|by| earlier.in_codes(&by)),
        }
    }
}

impl EarlierMetered {
    /// What the file said, given the curve that the readings name.
    fn in_codes(&self, by: &Response) -> Metered {
        let code = |light: &Stops| rounded(by.code(*light));
        Metered {
            scale: scale_of(&self.response),
            colour: self.colour.clone(),
            readings: self.readings.iter().map(|r| r.in_codes(by)).collect(),
            cells: self.cells.iter().map(code).collect(),
        }
    }
}

impl EarlierReading {
    fn in_codes(&self, by: &Response) -> Reading {
        let code = |light: Stops| rounded(by.code(light));
        let quantiles: Vec<f64> = self.quantiles.iter().map(|light| code(*light)).collect();
        // The level is the mean of light by another curve now; the quantiles tell how far apart the two are.
        let standard = Response::srgb();
        let apart = quantiles.iter().map(|q| (standard.light(*q) - by.light(*q)).0).sum::<f64>();
        let level = self.level + Stops(apart / quantiles.len().max(1) as f64);
        let green = self.level;
        let bin = |i: usize| HISTOGRAM_FROM + Stops((i as f64 + 0.5) / HISTOGRAM_BINS_PER_STOP);
        let counts = self.histogram.iter().enumerate();
        Reading {
            spot: self.spot.clone(),
            area: self.area,
            level: rounded(standard.code(level)),
            quantiles,
            histogram: Histogram::of(counts.map(|(i, count)| (by.code(bin(i)), f64::from(*count)))),
            clipped_high: self.clipped_high,
            clipped_low: self.clipped_low,
            rgb: [green + self.red_green, green, green + self.blue_green].map(code),
            pixels: self.pixels,
        }
    }
}

impl EarlierLightMap {
    fn in_codes(&self, by: &Response) -> LightMap {
        let WrittenMap { columns, rows, response, light } = &self.0;
        let code = |steps: f64| by.code(Stops(steps / MAP_STEPS_PER_STOP));
        let codes = light.iter().map(|light| light.map(|steps| code(f64::from(steps))));
        LightMap::of(*columns, *rows, scale_of(response), codes)
    }
}

impl TryFrom<WrittenMap> for EarlierLightMap {
    type Error = &'static str;

    fn try_from(map: WrittenMap) -> Result<EarlierLightMap, &'static str> {
        check_shape(map.columns, map.rows, map.light.len())?;
        Ok(EarlierLightMap(map))
    }
}

impl From<EarlierLightMap> for WrittenMap {
    fn from(map: EarlierLightMap) -> WrittenMap {
        map.0
    }
}

/// A raw file's light had no other curve than this one's name.
fn scale_of(response: &str) -> Scale {
    if response == RAW { Scale::Linear } else { Scale::Rendered }
}
