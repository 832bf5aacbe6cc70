//! Verdicts in one plain sentence that a person at a light stand can act on.

use super::findings::Findings;
use super::light_words::{self, not_surveyed, untold};
use super::lights::{LightsSeen, moved_with_the_frame};
use super::verdict::{Cause, ClippedIn, ClippedSpot, InsteadOf, NoSuchSpot, ScaleEnd};
use crate::drift::Lighting;
use crate::frame::Settings;
use crate::meter::WHOLE;
use crate::photometry::{SAME_SETTING, Stops};

/// What a cause comes to, in words.
pub(super) fn say(cause: Cause, findings: &Findings) -> String {
    let sentence = match by_the_lights(cause, findings) {
        Some(sentence) => sentence,
        None => of_the_frame(cause, findings),
    };
    let with = [left_out(cause, findings), stood_in(cause, findings)];
    std::iter::once(Some(sentence)).chain(with).flatten().collect::<Vec<_>>().join(" ")
}

/// The lights that the survey left out, where the sentence itself doesn't name them.
fn left_out(cause: Cause, findings: &Findings) -> Option<String> {
    let named = matches!(cause, Cause::Matched | Cause::GroupChanged | Cause::AmbientRisen);
    // Here the lights are not looked at, or what to do is the same whatever the others did.
    let moot = matches!(
        cause,
        Cause::NotMetered
            | Cause::NoReference
            | Cause::NotTrustworthy
            | Cause::Misfire
            | Cause::NewScene
            | Cause::SyncBand
            | Cause::Survey
    );
    let lights = findings.lights().filter(|_| !named && !moot)?;
    not_surveyed(lights).map(|said| format!("{}.", light_words::capital(&said)))
}

/// The spot that stood in for the one that frames are judged by.
fn stood_in(cause: Cause, findings: &Findings) -> Option<String> {
    let compared = !matches!(cause, Cause::NotMetered | Cause::NoReference);
    let judged = findings.spot.as_ref().map(|s| &s.judged).filter(|_| compared)?;
    judged.instead_of.as_ref().map(|of| stands_in(&judged.spot, of))
}

/// The sentence of a cause that the single lights tell.
fn by_the_lights(cause: Cause, findings: &Findings) -> Option<String> {
    let told = matches!(
        cause,
        Cause::GroupChanged
            | Cause::GroupNotFired
            | Cause::GroupWeak
            | Cause::AmbientRisen
            | Cause::ModifierMoved
            | Cause::SyncBand
    );
    let lights = findings.lights().filter(|_| told)?;
    Some(light_words::say(lights, cause, findings.evidence.tolerance))
}

fn of_the_frame(cause: Cause, findings: &Findings) -> String {
    let drift = findings.drift();
    let seen = findings.seen().map(|s| s.drift);
    match cause {
        Cause::NotMetered => "Logged, but its pixels were not metered.".to_owned(),
        Cause::NoReference => "Metered; no reference to compare it with yet.".to_owned(),
        Cause::NotTrustworthy => format!(
            "This camera seems to map the tones of each frame anew, and then its pictures can't tell stops of light (reads {}).",
            amount(seen)
        ),
        Cause::Misfire => misfire(findings),
        Cause::Recycle => format!(
            "{} under, right after the last frame: a flash had not recycled. Hold, leave every power as it is, shoot again.",
            size(seen)
        ),
        Cause::Clipped => clipped(findings),
        Cause::NewScene => {
            "This looks like another scene than the reference's: a new look? Tell the reference, or go on.".to_owned()
        }
        Cause::Uneven => uneven(findings),
        Cause::Matched => {
            let but = findings.lights().and_then(untold).map_or_else(String::new, |untold| format!("; {untold}"));
            format!("Matches the reference ({}){but}.", amount(drift))
        }
        Cause::Uncertain => uncertain(findings),
        Cause::SettingsUnknown => {
            format!("{}, by the light alone: {}.", over_or_under(drift), why_alone(findings))
        }
        Cause::SettingsChanged => {
            format!("{}: {} and the lights were not turned to fit.", over_or_under(drift), what_changed(findings))
        }
        Cause::LightsChanged => {
            let and = which_light(findings);
            format!("{}: the settings are the same, the light is not.{and}", over_or_under(drift))
        }
        Cause::BothChanged => format!("{}{}", both(findings), which_light(findings)),
        Cause::ColourShifted => colour(findings),
        Cause::Survey => "A frame of the light survey.".to_owned(),
        // These are told by the lights, and by nothing else.
        Cause::GroupChanged
        | Cause::GroupNotFired
        | Cause::GroupWeak
        | Cause::AmbientRisen
        | Cause::ModifierMoved
        | Cause::SyncBand => String::new(),
    }
}

/// Why nothing is suggested when a survey is there and the lights can't be told apart all the same.
fn which_light(findings: &Findings) -> &'static str {
    let open = |l: &&LightsSeen| !l.not_settled().is_empty() && !moved_with_the_frame(&l.groups, findings.drift());
    if findings.lights().as_ref().is_some_and(open) {
        " Which light it was can't be told from this frame, so look at each (with a calibrated camera more can be told)."
    } else {
        ""
    }
}

// --- the spot ---

/// A spot by its name; the whole frame by itself.
fn at(spot: &str) -> String {
    if spot == WHOLE { "the whole frame".to_owned() } else { format!("'{spot}'") }
}

fn stands_in(spot: &str, InsteadOf { spot: missing, why }: &InsteadOf) -> String {
    let why = match why {
        NoSuchSpot::Moved => "was moved since the reference was metered",
        NoSuchSpot::NotInReference => "is not in the reference",
        NoSuchSpot::NotInFrame => "was not found in this frame",
    };
    format!("Judged by {}, for '{missing}' {why}.", at(spot))
}

fn misfire(findings: &Findings) -> String {
    if findings.lighting == Lighting::Continuous {
        return "The light was off in this frame: hold, leave every power as it is, look to it, shoot again."
            .to_owned();
    }
    let spot = findings.spot.as_ref().map(|s| s.judged.spot.as_str()).filter(|spot| *spot != WHOLE);
    let what = spot.map_or_else(|| "this frame".to_owned(), |spot| format!("'{spot}' in this frame"));
    format!("No flash lit {what}: hold, leave every power as it is, check the trigger, shoot again.")
}

/// Which spot is clipped, how far its light is off at least, and what the settings say.
fn clipped(findings: &Findings) -> String {
    let Some(spot) = &findings.spot else {
        return "It has no spot in common with its reference, so nothing can be compared: set the reference anew."
            .to_owned();
    };
    let name = light_words::capital(&at(&spot.judged.spot));
    let said = match &spot.judged.clipped {
        Some(clipped) => format!("{name} is {}", clipped_in_words(clipped)),
        None => format!("{name} holds too few tones to compare it with the reference"),
    };
    match findings.drift() {
        Some(by_settings) if by_settings.abs() > SAME_SETTING => {
            let why = findings.expected.filter(|e| e.abs() > SAME_SETTING).map(|_| what_changed(findings));
            let why = why.map_or_else(String::new, |changed| format!(" ({changed})"));
            let explains = findings.clipping_bears_out_the_settings();
            let but = if explains { "" } else { ", which doesn't explain it" };
            format!("{said}; the settings alone say {}{why}{but}.", amount(Some(by_settings)))
        }
        _ => format!("{said}."),
    }
}

fn clipped_in_words(clipped: &ClippedSpot) -> String {
    let end = match clipped.end {
        ScaleEnd::BurntOut => "burnt out",
        ScaleEnd::Black => "black",
    };
    let place = match clipped.lies_in {
        ClippedIn::Frame => "",
        ClippedIn::Reference => " in the reference",
        ClippedIn::Both => " in this frame and in the reference",
    };
    match clipped.at_least {
        Some(least) => {
            let side = if least > Stops::ZERO { "brighter" } else { "darker" };
            let it = if clipped.lies_in == ClippedIn::Reference { ": this frame is " } else { ", " };
            format!("{end}{place}{it}at least {} {side} than the reference", size(Some(least)))
        }
        None => format!("{end}{place}, so how far its light is off can't be told"),
    }
}

// --- the numbers ---

fn uncertain(findings: &Findings) -> String {
    let within = findings.weighed.as_ref().map_or_else(
        || "its uncertainty".to_owned(),
        |weighed| {
            let own = findings.seen().map(|s| s.half_width).unwrap_or(weighed.half_width);
            format!("{:.2}", if own > weighed.half_width { own } else { weighed.half_width }.0)
        },
    );
    format!(
        "Reads {} but can't be told from a match to within {within}: shoot another before turning anything.",
        amount(findings.drift())
    )
}

fn colour(findings: &Findings) -> String {
    let (red, blue) = findings.colour_shift.unwrap_or_default();
    format!(
        "The light matches ({}), its colour doesn't: red over green {red}, blue over green {blue}. Flashes change \
         colour with power, and an automatic white balance with the picture: set the white balance anew.",
        amount(findings.drift())
    )
}

/// Why the settings did not count.
fn why_alone(findings: &Findings) -> &'static str {
    let evidence = findings.evidence;
    let known = |s: &Settings| s.f_number.is_some() && s.iso.is_some() && s.exposure_time.is_some();
    let both_known = evidence.reference.is_some_and(|r| known(&r.settings)) && known(&evidence.frame.settings);
    match (evidence.light_alone, findings.lighting) {
        (true, _) => "the settings were left out",
        (false, Lighting::Either) if both_known => "whether flash or continuous light lit it can't be told",
        _ => "the camera's settings are not known",
    }
}

fn uneven(findings: &Findings) -> String {
    let uneven = findings.uneven.as_ref();
    let part = uneven.map_or("part of the frame", |u| u.part.as_str());
    let by = uneven.map(|u| u.by);
    let side = if by.is_some_and(|b| b > Stops::ZERO) { "brighter" } else { "darker" };
    format!(
        "Uneven: {part} is {} {side} against the rest than in the reference. One group may have been left behind, or something moved.",
        size(by)
    )
}

/// What the settings asked of the lights and what the lights did instead.
fn both(findings: &Findings) -> String {
    let asked = findings.expected.map(|e| -e);
    let did = findings.seen().zip(findings.expected).map(|(s, e)| s.drift - e);
    format!(
        "{}: {} asked the lights for {} stop, they changed by {}.",
        over_or_under(findings.drift()),
        what_changed(findings),
        asked.map_or_else(|| "some".to_owned(), |a| a.to_string()),
        did.map_or_else(|| "something else".to_owned(), |d| d.to_string())
    )
}

fn what_changed(findings: &Findings) -> String {
    let Some(reference) = findings.evidence.reference else {
        return "the settings changed".to_owned();
    };
    changes(&reference.settings, &findings.evidence.frame.settings)
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
