//! Verdicts in one plain sentence that a person at a light stand can act on.

use super::cause::{Cause, Judged, colour_shift};
use super::lights::{LightsSeen, moved_with_the_frame};
use crate::drift::Lighting;
use crate::frame::Settings;
use crate::photometry::{SAME_SETTING, Stops};

pub fn say(judged: &Judged) -> String {
    let drift = judged.weighed.map(|w| w.drift);
    match judged.cause {
        Cause::NotMetered => "Logged, but its pixels were not metered.".to_owned(),
        Cause::NoReference => "Metered; no reference to compare it with yet.".to_owned(),
        Cause::NotTrustworthy => format!(
            "This camera seems to map the tones of each frame anew, and then its pictures can't tell stops of light (reads {}).",
            amount(judged.seen.map(|s| s.drift))
        ),
        Cause::Misfire if judged.lighting == Lighting::Continuous => {
            "The light was off in this frame: hold, leave every power as it is, look to it, shoot again.".to_owned()
        }
        Cause::Misfire => {
            "No flash lit this frame: hold, leave every power as it is, check the trigger, shoot again.".to_owned()
        }
        Cause::Recycle => format!(
            "{} under, right after the last frame: a flash had not recycled. Hold, leave every power as it is, shoot again.",
            size(judged.seen.map(|s| s.drift))
        ),
        Cause::Clipped => clipped(judged),
        Cause::NewScene => {
            "This looks like another scene than the reference's: a new look? Tell the reference, or go on.".to_owned()
        }
        Cause::Uneven => uneven(judged),
        Cause::Matched => {
            let open = judged.evidence.lights.map(LightsSeen::not_settled).unwrap_or_default();
            let but = if open.is_empty() {
                String::new()
            } else {
                format!("; {} can't be told from this frame", open.join(" and "))
            };
            format!("Matches the reference ({}){but}.", amount(drift))
        }
        Cause::Uncertain => format!(
            "Reads {} but can't be told from a match to within {}: shoot another before turning anything.",
            amount(drift),
            judged.weighed.map_or_else(|| "its uncertainty".to_owned(), |w| format!("{:.2}", w.half_width.0))
        ),
        Cause::SettingsUnknown => format!("{}, by the light alone: {}.", over_or_under(drift), why_alone(judged)),
        Cause::SettingsChanged => {
            format!("{}: {} and the lights were not turned to fit.", over_or_under(drift), what_changed(judged))
        }
        Cause::LightsChanged => {
            let which = which_light(judged, drift);
            format!("{}: the settings are the same, the light is not.{which}", over_or_under(drift))
        }
        Cause::BothChanged => format!("{}{}", both(judged, drift), which_light(judged, drift)),
        Cause::GroupChanged
        | Cause::GroupNotFired
        | Cause::GroupWeak
        | Cause::AmbientRisen
        | Cause::ModifierMoved
        | Cause::SyncBand => {
            judged.evidence.lights.map_or_else(String::new, |l| l.say(judged.cause, judged.evidence.tolerance))
        }
        Cause::ColourShifted => colour(judged, drift),
        Cause::Survey => "A frame of the light survey.".to_owned(),
    }
}

/// Why nothing is suggested when a survey is there and the lights can't be told apart all the same.
fn which_light(judged: &Judged, drift: Option<Stops>) -> &'static str {
    let open = |l: &&LightsSeen| !l.not_settled().is_empty() && !moved_with_the_frame(&l.groups, drift);
    if judged.evidence.lights.as_ref().is_some_and(open) {
        " Which light it was can't be told from this frame, so look at each (with a calibrated camera more can be told)."
    } else {
        ""
    }
}

fn colour(judged: &Judged, drift: Option<Stops>) -> String {
    let (red, blue) = colour_shift(judged.evidence).unwrap_or_default();
    format!(
        "The light matches ({}), its colour doesn't: red over green {red}, blue over green {blue}. Flashes change \
         colour with power, and an automatic white balance with the picture: set the white balance anew.",
        amount(drift)
    )
}

/// Why the settings did not count.
fn why_alone(judged: &Judged) -> &'static str {
    let known = |s: &Settings| s.f_number.is_some() && s.iso.is_some() && s.exposure_time.is_some();
    let both_known =
        judged.evidence.reference.is_some_and(|r| known(&r.settings)) && known(&judged.evidence.frame.settings);
    match (judged.evidence.light_alone, judged.lighting) {
        (true, _) => "the settings were left out",
        (false, Lighting::Either) if both_known => "whether flash or continuous light lit it can't be told",
        _ => "the camera's settings are not known",
    }
}

fn clipped(judged: &Judged) -> String {
    match judged.expected {
        Some(e) if e.abs() > SAME_SETTING => format!(
            "Too much is clipped to compare; the settings alone say {} ({}).",
            amount(Some(e)),
            what_changed(judged)
        ),
        _ => "Too much of the frame is clipped to compare it with the reference.".to_owned(),
    }
}

fn uneven(judged: &Judged) -> String {
    let part = judged.uneven.map_or("part of the frame", |u| u.part.as_str());
    let by = judged.uneven.map(|u| u.by);
    let side = if by.is_some_and(|b| b > Stops::ZERO) { "brighter" } else { "darker" };
    format!(
        "Uneven: {part} is {} {side} against the rest than in the reference. One group may have been left behind, or something moved.",
        size(by)
    )
}

/// What the settings asked of the lights and what the lights did instead.
fn both(judged: &Judged, drift: Option<Stops>) -> String {
    let asked = judged.expected.map(|e| -e);
    let did = judged.seen.zip(judged.expected).map(|(s, e)| s.drift - e);
    format!(
        "{}: {} asked the lights for {} stop, they changed by {}.",
        over_or_under(drift),
        what_changed(judged),
        asked.map_or_else(|| "some".to_owned(), |a| a.to_string()),
        did.map_or_else(|| "something else".to_owned(), |d| d.to_string())
    )
}

fn what_changed(judged: &Judged) -> String {
    let Some(reference) = judged.evidence.reference else {
        return "the settings changed".to_owned();
    };
    changes(&reference.settings, &judged.evidence.frame.settings)
}

/// The settings that differ, from the reference's to the frame's.
fn changes(from: &Settings, to: &Settings) -> String {
    let mut said = Vec::new();
    let differ = |a: Stops, b: Stops| (a - b).abs() > SAME_SETTING;
    if let Some((a, b)) = from.f_number.zip(to.f_number).filter(|(a, b)| differ(a.av(), b.av())) {
        said.push(format!("{a} to {b}"));
    }
    if let Some((a, b)) = from.iso.zip(to.iso).filter(|(a, b)| differ(a.sv(), b.sv())) {
        said.push(format!("{a} to {b}"));
    }
    if let Some((a, b)) = from.exposure_time.zip(to.exposure_time).filter(|(a, b)| differ(a.tv(), b.tv())) {
        said.push(format!("{a} to {b}"));
    }
    if said.is_empty() { "settings".to_owned() } else { said.join(", ") }
}

fn over_or_under(drift: Option<Stops>) -> String {
    let side = if drift.is_some_and(|d| d > Stops::ZERO) { "too bright" } else { "too dark" };
    format!("{} {side}", size(drift))
}

fn amount(stops: Option<Stops>) -> String {
    stops.map_or_else(|| "nothing".to_owned(), |s| format!("{s} stop"))
}

fn size(stops: Option<Stops>) -> String {
    stops.map_or_else(|| "somewhat".to_owned(), |s| format!("{:.2} stop", s.abs().0))
}
