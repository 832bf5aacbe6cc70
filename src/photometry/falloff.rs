//! Light over distance, through filters and from several sources.
//!
//! The inverse square law is for a point: from a disc of radius R, going from 2R to 4R loses 1.77
//! stops and not 2. Whatever shows these numbers to a person says so.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::aperture::FNumber;
use super::sensitivity::IsoSpeed;
use super::stops::Stops;

/// A distance in metres, above zero.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Metres(f64);

impl Metres {
    /// `None` unless finite and above zero.
    pub fn new(metres: f64) -> Option<Metres> {
        (metres.is_finite() && metres > 0.0).then_some(Metres(metres))
    }

    pub fn get(self) -> f64 {
        self.0
    }
}

/// Change of light on the subject when a point source moves.
///
/// `change = -2 log2(to / from)`. Source: inverse square law, e.g. Hecht, *Optics*.
pub fn inverse_square(from: Metres, to: Metres) -> Stops {
    Stops(-2.0 * (to.0 / from.0).log2())
}

/// The factor by which a point source's distance must change for a wanted change of light.
pub fn distance_factor(wanted: Stops) -> f64 {
    (-wanted.0 / 2.0).exp2()
}

/// Optical density of a filter, `D = -log10(transmittance)`. Source: ISO 5-2 (from memory).
#[derive(Debug, Clone, Copy, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Density(pub f64);

impl Density {
    /// Light lost: `D / log10 2` stops, so density 0.3 is 0.997 stop and not a whole one.
    pub fn loss(self) -> Stops {
        Stops(self.0 / std::f64::consts::LOG10_2)
    }

    pub fn max(self, other: Density) -> Density {
        Density(self.0.max(other.0))
    }

    pub fn min(self, other: Density) -> Density {
        Density(self.0.min(other.0))
    }

    /// Nothing is there that takes light.
    pub fn is_none(&self) -> bool {
        *self == Density::default()
    }

    /// What is on a lens: 'ND 0.9', 'no filter'.
    pub fn on_the_lens(self) -> String {
        if self.is_none() { "no filter".to_owned() } else { self.to_string() }
    }

    /// What is told to be on a lens: '0.9', 'ND 0.9', several with a plus between them; '0' or 'no filter' for none.
    ///
    /// # Errors
    /// One sentence that says how a density is written.
    pub fn read_on_the_lens(text: &str) -> Result<Density, String> {
        let lower = text.trim().to_ascii_lowercase();
        let number = lower.trim_start_matches("nd").trim();
        if matches!(number, "0" | "0.0" | "none" | "no filter") {
            return Ok(Density::default());
        }
        let each = lower.split('+').map(str::parse::<Density>);
        let sum = each.sum::<Result<Density, String>>()?;
        if sum.0 > DENSEST {
            return Err(format!("filters of {sum} together let nothing through that a portrait is lit by"));
        }
        Ok(sum)
    }

    /// The density that takes away this much light.
    pub fn losing(light: Stops) -> Density {
        Density(light.0 * std::f64::consts::LOG10_2)
    }
}

/// Densities of filters on top of each other add up (ISO 5-2, from memory); to three decimals, for sums of tenths differ in their last
/// digits.
impl std::iter::Sum for Density {
    fn sum<I: Iterator<Item = Density>>(each: I) -> Density {
        Density((each.map(|density| density.0).sum::<f64>() * 1000.0).round() / 1000.0)
    }
}

/// As filters are marked: `ND 0.9`, `ND 0.15`.
impl fmt::Display for Density {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let hundredths = (self.0 * 100.0).round() / 100.0;
        let decimals = if (hundredths * 10.0).fract().abs() < 1e-6 { 1 } else { 2 };
        write!(f, "ND {hundredths:.decimals$}")
    }
}

/// A flash's guide number in metres at ISO 100 and full power. Source: ISO 1230 (from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GuideNumber(pub f64);

impl GuideNumber {
    /// The guide number at another power (in stops from full) and speed: it goes with the root of
    /// power times speed over 100.
    pub fn at(self, power: Stops, iso: IsoSpeed) -> GuideNumber {
        GuideNumber(self.0 * ((power + iso.sv() - Stops(5.0)).0 / 2.0).exp2())
    }

    /// The third-stop f-number nearest to `N = GN / d`. `None` off the marked scale.
    pub fn f_number(self, distance: Metres) -> Option<FNumber> {
        FNumber::nearest_third(Stops(2.0 * (self.0 / distance.0).log2()))
    }
}

/// How key and fill stand to each other, in stops and as the trade's ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LightingRatio {
    /// Key over fill, each alone.
    pub key_over_fill: Stops,
}

impl LightingRatio {
    /// `(key + fill) : fill`, fill reaching both sides. The trade also says ratio for key : fill
    /// alone, so print the stops beside it.
    pub fn lit_to_shadow(self) -> f64 {
        self.key_over_fill.ratio() + 1.0
    }
}

/// Denser filters are for the sun.
const DENSEST: f64 = 4.0;

/// As it is engraved: '0.9', 'ND 0.9'.
impl std::str::FromStr for Density {
    type Err = String;
    fn from_str(text: &str) -> Result<Density, String> {
        let upper = text.trim().to_ascii_uppercase();
        let number = upper.trim_start_matches("ND").trim().parse::<f64>().ok().filter(|n| n.is_finite());
        match number {
            // Filters are also marked by how many times less light they let through: 2, 4, 8 and on, without a point.
            Some(factor) if factor > DENSEST || factor > 1.0 && !upper.contains('.') => {
                let meant = Density::losing(Stops(factor.log2()));
                let or =
                    if factor <= DENSEST { format!(", of one of that density {factor:.1}") } else { String::new() };
                Err(format!(
                    "'{text}' is no density: of a filter that lets 1/{factor} of the light through write {:.1}{or}",
                    meant.0
                ))
            }
            Some(density) if (0.1..=DENSEST).contains(&density) => Ok(Density(density)),
            _ => Err(format!("'{text}' is no filter's density: write one such as 0.9, which takes 3 stops")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64, by: f64) {
        assert!((a - b).abs() < by, "{a} is not {b}");
    }

    /// CHECK: inverse square law, e.g. Hecht, Optics.
    #[test]
    fn inverse_square_gives_the_textbook_stops() {
        let one = Metres::new(1.0).unwrap();
        for (factor, stops) in
            [(2_f64.sqrt(), -1.0), (2.0, -2.0), (0.5, 2.0), ((1.0 / 6.0_f64).exp2(), -1.0 / 3.0), (1.6, -1.356144)]
        {
            close(inverse_square(one, Metres::new(factor).unwrap()).0, stops, 1e-6);
            close(distance_factor(Stops(stops)), factor, 1e-6);
        }
        assert_eq!(Metres::new(0.0), None);
    }

    /// CHECK: density = -log10 transmittance, ISO 5-2 (from memory).
    #[test]
    fn densities_lose_the_published_stops() {
        for (density, stops) in [(0.3, 0.997), (0.6, 1.993), (0.9, 2.990), (1.2, 3.986), (1.8, 5.979), (3.0, 9.966)] {
            close(Density(density).loss().0, stops, 5e-4);
            close(Density::losing(Stops(stops)).0, density, 5e-4);
        }
    }

    /// CHECK: ISO 1230 (from memory): GN 40 gives f/16 at 2.5 m; GN 10 at 1/16; 56.57 at ISO 200.
    #[test]
    fn guide_numbers_scale_with_the_root_of_power_and_speed() {
        let iso = |s| IsoSpeed::new(s).unwrap();
        let full = GuideNumber(40.0);
        assert_eq!(full.f_number(Metres::new(2.5).unwrap()).unwrap().to_string(), "f/16");
        close(full.at(Stops(-4.0), iso(100.0)).0, 10.0, 1e-9);
        close(full.at(Stops::ZERO, iso(200.0)).0, 56.57, 5e-3);
    }

    /// CHECK: additivity of light: key over fill by 0, 1, 2, 3 stops is 2:1, 3:1, 5:1, 9:1.
    #[test]
    fn lighting_ratios_add_the_fill() {
        for (stops, ratio) in [(0.0, 2.0), (1.0, 3.0), (2.0, 5.0), (3.0, 9.0)] {
            close(LightingRatio { key_over_fill: Stops(stops) }.lit_to_shadow(), ratio, 1e-12);
        }
    }
}
