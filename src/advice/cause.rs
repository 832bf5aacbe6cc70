//! The cause of a frame's drift, told apart from the evidence.

use serde::{Deserialize, Serialize};

use super::lights::{GroupSeen, LightsSeen};
use super::sentence;
use crate::drift::{
    Basis, Lighting, Observed, Prediction, Unevenness, Weighed, WentBy, compare_layout, doubt_of_rendering, expected,
    fitting_light, observe, uncertainty_of_expected, weigh,
};
use crate::frame::{Captured, Rendering, Settings};
use crate::meter::{GREY, Metered, Reading};
use crate::photometry::{SAME_SETTING, Stops};
use crate::response::Response;

/// Why a frame differs from its reference, or doesn't.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    Matched,
    /// Settings changed and the lights did not follow.
    SettingsChanged,
    /// The lights changed and the settings did not.
    LightsChanged,
    /// Both changed and do not cancel.
    BothChanged,
    /// No flash lit the frame.
    Misfire,
    /// A flash had not recycled.
    Recycle,
    /// Too much is clipped to compare.
    Clipped,
    /// The camera doesn't tell its settings: judged by the light alone.
    SettingsUnknown,
    NoReference,
    /// Part of the frame changed unlike the rest.
    Uneven,
    /// Another scene than the reference's.
    NewScene,
    /// The camera maps the tones of each frame anew.
    NotTrustworthy,
    /// The difference is smaller than its uncertainty.
    Uncertain,
    /// The file's pixels are not metered.
    NotMetered,
    /// Some groups changed unlike the rest, or were left behind; the verdict names them.
    GroupChanged,
    /// A group did not fire, others did.
    GroupNotFired,
    /// One group had not recycled.
    GroupWeak,
    /// The room's own light rose.
    AmbientRisen,
    /// A reflector or modifier moved.
    ModifierMoved,
    /// The shutter was faster than the flash allows.
    SyncBand,
    /// The light matches, its colour doesn't.
    ColourShifted,
    /// The frame is a part of a light survey.
    Survey,
}

impl Cause {
    /// Causes at which nobody should touch a light.
    pub fn holds(self) -> bool {
        matches!(self, Cause::Misfire | Cause::Recycle | Cause::GroupNotFired | Cause::GroupWeak | Cause::SyncBand)
    }

    /// Causes that a correction of all groups answers.
    pub fn is_correctable(self) -> bool {
        matches!(self, Cause::SettingsChanged | Cause::LightsChanged | Cause::BothChanged | Cause::SettingsUnknown)
    }
}

/// A frame as it takes part in a comparison.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Subject {
    pub settings: Settings,
    /// The reading that counts.
    pub metered: Option<Metered>,
    /// The picture's reading, where the raw file's counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second: Option<Metered>,
}

impl Subject {
    /// With the reading of a further file of the same exposure: a raw file's counts before a picture's.
    pub fn with(self, further: Metered) -> Subject {
        let Some(first) = self.metered else { return Subject { metered: Some(further), ..self } };
        let (metered, second) = match (first.is_raw(), further.is_raw()) {
            (false, true) => (further, Some(first)),
            (true, false) => (first, Some(further)),
            _ => (first, self.second),
        };
        Subject { metered: Some(metered), second, ..self }
    }

    /// Takes a reading of the same file by other spots. Of a pair of files the other one keeps its old spots.
    pub fn reread(&mut self, again: &Metered) {
        let readings = [&mut self.metered, &mut self.second].into_iter().flatten();
        if let Some(reading) = { readings }.find(|m| m.is_raw() == again.is_raw()) {
            *reading = again.clone();
        }
    }

    /// The reading of the raw file, or of the picture.
    pub fn reading_of(&self, raw: bool) -> Option<&Metered> {
        [&self.metered, &self.second].into_iter().flatten().find(|m| m.is_raw() == raw)
    }
}

/// What is known of the frame before this one.
#[derive(Debug, Clone, PartialEq)]
pub struct Previous {
    pub captured: Option<Captured>,
}

/// Everything a verdict rests on.
pub struct Evidence<'a> {
    pub reference: Option<&'a Subject>,
    pub frame: &'a Subject,
    pub previous: Option<&'a Previous>,
    pub response: &'a Response,
    /// Name of the spot that the frame is judged by.
    pub judge_by: &'a str,
    pub lighting: Lighting,
    pub tolerance: Stops,
    /// A flash may still be charging this long after a frame, in seconds.
    pub recycle_seconds: f64,
    /// How far all groups alike were turned since the reference; `None` when not known.
    pub moved: Option<Stops>,
    /// How far all groups alike would be turned if the open correction was carried out.
    pub followed: Option<Stops>,
    /// Leave the settings out and go by the picture alone.
    pub light_alone: bool,
    /// What the single lights did, where a survey tells.
    pub lights: Option<&'a LightsSeen>,
    /// Beyond this a colour has shifted: log2 of red, or blue, over green.
    pub colour_limit: Stops,
}

/// The verdict on one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    pub cause: Cause,
    pub sentence: String,
    /// From the settings, in stops.
    pub expected: Option<Stops>,
    pub lighting: Lighting,
    /// From the light alone.
    pub observed: Option<Stops>,
    /// Half-width of the observation's 95 % interval.
    pub observed_uncertainty: Option<Stops>,
    /// Both weighed.
    pub drift: Option<Stops>,
    /// Half-width of the drift's 95 % interval.
    pub uncertainty: Option<Stops>,
    pub went_by: Option<WentBy>,
    pub basis: Option<Basis>,
    /// What the lights did since the reference: observed minus expected.
    pub lights: Option<Stops>,
    pub spots: Vec<Observed>,
    pub uneven: Option<Unevenness>,
    /// Name of the curve that the light was read by: it tells which file's reading counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// What each group did, where a survey tells.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub groups: Vec<GroupSeen>,
}

/// A verdict with the numbers that sentences are made from.
pub struct Judged<'a> {
    pub evidence: &'a Evidence<'a>,
    pub cause: Cause,
    pub expected: Option<Stops>,
    pub seen: Option<&'a Observed>,
    pub weighed: Option<&'a Weighed>,
    pub uneven: Option<&'a Unevenness>,
    pub lighting: Lighting,
}

/// A frame this far under what was predicted was lit by no flash.
const MISFIRE: Stops = Stops(-3.0);
/// And this far under the reference itself.
const DARK: Stops = Stops(-1.5);
/// A flash that fires before it has recycled loses at least and at most this much.
const RECYCLE_DIP: std::ops::Range<f64> = -2.6..-0.2;
/// Parts of a frame are compared only where the whole is known this well.
const SURE_ENOUGH_FOR_PARTS: Stops = Stops(0.35);
/// Below this likeness, with quantiles this far apart, the scene is another one.
const OTHER_SCENE_LIKENESS: f64 = 0.35;
const OTHER_SCENE_SPREAD: Stops = Stops(0.35);
/// Judges one frame.
pub fn judge(evidence: &Evidence) -> Verdict {
    let spots = observed_spots(evidence);
    let mut seen = spots.iter().find(|s| s.spot == evidence.judge_by).or(spots.first()).cloned();
    if let Some(seen) = &mut seen {
        seen.half_width = seen.half_width.in_quadrature(doubt_of_cameras(evidence));
    }
    let lighting = lighting_of(evidence, seen.as_ref());
    let expected = evidence
        .reference
        .filter(|_| !evidence.light_alone)
        .and_then(|r| expected(&r.settings, &evidence.frame.settings, lighting));
    let predictions = predictions(evidence, expected, lighting);
    let weighed = weigh(&predictions, seen.as_ref());
    let layout = metered_pair(evidence)
        .and_then(|(r, f)| compare_layout(r, f, seen.as_ref().map(|s| s.drift), evidence.response));
    // Where the survey accounts for every light, it accounts for an uneven change, too.
    let accounted = evidence.lights.is_some_and(LightsSeen::all_settled);
    let uneven = layout.as_ref().and_then(|l| l.uneven.clone()).filter(|_| !accounted);
    let likeness = layout.as_ref().map_or(1.0, |l| l.likeness);
    let whole = tell_cause(evidence, seen.as_ref(), weighed.as_ref(), expected, uneven.as_ref(), likeness);
    let cause = with_lights(evidence, whole, weighed.as_ref().map(|w| w.drift));
    let judged = Judged {
        evidence,
        cause,
        expected,
        seen: seen.as_ref(),
        weighed: weighed.as_ref(),
        uneven: uneven.as_ref(),
        lighting,
    };
    let sentence = sentence::say(&judged);
    let weighed = match (cause, &seen) {
        // Nothing can be weighed against such a picture; its own interval is all that holds.
        (Cause::NotTrustworthy, Some(seen)) => {
            Some(Weighed { drift: seen.drift, half_width: seen.half_width, went_by: WentBy::Light, basis: None })
        }
        _ => weighed.clone(),
    };
    let tells = match cause {
        Cause::NoReference | Cause::NotMetered | Cause::Misfire | Cause::SyncBand => false,
        Cause::Clipped => expected.is_some_and(|e| clipping_agrees(evidence, e)),
        _ => true,
    };
    let weighed = weighed.filter(|_| tells);
    Verdict {
        cause,
        sentence,
        expected,
        lighting,
        observed: seen.as_ref().map(|s| s.drift),
        observed_uncertainty: seen.as_ref().map(|s| s.half_width),
        drift: weighed.as_ref().map(|w| w.drift),
        uncertainty: weighed.as_ref().map(|w| w.half_width),
        went_by: weighed.as_ref().map(|w| w.went_by),
        basis: weighed.as_ref().and_then(|w| w.basis),
        lights: seen.as_ref().zip(expected).map(|(s, e)| s.drift - e),
        spots,
        uneven,
        by: evidence.frame.metered.as_ref().map(|m| m.response.clone()),
        groups: evidence.lights.map(|l| l.groups.clone()).unwrap_or_default(),
    }
}

/// What the single lights and the colour tell beyond the frame as a whole.
fn with_lights(evidence: &Evidence, whole: Cause, drift: Option<Stops>) -> Cause {
    if matches!(whole, Cause::NotMetered | Cause::NoReference | Cause::NotTrustworthy | Cause::NewScene) {
        return whole;
    }
    match evidence.lights.and_then(|l| l.cause(evidence.tolerance, drift)) {
        // With every light out the frame as a whole says it better.
        Some(cause) if whole != Cause::Misfire || evidence.lights.is_some_and(LightsSeen::some_fired) => cause,
        _ if matches!(whole, Cause::LightsChanged | Cause::BothChanged)
            && drift.is_some_and(|d| d > Stops::ZERO)
            && evidence.lights.is_some_and(|l| l.flashes_are_right(evidence.tolerance)) =>
        {
            Cause::AmbientRisen
        }
        _ if whole == Cause::Matched && colour_shift(evidence).is_some() => Cause::ColourShifted,
        _ => whole,
    }
}

/// Change of log2 red over green and blue over green at the judged spot, when either passes the limit.
pub fn colour_shift(evidence: &Evidence) -> Option<(Stops, Stops)> {
    let (reference, frame) = metered_pair(evidence)?;
    let (a, b) = reference.reading(evidence.judge_by).zip(frame.reading(evidence.judge_by))?;
    let shift = (b.red_green - a.red_green, b.blue_green - a.blue_green);
    (shift.0.abs() > evidence.colour_limit || shift.1.abs() > evidence.colour_limit).then_some(shift)
}

impl Verdict {
    /// The change of light that would bring the frame back to its reference; `None` when nobody
    /// should turn anything on this evidence.
    pub fn wanted(&self, tolerance: Stops) -> Option<Stops> {
        let drift = self.drift.filter(|d| d.abs() > tolerance)?;
        (self.cause.is_correctable() || self.cause == Cause::Clipped).then_some(-drift)
    }
}

/// A clipped frame still bears out its settings when it is clipped at the end they point to.
fn clipping_agrees(evidence: &Evidence, expected: Stops) -> bool {
    let reading = evidence.frame.metered.as_ref().and_then(|m| m.reading(evidence.judge_by));
    reading.is_some_and(|r| {
        let clipped = if expected > Stops::ZERO { r.clipped_high } else { r.clipped_low };
        clipped.iter().any(|share| *share > 0.5)
    })
}

fn metered_pair<'a>(evidence: &'a Evidence) -> Option<(&'a Metered, &'a Metered)> {
    evidence.reference?.metered.as_ref().zip(evidence.frame.metered.as_ref())
}

fn observed_spots(evidence: &Evidence) -> Vec<Observed> {
    let Some((reference, frame)) = metered_pair(evidence) else {
        return Vec::new();
    };
    // Readings through different curves are not comparable.
    if reference.response != frame.response {
        return Vec::new();
    }
    // A spot that was moved since shows other things; the grey patch is looked for in each frame.
    let same_place = |r: &&Reading, f: &Reading| r.area == f.area || f.spot == GREY;
    let pairs =
        frame.readings.iter().filter_map(|f| reference.reading(&f.spot).filter(|r| same_place(r, f)).map(|r| (r, f)));
    pairs.filter_map(|(r, f)| observe(r, f, evidence.response)).collect()
}

fn doubt_of_cameras(evidence: &Evidence) -> Stops {
    evidence.reference.map_or(Stops::ZERO, |r| doubt_of_rendering(&r.settings, &evidence.frame.settings))
}

fn lighting_of(evidence: &Evidence, seen: Option<&Observed>) -> Lighting {
    match (evidence.lighting, evidence.reference) {
        (Lighting::Either, Some(reference)) => {
            let observed = seen.map(|s| (s.drift, s.half_width));
            let of_camera = evidence.response.scatter_of_two();
            fitting_light(&reference.settings, &evidence.frame.settings, observed, of_camera)
        }
        (told, _) => told,
    }
}

fn predictions(evidence: &Evidence, expected: Option<Stops>, lighting: Lighting) -> Vec<Prediction> {
    let Some((expected, reference)) = expected.zip(evidence.reference) else {
        return Vec::new();
    };
    let of_camera = evidence.response.scatter_of_two();
    let half_width = uncertainty_of_expected(&reference.settings, &evidence.frame.settings, lighting, of_camera);
    // Nearest wins; with equal distance nothing was touched.
    let told = [(evidence.moved, Basis::LightsUntouched), (evidence.followed, Basis::CorrectionFollowed)];
    told.into_iter()
        .filter_map(|(turned, basis)| Some(Prediction::of((expected, half_width), turned?, basis)))
        .collect()
}

fn tell_cause(
    evidence: &Evidence,
    seen: Option<&Observed>,
    weighed: Option<&Weighed>,
    expected: Option<Stops>,
    uneven: Option<&Unevenness>,
    likeness: f64,
) -> Cause {
    if evidence.frame.metered.is_none() {
        return Cause::NotMetered;
    }
    let Some(reference) = evidence.reference.filter(|r| r.metered.is_some()) else {
        return Cause::NoReference;
    };
    if [reference, evidence.frame].iter().any(|s| s.settings.rendering == Rendering::PerFrame) {
        return Cause::NotTrustworthy;
    }
    if is_misfire(evidence, expected) {
        return Cause::Misfire;
    }
    let Some((seen, weighed)) = seen.zip(weighed) else {
        return Cause::Clipped;
    };
    if likeness < OTHER_SCENE_LIKENESS && seen.spread > OTHER_SCENE_SPREAD {
        return Cause::NewScene;
    }
    if is_recycle(evidence, seen, expected) {
        return Cause::Recycle;
    }
    // Where settings explain a drift, cells that differ are the sitter's or the curve's doing.
    let explained = weighed.basis == Some(Basis::LightsUntouched) && weighed.drift.abs() > evidence.tolerance;
    if uneven.is_some() && !explained && seen.half_width <= SURE_ENOUGH_FOR_PARTS {
        return Cause::Uneven;
    }
    if weighed.drift.abs() <= evidence.tolerance {
        return Cause::Matched;
    }
    if weighed.drift.abs() <= weighed.half_width {
        return Cause::Uncertain;
    }
    let Some(expected) = expected else {
        return Cause::SettingsUnknown;
    };
    let settings_changed = expected.abs() > SAME_SETTING;
    match (settings_changed, weighed.went_by) {
        (true, WentBy::Both | WentBy::Settings) => Cause::SettingsChanged,
        (true, WentBy::Light) => Cause::BothChanged,
        (false, _) => Cause::LightsChanged,
    }
}

/// The bright parts of the frame lie far under where they should be: dark all over, not clipped.
fn is_misfire(evidence: &Evidence, expected: Option<Stops>) -> bool {
    let bright = |reading: &Reading| reading.quantiles.get(reading.quantiles.len() * 9 / 10).copied();
    let pair = metered_pair(evidence).and_then(|(r, f)| r.reading(evidence.judge_by).zip(f.reading(evidence.judge_by)));
    let Some((reference, frame)) = pair.and_then(|(r, f)| bright(r).zip(bright(f))) else {
        return false;
    };
    // The open correction may have been carried out, and then less light was to come.
    let turned = [evidence.moved, evidence.followed].into_iter().flatten().fold(0.0_f64, |least, m| least.min(m.0));
    let predicted = expected.unwrap_or(Stops::ZERO) + Stops(turned);
    // What the reference clips was at least as bright as its top; darkness bottoms out, too.
    let darkest = evidence.response.light(0.0);
    let floor = Stops((reference + predicted).0.max(darkest.0));
    let fell = frame - floor;
    // A dark look has no three stops to fall; there, known settings must speak against the darkness.
    let black = evidence.response.light(NEARLY_BLACK);
    let nothing_left = expected.is_some() && frame <= black && reference + predicted - black > Stops(1.0);
    // Lights that somebody turned down to fit a wide aperture leave a frame as bright as the reference.
    let dark = frame - reference <= DARK;
    dark && (fell <= MISFIRE || nothing_left)
}

/// At this code nine tenths of the frame are as good as black.
const NEARLY_BLACK: f64 = 9.0;

fn is_recycle(evidence: &Evidence, seen: &Observed, expected: Option<Stops>) -> bool {
    let Some((expected, moved)) = expected.zip(evidence.moved) else {
        return false;
    };
    let dip = seen.drift - expected - moved;
    // A turn that was asked for explains a fall better than a flash caught charging.
    let near_turn = |followed: Stops| (dip - (followed - moved)).abs() <= Stops(0.25).in_quadrature(seen.half_width);
    let asked_for = evidence.followed.is_some_and(near_turn);
    is_soon_after(evidence.previous, &evidence.frame.settings, evidence.recycle_seconds)
        && RECYCLE_DIP.contains(&dip.0)
        && dip.abs() > seen.half_width
        && !asked_for
}

/// Whether a frame was taken so soon after the one before it that a flash may still have been charging.
pub fn is_soon_after(previous: Option<&Previous>, settings: &Settings, recycle_seconds: f64) -> bool {
    let captured = previous.and_then(|p| p.captured.as_ref()).zip(settings.captured.as_ref());
    captured.is_some_and(|(previous, this)| {
        let slack = if previous.sub_seconds && this.sub_seconds { 0.0 } else { 1.0 };
        (0.0..=recycle_seconds + slack).contains(&this.seconds_since(previous))
    })
}
