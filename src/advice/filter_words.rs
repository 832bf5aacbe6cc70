//! What is said where a frame doesn't bear out the filter that was told.

use super::facts::Facts;

/// The filter that was told, and what stands in its place.
pub(super) fn unchanged(facts: &Facts) -> String {
    let told = facts.evidence.frame.settings.filter;
    let before = facts.evidence.filter_before.unwrap_or_default();
    let (reads, todo) = match (told.is_none(), before.is_none()) {
        (false, true) => (format!("without the {told} filter that was told"), format!("put the {told} on")),
        (true, _) => (format!("with the {before} filter still on the lens"), format!("take the {before} off")),
        _ => (format!("with the {before} filter, and not the {told} that was told"), format!("put the {told} on")),
    };
    format!(
        "The picture reads as {reads}. Leave every power as it is, {todo} and shoot again; or take the word back (greyhold undo filter)."
    )
}

/// With lights that were turned for it, or with neither.
pub(super) fn untold(facts: &Facts) -> String {
    let told = facts.evidence.frame.settings.filter.on_the_lens();
    format!(
        "Matches the reference, with {told} on the lens and the lights turned for it, or with neither done: the picture can't tell. \
         Confirm the powers when both are done (greyhold confirm), and shoot again."
    )
}
