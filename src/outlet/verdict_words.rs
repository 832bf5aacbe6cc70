//! Judgements, corrections and their ends as lines for a terminal.

use super::paint::{BOLD, DIM, Paint};
use crate::advice::{Correction, Finding, GroupReading, Verdict};
use crate::numbers::RecordNumber;
use crate::photometry::{SAME_SETTING, Stops};
use crate::rig::solve::SourceChange;
use crate::rig::{DialChange, Known};
use crate::session::{How, Judgement, Occasion, PositionRead};

/// What was observed in a file; in logs up to format 4 with what was made of it.
pub(super) fn observed_block(title: &str, verdict: Option<&Verdict>, notes: &[String], paint: Paint) -> String {
    let mut lines = vec![paint.wrap(BOLD, title)];
    lines.extend(verdict.into_iter().flat_map(|verdict| verdict_lines(verdict, paint)));
    lines.extend(notes.iter().map(|note| format!("    {}", paint.wrap(DIM, note))));
    lines.join("\n")
}

/// What was made of an exposure: its verdict, where dials are now taken to be, and what is asked.
pub(super) fn judged_block(judgement: &Judgement, paint: Paint) -> String {
    let anew = match (judgement.supersedes, judgement.occasion) {
        (None, _) => None,
        (_, Occasion::FirstFile | Occasion::FurtherFile) => Some("as a further file landed"),
        (_, Occasion::BetterCurve) => Some("by a curve that is known better"),
        (_, Occasion::OtherSpots) => Some("by the new spots"),
    };
    let title: Vec<String> =
        judgement.file.iter().cloned().chain(anew.map(|how| format!("judged anew, {how}"))).collect();
    let mut lines = Vec::new();
    if !title.is_empty() {
        lines.push(paint.wrap(BOLD, &format!("frame {}  {}", judgement.frame, title.join("  "))));
    }
    lines.extend(verdict_lines(&judgement.verdict, paint));
    lines.extend(judgement.notes.iter().map(|note| format!("    {}", paint.wrap(DIM, note))));
    lines.extend(judgement.positions.iter().filter_map(position_line));
    // What was said of the judgement that this one takes the place of need not be said again.
    let ended = judgement.ended.as_ref().filter(|_| judgement.supersedes.is_none());
    lines.extend(ended.map(|ended| end_line(ended.correction, ended.how)));
    lines.extend(judgement.withdraws.map(|correction| end_line(correction, How::Withdrawn)));
    lines.extend(
        judgement
            .correction
            .iter()
            .filter(|asked| asked.still.is_none())
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
    let at = match &read.shown {
        Some(shown) => format!("is probably at {shown} now"),
        None => format!("has probably moved by {} stop", read.since_reference),
    };
    Some(format!("  {} {at} ({how})", read.group))
}

pub(super) fn end_line(correction: RecordNumber, how: How) -> String {
    let word = match how {
        How::Observed => "is seen in the picture",
        How::Confirmed => "was told to be done",
        How::Withdrawn => "is withdrawn",
    };
    format!("  correction #{correction} {word}")
}

pub(super) fn correction_lines(correction: &Correction, paint: Paint) -> Vec<String> {
    let dial_changes =
        correction.dial_changes.iter().map(|t| format!("  {} {}", arrow(t), paint.wrap(BOLD, &t.in_words())));
    let mut lines: Vec<String> = dial_changes.collect();
    if correction.ratio_error > SAME_SETTING {
        let why =
            if correction.other_ways.is_empty() { "the dials' steps change" } else { "the end of a range changes" };
        lines.push(format!("    {why} the ratio by {:.2} stop", correction.ratio_error.0));
    }
    let left = correction.dial_changes.iter().map(|t| t.remainder).find(|l| l.abs() > Stops(0.02));
    if let Some(left) = left.filter(|_| correction.other_ways.is_empty()) {
        lines.push(format!("    rounding to the dials leaves {left} stop"));
    }
    lines.extend(correction.other_ways.iter().map(|w| format!("    {}", w.in_words())));
    lines
}

fn verdict_lines(verdict: &Verdict, paint: Paint) -> Vec<String> {
    let mut lines = vec![format!("  {} {}", sign(verdict.finding), verdict.sentence)];
    if verdict.drift.is_some() || verdict.observed.is_some() {
        lines.push(format!("    {}", paint.wrap(DIM, &numbers(verdict))));
    }
    if verdict.groups.iter().any(|g| g.change != SourceChange::NotSettled) {
        lines.push(format!("    {}", paint.wrap(DIM, &each_light(&verdict.groups))));
    }
    lines
}

/// What each light did, on one line.
fn each_light(groups: &[GroupReading]) -> String {
    let one = |g: &GroupReading| {
        let did = match g.change {
            SourceChange::Changed { change, half_width } => format!("{change} +-{:.2}", half_width.0),
            SourceChange::NotFired => "out".to_owned(),
            SourceChange::NotSettled => "not settled".to_owned(),
        };
        format!("{} {did}", g.groups.join(" with "))
    };
    format!("each light against what was known of it: {}", groups.iter().map(one).collect::<Vec<_>>().join(", "))
}

/// The evidence on one line.
fn numbers(verdict: &Verdict) -> String {
    let shown = |s: Option<Stops>| s.map_or_else(|| "?".to_owned(), |s| s.to_string());
    let within = |s: Option<Stops>| s.map_or_else(String::new, |s| format!(" +-{:.2}", s.0));
    format!(
        "settings say {}, the light says {}{}, so {}",
        shown(verdict.expected),
        shown(verdict.observed),
        within(verdict.observed_uncertainty),
        verdict.headline().map_or_else(|| "?".to_owned(), |h| h.in_ascii()),
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

fn arrow(dial_change: &DialChange) -> &'static str {
    match dial_change.clicks {
        0 => "  ",
        n if n > 0 => "up",
        _ => "dn",
    }
}
