//! A response as metering uses it: from a picture's code values to light, with its uncertainty.
//!
//! Camera JPEGs are contrastier than the sRGB curve, and no constant factor mends it. A curve has
//! a name, and every reading says which one it went through.

use super::gaussian::Curve;
use super::srgb::srgb_decode;
use crate::photometry::Stops;
use crate::statistics::{Z95, student95};

/// Which curve to read a picture's light by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ResponseChoice {
    /// The camera's own where it is known, else the stock curve.
    #[default]
    Camera,
    /// The stock curve, always.
    Stock,
    /// The sRGB curve: for pictures no camera rendered.
    Srgb,
}

/// Name of the curve of linear light that a raw file holds.
pub const RAW: &str = "raw";

/// A response over 8-bit sRGB-encoded codes.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    pub name: String,
    log2_exposure: [f64; 256],
    /// Red, green and blue, where they are known each by itself.
    channels: Option<[[f64; 256]; 3]>,
    /// What the curve was made from; `None` for one that is exact by definition.
    curve: Option<Curve>,
    /// How far one exposure of this camera was seen to be off its settings, standard deviation; zero
    /// where that is not known. It says nothing of what the picture shows, only of what settings tell.
    scatter: Stops,
}

/// Half a code value is what 8 bits can't say; at mid-grey that is 0.013 stop.
const ROUNDING: Stops = Stops(0.02);
/// A camera's scatter is estimated from about this many frames, less what its curve took.
const FRAMES_OF_A_SCATTER: usize = 10;
/// What a code of a reduced picture is off, standard deviation: noise, coding and framing.
const CODE_NOISE: f64 = 0.6;
/// And what the difference of two frames' light is off at the least.
const LIGHT_NOISE: f64 = 0.03;

impl Response {
    pub fn new(name: String, curve: Curve, channels: Option<[Curve; 3]>, scatter: Stops) -> Response {
        Response {
            name,
            log2_exposure: curve.table(),
            channels: channels.map(|c| c.map(|c| c.table())),
            curve: Some(curve),
            scatter,
        }
    }

    /// A curve that no reading will bear the name of: for working with it.
    pub fn unnamed(curve: &Curve) -> Response {
        Response::new(String::new(), curve.clone(), None, Stops::ZERO)
    }

    /// A curve of which nothing is known but its light at each code.
    pub fn of_table(name: &str, log2_exposure: [f64; 256]) -> Response {
        Response { name: name.to_owned(), log2_exposure, channels: None, curve: None, scatter: Stops::ZERO }
    }

    /// The sRGB curve, anchored so that 18 % is zero. Source: IEC 61966-2-1.
    pub fn srgb() -> Response {
        // Code 0 holds everything darker than code 1; half of code 1 is its middle.
        let level = |code: usize| srgb_decode(if code == 0 { 0.5 } else { code as f64 } / 255.0);
        Response::of_table("srgb", std::array::from_fn(|code| (level(code) / 0.18).log2()))
    }

    /// Linear light: saturation is white, 18 % of it is zero.
    pub fn raw() -> Response {
        Response { name: RAW.to_owned(), ..Response::srgb() }
    }

    pub fn curve(&self) -> Option<&Curve> {
        self.curve.as_ref()
    }

    /// Light of a (fractional) sRGB-encoded code of luminance, in stops from mid-grey.
    pub fn light(&self, code: f64) -> Stops {
        Stops(interpolate(&self.log2_exposure, code))
    }

    /// Light of a code of red, green or blue (0 to 2).
    pub fn channel_light(&self, channel: usize, code: f64) -> Stops {
        match self.channels.as_ref().and_then(|c| c.get(channel)) {
            Some(table) => Stops(interpolate(table, code)),
            None => self.light(code),
        }
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

    /// The largest ways in which the curve may be off, each by one standard deviation, as stops at every code.
    /// None for a curve that is exact.
    pub fn likely_errors(&self, count: usize) -> Vec<[f64; 256]> {
        self.curve.as_ref().map_or_else(Vec::new, |c| c.likely_errors(count))
    }

    /// Standard deviation of one pixel's light, by what its code can't say.
    pub fn noise_at(&self, code: f64) -> Stops {
        let at = code.round().clamp(1.0, 254.0) as usize;
        let slope = (self.log2_exposure[at + 1] - self.log2_exposure[at - 1]) / 2.0;
        Stops(LIGHT_NOISE / std::f64::consts::SQRT_2).in_quadrature(Stops(CODE_NOISE * slope))
    }

    /// The same of one pixel pair's difference.
    pub fn noise_between(&self, a: f64, b: f64) -> Stops {
        self.noise_at(a).in_quadrature(self.noise_at(b))
    }

    /// Half-width of the 95 % interval of a weighted mean of differences between pairs of codes,
    /// by what is not known of the curve. It grows with their distance and is small for equal
    /// ones, whatever their level.
    pub fn uncertainty_of(&self, pairs: impl Iterator<Item = (f64, f64, f64)>) -> Stops {
        let curve = self.curve.as_ref().map_or(Stops::ZERO, |c| c.deviation(pairs));
        ROUNDING.in_quadrature(curve * Z95)
    }

    /// The same for the difference between two places.
    pub fn uncertainty_between(&self, a: Stops, b: Stops) -> Stops {
        self.uncertainty_of(std::iter::once((self.code(a), self.code(b), 1.0)))
    }

    /// Half-width of the 95 % interval of how the difference of two exposures is off what their settings say, as this camera
    /// was seen to be; zero where that is not known.
    pub fn scatter_of_two(&self) -> Stops {
        self.scatter * (student95(FRAMES_OF_A_SCATTER) * std::f64::consts::SQRT_2)
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

    /// CHECK: the slope of a curve that is a power of the code, from its derivative.
    #[test]
    fn noise_is_taken_at_the_code_itself() {
        let power =
            Response { log2_exposure: std::array::from_fn(|code| (code as f64 / 118.0).powi(2)), ..Response::srgb() };
        for code in [40.0_f64, 118.0, 253.0] {
            let slope = 2.0 * code / 118.0 / 118.0;
            let noise = (LIGHT_NOISE.powi(2) / 2.0 + (CODE_NOISE * slope).powi(2)).sqrt();
            assert!((power.noise_at(code).0 - noise).abs() < 1e-9, "{code}: {}", power.noise_at(code));
        }
    }

    #[test]
    fn light_to_code_and_back_is_the_same_light() {
        let made = Response::new("made".to_owned(), Curve::vague(), None, Stops::ZERO);
        for response in [Response::srgb(), made] {
            for code in 0..=255 {
                let back = response.code(response.light(f64::from(code)));
                assert!((back - f64::from(code)).abs() < 1e-6, "{} {code}", response.name);
            }
        }
    }
}
