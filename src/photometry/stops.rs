//! Differences of light in stops.
//!
//! Owns the unit and how it is shown. A place (a reading, a dial position) is another type; this
//! one is always a distance between two places.

use std::fmt;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer, de, ser};

/// A difference of light in stops; one stop is a factor of two. Brighter is positive.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct Stops(pub f64);

/// Two settings nearer than this are one setting: what differs is how they were rounded. The closest marks of any dial are a
/// tenth of a stop apart, and exact places are off by a millionth once a record held them.
pub const SAME_SETTING: Stops = Stops(0.01);

impl Stops {
    /// No difference.
    pub const ZERO: Stops = Stops(0.0);

    /// Stops of a ratio of light. `None` for darkness, negative or non-finite light: no light has
    /// no stops.
    ///
    /// ```
    /// use greyhold::photometry::Stops;
    /// assert_eq!(Stops::from_ratio(4.0), Some(Stops(2.0)));
    /// assert_eq!(Stops::from_ratio(0.0), None);
    /// ```
    pub fn from_ratio(light: f64) -> Option<Stops> {
        (light.is_finite() && light > 0.0).then(|| Stops(light.log2()))
    }

    /// The factor of light that this difference stands for.
    pub fn ratio(self) -> f64 {
        self.0.exp2()
    }

    pub fn abs(self) -> Stops {
        Stops(self.0.abs())
    }

    /// As records hold it, to six decimals: what is worked out from records and kept is rounded, so that it is the
    /// same after it was written and read.
    pub fn rounded(self) -> Stops {
        Stops((self.0 * 1e6).round() / 1e6 + 0.0)
    }

    /// The same difference, moved to the nearest multiple of `step`.
    pub fn to_nearest(self, step: Stops) -> Stops {
        Stops((self.0 / step.0).round() * step.0)
    }

    /// Root of the sum of squares: how independent uncertainties add.
    pub fn in_quadrature(self, other: Stops) -> Stops {
        Stops(self.0.hypot(other.0))
    }

    /// In thirds, as a camera shows it: `+1 2/3`, `-1/3`, `0`. Rounded to the nearest third.
    pub fn in_thirds(self) -> String {
        let thirds = (self.0 * 3.0).round() as i64;
        let sign = if thirds < 0 { "-" } else { "+" };
        if thirds == 0 { "0".to_owned() } else { format!("{sign}{}", mixed(thirds.unsigned_abs())) }
    }

    /// Whether anybody can act on it: below a tenth of a stop nobody can.
    pub fn is_worth_saying(self) -> bool {
        self.abs() >= LEAST_SAID
    }

    /// Its size as a photographer counts it: `2 stops`, `1 1/3 stops`, `2/3 stop`. What lies between two thirds is said in tenths:
    /// `0.5 stop`.
    ///
    /// ```
    /// use greyhold::photometry::Stops;
    /// assert_eq!(Stops(-1.97).size_in_words(), "2 stops");
    /// assert_eq!(Stops(0.5).size_in_words(), "0.5 stop");
    /// ```
    pub fn size_in_words(self) -> String {
        let size = self.abs().0;
        if !self.is_worth_saying() {
            return "less than 0.1 stop".to_owned();
        }
        let thirds = (size * 3.0).round();
        let number =
            if (size - thirds / 3.0).abs() <= NEAR_A_THIRD { mixed(thirds as u64) } else { format!("{size:.1}") };
        let unit = if number == "1" || size < 1.0 { "stop" } else { "stops" };
        format!("{number} {unit}")
    }

    /// A turn, or a change of light, with its direction: `down 2 2/3 stops`.
    pub fn up_or_down(self) -> String {
        format!("{} {}", if self > Stops::ZERO { "up" } else { "down" }, self.size_in_words())
    }

    /// A change of light: `1/3 stop darker`.
    pub fn brighter_or_darker(self) -> String {
        format!("{} {}", self.size_in_words(), if self > Stops::ZERO { "brighter" } else { "darker" })
    }

    /// Light that is missing, or too much where it is negative: `2/3 stop too strong`.
    pub fn too_weak_or_strong(self) -> String {
        format!("{} {}", self.size_in_words(), if self > Stops::ZERO { "too weak" } else { "too strong" })
    }
}

/// Less than this is not said: flashes repeat no better, and dials have no smaller clicks.
const LEAST_SAID: Stops = Stops(0.095);
/// What is read this near to a third is said to be one: cameras and most dials have no marks between.
const NEAR_A_THIRD: f64 = 0.07;

/// Thirds as a mixed number: `2`, `1/3`, `1 2/3`.
fn mixed(thirds: u64) -> String {
    match (thirds / 3, thirds % 3) {
        (whole, 0) => whole.to_string(),
        (0, part) => format!("{part}/3"),
        (whole, part) => format!("{whole} {part}/3"),
    }
}

impl fmt::Display for Stops {
    /// Two decimals, always a sign, never a negative zero.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let hundredths = (self.0 * 100.0).round() / 100.0 + 0.0;
        write!(f, "{hundredths:+.2}")
    }
}

/// A size as photographers write it: `1 stop`, `1 1/3 stops`, `2/3`, `0.7 stop`.
impl FromStr for Stops {
    type Err = String;

    fn from_str(text: &str) -> Result<Stops, String> {
        let wrong = || format!("'{}' is no size in stops: write it as 1 stop, 2/3 stop or 1 1/3 stops", text.trim());
        let bare = text.trim().trim_end_matches('s').trim_end_matches("stop").trim();
        let part = |word: &str| match word.split_once('/') {
            Some((over, under)) => {
                let (over, under) = (over.parse::<u32>().ok()?, under.parse::<u32>().ok().filter(|n| *n > 0)?);
                Some(f64::from(over) / f64::from(under))
            }
            None => word.parse::<f64>().ok().filter(|n| n.is_finite() && *n >= 0.0),
        };
        let parts: Vec<f64> = bare.split_whitespace().map(part).collect::<Option<_>>().ok_or_else(wrong)?;
        match parts.as_slice() {
            [size] => Ok(Stops(*size)),
            [whole, rest] if *rest < 1.0 && whole.fract() == 0.0 => Ok(Stops(whole + rest)),
            _ => Err(wrong()),
        }
    }
}

impl Serialize for Stops {
    /// Six decimals: far below any reading's noise, and short lines in the shot log. What is no number is refused: JSON would
    /// write it as `null`, which reads back as 'not known'.
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let rounded = self.rounded().0;
        if !rounded.is_finite() {
            return Err(ser::Error::custom(format!("{} is no difference of light", self.0)));
        }
        serializer.serialize_f64(rounded)
    }
}

impl<'de> Deserialize<'de> for Stops {
    /// Any number that can be written again; YAML has others, and so has a damaged record.
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Stops, D::Error> {
        /// From the darkest to the brightest that there is are some hundred stops.
        const MOST: f64 = 1e9;
        let stops = f64::deserialize(deserializer)?;
        // What is no number is in no range.
        if (-MOST..=MOST).contains(&stops) {
            Ok(Stops(stops))
        } else {
            Err(de::Error::custom("no difference of light is like that"))
        }
    }
}

impl Add for Stops {
    type Output = Stops;
    fn add(self, other: Stops) -> Stops {
        Stops(self.0 + other.0)
    }
}

impl AddAssign for Stops {
    fn add_assign(&mut self, other: Stops) {
        self.0 += other.0;
    }
}

impl Sub for Stops {
    type Output = Stops;
    fn sub(self, other: Stops) -> Stops {
        Stops(self.0 - other.0)
    }
}

impl Neg for Stops {
    type Output = Stops;
    fn neg(self) -> Stops {
        Stops(-self.0)
    }
}

impl Mul<f64> for Stops {
    type Output = Stops;
    fn mul(self, factor: f64) -> Stops {
        Stops(self.0 * factor)
    }
}

impl Div<f64> for Stops {
    type Output = Stops;
    fn div(self, divisor: f64) -> Stops {
        Stops(self.0 / divisor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_that_could_not_be_written_again_is_not_read() {
        for (json, is_read) in [("-1.5E306", false), ("1e9", true), ("-20.0", true), ("2e9", false), ("null", false)] {
            let read = serde_json::from_str::<Stops>(json);
            assert_eq!(read.is_ok(), is_read, "{json}");
            assert!(read.is_err() || serde_json::to_string(&read.unwrap()).is_ok());
        }
    }

    #[test]
    fn shown_numbers_have_a_sign_and_no_negative_zero() {
        assert_eq!(Stops(-0.004).to_string(), "+0.00");
        assert_eq!(Stops(2.0 / 3.0).to_string(), "+0.67");
        assert_eq!(Stops(-1.0).to_string(), "-1.00");
    }

    #[test]
    fn what_is_no_number_is_neither_written_nor_read() {
        for stops in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert!(serde_json::to_string(&Stops(stops)).is_err());
            assert!(serde_json::to_string(&Some(Stops(stops))).is_err());
        }
        for text in [".inf", "-.inf", ".nan"] {
            assert!(serde_yaml::from_str::<Stops>(text).is_err(), "{text}");
        }
        assert_eq!(serde_json::from_str::<Stops>("2").unwrap(), Stops(2.0));
    }

    #[test]
    fn a_size_is_said_in_thirds_where_it_is_near_one_and_else_in_tenths() {
        for (value, text) in [
            (2.99, "3 stops"),
            (-1.97, "2 stops"),
            (1.03, "1 stop"),
            (0.95, "1 stop"),
            (-0.3, "1/3 stop"),
            (0.66, "2/3 stop"),
            (1.31, "1 1/3 stops"),
            (0.5, "0.5 stop"),
            (0.83, "0.8 stop"),
            (0.12, "0.1 stop"),
            (1.5, "1.5 stops"),
            (-0.04, "less than 0.1 stop"),
        ] {
            assert_eq!(Stops(value).size_in_words(), text, "{value}");
        }
    }

    #[test]
    fn a_size_is_read_as_it_is_said() {
        for (text, size) in
            [("1 stop", 1.0), ("1 1/3 stops", 4.0 / 3.0), ("2/3", 2.0 / 3.0), ("0.7 stop", 0.7), (" 2stops ", 2.0)]
        {
            assert!((text.parse::<Stops>().unwrap() - Stops(size)).abs() < Stops(1e-12), "{text}");
        }
        for text in ["", "stop", "-1 stop", "1/0", "1 1", "1 2 3", "half", "nan", "1.5 1/3"] {
            assert!(text.parse::<Stops>().unwrap_err().contains("1 1/3 stops"), "{text}");
        }
    }

    #[test]
    fn a_turn_has_its_direction_and_missing_light_its_side() {
        assert_eq!(
            (Stops(1.0).up_or_down(), Stops(-2.66).up_or_down()),
            ("up 1 stop".into(), "down 2 2/3 stops".into())
        );
        let sides = (Stops(0.33).too_weak_or_strong(), Stops(-1.0).too_weak_or_strong());
        assert_eq!(sides, ("1/3 stop too weak".into(), "1 stop too strong".into()));
    }

    #[test]
    fn thirds_read_as_on_a_camera() {
        for (value, text) in [(5.0 / 3.0, "+1 2/3"), (-0.34, "-1/3"), (0.1, "0"), (-2.0, "-2")] {
            assert_eq!(Stops(value).in_thirds(), text);
        }
    }
}
