//! One frame's verdict.
//!
//! Owns the order in which causes are asked for. Several of them often hold at once: a frame without flash is dark, clipped, uneven
//! and unlike the reference, too. The first that holds in [`CAUSES`] is told.

use super::findings::Findings;
use super::lights::LightsSeen;
use super::sentence;
use super::verdict::{Cause, Evidence, Verdict};
use crate::drift::{Basis, Weighed, WentBy};
use crate::frame::Rendering;
use crate::photometry::{SAME_SETTING, Stops};

/// Whether a cause holds.
type Test = fn(&Findings) -> bool;

/// The causes in the order of their priority, each with its test. The order is:
///
/// 1. Nothing can be compared: no number of such a frame means anything.
/// 2. No light reached the frame at all: whatever else it shows follows from that.
/// 3. It shows something else than the reference: a drift of another scene is none of the lights'.
/// 4. What the single lights did, where a survey tells: the most particular first, for each would also pass for those after it (a
///    shadow of the shutter for a light that is out, a light that is out for one that was turned).
/// 5. The spot that frames are judged by is clipped: below this line everything needs its number.
/// 6. What explains a change without anybody having turned a dial. Nobody may answer that by turning one.
/// 7. The drift is within the tolerance, or within its own doubt.
/// 8. What moved: the settings, the lights, or both. All drifts that are left over end here.
const CAUSES: [&[(Cause, Test)]; 3] = [&BEFORE_THE_LIGHTS, &BY_THE_LIGHTS, &AFTER_THE_LIGHTS];

const BEFORE_THE_LIGHTS: [(Cause, Test); 5] = [
    // 1
    (Cause::NotMetered, |f| f.evidence.frame.metered.is_none()),
    (Cause::NoReference, |f| f.evidence.reference.is_none_or(|r| r.metered.is_none())),
    (Cause::NotTrustworthy, is_not_trustworthy),
    // 2
    (Cause::Misfire, |f| f.is_dark_as_without_flash() && !lights_know_better(f)),
    // 3
    (Cause::NewScene, |f| is_another_scene(f) && !f.is_dark_as_without_flash()),
];

/// 4
const BY_THE_LIGHTS: [(Cause, Test); 6] = [
    (Cause::SyncBand, |f| f.lights().is_some_and(LightsSeen::show_a_sync_band)),
    (Cause::ModifierMoved, |f| f.lights().is_some_and(LightsSeen::show_a_moved_modifier)),
    (Cause::GroupNotFired, |f| f.lights().is_some_and(LightsSeen::show_a_group_out)),
    (Cause::GroupWeak, |f| f.lights().is_some_and(LightsSeen::show_a_weak_group)),
    (Cause::GroupChanged, |f| f.lights().is_some_and(|l| l.show_a_changed_group(f.evidence.tolerance, f.drift()))),
    (Cause::AmbientRisen, |f| f.lights().is_some_and(LightsSeen::show_more_room_light)),
];

const AFTER_THE_LIGHTS: [(Cause, Test); 10] = [
    // 5
    (Cause::Clipped, |f| f.seen().is_none()),
    // 6
    (Cause::Recycle, |f| f.is_weak_as_while_charging()),
    (Cause::Uneven, is_uneven),
    (Cause::AmbientRisen, only_room_light_is_left),
    // 7
    (Cause::ColourShifted, |f| matches(f) && f.colour_shift.is_some()),
    (Cause::Matched, matches),
    (Cause::Uncertain, is_within_its_doubt),
    // 8
    (Cause::SettingsUnknown, |f| f.expected.is_none()),
    (Cause::SettingsChanged, |f| settings_changed(f) && went_by(f) != Some(WentBy::Light)),
    (Cause::BothChanged, settings_changed),
];

/// What is left when no test holds: there is a drift, and the settings are the reference's.
const LEFT_OVER: Cause = Cause::LightsChanged;

/// Parts of a frame are compared only where the whole is known this well.
const SURE_ENOUGH_FOR_PARTS: Stops = Stops(0.35);
/// Below this likeness, with quantiles this far apart, the scene is another one.
const OTHER_SCENE_LIKENESS: f64 = 0.35;
const OTHER_SCENE_SPREAD: Stops = Stops(0.35);
/// Settings that differ by less are the same.

/// Judges one frame.
pub fn judge(evidence: &Evidence) -> Verdict {
    let findings = Findings::of(evidence);
    let cause = CAUSES.into_iter().flatten().find(|(_, holds)| holds(&findings)).map_or(LEFT_OVER, |(cause, _)| *cause);
    let sentence = sentence::say(cause, &findings);
    let told = told(cause, &findings);
    let seen = findings.seen();
    Verdict {
        cause,
        sentence,
        expected: findings.expected,
        lighting: findings.lighting,
        observed: seen.map(|s| s.drift),
        observed_uncertainty: seen.map(|s| s.half_width),
        drift: told.as_ref().map(|w| w.drift),
        uncertainty: told.as_ref().map(|w| w.half_width),
        went_by: told.as_ref().map(|w| w.went_by),
        basis: told.as_ref().and_then(|w| w.basis),
        lights: seen.zip(findings.expected).map(|(s, e)| s.drift - e),
        spots: super::spot::observed(evidence),
        by: evidence.frame.metered.as_ref().map(|_| evidence.response.name.clone()),
        groups: evidence.lights.map(|l| l.groups.clone()).unwrap_or_default(),
        not_surveyed: evidence.lights.map(|l| l.not_surveyed.clone()).unwrap_or_default(),
        uneven: findings.uneven,
        judged: findings.spot.map(|s| s.judged),
    }
}

/// The drift that the verdict tells; `None` when nobody should take a number from it.
fn told(cause: Cause, findings: &Findings) -> Option<Weighed> {
    let weighed = findings.weighed.clone();
    match cause {
        // Nothing can be weighed against such a picture; its own interval is all that holds.
        Cause::NotTrustworthy => findings
            .seen()
            .map(|s| Weighed { drift: s.drift, half_width: s.half_width, went_by: WentBy::Light, basis: None })
            .or(weighed),
        Cause::NoReference | Cause::NotMetered | Cause::Misfire | Cause::SyncBand => None,
        Cause::Clipped => weighed.filter(|_| findings.clipping_bears_out_the_settings()),
        _ => weighed,
    }
}

// --- the tests ---

fn is_not_trustworthy(f: &Findings) -> bool {
    let subjects = [f.evidence.reference, Some(f.evidence.frame)];
    subjects.into_iter().flatten().any(|s| s.settings.rendering == Rendering::PerFrame)
}

/// Some light did fire, and the survey tells what is wrong.
fn lights_know_better(f: &Findings) -> bool {
    let fired = f.lights().is_some_and(LightsSeen::some_fired);
    fired && BY_THE_LIGHTS.iter().any(|(_, holds)| holds(f))
}

fn is_another_scene(f: &Findings) -> bool {
    f.likeness < OTHER_SCENE_LIKENESS && f.seen().is_some_and(|s| s.spread > OTHER_SCENE_SPREAD)
}

fn is_uneven(f: &Findings) -> bool {
    // Where settings explain a drift, cells that differ are the sitter's or the curve's doing.
    let by_settings = f.weighed.as_ref().is_some_and(|w| w.basis == Some(Basis::LightsUntouched));
    let explained = by_settings && !matches(f);
    f.uneven.is_some() && !explained && f.seen().is_some_and(|s| s.half_width <= SURE_ENOUGH_FOR_PARTS)
}

fn matches(f: &Findings) -> bool {
    f.drift().is_some_and(|drift| drift.abs() <= f.evidence.tolerance)
}

fn is_within_its_doubt(f: &Findings) -> bool {
    f.weighed.as_ref().is_some_and(|w| w.drift.abs() <= w.half_width)
}

/// The frame is brighter than its settings explain, and every flash is as it should be.
fn only_room_light_is_left(f: &Findings) -> bool {
    let told_apart = f.expected.is_some() && !matches(f) && !is_within_its_doubt(f);
    let lights_changed = !settings_changed(f) || went_by(f) == Some(WentBy::Light);
    told_apart
        && lights_changed
        && f.drift().is_some_and(|drift| drift > Stops::ZERO)
        && f.lights().is_some_and(|l| l.flashes_are_right(f.evidence.tolerance))
}

fn settings_changed(f: &Findings) -> bool {
    f.expected.is_some_and(|e| e.abs() > SAME_SETTING)
}

fn went_by(f: &Findings) -> Option<WentBy> {
    f.weighed.as_ref().map(|w| w.went_by)
}
