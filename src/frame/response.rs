//! Response curves: from a picture's code values to light, with what is not known about them.
//!
//! Camera JPEGs are contrastier than the sRGB curve, and no constant factor mends it. A curve has
//! a name, and every reading says which one it went through.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::colour::srgb_decode;
use crate::photometry::Stops;

/// Which curve to read a picture's light by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ResponseChoice {
    /// The mean of several cameras' default looks: for pictures a camera rendered.
    #[default]
    StockCamera,
    /// The sRGB curve: for pictures no camera rendered.
    Srgb,
}

/// A response curve over 8-bit sRGB-encoded codes.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(try_from = "Written")]
pub struct Response {
    pub name: String,
    log2_exposure: [f64; 256],
    /// Signed half-width of the 95 % interval against the anchor: negative below it, so that two
    /// codes on either side are uncertain against each other by the sum.
    half_width: [f64; 256],
    /// Part of a difference that the curve's slope leaves in doubt, at 95 %.
    slope_doubt: f64,
}

/// A curve as its file holds it.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Written {
    name: String,
    #[serde(rename = "provenance")]
    _provenance: String,
    /// From the spread between cameras to the 95 % half-width for a camera that is not among them.
    coverage_factor: f64,
    /// Part of a difference that is in doubt however near the two codes are to each other.
    slope_doubt: f64,
    /// The code that all cameras' curves were aligned at.
    anchor_code: usize,
    log2_exposure: Vec<f64>,
    spread_between_cameras: Vec<f64>,
}

#[derive(Debug, Error, PartialEq)]
#[error("response curve '{name}': {fault}")]
pub struct ResponseError {
    name: String,
    fault: &'static str,
}

impl TryFrom<Written> for Response {
    type Error = ResponseError;

    fn try_from(w: Written) -> Result<Response, ResponseError> {
        let fault = |fault| ResponseError { name: w.name.clone(), fault };
        let log2_exposure: [f64; 256] =
            w.log2_exposure.clone().try_into().map_err(|_| fault("log2_exposure needs 256 numbers"))?;
        let spread: [f64; 256] = w
            .spread_between_cameras
            .clone()
            .try_into()
            .map_err(|_| fault("spread_between_cameras needs 256 numbers"))?;
        if !log2_exposure.is_sorted_by(|a, b| a < b) || !log2_exposure.iter().all(|v| v.is_finite()) {
            return Err(fault("log2_exposure must rise from code to code"));
        }
        let wild = |v: f64| !(0.0..100.0).contains(&v);
        if spread.iter().any(|s| wild(*s)) || wild(w.slope_doubt) || wild(w.coverage_factor) || w.anchor_code > 255 {
            return Err(fault("a spread, doubt or factor is negative or the anchor is no code"));
        }
        let half_width = std::array::from_fn(|code| {
            let sign = if code < w.anchor_code { -1.0 } else { 1.0 };
            sign * w.coverage_factor * spread[code]
        });
        Ok(Response { name: w.name, log2_exposure, half_width, slope_doubt: w.slope_doubt })
    }
}

/// Half a code value is what 8 bits can't say; at mid-grey that is 0.013 stop.
const ROUNDING: f64 = 0.02;

impl Response {
    /// The sRGB curve, anchored so that 18 % is zero. Source: IEC 61966-2-1.
    pub fn srgb() -> Response {
        // Code 0 holds everything darker than code 1; half of code 1 is its middle.
        let level = |code: usize| srgb_decode(if code == 0 { 0.5 } else { code as f64 } / 255.0);
        Response {
            name: "srgb".to_owned(),
            log2_exposure: std::array::from_fn(|code| (level(code) / 0.18).log2()),
            half_width: [0.0; 256],
            slope_doubt: 0.0,
        }
    }

    /// Light of a (fractional) sRGB-encoded code, in stops from mid-grey.
    pub fn light(&self, code: f64) -> Stops {
        Stops(interpolate(&self.log2_exposure, code))
    }

    /// The code that shows this much light, 0 to 255.
    pub fn code(&self, light: Stops) -> f64 {
        let above = self.log2_exposure.partition_point(|l| *l < light.0);
        match above {
            0 => 0.0,
            256 => 255.0,
            _ => {
                let (low, high) = (self.log2_exposure[above - 1], self.log2_exposure[above]);
                (above - 1) as f64 + (light.0 - low) / (high - low)
            }
        }
    }

    /// Half-width of the 95 % interval of the difference between two readings through this curve.
    /// It grows with their distance and is small for equal ones, whatever their level.
    pub fn uncertainty_between(&self, a: Stops, b: Stops) -> Stops {
        let width = |light| interpolate(&self.half_width, self.code(light));
        let slope = (a - b) * self.slope_doubt;
        Stops((width(a) - width(b)).abs().max(ROUNDING)).in_quadrature(slope)
    }
}

fn interpolate(table: &[f64; 256], code: f64) -> f64 {
    let code = code.clamp(0.0, 255.0);
    let below = (code.floor() as usize).min(254);
    table[below] + (table[below + 1] - table[below]) * (code - below as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: IEC 61966-2-1; ISO 12232 takes code 118 for its standard output sensitivity.
    #[test]
    fn the_srgb_curve_reads_the_published_stops() {
        let srgb = Response::srgb();
        let table = [
            (41.3358, -3.0),
            (59.8727, -2.0),
            (84.6167, -1.0),
            (105.5609, -1.0 / 3.0),
            (117.6458, 0.0),
            (130.952, 1.0 / 3.0),
            (161.7344, 1.0),
            (220.5857, 2.0),
        ];
        for (code, stops) in table {
            assert!((srgb.light(code).0 - stops).abs() < 2e-3, "code {code}: {}", srgb.light(code));
        }
        assert!(srgb.light(118.0).abs() < Stops(0.01));
    }

    #[test]
    fn light_to_code_and_back_is_the_same_light() {
        let srgb = Response::srgb();
        for code in 0..=255 {
            let back = srgb.code(srgb.light(f64::from(code)));
            assert!((back - f64::from(code)).abs() < 1e-6);
        }
    }

    #[test]
    fn a_curve_that_falls_is_refused() {
        let mut log2_exposure: Vec<f64> = (0..256).map(f64::from).collect();
        log2_exposure[9] = 0.0;
        let written = Written {
            name: "x".into(),
            _provenance: String::new(),
            coverage_factor: 1.0,
            slope_doubt: 0.0,
            anchor_code: 118,
            log2_exposure,
            spread_between_cameras: vec![0.0; 256],
        };
        assert!(Response::try_from(written).unwrap_err().to_string().contains("must rise"));
    }
}
