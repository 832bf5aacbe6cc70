//! Verdicts in one plain sentence that a person at a light stand can act on.

use super::facts::Facts;
use super::light_words::{self, brighter_or_darker, not_surveyed, untold};
use super::lights::{LightEvidence, moved_with_the_frame};
use super::verdict::{ClippedIn, ClippedSpot, Finding, InsteadOf, NoSuchSpot, ScaleEnd};
use crate::drift::Lighting;
use crate::frame::Settings;
use crate::meter::WHOLE;
use crate::photometry::{SAME_SETTING, Stops};

/// What a finding comes to, in words.
pub(super) fn say(finding: Finding, facts: &Facts) -> String {
    let sentence = match by_the_lights(finding, facts) {
        Some(sentence) => sentence,
        None => of_the_frame(finding, facts),
    };
    let with = [left_out(finding, facts), stood_in(finding, facts)];
    std::iter::once(Some(sentence)).chain(with).flatten().collect::<Vec<_>>().join(" ")
}

/// The lights that the survey left out, where the sentence itself doesn't name them.
fn left_out(finding: Finding, facts: &Facts) -> Option<String> {
    let named = matches!(finding, Finding::Matched | Finding::GroupChanged | Finding::AmbientRisen);
    // Here the lights are not looked at, or what to do is the same whatever the others did.
    let moot = matches!(
        finding,
        Finding::NotMetered
            | Finding::NoReference
            | Finding::NotTrustworthy
            | Finding::Misfire
            | Finding::NewScene
            | Finding::SyncBand
            | Finding::Survey
    );
    let lights = facts.lights().filter(|_| !named && !moot)?;
    not_surveyed(lights).map(|said| format!("{}.", light_words::capital(&said)))
}

/// The spot that stood in for the one that frames are judged by.
fn stood_in(finding: Finding, facts: &Facts) -> Option<String> {
    let compared = !matches!(finding, Finding::NotMetered | Finding::NoReference);
    let judged = facts.spot.as_ref().map(|s| &s.judged).filter(|_| compared)?;
    judged.instead_of.as_ref().map(|of| stands_in(&judged.spot, of))
}

/// The sentence of a finding that the single lights tell.
fn by_the_lights(finding: Finding, facts: &Facts) -> Option<String> {
    let told = matches!(
        finding,
        Finding::GroupChanged
            | Finding::GroupNotFired
            | Finding::GroupWeak
            | Finding::AmbientRisen
            | Finding::ModifierMoved
            | Finding::SyncBand
    );
    let lights = facts.lights().filter(|_| told)?;
    Some(light_words::say(lights, finding, facts.evidence.tolerance))
}

fn of_the_frame(finding: Finding, facts: &Facts) -> String {
    let drift = facts.drift();
    let observed = facts.observed().map(|s| s.drift);
    match finding {
        Finding::NotMetered => "Logged, but its pixels were not metered.".to_owned(),
        Finding::NoReference => "Metered; no reference to compare it with yet.".to_owned(),
        Finding::NotTrustworthy => format!(
            "This camera seems to map the tones of each frame anew, and then its pictures can't tell stops of light (reads {}).",
            amount(observed)
        ),
        Finding::Misfire => misfire(facts),
        Finding::Recycle => format!(
            "{} under, right after the last frame: a flash had not recycled. Hold, leave every power as it is, shoot again.",
            size(observed)
        ),
        Finding::Clipped => clipped(facts),
        Finding::NewScene => {
            "This looks like another scene than the reference's: a new look? Tell the reference, or go on.".to_owned()
        }
        Finding::Uneven => uneven(facts),
        Finding::Matched => {
            let but = facts.lights().and_then(untold).map_or_else(String::new, |untold| format!("; {untold}"));
            format!("Matches the reference ({}){but}.", amount(drift))
        }
        Finding::Uncertain => uncertain(facts),
        Finding::SettingsUnknown => {
            format!("{}, by the light alone: {}.", over_or_under(drift), why_alone(facts))
        }
        Finding::SettingsChanged => {
            format!("{}: {} and the lights were not turned to fit.", over_or_under(drift), what_changed(facts))
        }
        Finding::LightsChanged => {
            let and = which_light(facts);
            let settings = match what_changed(facts).as_str() {
                "settings" => "the settings are the same, the light is not".to_owned(),
                changes => format!("{changes} explains none of it, the light changed"),
            };
            format!("{}: {settings}.{and}", over_or_under(drift))
        }
        Finding::BothChanged => format!("{}{}", both(facts), which_light(facts)),
        Finding::ColourShifted => colour(facts),
        Finding::Survey => "A frame of the light survey.".to_owned(),
        // These are told by the lights, and by nothing else.
        Finding::GroupChanged
        | Finding::GroupNotFired
        | Finding::GroupWeak
        | Finding::AmbientRisen
        | Finding::ModifierMoved
        | Finding::SyncBand => String::new(),
    }
}

/// A curve that knows two stops no better than this is not the camera's own.
const VAGUE_CURVE: Stops = Stops(0.3);

/// Why nothing is suggested when a survey is there and the lights can't be told apart all the same.
fn which_light(facts: &Facts) -> &'static str {
    let open = |l: &&LightEvidence| !l.not_settled().is_empty() && !moved_with_the_frame(&l.groups, facts.drift());
    let two_stops = facts.evidence.response.uncertainty_between(Stops(-1.0), Stops(1.0));
    match facts.lights().as_ref().is_some_and(open) {
        true if two_stops > VAGUE_CURVE => {
            " Which light it was can't be told from this frame, so look at each (with a calibrated camera more can be told)."
        }
        true => " Which light it was can't be told from this frame, so look at each.",
        false => "",
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
        NoSuchSpot::NotInFrame | NoSuchSpot::NotFound => "was not found in this frame",
    };
    format!("Judged by {}, for '{missing}' {why}.", at(spot))
}

fn misfire(facts: &Facts) -> String {
    if facts.lighting == Lighting::Continuous {
        return "The light was off in this frame: hold, leave every power as it is, look to it, shoot again."
            .to_owned();
    }
    let spot = facts.spot.as_ref().map(|s| s.judged.spot.as_str()).filter(|spot| *spot != WHOLE);
    let what = spot.map_or_else(|| "this frame".to_owned(), |spot| format!("'{spot}' in this frame"));
    format!("No flash lit {what}: hold, leave every power as it is, check the trigger, shoot again.")
}

/// Which spot is clipped, how far its light is off at least, and what the settings say.
fn clipped(facts: &Facts) -> String {
    let Some(spot) = &facts.spot else {
        return "It has no spot in common with its reference, so nothing can be compared: set the reference anew."
            .to_owned();
    };
    let name = light_words::capital(&at(&spot.judged.spot));
    let said = match &spot.judged.clipped {
        Some(clipped) => format!("{name} is {}", clipped_in_words(clipped)),
        None => format!("{name} holds too few tones to compare it with the reference"),
    };
    match facts.drift() {
        Some(by_settings) if by_settings.abs() > SAME_SETTING => {
            let why = facts.expected.filter(|e| e.abs() > SAME_SETTING).map(|_| what_changed(facts));
            let why = why.map_or_else(String::new, |changed| format!(" ({changed})"));
            let explains = facts.clipping_bears_out_the_settings();
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
            let side = brighter_or_darker(least);
            let it = if clipped.lies_in == ClippedIn::Reference { ": this frame is " } else { ", " };
            format!("{end}{place}{it}at least {} {side} than the reference", size(Some(least)))
        }
        None => format!("{end}{place}, so how far its light is off can't be told"),
    }
}

// --- the numbers ---

fn uncertain(facts: &Facts) -> String {
    if facts.too_little_is_found() {
        return format!(
            "Reads {} by its tones alone: too little of the reference is found in this frame to say what changed. Shoot another before \
             turning anything.",
            amount(facts.drift())
        );
    }
    let observed = facts.observed();
    let half_width = facts.weighed.as_ref().map(|weighed| weighed.half_width);
    let within = [half_width, observed.map(|s| s.half_width)].into_iter().flatten().fold(0.0_f64, |w, h| w.max(h.0));
    let read = observed.filter(|_| facts.is_too_vague_to_differ()).map(|s| s.drift).or(facts.drift());
    format!(
        "Reads {} but can't be told from a match to within {within:.2}: shoot another before turning anything.",
        amount(read)
    )
}

fn colour(facts: &Facts) -> String {
    let (red, blue) = facts.colour_shift.unwrap_or_default();
    format!(
        "The light matches ({}), its colour doesn't: red over green {red}, blue over green {blue}. Flashes change \
         colour with power, and an automatic white balance with the picture: set the white balance anew.",
        amount(facts.drift())
    )
}

/// Why the settings did not count.
fn why_alone(facts: &Facts) -> &'static str {
    let evidence = facts.evidence;
    let known = |s: &Settings| s.f_number.is_some() && s.iso.is_some() && s.exposure_time.is_some();
    let both_known = evidence.reference.is_some_and(|r| known(&r.settings)) && known(&evidence.frame.settings);
    match (evidence.light_alone, facts.lighting) {
        (true, _) => "the settings were left out",
        (false, Lighting::Either) if both_known => "whether flash or continuous light lit it can't be told",
        _ => "the camera's settings are not known",
    }
}

fn uneven(facts: &Facts) -> String {
    let part = facts.uneven.as_ref().map_or("a part of it", |uneven| uneven.part.as_str());
    let off = |off: Option<Stops>| {
        let side = brighter_or_darker(off.unwrap_or(Stops::ZERO));
        format!("{} {side}", size(off))
    };
    let elsewhere = facts.uneven.as_ref().and_then(|uneven| uneven.elsewhere);
    let than = match (elsewhere, facts.expected) {
        (None, _) => ", against the rest, than in the reference".to_owned(),
        (Some(rest), known) => {
            let than = if known.is_some() { "than the settings explain" } else { "than the frame as a whole" };
            let rest = if rest.abs() <= facts.evidence.tolerance { "hardly".to_owned() } else { off(Some(rest)) };
            format!(" {than}, the rest {rest}")
        }
    };
    let change = facts.uneven.as_ref().map(|uneven| uneven.change);
    let probably = if change.is_some_and(|change| change > Stops::ZERO) {
        "one light was turned up or was left behind"
    } else {
        "one light is out, was turned down or was left behind"
    };
    let survey = match (facts.lights(), facts.lighting) {
        (None, Lighting::Flash) => " During a watch, 'greyhold tell survey' finds out which light it is.",
        _ => "",
    };
    format!(
        "Not all of the frame changed alike: {part} is {}{than}. Probably {probably}, or something moved: look there before \
         turning anything, and shoot again.{survey}",
        off(change),
    )
}

/// What the settings asked of the lights and what the lights did instead.
fn both(facts: &Facts) -> String {
    let asked = facts.expected.map(|e| -e);
    let did = facts.observed().zip(facts.expected).map(|(s, e)| s.drift - e);
    format!(
        "{}: {} asked the lights for {} stop, they changed by {}.",
        over_or_under(facts.drift()),
        what_changed(facts),
        asked.map_or_else(|| "some".to_owned(), |a| a.to_string()),
        did.map_or_else(|| "something else".to_owned(), |d| d.to_string())
    )
}

fn what_changed(facts: &Facts) -> String {
    let Some(reference) = facts.evidence.reference else {
        return "the settings changed".to_owned();
    };
    changes(&reference.settings, &facts.evidence.frame.settings)
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
