//! Times of a flash, as makers give them for full power: until it is ready again, and how long it burns.

use std::fmt;
use std::str::FromStr;

use serde::Serialize;

use super::stops::Stops;

/// A time of a flash in seconds, from a millionth to two minutes.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct FlashTime(f64);

/// Shorter ones are told as parts of a second.
const IN_SECONDS: f64 = 0.1;

impl FlashTime {
    /// `None` outside the range.
    pub fn new(seconds: f64) -> Option<FlashTime> {
        (1e-6..=120.0).contains(&seconds).then_some(FlashTime(seconds))
    }

    pub fn seconds(self) -> f64 {
        self.0
    }

    /// Of a flash with less energy, where the time goes with the energy; `None` where that leaves nothing to tell.
    pub fn times_energy(self, power: Stops) -> Option<FlashTime> {
        FlashTime::new(self.0 * power.ratio())
    }
}

/// `1.2 s`, `1/800 s`.
impl fmt::Display for FlashTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 >= IN_SECONDS {
            write!(f, "{} s", (self.0 * 10.0).round() / 10.0)
        } else {
            write!(f, "1/{} s", (1.0 / self.0).round())
        }
    }
}

/// `1.2 s`, `1/800`.
impl FromStr for FlashTime {
    type Err = String;

    fn from_str(text: &str) -> Result<FlashTime, String> {
        let bare = text.trim().trim_end_matches('s').trim_end();
        let number = |text: &str| text.trim().parse::<f64>().ok().filter(|n| *n > 0.0);
        let seconds = match bare.split_once('/') {
            Some((over, under)) => number(over).zip(number(under)).map(|(over, under)| over / under),
            None => number(bare),
        };
        seconds
            .and_then(FlashTime::new)
            .ok_or_else(|| format!("'{}' is no time of a flash: write seconds, such as 1.2 s or 1/800", text.trim()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_as_makers_write_them() {
        for (text, seconds, shown) in [
            ("1.2 s", 1.2, "1.2 s"),
            ("1.2s", 1.2, "1.2 s"),
            ("0.9", 0.9, "0.9 s"),
            ("1/800", 0.00125, "1/800 s"),
            ("1/800 s", 0.00125, "1/800 s"),
        ] {
            let time: FlashTime = text.parse().unwrap();
            assert!((time.seconds() - seconds).abs() < 1e-9, "{text}");
            assert_eq!(time.to_string(), shown);
        }
        for text in ["", "s", "0", "-1", "1/0", "soon", "121 s", "1/-8", "nan", "inf"] {
            assert!(text.parse::<FlashTime>().unwrap_err().contains("1/800"), "{text}");
        }
    }

    /// CHECK: energy goes with the power, an eighth of it is three stops (definition of the stop).
    #[test]
    fn a_time_that_goes_with_the_energy_is_an_eighth_three_stops_down() {
        let time: FlashTime = "1.2 s".parse().unwrap();
        assert!((time.times_energy(Stops(-3.0)).unwrap().seconds() - 0.15).abs() < 1e-12);
    }
}
