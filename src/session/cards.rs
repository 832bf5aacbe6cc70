//! Cards: where each light group stands, what is asked of it, and how sure that is.

use serde::Serialize;

use super::record::Purpose;
use super::remembered::OpenCorrection;
use super::setup::Setup;
use crate::advice::{Finding, Verdict};
use crate::photometry::{DialLimit, Stops};
use crate::rig::solve::SourceChange;
use crate::rig::{DialChange, GroupName, LightGroup, Position, Role};
use crate::wording::counted;

/// What a card says, in one word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CardState {
    /// Nothing is asked of it.
    Rest,
    Up,
    Down,
    /// The others are turned, this one is not.
    Leave,
    /// To be turned for settings that are not shot yet.
    Coming,
    /// Nobody should touch it.
    Hold,
    /// It was told to be set.
    Set,
    /// The end of its range comes first.
    EndOfRange,
}

/// One light group at its stand.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Card {
    pub group: GroupName,
    pub role: Role,
    pub heads: u32,
    pub state: CardState,
    /// What is asked of it is for settings that are not shot yet.
    pub coming: bool,
    /// The present and the new dial position, as the light shows them.
    pub at: Option<String>,
    pub to: Option<String>,
    /// What is asked of it, as the stand is told it, and by how much; for screens that have sentences.
    #[serde(skip)]
    pub turn: Option<(String, Stops)>,
    /// Clicks of the dial; up is positive.
    pub clicks: i32,
    /// The turn in stops, in thirds, for lights of which nobody told the power.
    pub change: Option<String>,
    /// It was told to be set; the end of its range stays in sight all the same.
    pub confirmed: bool,
    /// What to do, in words.
    pub does: String,
    /// How sure that is.
    pub sure: String,
    /// What else would do, at the end of the range.
    pub other_way: Option<String>,
    /// Something was told of it since the last frame.
    pub can_undo: bool,
    /// Every setting of its dial, weakest first.
    pub positions: Vec<String>,
}

pub(super) fn card(group: &LightGroup, setup: &Setup, coming: bool) -> Card {
    let position = setup.position(&group.name);
    let pending = setup.open.as_ref();
    let dial_change = pending.and_then(|p| p.correction.dial_changes.iter().find(|t| t.group == group.name));
    let told = pending.is_some_and(|p| p.is_confirmed(&group.name));
    let verdict = setup.last.as_ref().map(|l| &l.verdict);
    let held = verdict.filter(|v| v.finding.is_hold()).is_some();
    let own = verdict.and_then(|v| v.groups.iter().find(|g| g.groups.contains(&group.name))).map(|g| g.change);
    // That a light can't give enough stays in sight until a frame shows that something else makes up for it: one that was shot since.
    let made_up_for = setup.told_done.is_none() && verdict.is_some_and(|v| v.finding == Finding::Matched);
    let short = position.and_then(|p| p.short_by).filter(|_| told || (dial_change.is_none() && !made_up_for));
    let card_state = match dial_change {
        _ if held => CardState::Hold,
        Some(dial_change) if !told => state_of(dial_change, coming),
        _ if short.is_some() => CardState::EndOfRange,
        Some(_) => CardState::Set,
        None => CardState::Rest,
    };
    let at = position.and_then(Position::power).map(|p| group.shown(p));
    let open = dial_change.filter(|_| !told);
    // Of a look that is gone back to.
    let is_back = pending.is_some_and(|p| matches!(p.purpose, Purpose::Look { .. }));
    let is_told = position.is_some_and(|p| p.told_by().is_some());
    let is_by_eye = is_back && !is_told && setup.since_reference(&group.name).is_none();
    let asked_last = pending.or(setup.told_done.as_ref());
    let other = asked_last.map(|p| &p.correction).and_then(|c| {
        let own = c.other_ways.iter().find(|ways| ways.group == group.name)?;
        Some(c.way_round.clone().unwrap_or_else(|| own.in_words()))
    });
    let is_short = card_state == CardState::EndOfRange && open.is_none();
    Card {
        group: group.name.clone(),
        role: group.role,
        heads: group.heads,
        state: card_state,
        coming: coming && open.is_some() && !held,
        to: open.and_then(|t| t.to.clone()).or_else(|| at.clone()),
        turn: open.map(|t| (t.in_words(), t.change)),
        clicks: open.map_or(0, |t| t.clicks),
        change: open.filter(|t| t.clicks != 0).map(|t| t.change.in_thirds()),
        confirmed: is_short,
        does: match short.filter(|_| card_state == CardState::EndOfRange) {
            Some(short) => at_its_end(short),
            None if is_by_eye && card_state == CardState::Rest => BY_EYE.to_owned(),
            None => does(card_state, group, open, own, at.as_deref()),
        },
        sure: open.filter(|_| !held).map_or_else(String::new, |t| sure(t, pending, own, verdict)),
        other_way: other.filter(|_| card_state == CardState::EndOfRange),
        can_undo: position.is_some_and(|p| p.told_by().is_some()),
        positions: group.positions(),
        at,
    }
}

/// Of a light of which nobody knows where it stood for the look that the others are turned back to.
const BY_EYE: &str = "nobody knows where it stood for this look: set it by eye, and tell its power";

/// `short`: light that is still missing, or too much where it is negative.
fn at_its_end(short: Stops) -> String {
    format!("set at the end of its range, {}", short.too_weak_or_strong())
}

fn state_of(dial_change: &DialChange, coming: bool) -> CardState {
    match dial_change.clicks {
        _ if dial_change.limit != DialLimit::Within => CardState::EndOfRange,
        0 => CardState::Leave,
        _ if coming => CardState::Coming,
        n if n > 0 => CardState::Up,
        _ => CardState::Down,
    }
}

fn does(
    state: CardState,
    group: &LightGroup,
    dial_change: Option<&DialChange>,
    own: Option<SourceChange>,
    at: Option<&str>,
) -> String {
    if state == CardState::Hold {
        return match own {
            Some(SourceChange::NotFired) => "did not fire: check its trigger and cable, leave the power".to_owned(),
            _ => "leave the power as it is".to_owned(),
        };
    }
    let Some(dial_change) = dial_change else {
        return match (state, at) {
            (CardState::Set, _) => "done".to_owned(),
            (_, None) => "nobody has told what it is set to".to_owned(),
            _ => "nothing to do".to_owned(),
        };
    };
    let turn = dial_change.change.up_or_down();
    match (dial_change.clicks.unsigned_abs() as usize, group.dial.is_some()) {
        (0, _) => "leave it".to_owned(),
        (clicks, true) => format!("{turn}, {}", counted(clicks, "click")),
        (_, false) => turn,
    }
}

/// No reading is better than a twentieth of a stop, whatever it says of itself.
fn within_words(half_width: Stops) -> String {
    format!("±{:.1} stop", half_width.0.max(0.1))
}

/// How sure a turn is, and what its rounding leaves over.
fn sure(
    dial_change: &DialChange,
    pending: Option<&OpenCorrection>,
    own: Option<SourceChange>,
    verdict: Option<&Verdict>,
) -> String {
    let answers_drift = pending.is_some_and(|p| matches!(p.purpose, Purpose::Drift { .. }));
    let headline = verdict.and_then(Verdict::headline);
    let whole = headline.and_then(|h| Some((h.half_width?, h.condition)));
    let mut said = match (answers_drift, own, whole) {
        (false, _, _) => "worked out from the settings".to_owned(),
        (true, Some(SourceChange::Changed { half_width, .. }), _) => {
            format!("known to {}, read for this light", within_words(half_width))
        }
        (true, _, Some((within, condition))) => {
            // A condition on the lights speaks of all of them by itself.
            format!("known to {}, {}", within_words(within), condition.unwrap_or("all lights taken together"))
        }
        (true, _, None) => "how sure is not known".to_owned(),
    };
    if dial_change.remainder.is_worth_saying() && dial_change.limit == DialLimit::Within {
        said.push_str(&format!("; the dial's steps leave it {}", dial_change.remainder.too_weak_or_strong()));
    }
    said
}
