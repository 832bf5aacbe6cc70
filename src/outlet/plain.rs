//! Records as text for a terminal: one readable block each, in which nothing but our own paint steers the terminal.

use std::borrow::Cow;
use std::fmt::Write;

use serde_json::Value;

use super::paint::BOLD;
pub use super::paint::{Paint, Showing};
use super::verdict_words::{correction_lines, end_line, judged_block, observed_block, probably_at};
use crate::photometry::SAME_SETTING;
use crate::response::RAW;
use crate::session::{
    Body, FIRST_LOOK, Learning, MeasuredSharpness, PowerSource, Purpose, Record, ReferenceBy, SetUpIs, SittingStep,
    SurveyStep,
};
use crate::wording::counted;

/// The block for a record; `None` for those that only matter to the log.
pub fn block(record: &Record, showing: impl Into<Showing>) -> Option<String> {
    match cleaned(record) {
        Some(record) => block_of(&record, showing.into()),
        None => Some(format!("! record {} can't be shown: its text can't be cleaned", record.n)),
    }
}

/// The record without characters that steer a terminal or begin a line, wherever they came in: camera names, notes,
/// file names, reasons. Every text is reached, those of tomorrow's records, too.
fn cleaned(record: &Record) -> Option<Cow<'_, Record>> {
    let json = serde_json::to_string(record).ok()?;
    // Most records have nothing to clean. JSON writes the rest of the control characters behind a backslash.
    if !json.contains(|c| c == '\\' || steers(c)) {
        return Some(Cow::Borrowed(record));
    }
    let mut value: Value = serde_json::from_str(&json).ok()?;
    clean(&mut value);
    serde_json::from_value(value).ok().map(Cow::Owned)
}

fn clean(value: &mut Value) {
    match value {
        Value::String(text) => *text = on_one_line(text),
        Value::Array(values) => values.iter_mut().for_each(clean),
        Value::Object(fields) => {
            let taken = std::mem::take(fields);
            fields.extend(taken.into_iter().map(|(key, mut value)| {
                clean(&mut value);
                (on_one_line(&key), value)
            }));
        }
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

/// Text from elsewhere on one line: its line ends become spaces, so that none of it passes for a line of ours.
fn on_one_line(text: &str) -> String {
    printable(&text.replace(['\n', '\r', '\t'], " "))
}

fn block_of(record: &Record, showing: Showing) -> Option<String> {
    let paint = showing.paint;
    let text = match &record.body {
        Body::Frame(frame) => {
            let meanwhile = if frame.found_at_start { "  (landed meanwhile)" } else { "" };
            let title = format!("{}  {}{meanwhile}", frame.file, frame.observation.settings.in_short());
            observed_block(&title, frame.verdict.as_ref(), &frame.notes, showing)
        }
        Body::FileAdded { file, observed: Some(added), .. } => {
            let is_raw = match &added.verdict {
                Some(verdict) => verdict.response.as_deref() == Some(RAW),
                None => added.metered.is_raw(),
            };
            let counts = if is_raw { "  (the raw file counts)" } else { "" };
            let title = format!("{}  {}{counts}", file, added.settings.in_short());
            observed_block(&title, added.verdict.as_ref(), &added.notes, showing)
        }
        Body::FileAdded { file, .. } => format!("  {file} is another file of that exposure"),
        Body::FileRemoved { files, .. } => {
            let (is, it) = if files.len() == 1 { ("is", "it") } else { ("are", "them") };
            let files = files.join(" and ");
            format!("  {files} {is} gone from the folder; what was seen in {it} stays in the log")
        }
        // By which curve a frame is read that is compared with none is nothing to see.
        Body::Judged(judgement) if judgement.says_nothing_new() => return None,
        Body::Judged(judgement) => judged_block(judgement, showing),
        Body::Response { of, how, frames, uncertainty, .. } => {
            let from = match how {
                Learning::RawBesidePicture => "raw files beside their pictures",
                Learning::SettingsAlone => "settings that changed and came back under one light",
                Learning::Survey => "the survey, whose lights add up",
            };
            format!(
                "  learned how {} renders light, from {from} ({}): two stops are now known to ±{:.2}, before to ±{:.2}",
                of.camera.as_deref().unwrap_or("this camera"),
                counted(frames.len(), "frame"),
                uncertainty[1].0,
                uncertainty[0].0
            )
        }
        Body::Correction { purpose, correction, sentence } => {
            let title = matches!(purpose, Purpose::Next { .. } | Purpose::Look { .. }).then(|| format!("  {sentence}"));
            title.into_iter().chain(correction_lines(correction, paint)).collect::<Vec<_>>().join("\n")
        }
        Body::Resolved { how, .. } => end_line(*how),
        Body::Power { group, shown, moved, source: PowerSource::Inferred, .. } => {
            let moved = moved.filter(|m| m.abs() > SAME_SETTING)?;
            let at = probably_at(shown.as_deref(), Some(moved))?;
            format!("  {group} {at} (estimated, if all groups changed alike)")
        }
        Body::Power { group, shown: Some(shown), source: PowerSource::Told, .. } => format!("  {group} is at {shown}"),
        Body::Undone { group, .. } => format!("  {group}: taken back, it stands as before"),
        Body::Filter { density } => format!("  from the next frame on: {} on the lens", density.on_the_lens()),
        Body::Remetered { file, .. } => format!("  {} is read by the new spots", file),
        Body::Reference { look, file, by, .. } => reference_line(look, file, *by)?,
        Body::NewSitter => "  a new sitter: the powers stay, the next frame is the reference".to_owned(),
        Body::Look { look } => format!("  frames are compared with look '{look}'"),
        Body::Skipped { file, why, .. } => format!("{} was passed over: {why}", file),
        Body::Warning { text } => format!("! {text}"),
        Body::Sitting { step } => sitting_line(step),
        Body::Survey { step, next } => survey_block(step, next.as_deref(), paint)?,
        Body::Power { group, shown, moved, source: PowerSource::Read, .. } => {
            format!("  {group} {} (read from the picture)", probably_at(shown.as_deref(), *moved)?)
        }
        Body::Sharpness(measured) => sharpness_lines(measured)?,
        Body::Note { text } => format!("  note: {}", text),
        Body::ExistingFiles { files, .. } if !files.is_empty() => {
            let (were, are) = if files.len() == 1 { ("was", "is") } else { ("were", "are") };
            format!("  {} {were} there before and {are} taken as known", counted(files.len(), "photograph"))
        }
        _ => return None,
    };
    Some(text)
}

/// Below the light's sentence, with why a spot can't be told, and why the frame is softer or sharper, where that is known.
fn sharpness_lines(measured: &MeasuredSharpness) -> Option<String> {
    let mut lines = vec![format!("{}: {}", measured.file, measured.in_words()?)];
    lines.extend(measured.untold());
    lines.extend(measured.cause.clone());
    Some(format!("  {}", lines.join("\n  ")))
}

/// What a frame is to the others; `None` while the light is built from frame to frame, which each frame's own sentence says.
fn reference_line(look: &str, file: &str, by: ReferenceBy) -> Option<String> {
    let why = match by {
        ReferenceBy::Building => return None,
        ReferenceBy::Told | ReferenceBy::FirstFrame => "",
        ReferenceBy::Accepted => " (accepted)",
        ReferenceBy::BeforeAperture => " (it matched, and then the aperture changed)",
        ReferenceBy::NewSitter => " (the new sitter's first)",
    };
    Some(format!("  {file} is the reference{why}{}", of_look(look)))
}

/// The look, where it has a name that somebody gave.
fn of_look(look: &str) -> String {
    if look == FIRST_LOOK { String::new() } else { format!(" of look '{look}'") }
}

fn sitting_line(step: &SittingStep) -> String {
    match step {
        SittingStep::Began { sitting, name, set_up, .. } => {
            let name = name.as_ref().map_or_else(String::new, |name| format!(" ({name})"));
            format!("  sitting {sitting}{name} begins{}", set_up.map_or("", set_up_in_words))
        }
        SittingStep::Named { name } => format!("  the sitting is named '{name}'"),
        SittingStep::Ended => "  the sitting is ended: the next frame begins another one".to_owned(),
        SittingStep::SetUp { is } => format!("  the sitting goes on{}", set_up_in_words(*is)),
    }
}

fn set_up_in_words(is: SetUpIs) -> &'static str {
    match is {
        SetUpIs::Same => " with the set-up of the one before",
        SetUpIs::New => " with a new set-up: no look and no power of the one before holds",
    }
}

fn survey_block(step: &SurveyStep, next: Option<&str>, paint: Paint) -> Option<String> {
    let mut lines = match step {
        SurveyStep::Begun { skipped, .. } if skipped.is_empty() => vec!["  light survey".to_owned()],
        SurveyStep::Begun { skipped, .. } => vec![format!("  light survey, without {}", skipped.join(", "))],
        SurveyStep::Skipped { group } => vec![format!("  {group} is left out of the survey")],
        SurveyStep::Stopped => vec!["  the survey is given up".to_owned()],
        SurveyStep::Finished { report } => report.in_words().iter().map(|l| format!("  {l}")).collect(),
        // The frame's own sentence says it.
        SurveyStep::Taken { .. } | SurveyStep::Refused { .. } => Vec::new(),
    };
    lines.extend(next.map(|next| format!("  now {}", paint.wrap(BOLD, next))));
    (!lines.is_empty()).then(|| lines.join("\n"))
}

/// File names and notes come from outside: no character that steers the terminal reaches it.
pub fn printable(text: &str) -> String {
    text.chars().map(|c| if steers(c) { '\u{fffd}' } else { c }).collect()
}

/// The same line by line.
pub fn printable_lines(text: &str) -> String {
    text.lines().map(printable).collect::<Vec<_>>().join("\n")
}

/// JSON that means the same, and steers no terminal: what a terminal would heed stands in it as an escape.
pub fn printable_json(json: &str) -> String {
    let mut text = String::with_capacity(json.len());
    for c in json.chars() {
        if steers(c) {
            // All of them lie below U+10000.
            let _ = write!(text, "\\u{:04x}", u32::from(c));
        } else {
            text.push(c);
        }
    }
    text
}

/// Control characters, and the signs that turn the direction of writing or end a line (Unicode Standard Annex 9,
/// `Bidi_Control`; line and paragraph separator).
fn steers(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Records of every kind that has text in it.
    fn records() -> Vec<Value> {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/golden");
        let logs = std::fs::read_dir(folder).unwrap().flatten().map(|e| e.path());
        let text: String = logs
            .filter(|p| p.extension().is_some_and(|e| e == "jsonl"))
            .map(|p| std::fs::read_to_string(p).unwrap())
            .collect();
        let mut records: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
        records.sort_by_key(|r| r["type"].to_string());
        // A few of each kind: they hold the same texts.
        let mut kept: Vec<Value> = Vec::new();
        for record in records {
            if kept.iter().filter(|k| k["type"] == record["type"]).count() < 4 {
                kept.push(record);
            }
        }
        kept.push(serde_json::json!({"v": 4, "n": 1, "at": "2026-03-02T10:00:00Z", "type": "warning", "text": "x"}));
        kept.push(serde_json::json!({"v": 4, "n": 1, "at": "2026-03-02T10:00:00Z", "type": "note", "text": "x"}));
        kept.push(serde_json::json!({"v": 4, "n": 1, "at": "2026-03-02T10:00:00Z", "type": "skipped", "file": "x", "why": "y"}));
        kept
    }

    /// Every way to the texts in a record.
    fn texts(value: &Value, way: &str, found: &mut Vec<String>) {
        match value {
            Value::String(_) => found.push(way.to_owned()),
            Value::Array(values) => {
                values.iter().enumerate().for_each(|(i, v)| texts(v, &format!("{way}/{i}"), found));
            }
            Value::Object(fields) => fields.iter().for_each(|(k, v)| texts(v, &format!("{way}/{k}"), found)),
            _ => {}
        }
    }

    fn assert_calm(text: &str) {
        let bare = text.replace("\u{1b}[1m", "").replace("\u{1b}[2m", "").replace("\u{1b}[0m", "");
        let steering: Vec<char> = bare.chars().filter(|c| *c != '\n' && steers(*c)).collect();
        assert!(steering.is_empty(), "{steering:?} in {text:?}");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        #[test]
        fn whatever_a_record_holds_the_terminal_is_not_steered(
            hostile in "[a-z \\x00-\\x1f\\x7f-\\x9f\u{2028}\u{202e}\u{2066}\\[\\]m;0-9]{1,40}",
        ) {
            let mut shown = 0;
            for record in records() {
                let mut ways = Vec::new();
                texts(&record, "", &mut ways);
                let as_it_is: Record = serde_json::from_value(record.clone()).unwrap();
                let lines = block(&as_it_is, Paint::Plain).map_or(0, |t| t.lines().count());
                for way in ways {
                    let mut record = record.clone();
                    *record.pointer_mut(&way).unwrap() = Value::String(hostile.clone());
                    // Words that have to be one of a few can't hold anything else.
                    let Ok(record) = serde_json::from_value::<Record>(record) else { continue };
                    for paint in [Paint::Plain, Paint::Colour] {
                        if let Some(text) = block(&record, paint) {
                            assert_calm(&text);
                            prop_assert!(text.lines().count() <= lines.max(1) + 1, "a line of its own: {text}");
                            shown += 1;
                        }
                    }
                }
            }
            prop_assert!(shown > 100, "{shown}");
        }

        #[test]
        fn json_means_the_same(text in "\\PC*[\\x00-\\x1f\\x7f-\\x9f\u{202e}a]{0,20}") {
            let json = serde_json::json!({"text": text}).to_string();
            let calm = printable_json(&json);
            prop_assert!(!calm.contains(steers));
            prop_assert_eq!(serde_json::from_str::<Value>(&calm).unwrap(), serde_json::from_str::<Value>(&json).unwrap());
        }
    }
}
