//! Power dials: what a light can be set to, read and written as that light shows it.
//!
//! A [`PowerSetting`] is a place (stops from full power), a [`Stops`] is a distance. A setting
//! outside a dial's range is a value that says by how much it is out, never a failure.
//! Light is taken as proportional to watt-seconds: common practice, no source.

use std::fmt;
use std::ops::{Add, Sub};

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::power_text::{
    print_fraction, print_percent, read_fraction, read_number, read_percent, read_share, three_digits,
};
use super::step::Step;
use super::stops::Stops;

/// A place on a light's power scale, in stops from its full power. Full is 0, 1/8 is -3.
///
/// ```compile_fail,E0308
/// use greyhold::photometry::PowerSetting;
/// let nonsense = PowerSetting::FULL + PowerSetting::FULL;
/// ```
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct PowerSetting(Stops);

impl PowerSetting {
    pub const FULL: PowerSetting = PowerSetting(Stops::ZERO);

    pub fn from_full(stops: Stops) -> PowerSetting {
        PowerSetting(stops)
    }

    pub fn below_full(self) -> Stops {
        self.0
    }

    /// As records hold it.
    pub fn rounded(self) -> PowerSetting {
        PowerSetting(self.0.rounded())
    }
}

impl Add<Stops> for PowerSetting {
    type Output = PowerSetting;
    fn add(self, change: Stops) -> PowerSetting {
        PowerSetting(self.0 + change)
    }
}

impl Sub for PowerSetting {
    type Output = Stops;
    fn sub(self, other: PowerSetting) -> Stops {
        self.0 - other.0
    }
}

/// How a light shows its power.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scale {
    /// Fractions of full power with parts of a stop above them: `1/8 +0.3`.
    Fraction,
    /// A number that rises by one a stop; `full` is what it shows at full power.
    Decimal { full: f64 },
    /// Watt-seconds, `full` at full power.
    WattSeconds { full: f64 },
    /// Per cent of full power, which are proportional to watt-seconds.
    Percent,
}

/// What one light can be set to: its scale, step and range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dial {
    scale: Scale,
    step: Step,
    least: PowerSetting,
    most: PowerSetting,
}

/// Where a wanted setting lands on a dial.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placed {
    /// The nearest setting the dial really has.
    pub setting: PowerSetting,
    /// Wanted minus reached: what rounding, or the end of the range, leaves over.
    pub remainder: Stops,
    pub limit: DialLimit,
}

/// Whether a wanted setting lies within the dial's range, or the nearest is at its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DialLimit {
    Within,
    #[serde(alias = "below_least")]
    Minimum,
    #[serde(alias = "above_most")]
    Maximum,
}

/// A power setting or range that can't be read.
#[derive(Debug, Error, PartialEq)]
pub enum DialError {
    #[error("power '{text}' is not written as this light shows it: write {form}")]
    Unreadable { text: String, form: &'static str },
    #[error("range from '{least}' to '{most}' is upside down: the first must be the weaker one")]
    UpsideDown { least: String, most: String },
    #[error("'{0}' is no step of a dial: write 1/10, 1/3, 1/2 or 1")]
    NoStep(String),
    #[error("power '{text}' is outside the light's range, {least} to {most}")]
    OutOfRange { text: String, least: String, most: String },
    #[error("{0} is no full power: write a number above zero")]
    NoFullPower(f64),
}

impl std::str::FromStr for Step {
    type Err = DialError;
    fn from_str(text: &str) -> Result<Step, DialError> {
        match text.trim() {
            "1" | "whole" => Ok(Step::Whole),
            "1/2" | "0.5" => Ok(Step::Half),
            "1/3" | "0.3" => Ok(Step::Third),
            "1/10" | "0.1" => Ok(Step::Tenth),
            other => Err(DialError::NoStep(other.to_owned())),
        }
    }
}

/// By no more than this are clicks rounded where lights show them: 0.3 for a third, 13 % for 13.4 %.
const MOST_ROUNDED: Stops = Stops(0.05);

impl Dial {
    /// A dial with its range written as the light shows it, weakest first.
    pub fn new(scale: Scale, step: Step, least: &str, most: &str) -> Result<Dial, DialError> {
        if let Scale::Decimal { full } | Scale::WattSeconds { full } = scale
            && !(full.is_finite() && full > 0.0)
        {
            return Err(DialError::NoFullPower(full));
        }
        let open = Dial { scale, step, least: PowerSetting::FULL, most: PowerSetting::FULL };
        let dial = Dial { least: open.read(least)?, most: open.read(most)?, ..open };
        if dial.least < dial.most {
            Ok(dial)
        } else {
            Err(DialError::UpsideDown { least: least.to_owned(), most: most.to_owned() })
        }
    }

    pub fn step(&self) -> Step {
        self.step
    }

    pub fn least(&self) -> PowerSetting {
        self.least
    }

    pub fn most(&self) -> PowerSetting {
        self.most
    }

    /// A setting of this dial from the light's own writing; must be in range.
    pub fn parse(&self, text: &str) -> Result<PowerSetting, DialError> {
        let setting = self.read(text)?;
        let half_step = self.step.stops() / 2.0;
        if setting - self.most > half_step || self.least - setting > half_step {
            return Err(DialError::OutOfRange {
                text: text.trim().to_owned(),
                least: self.print(self.least),
                most: self.print(self.most),
            });
        }
        Ok(setting)
    }

    /// A setting's writing stands for a place between two clicks, and not only for a click that is shown rounded.
    pub fn is_between_clicks(&self, text: &str) -> bool {
        self.as_written(text).is_ok_and(|written| (written - self.at_click(written)).abs() > MOST_ROUNDED)
    }

    /// The setting as the light shows it. Settings between two clicks are shown at the nearest.
    pub fn print(&self, setting: PowerSetting) -> String {
        let stops = setting.below_full().to_nearest(self.step.stops()).0;
        match self.scale {
            Scale::Fraction => print_fraction(stops),
            Scale::Decimal { full } => format!("{:.1}", full + stops),
            Scale::WattSeconds { full } => format!("{} Ws", three_digits(full * stops.exp2())),
            Scale::Percent => print_percent(stops),
        }
    }

    /// The nearest setting the dial has to the wanted one, and what is left over.
    pub fn place(&self, wanted: PowerSetting) -> Placed {
        let snapped = PowerSetting(wanted.below_full().to_nearest(self.step.stops()));
        let tiny = Stops(1e-9);
        let (setting, limit) = if snapped - self.most > tiny {
            (self.most, DialLimit::Maximum)
        } else if self.least - snapped > tiny {
            (self.least, DialLimit::Minimum)
        } else {
            (snapped, DialLimit::Within)
        };
        Placed { setting, remainder: wanted - setting, limit }
    }

    /// Every setting the dial has, weakest first.
    pub fn settings(&self) -> impl Iterator<Item = PowerSetting> + '_ {
        let steps = self.clicks(self.most - self.least).max(0);
        (0..=steps).map(|step| self.least + self.step.stops() * f64::from(step))
    }

    /// Whole clicks of the dial in a change of power; positive is up.
    pub fn clicks(&self, change: Stops) -> i32 {
        (change.0 * self.step.per_stop()).round() as i32
    }

    fn read(&self, text: &str) -> Result<PowerSetting, DialError> {
        Ok(self.at_click(self.as_written(text)?))
    }

    fn at_click(&self, setting: PowerSetting) -> PowerSetting {
        PowerSetting(Stops(self.step.nearest(setting.0.0)))
    }

    fn as_written(&self, text: &str) -> Result<PowerSetting, DialError> {
        let (stops, form) = match self.scale {
            Scale::Fraction => (read_fraction(text), "a fraction of full power such as 1/8 or 1/8 +0.3"),
            Scale::Decimal { full } => {
                (read_number(text).map(|shown| shown - full), "the number the light shows, such as 6.3")
            }
            Scale::WattSeconds { full } => {
                (read_number(text).and_then(|ws| read_share(ws / full)), "watt-seconds, such as 250 Ws")
            }
            Scale::Percent => (read_percent(text), "per cent of full power, such as 50 % or 12.5 %"),
        };
        stops
            .map(|s| PowerSetting(Stops(s)))
            .ok_or_else(|| DialError::Unreadable { text: text.trim().to_owned(), form })
    }
}

impl fmt::Display for Dial {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {}", self.print(self.least), self.print(self.most))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn small_flash() -> Dial {
        Dial::new(Scale::Fraction, Step::Third, "1/128", "1/1").unwrap()
    }

    #[test]
    fn a_small_flash_shows_fractions_with_thirds() {
        let dial = small_flash();
        for (text, stops) in [
            ("1/1", 0.0),
            ("full", 0.0),
            ("1/8 +0.3", -3.0 + 1.0 / 3.0),
            ("1/8+2/3", -7.0 / 3.0),
            ("1/2 -0.3", -4.0 / 3.0),
        ] {
            let setting = dial.parse(text).unwrap();
            assert!((setting.below_full().0 - stops).abs() < 1e-12, "{text}");
        }
        assert_eq!(dial.print(PowerSetting(Stops(-8.0 / 3.0))), "1/8 +0.3");
        assert_eq!(dial.print(PowerSetting(Stops(-7.0 / 3.0))), "1/8 +0.7");
    }

    /// A third is shown as 0.3, 39.37 Ws as 39.4: such rounding is no place between two clicks.
    #[test]
    fn what_lies_between_two_clicks_is_told_from_what_is_rounded() {
        let dial = small_flash();
        for (text, between) in [
            ("1/8", false),
            ("1/8 +0.3", false),
            ("1/8 +2/3", false),
            ("1/2 -0.7", false),
            ("1/8 +0.5", true),
            ("1/8 +0.1", true),
        ] {
            assert_eq!(dial.is_between_clicks(text), between, "{text}");
        }
        let halves = Dial::new(Scale::Decimal { full: 10.0 }, Step::Half, "4.0", "10.0").unwrap();
        assert_eq!(["6.5", "6.3"].map(|text| halves.is_between_clicks(text)), [false, true]);
        let energy = Dial::new(Scale::WattSeconds { full: 500.0 }, Step::Third, "3.91", "500").unwrap();
        assert_eq!(["39.4 Ws", "45 Ws"].map(|text| energy.is_between_clicks(text)), [false, true]);
    }

    #[test]
    fn what_can_not_be_read_says_what_would_be_right() {
        let dial = small_flash();
        for wrong in ["1/0", "1/3", "2/3", "", "-", "1/8 +x", "1/99999999999"] {
            let said = dial.parse(wrong).unwrap_err().to_string();
            assert!(said.contains("1/8 +0.3"), "{wrong}: {said}");
        }
        assert!(dial.parse("1/256").unwrap_err().to_string().contains("1/128 to 1/1"));
        assert!(Dial::new(Scale::Fraction, Step::Third, "1/1", "1/128").is_err());
    }

    #[test]
    fn out_of_range_is_a_value() {
        let placed = small_flash().place(PowerSetting(Stops(1.0)));
        assert_eq!(placed.limit, DialLimit::Maximum);
        assert_eq!(placed.setting, PowerSetting::FULL);
        assert_eq!(placed.remainder, Stops(1.0));
    }

    /// CHECK: half the watt-seconds is -1 stop (proportionality; common practice, no source).
    #[test]
    fn watt_seconds_halve_a_stop() {
        let dial = Dial::new(Scale::WattSeconds { full: 500.0 }, Step::Tenth, "7.8 Ws", "500 Ws").unwrap();
        assert_eq!(dial.parse("250 Ws").unwrap().below_full(), Stops(-1.0));
        assert_eq!(dial.print(PowerSetting(Stops(-3.0))), "62.5 Ws");
    }

    /// CHECK: half the per cent is -1 stop (proportionality; common practice, no source).
    #[test]
    fn per_cents_halve_a_stop() {
        let dial = Dial::new(Scale::Percent, Step::Third, "1", "100 %").unwrap();
        for (text, stops, shown) in [
            ("100", 0.0, "100 %"),
            ("50 %", -1.0, "50 %"),
            ("25%", -2.0, "25 %"),
            ("20 %", -7.0 / 3.0, "20 %"),
            ("12.5 %", -3.0, "12.5 %"),
            ("12.5", -3.0, "12.5 %"),
            ("6.3", -4.0, "6.3 %"),
            ("1", -20.0 / 3.0, "1.0 %"),
        ] {
            let setting = dial.parse(text).unwrap();
            assert!((setting.below_full().0 - stops).abs() < 1e-12, "{text}");
            assert_eq!(dial.print(setting), shown);
        }
        let fine = Dial::new(Scale::Percent, Step::Tenth, "1 %", "100 %").unwrap();
        assert_eq!(fine.to_string(), "1.0 % to 100 %");
        let shown: Vec<String> = [-2.9, -3.0, -3.1].map(|s| fine.print(PowerSetting(Stops(s)))).to_vec();
        assert_eq!(shown, ["13 %", "12.5 %", "12 %"]);
        for wrong in ["", "%", "-5 %", "0", "x", "1/2", "50 %%", "inf"] {
            let said = dial.parse(wrong).unwrap_err().to_string();
            assert!(said.contains("12.5 %"), "{wrong}: {said}");
        }
        assert!(dial.parse("0.2 %").unwrap_err().to_string().contains("1.0 % to 100 %"));
    }

    fn any_dial() -> impl Strategy<Value = Dial> {
        let step = prop_oneof![Just(Step::Whole), Just(Step::Half), Just(Step::Third), Just(Step::Tenth)];
        let scale = prop_oneof![
            Just((Scale::Fraction, "1/512", "1/1")),
            Just((Scale::Decimal { full: 10.0 }, "1.0", "10.0")),
            Just((Scale::WattSeconds { full: 1200.0 }, "2.34", "1200")),
            Just((Scale::Percent, "0.2 %", "100 %")),
        ];
        (scale, step).prop_map(|((scale, least, most), step)| Dial::new(scale, step, least, most).unwrap())
    }

    proptest! {
        #[test]
        fn every_click_survives_print_and_parse(dial in any_dial(), down in 0_i32..90) {
            let placed = dial.place(PowerSetting(Stops(-f64::from(down) / dial.step().per_stop())));
            let back = dial.parse(&dial.print(placed.setting)).unwrap();
            prop_assert!((back - placed.setting).abs() < Stops(1e-9), "{}", dial.print(placed.setting));
            prop_assert!(!dial.is_between_clicks(&dial.print(placed.setting)), "{}", dial.print(placed.setting));
        }

        #[test]
        fn place_plus_distance_minus_distance_is_the_place(p in -9.0_f64..0.0, d in -9.0_f64..9.0) {
            let place = PowerSetting(Stops(p));
            prop_assert!(((place + Stops(d)) - place - Stops(d)).abs() < Stops(1e-12));
        }

        #[test]
        fn rounding_leaves_at_most_half_a_click(dial in any_dial(), p in -8.5_f64..0.0) {
            let placed = dial.place(PowerSetting(Stops(p)));
            if placed.limit == DialLimit::Within {
                prop_assert!(placed.remainder.abs().0 <= dial.step().stops().0 / 2.0 + 1e-9);
            }
        }
    }
}
