//! Readings as logs up to format 4 hold them: light by a curve that they name.
//!
//! A record keeps such a reading as it was written. Whoever takes it up asks for its codes, and must know the curve
//! for that: the curve's inverse gives back what the file said. What is a mean (levels, cells, patches) was a mean of
//! light by that curve, and becomes the code of that light: read by the same curve again it is what it was.

use serde::{Deserialize, Serialize};

use super::histogram::Histogram;
use super::light_map::{LightMap, check_shape};
use super::reading::{FrameReadings, Reading, Scale, rounded};
use super::spot::Area;
use crate::photometry::Stops;
use crate::response::{RAW, Response};

/// A frame's readings as a record holds them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Logged {
    Codes(FrameReadings),
    Light(EarlierReadings),
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
pub struct EarlierReadings {
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

impl From<FrameReadings> for Logged {
    fn from(metered: FrameReadings) -> Logged {
        Logged::Codes(metered)
    }
}

impl Logged {
    /// Whether this is the linear light of a raw file.
    pub fn is_raw(&self) -> bool {
        match self {
            Logged::Codes(metered) => metered.is_raw(),
            Logged::Light(earlier) => earlier.response == RAW,
        }
    }

    /// The readings in codes; `None` when nobody knows the curve that they went through.
    pub fn in_codes(&self, named: impl Fn(&str) -> Option<Response>) -> Option<FrameReadings> {
        match self {
            Logged::Codes(metered) => Some(metered.clone()),
            Logged::Light(earlier) => named(&earlier.response).map(|response| earlier.in_codes(&response)),
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
            LoggedMap::Light(earlier) => named(&earlier.0.response).map(|response| earlier.in_codes(&response)),
        }
    }
}

impl EarlierReadings {
    /// What the file said, given the curve that the readings name.
    fn in_codes(&self, response: &Response) -> FrameReadings {
        let code = |light: &Stops| rounded(response.code(*light));
        FrameReadings {
            scale: scale_of(&self.response),
            colour: self.colour.clone(),
            readings: self.readings.iter().map(|r| r.in_codes(response)).collect(),
            cells: self.cells.iter().map(code).collect(),
            picture: None,
        }
    }
}

impl EarlierReading {
    fn in_codes(&self, response: &Response) -> Reading {
        let code = |light: Stops| rounded(response.code(light));
        let quantiles: Vec<f64> = self.quantiles.iter().map(|light| code(*light)).collect();
        // The level is the mean of light by another curve now; the quantiles tell how far apart the two are.
        let standard = Response::srgb();
        let apart = quantiles.iter().map(|q| (standard.light(*q) - response.light(*q)).0).sum::<f64>();
        let level = self.level + Stops(apart / quantiles.len().max(1) as f64);
        let green = self.level;
        let bin = |i: usize| HISTOGRAM_FROM + Stops((i as f64 + 0.5) / HISTOGRAM_BINS_PER_STOP);
        let counts = self.histogram.iter().enumerate();
        Reading {
            spot: self.spot.clone(),
            area: self.area,
            level: rounded(standard.code(level)),
            quantiles,
            histogram: Histogram::of(counts.map(|(i, count)| (response.code(bin(i)), f64::from(*count)))),
            clipped_high: self.clipped_high,
            clipped_low: self.clipped_low,
            // As if the spot were of one tone: an earlier reading tells no more of its colours.
            rgb: [green + self.red_green, green, green + self.blue_green].map(code),
            pixels: self.pixels,
        }
    }
}

impl EarlierLightMap {
    fn in_codes(&self, curve: &Response) -> LightMap {
        let WrittenMap { columns, rows, response, light } = &self.0;
        let code = |steps: f64| curve.code(Stops(steps / MAP_STEPS_PER_STOP));
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A camera's curve: steeper than the standard one in the shadows.
    fn camera() -> Response {
        let standard = Response::srgb();
        Response::of_table("camera", std::array::from_fn(|code| standard.light(code as f64).0 * 0.8))
    }

    fn logged(response: &str) -> String {
        let quantiles: Vec<f64> = (0..64).map(|i| f64::from(i * 5 - 200) / 100.0).collect();
        let mut histogram = vec![0; 84];
        histogram[48..=67].fill(60);
        serde_json::json!({
            "response": response,
            "colour": "sRGB",
            "readings": [{
                "spot": "whole",
                "area": {"left": 0.0, "top": 0.0, "right": 1.0, "bottom": 1.0},
                "level": -0.425,
                "quantiles": quantiles,
                "histogram": histogram,
                "clipped_high": [0.0, 0.0, 0.0],
                "clipped_low": [0.0, 0.0, 0.0],
                "red_green": 0.2,
                "blue_green": -0.1,
                "pixels": 1200,
            }],
            "cells": [-2.0, 0.0, 1.1],
        })
        .to_string()
    }

    /// CHECK: what the log tells (definition): by its own curve the codes are the light that was written.
    #[test]
    fn light_by_a_curve_becomes_codes_that_are_that_light_by_that_curve() {
        let logged: Logged = serde_json::from_str(&logged("camera")).unwrap();
        assert!(logged.in_codes(|_| None).is_none(), "nobody knows the curve");
        let metered = logged.in_codes(|name| Some(camera()).filter(|c| c.name == name)).unwrap();
        assert_eq!(metered.scale, Scale::Rendered);
        let (reading, curve) = (metered.reading("whole").unwrap(), camera());
        for (i, code) in reading.quantiles.iter().enumerate() {
            assert!((curve.light(*code).0 - (i as f64 * 0.05 - 2.0)).abs() < 0.001, "{i}");
        }
        assert!((reading.level_by(&curve).0 + 0.425).abs() < 0.001, "{}", reading.level_by(&curve));
        let [red, blue] = reading.tints_by(&curve);
        assert!((red.0 - 0.2).abs() < 0.02 && (blue.0 + 0.1).abs() < 0.02, "{red} {blue}");
        for (code, light) in metered.cells.iter().zip([-2.0, 0.0, 1.1]) {
            assert!((curve.light(*code).0 - light).abs() < 0.001);
        }
        let shares: u32 = reading.histogram.bins().map(|(_, share)| u32::from(share)).sum();
        assert!((995..=1005).contains(&shares), "{shares}");
    }

    #[test]
    fn a_record_stays_as_it_was_written_and_a_raw_file_needs_no_curve_of_a_camera() {
        let line = logged("raw");
        let logged: Logged = serde_json::from_str(&line).unwrap();
        assert!(matches!(logged, Logged::Light(_)));
        let again: serde_json::Value = serde_json::from_str(&serde_json::to_string(&logged).unwrap()).unwrap();
        assert_eq!(again, serde_json::from_str::<serde_json::Value>(&line).unwrap());
        let metered = logged.in_codes(|name| (name == RAW).then(Response::raw)).unwrap();
        assert!(metered.is_raw());
        let now = Logged::from(metered);
        let text = serde_json::to_string(&now).unwrap();
        assert_eq!(serde_json::from_str::<Logged>(&text).unwrap(), now);
    }

    #[test]
    fn a_map_in_light_becomes_one_in_codes_and_keeps_what_is_clipped() {
        let light: Vec<String> =
            (0..16).map(|i| if i == 3 { "null".to_owned() } else { (i * 40 - 400).to_string() }).collect();
        let line = format!("{{\"columns\":4,\"rows\":4,\"response\":\"camera\",\"light\":[{}]}}", light.join(","));
        let logged: LoggedMap = serde_json::from_str(&line).unwrap();
        assert_eq!(serde_json::to_string(&logged).unwrap(), line);
        let (map, curve) = (logged.in_codes(|_| Some(camera())).unwrap(), camera());
        for (i, code) in map.codes().enumerate() {
            let Some(code) = code else {
                assert_eq!(i, 3);
                continue;
            };
            assert!((curve.light(code).0 - (i as f64 * 0.2 - 2.0)).abs() < 0.003, "{i}");
        }
        assert!(serde_json::from_str::<LoggedMap>(&line.replacen("null,", "", 1)).is_err(), "a value is missing");
    }
}
