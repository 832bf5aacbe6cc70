//! Whether a reference was shot at what a hand meter showed for its light.

use std::fmt;

use crate::drift::{Lighting, expected};
use crate::frame::Settings;
use crate::photometry::{ExposureTime, FNumber, IsoSpeed, Stops};

/// What a hand meter showed: the settings at which this light is exposed rightly.
#[derive(Debug, Clone, PartialEq)]
pub struct HandMeter {
    pub f_number: FNumber,
    pub iso: IsoSpeed,
    /// Counts under light that burns all the time alone.
    pub exposure_time: Option<ExposureTime>,
}

impl HandMeter {
    /// What is to be said of a reference whose settings give more or less light than the meter asks for, by more than the tolerance, or
    /// whose settings don't tell. What stands before the lens, as a filter, no settings say.
    pub fn told_of(&self, file: &str, shot: &Settings, lighting: Lighting, tolerance: Stops) -> Option<String> {
        let metered = Settings {
            f_number: Some(self.f_number),
            iso: Some(self.iso),
            exposure_time: self.exposure_time,
            ..Settings::default()
        };
        if lighting.planned() == Lighting::Continuous && self.exposure_time.is_none() {
            return Some(format!(
                "whether the reference {file} is what the hand meter showed can't be told: the lights burn all the time, so write its \
                 exposure time under target, too, such as f/8 1/60 iso100"
            ));
        }
        let Some(off) = expected(&metered, shot, lighting.planned()) else {
            return Some(format!(
                "whether the reference {file} is what the hand meter showed can't be told: its f-number, ISO or exposure time is missing"
            ));
        };
        if off.abs() <= tolerance {
            return None;
        }
        let side = if off > Stops::ZERO { "over" } else { "under" };
        Some(format!(
            "the reference {file} was shot {} {side} what the hand meter showed ({self}): every frame will be held to \
             that. If lights were turned since, meter again",
            off.size_in_words()
        ))
    }
}

/// 'f/8, ISO 100'.
impl fmt::Display for HandMeter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}, ", self.f_number)?;
        if let Some(time) = self.exposure_time {
            write!(f, "{time}, ")?;
        }
        write!(f, "{}", self.iso)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photometry::Series;

    fn told(shot: &Settings, lighting: Lighting) -> Option<String> {
        let meter = HandMeter {
            f_number: "f/8".parse().unwrap(),
            iso: "iso100".parse().unwrap(),
            exposure_time: "1/60".parse().ok(),
        };
        meter.told_of("1.jpg", shot, lighting, Stops(0.15))
    }

    /// CHECK: f/8 to f/7.1 is a third, f/8 to f/5.6 a stop, ISO 100 to 50 a stop less, 1/60 to 1/125 a stop less (APEX, Exif 2.32 annex).
    #[test]
    fn a_reference_is_held_against_the_hand_meter_by_its_settings() {
        assert_eq!(
            told(&Settings::shot_at("f/8", "1/160", "iso100"), Lighting::Flash),
            None,
            "the time counts for nothing under flash"
        );
        assert_eq!(told(&Settings::shot_at("f/5.6", "1/160", "iso50"), Lighting::Flash), None);
        let over = told(&Settings::shot_at("f/7.1", "1/160", "iso100"), Lighting::Flash).unwrap();
        assert!(
            over.starts_with(
                "the reference 1.jpg was shot 1/3 stop over what the hand meter showed (f/8, 1/60 s, ISO 100)"
            ),
            "{over}"
        );
        let under = told(&Settings::shot_at("f/8", "1/125", "iso100"), Lighting::Continuous).unwrap();
        assert!(under.contains("1 stop under"), "{under}");
        let untold = told(&Settings::default(), Lighting::Flash).unwrap();
        assert!(untold.contains("can't be told: its f-number"), "{untold}");
        let no_time = HandMeter {
            f_number: FNumber::read("f/8", Series::Thirds).unwrap(),
            iso: "iso100".parse().unwrap(),
            exposure_time: None,
        };
        let shot = Settings::shot_at("f/8", "1/60", "iso100");
        assert_eq!(no_time.told_of("1.jpg", &shot, Lighting::Flash, Stops(0.15)), None);
        let untold = no_time.told_of("1.jpg", &shot, Lighting::Continuous, Stops(0.15)).unwrap();
        assert!(untold.contains("write its exposure time"), "{untold}");
    }
}
