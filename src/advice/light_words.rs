//! What the single lights did, in words.

use super::lights::{ALIKE, GroupReading, LightEvidence, RISEN, Unexplained};
use super::verdict::Finding;
use crate::photometry::Stops;
use crate::rig::Passive;
use crate::rig::solve::SourceChange;
use crate::wording::listed;

/// The sentence for a finding that the lights told. `passive`: the only passive thing of the set.
pub(super) fn say(lights: &LightEvidence, finding: Finding, tolerance: Stops, passive: Option<&Passive>) -> String {
    match (finding, &lights.unexplained) {
        (Finding::SyncBand, Unexplained::Band { share }) => format!(
            "A dark band along one long side covers {:.0} % of the frame: the shutter is faster than the flash allows. \
             Leave every power as it is, use a longer exposure time.",
            share * 100.0
        ),
        (Finding::ModifierMoved, Unexplained::Modifier { part, change, or }) => {
            let passive = passive.filter(|passive| passive.may_reach(part));
            let part = match change.is_worth_saying() {
                true => format!("{} is {}", capital(part), change.brighter_or_darker()),
                false => format!("{} is lit otherwise", capital(part)),
            };
            match or {
                None => {
                    let moved = passive.map_or_else(
                        || "a reflector or modifier moved".to_owned(),
                        |passive| format!("{passive} may have moved, or a modifier"),
                    );
                    format!(
                        "{part} in a way that no change of power explains: {moved}, or something stands in its light. Look there \
                         before turning anything."
                    )
                }
                Some((group, by)) => format!(
                    "{part}: {}, or {group} got {}. Look there, and at {group}'s dial, before turning anything.",
                    passive.map_or_else(
                        || "either something new lights or shades it, as a reflector does".to_owned(),
                        |passive| format!("perhaps {passive} moved, or something new lights or shades that part"),
                    ),
                    by.brighter_or_darker()
                ),
            }
        }
        (Finding::GroupNotFired, _) => {
            let out = lights.groups.iter().filter(|g| g.change == SourceChange::NotFired).map(GroupReading::name);
            format!(
                "{} did not fire. Leave every power as it is, check its trigger and cable, shoot again.",
                capital(&listed(&out.collect::<Vec<_>>()))
            )
        }
        (Finding::GroupWeak, _) => lights.weak().next().map_or_else(String::new, |g| {
            let fell = if let SourceChange::Changed { change, .. } = g.change { change } else { Stops::ZERO };
            format!(
                "{} was {} weak, right after the last frame: it had not recycled. Leave every power as it is, shoot again.",
                capital(&g.name()),
                fell.size_in_words()
            )
        }),
        (Finding::AmbientRisen, _) => more_ambient(lights),
        _ => changed(lights, tolerance),
    }
}

fn more_ambient(lights: &LightEvidence) -> String {
    let rose = match lights.ambient {
        SourceChange::Changed { change, .. } if change >= RISEN => {
            format!("rose by {} since the survey", change.size_in_words())
        }
        _ if lights.ambient_share > lights.ambient_limit => {
            format!("is {:.0} % of the frame's at these settings", lights.ambient_share * 100.0)
        }
        _ => "is more than at the survey".to_owned(),
    };
    let flashes = match not_surveyed(lights) {
        Some(left_out) => format!("the surveyed flashes are as they should be, and {left_out}"),
        None => "the flashes are as they should be".to_owned(),
    };
    format!(
        "The room's light {rose}; {flashes}. Switch it off, shade the window, or use a shorter exposure time within the sync \
         speed."
    )
}

fn changed(lights: &LightEvidence, tolerance: Stops) -> String {
    let wrong = |g: &&GroupReading| g.settled().is_some_and(|o| o.abs() > tolerance);
    let mut parts: Vec<String> = lights.groups.iter().filter(wrong).map(say_off).collect();
    let right: Vec<String> =
        lights.groups.iter().filter(|g| g.settled().is_some() && !wrong(g)).map(GroupReading::name).collect();
    if !right.is_empty() {
        parts.push(as_they_should_be(&right));
    }
    let open: Vec<String> = lights.groups.iter().filter(|g| g.settled().is_none()).map(GroupReading::name).collect();
    if !open.is_empty() {
        parts.push(format!("{} can't be told from this frame", listed(&open)));
    }
    parts.extend(not_surveyed(lights));
    format!("{}.", capital(&parts.join("; ")))
}

fn say_off(group: &GroupReading) -> String {
    let deviation = group.deviation.unwrap_or(Stops::ZERO);
    let side = if deviation > Stops::ZERO { "too bright" } else { "too dark" };
    let size = format!("{} is {} {side}", group.name(), deviation.size_in_words());
    match group.change {
        SourceChange::Changed { change, .. } if change.abs() <= ALIKE && group.asked.is_some() => {
            format!("{size}: it was not turned")
        }
        // What it did says something new only where that is not how far it is off.
        SourceChange::Changed { change, .. } if change.abs() > ALIKE && (change - deviation).abs() > ALIKE => {
            format!("{size}: it went {}", change.up_or_down())
        }
        _ => size,
    }
}

/// All lights but one are proved right: then it is the other.
pub(super) fn the_other(lights: &LightEvidence, tolerance: Stops) -> Option<String> {
    let (settled, open): (Vec<_>, Vec<_>) = lights.groups.iter().partition(|g| g.settled().is_some());
    let are_right = settled.iter().all(|g| g.settled().is_some_and(|off| off.abs() <= tolerance));
    let ([other], true, false) = (open.as_slice(), are_right && lights.not_surveyed.is_empty(), settled.is_empty())
    else {
        return None;
    };
    let right: Vec<String> = settled.iter().map(|g| g.name()).collect();
    Some(format!("{}, so it is probably {}", capital(&as_they_should_be(&right)), other.name()))
}

/// 'key and rim are as they should be'.
fn as_they_should_be(names: &[String]) -> String {
    let are = if names.len() == 1 { "is as it should be" } else { "are as they should be" };
    format!("{} {are}", listed(names))
}

/// The groups of which this frame tells nothing, with why; `None` when it tells something of each.
pub(super) fn untold(lights: &LightEvidence) -> Option<String> {
    let open = lights.not_settled();
    let open = (!open.is_empty()).then(|| format!("{} can't be told from this frame", listed(&open)));
    let parts: Vec<String> = [open, not_surveyed(lights)].into_iter().flatten().collect();
    (!parts.is_empty()).then(|| parts.join("; "))
}

/// The groups that the survey left out.
pub(super) fn not_surveyed(lights: &LightEvidence) -> Option<String> {
    let left_out = &lights.not_surveyed;
    let them = if left_out.len() == 1 { "it" } else { "them" };
    (!left_out.is_empty()).then(|| format!("{} can't be told: the survey left {them} out", listed(left_out)))
}

pub(super) fn brighter_or_darker(change: Stops) -> &'static str {
    if change > Stops::ZERO { "brighter" } else { "darker" }
}

pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::{PassiveKind, Side, Stands};

    fn group(name: &str, change: SourceChange) -> GroupReading {
        let deviation = matches!(change, SourceChange::Changed { .. }).then_some(Stops::ZERO);
        GroupReading { groups: vec![name.into()], change, deviation, asked: None, told: None }
    }

    fn evidence(groups: Vec<GroupReading>) -> LightEvidence {
        LightEvidence {
            groups,
            not_surveyed: Vec::new(),
            ambient: SourceChange::NotSettled,
            ambient_share: 0.0,
            ambient_limit: 0.05,
            unexplained: Unexplained::Nothing,
            soon: false,
            left_over: None,
        }
    }

    #[test]
    fn of_two_lights_it_is_the_one_that_is_not_proved_right() {
        let right = SourceChange::Changed { change: Stops::ZERO, half_width: Stops(0.08) };
        let tolerance = Stops(0.15);
        let said = |groups: Vec<GroupReading>| the_other(&evidence(groups), tolerance);
        let two = said(vec![group("key", right), group("fill", SourceChange::NotSettled)]);
        assert_eq!(two.as_deref(), Some("Key is as it should be, so it is probably fill"));
        // Where two can't be told, or one is off, nothing follows for a third.
        let open = || group("fill", SourceChange::NotSettled);
        assert_eq!(said(vec![group("key", right), open(), group("rim", SourceChange::NotSettled)]), None);
        let off = GroupReading { deviation: Some(Stops(0.5)), ..group("key", right) };
        assert_eq!(said(vec![off, open()]), None);
        assert_eq!(said(vec![open()]), None);
    }

    #[test]
    fn the_only_passive_thing_of_the_set_is_named_where_one_may_have_moved() {
        let said = |or: Option<(String, Stops)>, passive: Option<&Passive>| {
            let unexplained = Unexplained::Modifier { part: "the left third".to_owned(), change: Stops(-0.5), or };
            let lights = LightEvidence { unexplained, ..evidence(Vec::new()) };
            say(&lights, Finding::ModifierMoved, Stops(0.15), passive)
        };
        let card = |name: &str| Passive {
            name: name.to_owned(),
            kind: PassiveKind::Reflector,
            side: None,
            stands: Stands::default(),
            note: None,
        };
        let (silver, white) = (card("silver card"), card("white reflector"));
        let none = said(None, None);
        assert!(none.contains("a reflector or modifier moved, or something stands"), "{none}");
        let one = said(None, Some(&silver));
        assert!(one.contains("the reflector silver card may have moved, or a modifier, or something stands"), "{one}");
        assert!(said(None, Some(&white)).contains(": the white reflector may have moved"));
        let or = said(Some(("fill".to_owned(), Stops(-0.5))), Some(&silver));
        assert!(or.contains(": perhaps the reflector silver card moved") && or.contains("or fill got"), "{or}");
        // One that stands on the other side is none of it.
        let right = Passive { side: Some(Side::Right), ..silver };
        assert_eq!((said(None, Some(&right)), said(None, None)), (none.clone(), none));
    }
}
