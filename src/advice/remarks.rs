//! What is said of a frame beside its finding: what was left out, what stood in, what else is not as it was.

use super::facts::Facts;
use super::judged_spot::{InsteadOf, NoSuchSpot};
use super::light_words::{self, not_surveyed};
use super::lights::{ALIKE, GroupReading};
use super::verdict::Finding;
use crate::drift::EvidenceUsed;
use crate::frame::Settings;
use crate::meter::WHOLE;
use crate::photometry::{SAME_SETTING, Stops};
use crate::rig::solve::SourceChange;

/// A sentence each.
pub(super) fn remarks(finding: Finding, facts: &Facts) -> impl Iterator<Item = String> {
    let contradicted = contradicted_of_one(facts).or_else(|| contradicted_of_all(facts));
    let compared = compared(finding, facts);
    let [camera, turned] = [another_camera, turned_camera].map(|said| compared.and_then(|pair| said(pair, facts)));
    [left_out(finding, facts), stood_in(finding, facts), contradicted, camera, turned].into_iter().flatten()
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
            | Finding::FilterUnchanged
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

fn stands_in(spot: &str, InsteadOf { spot: missing, why }: &InsteadOf) -> String {
    let why = match why {
        NoSuchSpot::Moved => "was moved since the reference was metered",
        NoSuchSpot::NotInReference => "is not in the reference",
        NoSuchSpot::NotInFrame | NoSuchSpot::NotFound => "was not found in this frame",
    };
    format!("Judged by {}, for '{missing}' {why}.", at(spot))
}

/// A spot by its name; the whole frame by itself.
pub(super) fn at(spot: &str) -> String {
    if spot == WHOLE { "the whole frame".to_owned() } else { format!("'{spot}'") }
}

/// A light that was told to be turned, and which the picture shows otherwise.
fn contradicted_of_one(facts: &Facts) -> Option<String> {
    let group = |group: &GroupReading| {
        let told = group.told?;
        let SourceChange::Changed { change, .. } = group.change else { return None };
        let name = group.name();
        (change.abs() > ALIKE).then(|| {
            let shows = match (change + told).abs() <= ALIKE {
                true => "that it was not".to_owned(),
                false => format!("it turned {}", (told + change).up_or_down()),
            };
            let name = light_words::capital(&name);
            format!("{name} was told to be turned {}, but the picture shows {shows}.", told.up_or_down())
        })
    };
    let said: Vec<String> = facts.lights()?.groups.iter().filter_map(group).collect();
    (!said.is_empty()).then(|| said.join(" "))
}

/// The same of all lights alike, where no survey tells them apart.
fn contradicted_of_all(facts: &Facts) -> Option<String> {
    let told = facts.evidence.told.filter(|told| told.abs() > SAME_SETTING)?;
    let moved = facts.evidence.moved?;
    let by_the_light = facts.weighed.as_ref().is_some_and(|weighed| weighed.evidence_used == EvidenceUsed::Light);
    let observed = facts.observed().filter(|_| by_the_light && facts.lights().is_none())?;
    let seen = observed.drift - facts.expected? - (moved - told);
    let apart = (seen - told).abs();
    if apart <= facts.evidence.tolerance || apart <= observed.half_width {
        return None;
    }
    let shows = match seen.abs() <= Stops(ALIKE.0.max(observed.half_width.0)) {
        true => "that they were not".to_owned(),
        false => format!("them turned {}", seen.up_or_down()),
    };
    Some(format!("The lights were told to be turned {}, but the picture shows {shows}.", told.up_or_down()))
}

/// The frame and what it was compared with, where it was.
fn compared<'a>(finding: Finding, facts: &'a Facts) -> Option<[&'a Settings; 2]> {
    let reference =
        facts.evidence.reference.filter(|_| !matches!(finding, Finding::NotMetered | Finding::NoReference))?;
    Some([&reference.settings, &facts.evidence.frame.settings])
}

/// Another camera exposes, and renders, a little otherwise.
fn another_camera([was, is]: [&Settings; 2], facts: &Facts) -> Option<String> {
    let differs = |a: &Option<String>, b: &Option<String>| a.as_ref().zip(b.as_ref()).is_some_and(|(a, b)| a != b);
    let reference = facts.compared_with();
    if differs(&was.camera, &is.camera) {
        let name = |settings: &Settings| settings.camera.clone().unwrap_or_default();
        return Some(format!(
            "It was shot with another camera ({}) than {reference} ({}): a part of the difference may be theirs.",
            name(is),
            name(was)
        ));
    }
    differs(&was.body, &is.body).then(|| {
        format!(
            "It was shot with another body of the same model than {reference}: a part of the difference may be theirs."
        )
    })
}

/// The camera was turned by a quarter: the frame shows another part of the scene.
fn turned_camera([was, is]: [&Settings; 2], facts: &Facts) -> Option<String> {
    let is_upright = match facts.evidence.alignment() {
        Some((alignment, _)) => alignment.sides.map(|[width, height]| height > width),
        None => [was, is].map(|settings| settings.orientation >= 5),
    };
    let reference = facts.compared_with();
    match is_upright {
        [false, true] => Some(format!("The camera was held upright, for {reference} it was not.")),
        [true, false] => Some(format!("The camera was held level, for {reference} upright.")),
        _ => None,
    }
}
