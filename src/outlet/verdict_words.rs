//! Judgements, corrections and their ends as lines for a terminal.

use super::paint::{BOLD, DIM, Paint, Showing};
use crate::advice::{Correction, Finding, GroupReading, Verdict};
use crate::photometry::{SAME_SETTING, Stops};
use crate::rig::Known;
use crate::rig::solve::SourceChange;
use crate::session::{How, Judgement, Occasion, PositionRead};

/// What was observed in a file; in logs up to format 4 with what was made of it.
pub(super) fn observed_block(title: &str, verdict: Option<&Verdict>, notes: &[String], showing: Showing) -> String {
    let paint = showing.paint;
    let mut lines = vec![paint.wrap(BOLD, title)];
    lines.extend(verdict.into_iter().flat_map(|verdict| verdict_lines(verdict, showing)));
    lines.extend(notes.iter().map(|note| format!("    {}", paint.wrap(DIM, note))));
    lines.join("\n")
}

/// What was made of an exposure: its verdict, where dials are now taken to be, and what is asked.
pub(super) fn judged_block(judgement: &Judgement, showing: Showing) -> String {
    let paint = showing.paint;
    let anew = match (judgement.supersedes, judgement.occasion) {
        (None, _) => None,
        (_, Occasion::FirstFile | Occasion::FurtherFile) => Some("as a further file landed"),
        (_, Occasion::Light) => Some("by the light of its raw file"),
        (_, Occasion::BetterCurve) => Some("by a curve that is known better"),
        (_, Occasion::OtherSpots) => Some("by the new spots"),
        (_, Occasion::SameSetUp) => Some("as the set-up is the one of before"),
    };
    let title: Vec<String> =
        judgement.file.iter().cloned().chain(anew.map(|how| format!("judged anew, {how}"))).collect();
    let mut lines = Vec::new();
    if !title.is_empty() {
        lines.push(paint.wrap(BOLD, &title.join("  ")));
    }
    lines.extend(verdict_lines(&judgement.verdict, showing));
    lines.extend(judgement.notes.iter().map(|note| format!("    {}", paint.wrap(DIM, note))));
    lines.extend(judgement.positions.iter().filter_map(position_line));
    // What was said of the judgement that this one takes the place of need not be said again.
    let ended = judgement.ended.as_ref().filter(|_| judgement.supersedes.is_none());
    lines.extend(ended.map(|ended| end_line(ended.how)));
    lines.extend(judgement.withdraws.map(|_| end_line(How::Withdrawn)));
    lines.extend(
        judgement
            .correction
            .iter()
            .filter(|asked| asked.still.is_none() || judgement.supersedes.is_none())
            .flat_map(|asked| correction_lines(&asked.correction, paint)),
    );
    lines.join("\n")
}

fn position_line(read: &PositionRead) -> Option<String> {
    let how = match read.known {
        Known::Deduced if read.since_reference.abs() <= SAME_SETTING => return None,
        Known::Deduced => "estimated, if all groups changed alike",
        Known::ReadBySurvey => "read from the picture",
        // That the correction is seen says it.
        _ => return None,
    };
    let at = probably_at(read.shown.as_deref(), Some(read.since_reference))?;
    Some(format!("  {} {at} ({how})", read.group))
}

/// Where a dial is taken to be that nobody told; `None` where neither that nor how far it was turned is known.
pub(super) fn probably_at(shown: Option<&str>, moved: Option<Stops>) -> Option<String> {
    let at = shown.map(|shown| format!("is probably at {shown} now"));
    at.or_else(|| Some(format!("was probably turned {}", moved?.up_or_down())))
}

pub(super) fn end_line(how: How) -> String {
    let said = match how {
        How::Observed => "what was asked was done: the picture shows it",
        How::Confirmed => "what was asked was told to be done",
        How::Withdrawn => "what was asked before no longer holds",
    };
    format!("  {said}")
}

pub(super) fn correction_lines(correction: &Correction, paint: Paint) -> Vec<String> {
    // What is to be turned stands before what stays.
    let (turned, left): (Vec<_>, Vec<_>) = correction.dial_changes.iter().partition(|t| t.clicks != 0);
    let dial_changes = turned.into_iter().chain(left);
    let mut lines: Vec<String> = dial_changes.map(|t| format!("  {}", paint.wrap(BOLD, &t.in_words()))).collect();
    if correction.ratio_error.is_worth_saying() {
        let why =
            if correction.other_ways.is_empty() { "the dials' steps change" } else { "the end of a range changes" };
        lines.push(format!("    {why} the ratio of the lights by {}", correction.ratio_error.size_in_words()));
    }
    let left = correction.dial_changes.iter().map(|t| t.remainder).find(|l| l.is_worth_saying());
    if let Some(left) = left.filter(|_| correction.other_ways.is_empty()) {
        let side = if left > Stops::ZERO { "too dark" } else { "too bright" };
        lines.push(format!("    the dials' steps leave it {} {side}", left.size_in_words()));
    }
    lines.extend(correction.ways_in_words().iter().map(|ways| format!("    {ways}")));
    lines
}

fn verdict_lines(verdict: &Verdict, showing: Showing) -> Vec<String> {
    let mut lines = vec![format!("  {} {}", sign(verdict.finding), verdict.sentence)];
    let mut beside = |text: &str| lines.push(format!("    {}", showing.paint.wrap(DIM, text)));
    if !showing.evidence {
        verdict.proviso().iter().for_each(|text| beside(&format!("({text})")));
        return lines;
    }
    if verdict.drift.is_some() || verdict.observed.is_some() {
        beside(&numbers(verdict));
    }
    if verdict.groups.iter().any(|g| g.change != SourceChange::NotSettled) {
        beside(&each_light(&verdict.groups));
    }
    lines
}

/// What each light did, on one line.
fn each_light(groups: &[GroupReading]) -> String {
    let one = |g: &GroupReading| {
        let did = match g.change {
            SourceChange::Changed { change, half_width } => format!("{change} ±{:.2}", half_width.0),
            SourceChange::NotFired => "out".to_owned(),
            SourceChange::NotSettled => "not settled".to_owned(),
        };
        format!("{} {did}", g.groups.join(" with "))
    };
    format!("each light since it was last read: {}", groups.iter().map(one).collect::<Vec<_>>().join(", "))
}

/// The evidence on one line.
fn numbers(verdict: &Verdict) -> String {
    let shown = |s: Option<Stops>| s.map_or_else(|| "nothing".to_owned(), |s| s.to_string());
    let within = |s: Option<Stops>| s.map_or_else(String::new, |s| format!(" ±{:.2}", s.0));
    let together = verdict.headline().map_or_else(String::new, |h| format!("; together {}", h.in_words()));
    format!(
        "the settings say {}, the light says {}{}{together}",
        shown(verdict.expected),
        shown(verdict.observed),
        within(verdict.observed_uncertainty),
    )
}

/// A sign for each kind of verdict, so that colour is never needed.
fn sign(finding: Finding) -> &'static str {
    match finding {
        Finding::Matched => "=",
        finding if finding.is_hold() => "HOLD",
        finding if finding.is_correctable() => "~",
        Finding::NoReference | Finding::NotMetered | Finding::Survey | Finding::Building => "-",
        Finding::GroupChanged => "~",
        _ => "?",
    }
}
