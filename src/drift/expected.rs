//! What the settings alone say about the change of exposure between two frames.

use serde::{Deserialize, Serialize};

use crate::frame::{FlashTag, Settings};
use crate::photometry::{SAME_SETTING, Stops};
use crate::statistics::Z95;

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

/// What one setting that differs between two frames leaves open, half-widths at 95 %: marks are exact, diaphragms and
/// shutters are not, gains nearly (common practice, no source).
const DIAPHRAGM: Stops = Stops(0.09);
const SHUTTER: Stops = Stops(0.06);
const GAIN: Stops = Stops(0.03);
/// Neutral density filters are off what is engraved by up to a tenth of a stop and more (common practice, no source).
const FILTER: Stops = Stops(0.1);
/// What differs even between two frames at one setting: a diaphragm that closes anew, a flash that fires anew (common
/// practice, no source).
const REPEATED: Stops = Stops(0.03);

/// Change of exposure from one frame's settings to another's if nobody touched the light.
///
/// ```text
/// flash:       change = -(Av2 - Av1) + (Sv2 - Sv1) - (lost2 - lost1)
/// continuous:  change = -(Av2 - Av1) - (Tv2 - Tv1) + (Sv2 - Sv1) - (lost2 - lost1)
/// ```
///
/// where filters on the lens lose `D / log10 2` stops each (ISO 5-2, from memory).
///
/// A value missing in both frames is taken as unchanged only when it is the exposure time of a
/// flash-lit frame; otherwise `None`. Source: APEX, Exif 2.32 annex.
pub fn expected(from: &Settings, to: &Settings, lighting: Lighting) -> Option<Stops> {
    let aperture = to.f_number?.av() - from.f_number?.av();
    let speed = to.iso?.sv() - from.iso?.sv();
    let flash = speed - aperture - (to.filter.loss() - from.filter.loss());
    match lighting {
        Lighting::Flash => Some(flash),
        Lighting::Continuous => Some(flash - (to.exposure_time?.tv() - from.exposure_time?.tv())),
        Lighting::Either => match (expected(from, to, Lighting::Flash), expected(from, to, Lighting::Continuous)) {
            (Some(a), Some(b)) if (a - b).abs() < SAME_SETTING => Some(a),
            _ => None,
        },
    }
}

/// Half-width of the 95 % interval of [`expected`]: how far the light may be off what two frames' settings say if nobody
/// touched the lights.
///
/// A setting that is the same in both frames is off by the same in both, and cancels. Only what differs counts, and the
/// exposure time only in light that burns all the time. `of_camera` is how far this camera's exposures were seen to be off
/// their settings, of two frames; it was seen where settings differed, and takes the place of what is usual where it is
/// more. (Where it is less, the frames that showed it may have stepped another setting than these two.)
pub fn uncertainty_of_expected(from: &Settings, to: &Settings, lighting: Lighting, of_camera: Stops) -> Stops {
    let differs = |a: Option<Stops>, b: Option<Stops>| a.zip(b).is_none_or(|(a, b)| (a - b).abs() >= SAME_SETTING);
    let aperture = differs(from.f_number.map(|f| f.av()), to.f_number.map(|f| f.av()));
    let time = differs(from.exposure_time.map(|t| t.tv()), to.exposure_time.map(|t| t.tv()));
    let speed = differs(from.iso.map(|i| i.sv()), to.iso.map(|i| i.sv()));
    let filter = differs(Some(from.filter.loss()), Some(to.filter.loss()));
    let off = [(aperture, DIAPHRAGM), (time && lighting != Lighting::Flash, SHUTTER), (speed, GAIN), (filter, FILTER)];
    let settings = off.into_iter().filter(|(differs, _)| *differs).map(|(_, by)| by).reduce(Stops::in_quadrature);
    let settings = settings.map_or(Stops::ZERO, |usual| if of_camera > usual { of_camera } else { usual });
    settings.in_quadrature(REPEATED)
}

/// Which kind of light fits two frames' settings and what the picture shows (a drift and its half-width); `Either` when it
/// can't be told. `of_camera` as in [`uncertainty_of_expected`].
pub fn fitting_light(from: &Settings, to: &Settings, observed: Option<(Stops, Stops)>, of_camera: Stops) -> Lighting {
    let (Some(flash), Some(continuous)) =
        (expected(from, to, Lighting::Flash), expected(from, to, Lighting::Continuous))
    else {
        return Lighting::Flash;
    };
    // One deviation for both kinds, the wider one: two that differ would have to be charged for their widths as well.
    let settings = uncertainty_of_expected(from, to, Lighting::Continuous, of_camera);
    let misfit = |predicted: Stops| {
        observed.map_or(0.0, |(drift, half_width)| {
            let deviation = half_width.in_quadrature(settings) / Z95;
            ((drift - predicted).0 / deviation.0).powi(2)
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
    use crate::photometry::Density;

    /// CHECK: APEX (Exif 2.32 annex, ISO 2720): exposure = -Av - Tv + Sv, in stops.
    #[test]
    fn settings_tell_exact_stops() {
        let from = Settings::shot_at("f/7.1", "1/160", "100");
        for (to, flash, continuous) in [
            (Settings::shot_at("f/5.6", "1/160", "100"), 2.0 / 3.0, 2.0 / 3.0),
            (Settings::shot_at("f/7.1", "1/125", "100"), 0.0, 1.0 / 3.0),
            (Settings::shot_at("f/14", "1/160", "400"), 0.0, 0.0),
        ] {
            assert!((expected(&from, &to, Lighting::Flash).unwrap().0 - flash).abs() < 1e-12);
            assert!((expected(&from, &to, Lighting::Continuous).unwrap().0 - continuous).abs() < 1e-12);
        }
    }

    /// CHECK: density is the decadic logarithm of what is lost, so 0.9 takes 0.9 / log10(2) = 2.99 stops (ISO 5-2, from memory).
    #[test]
    fn a_filter_takes_light_of_every_kind() {
        let from = Settings::shot_at("f/8", "1/160", "100");
        let to = Settings { filter: Density(0.9), ..Settings::shot_at("f/2.8", "1/160", "100") };
        for lighting in [Lighting::Flash, Lighting::Continuous] {
            assert!((expected(&from, &to, lighting).unwrap().0 - 0.0103).abs() < 1e-3);
            let change = expected(&to, &Settings { filter: Density::default(), ..to.clone() }, lighting).unwrap();
            assert!((change.0 - 2.9897).abs() < 1e-3, "{change}");
        }
        let same = uncertainty_of_expected(&to, &to, Lighting::Flash, Stops::ZERO);
        assert!(uncertainty_of_expected(&from, &to, Lighting::Flash, Stops::ZERO) > same);
    }

    #[test]
    fn only_settings_that_differ_are_uncertain() {
        let of = |to: &Settings, lighting| {
            uncertainty_of_expected(&Settings::shot_at("f/7.1", "1/160", "100"), to, lighting, Stops(0.15)).0
        };
        let same = Settings::shot_at("f/7.1", "1/160", "100");
        assert_eq!(of(&same, Lighting::Flash), REPEATED.0, "a camera's scatter cancels, too");
        assert_eq!(of(&same, Lighting::Continuous), REPEATED.0);
        let slower = Settings::shot_at("f/7.1", "1/125", "100");
        assert_eq!(of(&slower, Lighting::Flash), REPEATED.0, "within sync the time doesn't enter");
        assert!(of(&slower, Lighting::Continuous) > 0.15);
        assert!(of(&Settings::shot_at("f/8", "1/160", "100"), Lighting::Flash) > 0.15);
        let unknown = Settings { f_number: None, ..same };
        assert!(of(&unknown, Lighting::Flash) > 0.15, "what isn't told may differ");
    }

    #[test]
    fn each_setting_that_differs_adds_its_own() {
        let usual = |to: (&str, &str, &str)| {
            let to = Settings::shot_at(to.0, to.1, to.2);
            uncertainty_of_expected(&Settings::shot_at("f/8", "1/60", "100"), &to, Lighting::Continuous, Stops(0.01)).0
        };
        let grows = [
            usual(("f/8", "1/60", "100")),
            usual(("f/8", "1/60", "200")),
            usual(("f/8", "1/125", "100")),
            usual(("f/11", "1/60", "100")),
            usual(("f/11", "1/125", "100")),
            usual(("f/11", "1/125", "200")),
        ];
        assert!(grows.is_sorted() && grows[0] < 0.04 && grows[5] < 0.13, "{grows:?}");
    }

    #[test]
    fn what_is_not_known_is_not_expected() {
        let known = Settings::shot_at("f/8", "1/160", "100");
        let manual_lens = Settings { f_number: None, ..known.clone() };
        assert_eq!(expected(&known, &manual_lens, Lighting::Flash), None);
    }

    #[test]
    fn the_picture_tells_flash_from_continuous_light() {
        let (from, to) = (Settings::shot_at("f/4", "1/2", "100"), Settings::shot_at("f/4", "1/8", "100"));
        assert_eq!(fitting_light(&from, &to, Some((Stops(-1.9), Stops(0.3))), Stops::ZERO), Lighting::Continuous);
        let (from, to) = (Settings::shot_at("f/8", "1/160", "100"), Settings::shot_at("f/8", "1/60", "100"));
        assert_eq!(fitting_light(&from, &to, Some((Stops(0.02), Stops(0.1))), Stops::ZERO), Lighting::Flash);
    }
}
