//! Verdicts in one plain sentence that a person at a light stand can act on.

use super::facts::Facts;
use super::filter_seen::FilterSeen;
use super::filter_words;
use super::judged_spot::{ClippedIn, ClippedSpot, ScaleEnd};
use super::light_words::{self, brighter_or_darker, untold};
use super::lights::{LightEvidence, moved_with_the_frame};
use super::remarks::{at, remarks};
use super::verdict::Finding;
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
    std::iter::once(sentence).chain(remarks(finding, facts)).collect::<Vec<_>>().join(" ")
}

/// The sentence of a finding that the single lights tell.
fn by_the_lights(finding: Finding, facts: &Facts) -> Option<String> {
    let lights = facts.lights().filter(|_| finding.is_of_single_lights())?;
    Some(light_words::say(lights, finding, facts.evidence.tolerance, facts.evidence.passive))
}

fn of_the_frame(finding: Finding, facts: &Facts) -> String {
    let drift = facts.drift();
    let observed = facts.observed().map(|s| s.drift);
    match finding {
        Finding::NotMetered => "Logged, but its pixels were not metered.".to_owned(),
        Finding::NoReference => "Metered; no reference to compare it with yet.".to_owned(),
        Finding::NotTrustworthy => format!(
            "This camera seems to map the tones of each frame anew, and then its pictures can't tell stops of light (it reads {}).",
            brighter_by(observed)
        ),
        Finding::Misfire => misfire(facts),
        Finding::Recycle => format!(
            "{}, right after the last frame: a flash had not recycled. Leave every power as it is, shoot again.",
            over_or_under(observed)
        ),
        Finding::Clipped => clipped(facts),
        Finding::NewScene => {
            "This looks like another scene than the reference. Where it is a new look, make it the reference; else go on."
                .to_owned()
        }
        Finding::Uneven => uneven(facts),
        Finding::FilterUnchanged => filter_words::unchanged(facts),
        Finding::Matched => {
            let but = facts.lights().and_then(untold).map_or_else(String::new, |untold| format!("; {untold}"));
            format!("Matches the reference{}{but}.", where_worth_saying(drift))
        }
        Finding::Uncertain => uncertain(facts),
        Finding::BurningLight => burning(facts),
        Finding::SettingsUnknown => {
            format!("{}, by the light alone: {}.", over_or_under(drift), why_alone(facts))
        }
        Finding::SettingsChanged => match facts.turned() {
            None => format!("{}: {}, and the lights were not turned to fit.", over_or_under(drift), what_changed(facts)),
            Some(turned) => {
                format!("{}, and since the reference they were turned {}.", needed(facts), turned.up_or_down())
            }
        },
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
        | Finding::SyncBand
        // While the light is built, `building` has the words.
        | Finding::Building => String::new(),
    }
}

/// A curve that knows two stops no better than this is not the camera's own.
const VAGUE_CURVE: Stops = Stops(0.3);

/// Why nothing is suggested when a survey is there and the lights can't be told apart all the same.
fn which_light(facts: &Facts) -> String {
    if let Some(other) = the_other(facts) {
        return format!(" {other}: look at it before turning anything.");
    }
    let open = |l: &&LightEvidence| !l.not_settled().is_empty() && !moved_with_the_frame(&l.groups, facts.drift());
    let two_stops = facts.evidence.response.uncertainty_between(Stops(-1.0), Stops(1.0));
    let said = match facts.lights().as_ref().is_some_and(open) {
        true if two_stops > VAGUE_CURVE => {
            " Which light it was can't be told from this frame, so look at each (with a calibrated camera more can be told)."
        }
        true => " Which light it was can't be told from this frame, so look at each.",
        false => "",
    };
    said.to_owned()
}

// --- the spot ---

/// A frame that is darker by more than this was lit by no flash at all; the weakest of several gives more (common practice, no source).
const NOTHING_FIRED: Stops = Stops(-4.0);

fn misfire(facts: &Facts) -> String {
    if facts.lighting == Lighting::Continuous {
        return "The light was off in this frame. Leave every power as it is, check the lamp, shoot again.".to_owned();
    }
    let spot = facts.spot.as_ref().map(|s| s.judged.spot.as_str()).filter(|spot| *spot != WHOLE);
    let what = spot.map_or_else(|| "this frame".to_owned(), |spot| format!("'{spot}' in this frame"));
    if !facts.is_dark_as_without_flash() {
        return format!(
            "The camera says that its flash did not fire in this frame, in {} it did: {}. Leave every power as it is, \
             check the trigger, shoot again.",
            facts.compared_with(),
            over_or_under(facts.drift())
        );
    }
    let cap = if facts.is_black_all_over() { " and that the lens cap is off" } else { "" };
    // So little is missing where one of several flashes fired.
    let beyond = facts.observed().map(|seen| facts.beyond_what_is_known(seen));
    let said = match beyond.is_none_or(|beyond| beyond <= NOTHING_FIRED) {
        true => format!("No flash lit {what}"),
        false => format!("Some of the flashes, or all, did not light {what}"),
    };
    format!("{said}. Leave every power as it is, check the trigger and its cable{cap}, shoot again.")
}

/// Which spot is clipped, how far its light is off at least, and what the settings say.
pub(super) fn clipped(facts: &Facts) -> String {
    let Some(spot) = &facts.spot else {
        return "It has no spot in common with its reference, so nothing can be compared: set the reference anew."
            .to_owned();
    };
    let name = light_words::capital(&at(&spot.judged.spot));
    let reference = facts.compared_with();
    let said = match &spot.judged.clipped {
        Some(clipped) => format!("{name} is {}", clipped_in_words(clipped, reference)),
        None => format!("{name} holds too few tones to compare it with {reference}"),
    };
    match facts.drift() {
        Some(by_settings) if by_settings.abs() > SAME_SETTING => {
            let explains = facts.clipping_bears_out_the_settings();
            let but = if explains { "" } else { ", which doesn't explain it" };
            format!("{said}; {}{but}.", by_what_is_known(facts, by_settings))
        }
        _ if facts.expected.is_some() && facts.is_mostly_burnt_out() && !facts.evidence.building => {
            format!("{said}, with the settings of the reference: look at the lights before turning anything.")
        }
        _ => format!("{said}."),
    }
}

/// How bright the frame is by its settings, and by a turn of the lights that is known.
fn by_what_is_known(facts: &Facts, drift: Stops) -> String {
    let says = brighter_by(Some(drift));
    let settings = facts.settings_changed().then(|| what_changed(facts));
    match (facts.turned().map(Stops::up_or_down), settings) {
        (None, None) => format!("the settings alone say {says}"),
        (None, Some(changed)) => format!("the settings alone say {says} ({changed})"),
        (Some(turned), None) => format!("the lights, turned {turned} since the reference, say {says}"),
        (Some(turned), Some(changed)) => {
            format!("the settings ({changed}) and the lights, turned {turned}, say {says}")
        }
    }
}

fn clipped_in_words(clipped: &ClippedSpot, reference: &str) -> String {
    let end = match clipped.end {
        ScaleEnd::BurntOut => "burnt out",
        ScaleEnd::Black => "black",
    };
    let place = match clipped.lies_in {
        ClippedIn::Frame => "",
        ClippedIn::Reference => &format!(" in {reference}"),
        ClippedIn::Both => &format!(" in this frame and in {reference}"),
    };
    match clipped.at_least {
        Some(least) => {
            let it = if clipped.lies_in == ClippedIn::Reference { ": this frame is " } else { ", " };
            format!("{end}{place}{it}at least {} than {reference}", least.brighter_or_darker())
        }
        None => format!("{end}{place}, so how far its light is off can't be told"),
    }
}

/// Two lights, and one is proved right: it is the other.
fn the_other(facts: &Facts) -> Option<String> {
    light_words::the_other(facts.lights()?, facts.evidence.tolerance)
}

// --- the numbers ---

fn uncertain(facts: &Facts) -> String {
    if facts.filter == Some(FilterSeen::Untold) {
        return filter_words::untold(facts);
    }
    if facts.too_little_is_found() {
        return format!(
            "Reads {} by its tones alone: too little of the reference is found in this frame to say what changed. Shoot another before \
             turning anything.",
            brighter_by(facts.drift())
        );
    }
    if facts.matches() && facts.may_miss_a_light() && !facts.is_too_vague_to_differ() {
        return "The part of the scene that is found is as bright as it should be, but much isn't found, as where one light of several \
                is out. Look at each light, and shoot another before turning anything."
            .to_owned();
    }
    let observed = facts.observed();
    let half_width = facts.weighed.as_ref().map(|weighed| weighed.half_width);
    let within = [half_width, observed.map(|s| s.half_width)].into_iter().flatten().fold(0.0_f64, |w, h| w.max(h.0));
    let read = observed.filter(|_| facts.is_too_vague_to_differ()).map(|s| s.drift).or(facts.drift());
    format!(
        "Reads {}, known only to ±{:.1} stop: it may match. Shoot another before turning anything.",
        brighter_by(read),
        within.max(0.1)
    )
}

fn colour(facts: &Facts) -> String {
    let (red, blue) = facts.colour_shift.unwrap_or_default();
    format!(
        "The light matches{}, its colour doesn't: in stops, red over green {:+.1}, blue over green {:+.1}. Flashes change \
         colour with power, and an automatic white balance with the picture: set the white balance anew.",
        where_worth_saying(facts.drift()),
        in_tenths(red),
        in_tenths(blue)
    )
}

/// A size that is told with its sign; nothing is told as +0.0.
fn in_tenths(stops: Stops) -> f64 {
    stops.to_nearest(Stops(0.1)).0 + 0.0
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

/// A change of the exposure time, of which flash knows nothing, and that shows in the picture.
fn burning(facts: &Facts) -> String {
    let (Some(light), Some(drift)) = (facts.burning, facts.drift()) else { return String::new() };
    let what = if light.may_be_all {
        "light that burns all the time may have lit it, and no flash".to_owned()
    } else {
        format!(
            "light that burns all the time (lamps, daylight) gave about {:.0} % of it in the reference",
            light.share * 100.0
        )
    };
    let instead = if light.may_be_all {
        "If you work by such light, write lighting: continuous in the configuration"
    } else {
        "Go back to the exposure time of the reference, or darken the room"
    };
    format!(
        "{}: {}, so {what}; or a light was turned. {instead}; leave the flashes as they are.",
        over_or_under(Some(drift)),
        what_changed(facts)
    )
}

fn uneven(facts: &Facts) -> String {
    let part = facts.uneven.as_ref().map_or("a part of it", |uneven| uneven.part.as_str());
    let off = |off: Option<Stops>| {
        let side = brighter_or_darker(off.unwrap_or(Stops::ZERO));
        format!("{} {side}", size(off))
    };
    let change = facts.uneven.as_ref().map(|uneven| uneven.change);
    let elsewhere = facts.uneven.as_ref().and_then(|uneven| uneven.elsewhere);
    let than = match (elsewhere, facts.expected) {
        (None, _) => ", against the rest, than in the reference".to_owned(),
        (Some(rest), known) => {
            let than = if known.is_some() { "than the settings explain" } else { "than the frame as a whole" };
            let part = change.map(|change| off(Some(change)));
            let rest = match off(Some(rest)) {
                _ if rest.abs() <= facts.evidence.tolerance => "hardly".to_owned(),
                said if part.as_ref() == Some(&said) => "nearly as much".to_owned(),
                said => said,
            };
            format!(" {than}, the rest {rest}")
        }
    };
    let probably = match (the_other(facts), change.is_some_and(|change| change > Stops::ZERO)) {
        (Some(other), _) => other,
        (None, true) => "Probably one light was turned up or was left behind".to_owned(),
        (None, false) => "Probably one light is out, was turned down or was left behind".to_owned(),
    };
    let survey = match (facts.lights(), facts.lighting) {
        (None, Lighting::Flash) => " During a watch, 'greyhold survey' finds out which light it is.",
        _ => "",
    };
    format!(
        "Not all of the frame changed alike: {part} is {}{than}. {probably}, or something moved: look there before \
         turning anything, and shoot again.{survey}",
        off(change),
    )
}

/// How far the frame is off, and what the settings needed of the lights.
fn needed(facts: &Facts) -> String {
    let needed = match facts.expected {
        Some(expected) if expected.is_worth_saying() => (-expected).up_or_down(),
        Some(_) => "where they were".to_owned(),
        None => "turned".to_owned(),
    };
    format!("{}: {} needs the lights {needed}", over_or_under(facts.drift()), what_changed(facts))
}

/// What the settings needed of the lights and what the lights did instead.
fn both(facts: &Facts) -> String {
    let did = match facts.observed().zip(facts.expected).map(|(seen, expected)| seen.drift - expected) {
        Some(change) if change.is_worth_saying() => change.up_or_down(),
        Some(_) => "where they were".to_owned(),
        None => "otherwise".to_owned(),
    };
    format!("{}, the picture shows them {did}.", needed(facts))
}

pub(super) fn what_changed(facts: &Facts) -> String {
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
    if from.filter != to.filter {
        said.push(format!("{} to {}", from.filter.on_the_lens(), to.filter.on_the_lens()));
    }
    if said.is_empty() { "settings".to_owned() } else { said.join(", ") }
}

fn over_or_under(drift: Option<Stops>) -> String {
    let side = if drift.is_some_and(|d| d > Stops::ZERO) { "too bright" } else { "too dark" };
    format!("{} {side}", size(drift))
}

/// '1/3 stop brighter'.
pub(super) fn brighter_by(stops: Option<Stops>) -> String {
    match stops {
        Some(stops) if stops.is_worth_saying() => stops.brighter_or_darker(),
        Some(_) => "just as bright".to_owned(),
        None => "nothing".to_owned(),
    }
}

/// ' (0.1 stop darker)'; nothing where nobody could act on it.
pub(super) fn where_worth_saying(stops: Option<Stops>) -> String {
    let said = stops.filter(|stops| stops.is_worth_saying());
    said.map_or_else(String::new, |_| format!(" ({})", brighter_by(stops)))
}

pub(super) fn size(stops: Option<Stops>) -> String {
    stops.map_or_else(|| "somewhat".to_owned(), Stops::size_in_words)
}
