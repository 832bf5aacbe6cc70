//! What the settings alone say about the change of exposure between two frames.

use serde::{Deserialize, Serialize};

use crate::frame::{FlashTag, Settings};
use crate::photometry::Stops;

/// What lights the picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Lighting {
    /// Flash: the exposure time does not enter, within sync.
    #[default]
    Flash,
    /// Light that burns all the time: the exposure time enters.
    Continuous,
    /// Not known: the picture is asked which of the two fits.
    Either,
}

impl Lighting {
    /// What settings that are not shot yet are worked out for: no picture can be asked.
    pub fn planned(self) -> Lighting {
        if self == Lighting::Continuous { Lighting::Continuous } else { Lighting::Flash }
    }
}

/// Half-width of the 95 % interval of a change told by settings: marks are exact, diaphragms and
/// shutters are not (common practice, no source).
pub const HALF_WIDTH: Stops = Stops(0.10);

/// Change of exposure from one frame's settings to another's if nobody touched the light.
///
/// ```text
/// flash:       change = -(Av2 - Av1) + (Sv2 - Sv1)
/// continuous:  change = -(Av2 - Av1) - (Tv2 - Tv1) + (Sv2 - Sv1)
/// ```
///
/// A value missing in both frames is taken as unchanged only when it is the exposure time of a
/// flash-lit frame; otherwise `None`. Source: APEX, Exif 2.32 annex.
pub fn expected(from: &Settings, to: &Settings, lighting: Lighting) -> Option<Stops> {
    let aperture = to.f_number?.av() - from.f_number?.av();
    let speed = to.iso?.sv() - from.iso?.sv();
    let flash = speed - aperture;
    match lighting {
        Lighting::Flash => Some(flash),
        Lighting::Continuous => Some(flash - (to.exposure_time?.tv() - from.exposure_time?.tv())),
        Lighting::Either => match (expected(from, to, Lighting::Flash), expected(from, to, Lighting::Continuous)) {
            (Some(a), Some(b)) if (a - b).abs() < Stops(0.01) => Some(a),
            _ => None,
        },
    }
}

/// Which kind of light fits two frames' settings and what the picture shows; `Either` when it
/// can't be told.
pub fn fitting_light(from: &Settings, to: &Settings, observed: Option<(Stops, Stops)>) -> Lighting {
    let (Some(flash), Some(continuous)) =
        (expected(from, to, Lighting::Flash), expected(from, to, Lighting::Continuous))
    else {
        return Lighting::Flash;
    };
    let misfit = |predicted: Stops| {
        observed.map_or(0.0, |(drift, half_width)| {
            let sigma = half_width.in_quadrature(HALF_WIDTH) / 2.0;
            ((drift - predicted).0 / sigma.0).powi(2)
        })
    };
    let against_flash = misfit(flash) + unlike_flash(from, to);
    let against_continuous = misfit(continuous) + unlike_continuous(to);
    // Twice the log-likelihood ratio; 2 is weak evidence, and weak evidence settles nothing.
    match against_flash - against_continuous {
        gap if gap > 2.0 => Lighting::Continuous,
        gap if gap < -2.0 => Lighting::Flash,
        _ => Lighting::Either,
    }
}

/// Flash is seldom used with exposures this long (common practice, no source).
const LONG_EXPOSURE_TV: Stops = Stops(4.0);

fn unlike_flash(from: &Settings, to: &Settings) -> f64 {
    let long = [from, to].iter().any(|s| s.exposure_time.is_some_and(|t| t.tv() <= LONG_EXPOSURE_TV));
    let unseen = to.flash.is_some_and(|f| f != FlashTag::Fired);
    // A tag that saw no flash counts little: cable and radio triggers are usually unseen.
    f64::from(u8::from(long)) * 4.0 + f64::from(u8::from(unseen))
}

fn unlike_continuous(to: &Settings) -> f64 {
    if to.flash == Some(FlashTag::Fired) { 6.0 } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings(f: &str, t: &str, iso: &str) -> Settings {
        Settings {
            f_number: f.parse().ok(),
            exposure_time: t.parse().ok(),
            iso: iso.parse().ok(),
            ..Settings::default()
        }
    }

    /// CHECK: APEX (Exif 2.32 annex, ISO 2720): exposure = -Av - Tv + Sv, in stops.
    #[test]
    fn settings_tell_exact_stops() {
        let from = settings("f/7.1", "1/160", "100");
        for (to, flash, continuous) in [
            (settings("f/5.6", "1/160", "100"), 2.0 / 3.0, 2.0 / 3.0),
            (settings("f/7.1", "1/125", "100"), 0.0, 1.0 / 3.0),
            (settings("f/14", "1/160", "400"), 0.0, 0.0),
        ] {
            assert!((expected(&from, &to, Lighting::Flash).unwrap().0 - flash).abs() < 1e-12);
            assert!((expected(&from, &to, Lighting::Continuous).unwrap().0 - continuous).abs() < 1e-12);
        }
    }

    #[test]
    fn what_is_not_known_is_not_expected() {
        let known = settings("f/8", "1/160", "100");
        let manual_lens = Settings { f_number: None, ..known.clone() };
        assert_eq!(expected(&known, &manual_lens, Lighting::Flash), None);
    }

    #[test]
    fn the_picture_tells_flash_from_continuous_light() {
        let (from, to) = (settings("f/4", "1/2", "100"), settings("f/4", "1/8", "100"));
        assert_eq!(fitting_light(&from, &to, Some((Stops(-1.9), Stops(0.3)))), Lighting::Continuous);
        let (from, to) = (settings("f/8", "1/160", "100"), settings("f/8", "1/60", "100"));
        assert_eq!(fitting_light(&from, &to, Some((Stops(0.02), Stops(0.1)))), Lighting::Flash);
    }
}
