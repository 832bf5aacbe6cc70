//! Building the light: until a reference is accepted, a frame is held against the one before it, and what changed is told. Nothing
//! is wrong then, and nobody is asked to turn anything.

use super::facts::Facts;
use super::light_words::brighter_or_darker;
use super::sentence::{brighter_by, clipped, size, what_changed, where_worth_saying};
use super::verdict::{Finding, Observation};
use crate::meter::{CENTRE, Reading, WHOLE};
use crate::photometry::{SAME_SETTING, Stops};
use crate::response::Response;

/// Which frame a sitting's first reference is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FirstReference {
    /// The one that somebody accepts, or the last of two that match before the aperture changes.
    #[default]
    WhenAccepted,
    /// The first that can be one.
    FirstFrame,
}

/// What is found of a frame while the light is built. That nothing changed, and that nothing can be seen, is told as ever.
pub(super) fn finding(finding: Finding, facts: &Facts) -> Finding {
    match finding {
        Finding::Matched | Finding::NotMetered | Finding::NoReference | Finding::NotTrustworthy | Finding::Survey => {
            finding
        }
        // Lights are switched on one by one then.
        Finding::Misfire if facts.is_black_all_over() => finding,
        _ => Finding::Building,
    }
}

/// What changed since the frame before; `None` where what is said of any frame says it.
pub(super) fn say(found: Finding, facts: &Facts) -> Option<String> {
    let changed = match found {
        Finding::Matched => format!("like the frame before{}", where_worth_saying(facts.drift())),
        Finding::NoReference => return Some(first(facts)),
        found if finding(found, facts) != Finding::Building => return None,
        Finding::NewScene => "it shows something else than the frame before".to_owned(),
        Finding::Clipped => return Some(format!("Building the light. {}", clipped(facts))),
        Finding::ColourShifted => {
            let (red, blue) = facts.colour_shift.unwrap_or_default();
            format!(
                "as bright as the frame before, but of another colour (red over green {red}, blue over green {blue})"
            )
        }
        Finding::Uneven => part(facts),
        Finding::Uncertain => {
            format!("it reads {} against the frame before, and may be just like it", brighter_by(facts.drift()))
        }
        _ => whole(facts),
    };
    Some(format!("Building the light: {changed}."))
}

/// A frame darker than this is no reference by itself.
const TOO_DARK_TO_REFER: Stops = Stops(-3.5);

/// Why no other frame can be held against this one, and it can be no reference.
pub fn nothing_to_go_by(observation: &Observation, response: &Response) -> Option<&'static str> {
    // A raw file runs into its end before its picture does: what is left of either can be held against others.
    let readings = [&observation.metered, &observation.second].into_iter().flatten();
    let mut readings = readings.filter_map(|metered| metered.reading(WHOLE)).peekable();
    readings.peek()?;
    let centre = observation.metered.as_ref().and_then(|metered| metered.reading(CENTRE));
    let is_burnt_out = readings.all(Reading::is_mostly_burnt_out);
    let is_dark = centre.is_none_or(|centre| centre.level_by(response) <= TOO_DARK_TO_REFER);
    match (is_burnt_out, is_dark) {
        (true, _) => Some("burnt out"),
        (_, true) => Some("nearly black (a misfire?)"),
        _ => None,
    }
}

fn first(facts: &Facts) -> String {
    if let Some(why) = nothing_to_go_by(facts.evidence.frame, facts.evidence.response) {
        return format!("Metered, but it is {why}: it is nothing to go by, shoot another.");
    }
    // Without contacts a lens tells no aperture.
    let by_itself = match facts.evidence.frame.settings.f_number {
        Some(_) => ", or by itself when two match and then the aperture changes",
        None => "",
    };
    format!(
        "Metered. While you build the light, each frame is held against the one before. It becomes the reference when you accept it \
         ('greyhold accept'){by_itself}."
    )
}

fn part(facts: &Facts) -> String {
    let Some(uneven) = facts.uneven.as_ref() else { return whole(facts) };
    let rest = uneven.elsewhere.map(|rest| match rest.abs() > facts.evidence.tolerance {
        true => format!(", the rest {}", rest.brighter_or_darker()),
        false => ", the rest hardly".to_owned(),
    });
    let than = if facts.settings_changed() { "than the settings explain" } else { "than in the frame before" };
    format!("{} is {} {than}{}", uneven.part, uneven.change.brighter_or_darker(), rest.unwrap_or_default())
}

fn whole(facts: &Facts) -> String {
    let why = match facts.expected.filter(|expected| expected.abs() > SAME_SETTING) {
        None => String::new(),
        Some(_) if facts.settings_explain() => format!(" ({})", what_changed(facts)),
        Some(expected) => {
            format!(
                " ({} by itself makes it {}, the light did the rest)",
                what_changed(facts),
                expected.brighter_or_darker()
            )
        }
    };
    let side = facts.drift().map_or("other", brighter_or_darker);
    format!("{} {side} than the frame before{why}", size(facts.drift()))
}
