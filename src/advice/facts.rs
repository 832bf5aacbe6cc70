//! Everything that is known of a frame before its finding is told: what the settings say, what the picture says at the one
//! spot that counts, and what of both weighs more.
//!
//! Owns the numbers, once each: the tests of `judge` and the words of `sentence` take them from here.

use super::filter_seen::FilterSeen;
use super::judged_spot::ClippedSpot;
use super::lights::LightEvidence;
use super::patience::is_soon_after;
use super::spot::{self, Chosen, Pair};
use super::verdict::{Evidence, Observation};
use crate::align::Overlay;
use crate::drift::{
    Assumption, BurningLight, Disparity, EvidenceUsed, Lighting, Observed, Prediction, Unevenness, Weighed,
    burning_light, compare_grids, disparity, expected, farthest_part, fitting_light, tints_of_patches,
    uncertainty_of_expected, weigh,
};
use crate::frame::{FlashTag, Settings};
use crate::meter::{Reading, WHOLE};
use crate::photometry::{FNumber, SAME_SETTING, Stops};

/// What is known of one frame.
pub(super) struct Facts<'a> {
    pub evidence: &'a Evidence<'a>,
    /// The spot that counts, in the reference and in the frame.
    pub spot: Option<Chosen<'a>>,
    pub lighting: Lighting,
    /// The drift that follows from the settings, if nobody touched the lights.
    pub expected: Option<Stops>,
    pub weighed: Option<Weighed>,
    /// What the picture says of a filter that was told to be changed, where it doesn't bear that out.
    pub filter: Option<FilterSeen>,
    /// The part of the frame that is farthest off, for which no light accounts. Whether that is more than chance, `disparity` tells
    /// where the frame was laid over its reference.
    pub uneven: Option<Unevenness>,
    /// How much speaks against all lights having changed alike, for which no light accounts.
    pub disparity: Option<Disparity>,
    /// Light that burns all the time explains, by the change of the exposure time, what flash doesn't.
    pub burning: Option<BurningLight>,
    /// The frame shows something else than the reference.
    pub is_other_scene: bool,
    /// Change of log2 red over green and blue over green at the spot, where either passes the limit.
    pub colour_shift: Option<(Stops, Stops)>,
}

/// Sitters who walk before an unchanged light leave 0.85 of the scene to be found and more (`.ci/strobe-shoot --no-survey`, seeds 31 to
/// 34), a key light alone of three 0.55. Frames of another aperture are sharp elsewhere: of those it says nothing. No test of its own
/// holds it.
const MOST_OF_THE_SCENE: f64 = 0.75;

/// A frame this far under what was predicted was lit by no flash.
const MISFIRE: Stops = Stops(-3.0);
/// And this far under the reference itself.
const DARK: Stops = Stops(-1.5);
/// Light of less than this share of a spot, as of a lamp in the picture, says nothing of the flash.
const TELLS_OF_THE_SPOT: f32 = 0.2;
/// At this code nine tenths of a spot are as good as black.
const NEARLY_BLACK: f64 = 9.0;
/// A reading this vague is no match of a frame at its reference's settings. Tones alone, of a plain wall, are not as vague.
const TOO_VAGUE: Stops = Stops(0.5);
/// A flash that fires before it has recycled loses at least and at most this much.
const RECYCLE_DIP: std::ops::Range<f64> = -2.6..-0.2;

impl<'a> Facts<'a> {
    pub fn of(evidence: &'a Evidence<'a>) -> Facts<'a> {
        let spot = spot::choose(evidence);
        let observed = spot.as_ref().and_then(|s| s.observed.as_ref());
        let lighting = lighting_of(evidence, observed);
        let reference = evidence.reference.filter(|_| !evidence.light_alone);
        let expected = reference.and_then(|r| expected(&r.settings, &evidence.frame.settings, lighting));
        let weighed = weigh(&predictions_of(evidence, &evidence.frame.settings, expected, lighting), observed);
        let seen = spot.as_ref().zip(weighed.as_ref());
        let filter = seen.and_then(|(spot, weighed)| filter_seen(evidence, lighting, spot, weighed));
        let layout = Layout::of(evidence, observed, known_drift(evidence, expected, weighed.as_ref()));
        // Where the survey accounts for every light, it accounts for an uneven change, too.
        let accounted = evidence.lights.is_some_and(LightEvidence::all_settled);
        let burning = burning_of(evidence, observed).filter(|_| !accounted);
        Facts {
            burning,
            lighting,
            expected,
            weighed,
            filter,
            uneven: layout.uneven.filter(|_| !accounted),
            disparity: layout.disparity.filter(|_| !accounted),
            is_other_scene: layout.is_other_scene,
            colour_shift: spot.as_ref().and_then(|s| colour_shift(s.pair, evidence)),
            evidence,
            spot,
        }
    }

    /// What the picture shows at the spot that counts.
    pub fn observed(&self) -> Option<&Observed> {
        self.spot.as_ref()?.observed.as_ref()
    }

    /// What the frame is compared with, in words.
    pub fn compared_with(&self) -> &'static str {
        if self.evidence.building { "the frame before" } else { "the reference" }
    }

    pub fn drift(&self) -> Option<Stops> {
        self.weighed.as_ref().map(|w| w.drift)
    }

    pub fn clipped(&self) -> Option<&ClippedSpot> {
        self.spot.as_ref()?.judged.clipped.as_ref()
    }

    pub fn lights(&self) -> Option<&'a LightEvidence> {
        self.evidence.lights
    }

    /// The settings explain a spot that is clipped: then what they say can be followed.
    pub fn clipping_bears_out_the_settings(&self) -> bool {
        self.clipped().zip(self.drift()).is_some_and(|(clipped, predicted)| clipped.bears_out(predicted))
    }

    pub fn settings_changed(&self) -> bool {
        self.expected.is_some_and(|expected| expected.abs() > SAME_SETTING)
    }

    /// What could not have disagreed agrees with nothing, unless settings tell what became of the light.
    pub fn is_too_vague_to_differ(&self) -> bool {
        !self.settings_changed() && self.observed().is_some_and(|observed| observed.half_width > TOO_VAGUE)
    }

    /// The change of the settings explains the drift within its interval.
    pub fn settings_explain(&self) -> bool {
        let Some((reference, expected)) = self.evidence.reference.zip(self.expected) else { return false };
        let of_camera = self.evidence.response.scatter_of_two();
        let of_settings =
            uncertainty_of_expected(&reference.settings, &self.evidence.frame.settings, self.lighting, of_camera);
        self.weighed
            .as_ref()
            .is_some_and(|weighed| (weighed.drift - expected).abs() <= weighed.half_width.in_quadrature(of_settings))
    }

    /// How far all lights alike were turned since the reference, by the prediction that held; `None` where none did, or they were not.
    pub fn turned(&self) -> Option<Stops> {
        let turned = turned_by(self.evidence, self.weighed.as_ref()?.assumption?)?;
        (turned.abs() > SAME_SETTING).then_some(turned)
    }

    /// What is told of its light lies within the tolerance.
    pub fn matches(&self) -> bool {
        self.drift().is_some_and(|drift| drift.abs() <= self.evidence.tolerance)
    }

    /// Much of the scene isn't found, and no other aperture blurs it: what is missing may be what a light alone lit.
    pub fn much_is_missing(&self) -> bool {
        let aperture = |settings: &Settings| settings.f_number.map(FNumber::av);
        let was = self.evidence.reference.and_then(|reference| aperture(&reference.settings));
        let is_same =
            was.zip(aperture(&self.evidence.frame.settings)).is_some_and(|(was, is)| (was - is).abs() <= SAME_SETTING);
        is_same
            && self.lights().is_none()
            && self.evidence.alignment().is_some_and(|(alignment, _)| alignment.share < MOST_OF_THE_SCENE)
    }

    /// What is found speaks against all lights having been the same, and what is missing may speak louder.
    pub fn may_miss_a_light(&self) -> bool {
        self.much_is_missing() && self.disparity.is_some_and(|disparity| disparity > Disparity::OF_ALIKE)
    }

    /// The picture contradicts the settings, and shows too little of the reference to say whether all lights changed alike.
    pub fn too_little_is_found(&self) -> bool {
        let by_the_light = self.weighed.as_ref().is_some_and(|weighed| weighed.evidence_used == EvidenceUsed::Light);
        let is_told_by_lights = self.lights().is_some_and(LightEvidence::all_settled);
        by_the_light && self.evidence.laid.is_some() && self.disparity.is_none() && !is_told_by_lights
    }

    /// The bright parts of the spot lie far under where they should be: dark all over, not clipped.
    pub fn is_dark_as_without_flash(&self) -> bool {
        // Where the same parts of the scene tell it, what now stands at the spot's old place says nothing.
        if self.evidence.alignment().is_some()
            && let Some(observed) = self.observed().filter(|o| o.usable >= TELLS_OF_THE_SPOT)
        {
            return observed.drift <= DARK && self.beyond_what_is_known(observed) <= MISFIRE;
        }
        let response = self.evidence.response;
        let bright = |reading: &Reading| {
            let code = reading.quantiles.get(reading.quantiles.len() * 9 / 10)?;
            Some(response.light(*code))
        };
        let pair = self.spot.as_ref().map(|s| s.pair);
        let Some((reference, frame)) = pair.and_then(|p| bright(p.reference).zip(bright(p.frame))) else {
            return false;
        };
        let predicted = self.expected.unwrap_or(Stops::ZERO) + self.turned_down();
        // What the reference clips was at least as bright as its top; darkness bottoms out, too.
        let floor = Stops((reference + predicted).0.max(response.light(0.0).0));
        let fell = frame - floor;
        // A dark look has no three stops to fall; there, known settings must speak against the darkness.
        let black = response.light(NEARLY_BLACK);
        let nothing_left = self.expected.is_some() && frame <= black && reference + predicted - black > Stops(1.0);
        // Lights that somebody turned down to fit a wide aperture leave a frame as bright as the reference.
        let dark = frame - reference <= DARK;
        dark && (fell <= MISFIRE || nothing_left)
    }

    /// Most of the frame is burnt out: what it is of can't be seen.
    pub fn is_mostly_burnt_out(&self) -> bool {
        self.whole().is_some_and(Reading::is_mostly_burnt_out)
    }

    /// Nothing at all is to be seen in the frame, not even what a room's light shows.
    pub fn is_black_all_over(&self) -> bool {
        self.whole().and_then(|whole| whole.quantiles.last()).is_some_and(|code| *code <= NEARLY_BLACK)
    }

    /// The reading of all of the frame.
    fn whole(&self) -> Option<&'a Reading> {
        self.evidence.frame.metered.as_ref()?.reading(WHOLE)
    }

    /// How far the light lies above what settings and turns explain.
    pub fn beyond_what_is_known(&self, observed: &Observed) -> Stops {
        observed.drift - self.expected.unwrap_or(Stops::ZERO) - self.turned_down()
    }

    /// The camera saw its flash fire in the reference and not in this frame, which is the darker for it.
    pub fn is_without_the_flash_that_the_camera_sees(&self) -> bool {
        let tag = |observation: Option<&Observation>| observation.and_then(|o| o.settings.flash);
        let Evidence { reference, frame, .. } = self.evidence;
        self.lighting != Lighting::Continuous
            && (tag(*reference), tag(Some(frame))) == (Some(FlashTag::Fired), Some(FlashTag::NotFired))
            && self.observed().is_some_and(|seen| {
                let fell = -self.beyond_what_is_known(seen);
                fell > self.evidence.tolerance && fell > seen.half_width
            })
    }

    /// How far the lights may have been turned down: the open correction may have been carried out, and then less light was to
    /// come.
    fn turned_down(&self) -> Stops {
        let Evidence { moved, followed, .. } = self.evidence;
        Stops([*moved, *followed].into_iter().flatten().fold(0.0_f64, |least, m| least.min(m.0)))
    }

    /// A fall such as a flash leaves that was still charging, so soon after a frame that it may have been.
    pub fn is_weak_as_while_charging(&self) -> bool {
        let Evidence { moved, followed, previous, frame, recycle_seconds, .. } = self.evidence;
        let Some(((observed, expected), moved)) = self.observed().zip(self.expected).zip(*moved) else {
            return false;
        };
        let dip = observed.drift - expected - moved;
        // A turn that was asked for explains a fall better than a flash caught charging.
        let near_turn =
            |followed: Stops| (dip - (followed - moved)).abs() <= Stops(0.25).in_quadrature(observed.half_width);
        is_soon_after(*previous, &frame.settings, *recycle_seconds)
            && RECYCLE_DIP.contains(&dip.0)
            && dip.abs() > observed.half_width
            && !followed.is_some_and(near_turn)
    }
}

fn lighting_of(evidence: &Evidence, observed: Option<&Observed>) -> Lighting {
    match (evidence.lighting, evidence.reference) {
        (Lighting::Either, Some(reference)) => {
            let observed = observed.map(|s| (s.drift, s.half_width));
            let of_camera = evidence.response.scatter_of_two();
            fitting_light(&reference.settings, &evidence.frame.settings, observed, of_camera)
        }
        (told, _) => told,
    }
}

/// For flash only: of other light the settings are known to tell it.
fn burning_of(evidence: &Evidence, observed: Option<&Observed>) -> Option<BurningLight> {
    let reference = evidence.reference.filter(|_| evidence.lighting == Lighting::Flash && !evidence.light_alone)?;
    let seen = observed.map(|seen| (seen.drift, seen.half_width))?;
    // A correction that was half carried out, or groups that stand apart, explain a change as well.
    let turned = evidence.moved.filter(|_| evidence.followed.is_none())?;
    burning_light(&reference.settings, &evidence.frame.settings, seen, turned)
}

fn predictions_of(
    evidence: &Evidence,
    shot: &Settings,
    expected: Option<Stops>,
    lighting: Lighting,
) -> Vec<Prediction> {
    let Some((expected, reference)) = expected.zip(evidence.reference) else {
        return Vec::new();
    };
    let of_camera = evidence.response.scatter_of_two();
    let half_width = uncertainty_of_expected(&reference.settings, shot, lighting, of_camera);
    // Nearest wins; with equal distance nothing was touched.
    let predicted = |turned, assumption| Prediction::of((expected, half_width), turned, assumption);
    let untouched = evidence.moved.map(|turned| predicted(turned, Assumption::LightsUntouched));
    let followed = evidence.followed.map(|turned| predicted(turned, Assumption::CorrectionFollowed));
    untouched.into_iter().chain(followed).collect()
}

/// Whether the filter on the lens may still be the one of before: where what is known explains the picture with that one alone, or where
/// lights that were turned, untold, look as if nothing was done.
fn filter_seen(evidence: &Evidence, lighting: Lighting, spot: &Chosen, weighed: &Weighed) -> Option<FilterSeen> {
    let before = evidence.filter_before.filter(|_| !evidence.building && !evidence.light_alone)?;
    let reference = evidence.reference?;
    let shot = Settings { filter: before, ..evidence.frame.settings.clone() };
    let expected = expected(&reference.settings, &shot, lighting);
    let observed = spot.observed.as_ref();
    let fits = |drift: Stops, half_width: Stops| match (observed, &spot.judged.clipped) {
        (Some(seen), _) => (drift - seen.drift).abs() <= seen.half_width.in_quadrature(half_width),
        (None, Some(clipped)) => clipped.bears_out(drift),
        (None, None) => false,
    };
    let as_before = predictions_of(evidence, &shot, expected, lighting);
    let held = as_before.into_iter().find(|predicted| fits(predicted.drift, predicted.half_width))?;
    match (weighed.assumption.filter(|_| fits(weighed.drift, weighed.half_width)), held.assumption) {
        (None, _) => Some(FilterSeen::AsBefore),
        (Some(Assumption::CorrectionFollowed), Assumption::LightsUntouched) => Some(FilterSeen::Untold),
        _ => None,
    }
}

/// What the drift would be if nothing happened but what is known: settings, and turns of which somebody told, or which the
/// frame shows.
fn known_drift(evidence: &Evidence, expected: Option<Stops>, weighed: Option<&Weighed>) -> Option<Stops> {
    let assumption = weighed.and_then(|weighed| weighed.assumption).unwrap_or(Assumption::LightsUntouched);
    Some(expected? + turned_by(evidence, assumption).unwrap_or(Stops::ZERO))
}

/// How far all lights alike were turned since the reference, if this is so.
fn turned_by(evidence: &Evidence, assumption: Assumption) -> Option<Stops> {
    match assumption {
        Assumption::LightsUntouched => evidence.moved,
        Assumption::CorrectionFollowed => evidence.followed,
    }
}

/// What the parts of the frame tell together.
#[derive(Default)]
struct Layout {
    uneven: Option<Unevenness>,
    disparity: Option<Disparity>,
    is_other_scene: bool,
}

/// Where there is no picture to lay over the reference: below this likeness, with quantiles this far apart, the scene is
/// another one.
const OTHER_SCENE_LIKENESS: f64 = 0.35;
const OTHER_SCENE_SPREAD: Stops = Stops(0.35);

impl Layout {
    fn of(evidence: &Evidence, observed: Option<&Observed>, known: Option<Stops>) -> Layout {
        let response = evidence.response;
        let drift = observed.map(|s| s.drift);
        let by_grids = || evidence.metered_pair().and_then(|(r, f)| compare_grids(r, f, drift, response));
        match evidence.laid.map(|laid| (laid.overlay, laid.anchor)) {
            Some((Overlay::Matched(alignment), anchor)) => {
                // An anchor is even, so that its own drift is that of all its parts.
                let seen = anchor.and_then(|anchor| {
                    anchor.spots.iter().map(|s| &s.seen).find(|s| Some(&s.spot) == observed.map(|o| &o.spot))
                });
                let of_anchor = seen.map_or(Stops::ZERO, |seen| seen.drift);
                let uneven = known.or(drift).and_then(|known| farthest_part(alignment, known - of_anchor, response));
                Layout { uneven, disparity: disparity(alignment, response), is_other_scene: false }
            }
            Some((Overlay::TooPlain, _)) => {
                Layout { uneven: by_grids().and_then(|grids| grids.uneven), ..Layout::default() }
            }
            Some((Overlay::OtherScene, _)) => Layout { is_other_scene: true, ..Layout::default() },
            None => {
                let grids = by_grids();
                let is_unlike = grids.as_ref().is_some_and(|grids| grids.likeness < OTHER_SCENE_LIKENESS);
                let spread = observed.is_some_and(|s| s.spread > OTHER_SCENE_SPREAD);
                let uneven = grids.and_then(|grids| grids.uneven);
                Layout { uneven, is_other_scene: is_unlike && spread, ..Layout::default() }
            }
        }
    }
}

/// Change of the spot's tints: of the same parts of the scene where these are known.
fn colour_shift(pair: Pair, evidence: &Evidence) -> Option<(Stops, Stops)> {
    let (response, limit) = (evidence.response, evidence.colour_limit);
    let shift = match evidence.alignment() {
        Some((alignment, anchor)) => {
            let (place, _) = spot::place_of(pair.reference, anchor)?;
            tints_of_patches(place, alignment, response)?
        }
        None => {
            let (before, now) = (pair.reference.tints_by(response), pair.frame.tints_by(response));
            [now[0] - before[0], now[1] - before[1]]
        }
    };
    (shift[0].abs() > limit || shift[1].abs() > limit).then_some((shift[0], shift[1]))
}
