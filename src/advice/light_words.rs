//! What the single lights did, in words.

use super::lights::{ALIKE, Beyond, GroupSeen, LightsSeen, RISEN};
use super::verdict::Cause;
use crate::photometry::Stops;
use crate::rig::solve::Did;

/// The sentence for a cause that the lights told.
pub(super) fn say(lights: &LightsSeen, cause: Cause, tolerance: Stops) -> String {
    match (cause, &lights.beyond) {
        (Cause::SyncBand, Beyond::Band { share }) => format!(
            "A dark band along one long side covers {:.0} % of the frame: the shutter is faster than the flash allows. \
             Hold, leave every power as it is, use a longer exposure time.",
            share * 100.0
        ),
        (Cause::ModifierMoved, Beyond::Modifier { part, by }) => format!(
            "{part} is {:.2} stop {} in a way that no change of power explains: a reflector or modifier moved, or \
             something stands in its light. Look there before turning anything.",
            by.abs().0,
            if *by > Stops::ZERO { "brighter" } else { "darker" },
            part = capital(part),
        ),
        (Cause::GroupNotFired, _) => {
            let out = lights.groups.iter().filter(|g| g.did == Did::NotFired).map(GroupSeen::name);
            format!(
                "{} did not fire: hold, leave every power as it is, check its trigger and cable, shoot again.",
                out.collect::<Vec<_>>().join(" and ")
            )
        }
        (Cause::GroupWeak, _) => lights.weak().next().map_or_else(String::new, |g| {
            let fell = if let Did::Changed { by, .. } = g.did { by.abs().0 } else { 0.0 };
            format!(
                "{} was {fell:.2} stop weak, right after the last frame: it had not recycled. Hold, leave every power \
                 as it is, shoot again.",
                g.name()
            )
        }),
        (Cause::AmbientRisen, _) => more_room_light(lights),
        _ => changed(lights, tolerance),
    }
}

fn more_room_light(lights: &LightsSeen) -> String {
    let rose = match lights.ambient {
        Did::Changed { by, .. } if by >= RISEN => format!("rose by {by} stop since the survey"),
        _ if lights.room_share > lights.room_limit => {
            format!("is {:.0} % of the frame's at these settings", lights.room_share * 100.0)
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

fn changed(lights: &LightsSeen, tolerance: Stops) -> String {
    let wrong = |g: &&GroupSeen| g.settled().is_some_and(|o| o.abs() > tolerance);
    let mut parts: Vec<String> = lights.groups.iter().filter(wrong).map(say_off).collect();
    let right: Vec<String> =
        lights.groups.iter().filter(|g| g.settled().is_some() && !wrong(g)).map(GroupSeen::name).collect();
    if !right.is_empty() {
        let are = if right.len() == 1 { "is as it should be" } else { "are as they should be" };
        parts.push(format!("{} {are}", right.join(" and ")));
    }
    let open: Vec<String> = lights.groups.iter().filter(|g| g.settled().is_none()).map(GroupSeen::name).collect();
    if !open.is_empty() {
        parts.push(format!("{} can't be told from this frame", open.join(" and ")));
    }
    parts.extend(not_surveyed(lights));
    format!("{}.", capital(&parts.join("; ")))
}

fn say_off(group: &GroupSeen) -> String {
    let off = group.off.unwrap_or(Stops::ZERO);
    let side = if off > Stops::ZERO { "too bright" } else { "too dark" };
    let size = format!("{} is {:.2} stop {side}", group.name(), off.abs().0);
    match group.did {
        Did::Changed { by, .. } if by.abs() <= ALIKE && group.asked.is_some() => format!("{size}: it was not turned"),
        Did::Changed { by, .. } if by.abs() <= ALIKE => size,
        Did::Changed { by, half_width } => format!("{size}: it changed by {by} +-{:.2}", half_width.0),
        _ => size,
    }
}

/// The groups of which this frame tells nothing, with why; `None` when it tells something of each.
pub(super) fn untold(lights: &LightsSeen) -> Option<String> {
    let open = lights.not_settled();
    let open = (!open.is_empty()).then(|| format!("{} can't be told from this frame", open.join(" and ")));
    let parts: Vec<String> = [open, not_surveyed(lights)].into_iter().flatten().collect();
    (!parts.is_empty()).then(|| parts.join("; "))
}

/// The groups that the survey left out.
pub(super) fn not_surveyed(lights: &LightsSeen) -> Option<String> {
    let left_out = &lights.not_surveyed;
    let them = if left_out.len() == 1 { "it" } else { "them" };
    (!left_out.is_empty()).then(|| format!("{} can't be told: the survey left {them} out", left_out.join(" and ")))
}

pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
