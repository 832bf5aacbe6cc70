//! The sittings of a log: when each began and ended, and what was shot in it. Worked out of the records one by one, or of their
//! lines without a look at most of what they hold, so that a long log is listed at once.

use jiff::Timestamp;
use serde::de::IgnoredAny;
use serde::{Deserialize, Serialize};

use super::record::{Body, Purpose, Record};
use super::sitting_step::{SetUpIs, SittingStep};
use crate::numbers::{FrameNumber, RecordNumber, SittingNumber};
use crate::wording::counted;

/// One sitting, in a line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SittingRow {
    pub sitting: SittingNumber,
    pub name: Option<String>,
    /// When it was begun, or its first frame came.
    pub began: Timestamp,
    /// When its last frame came; `None` before the first.
    pub last_frame_at: Option<Timestamp>,
    /// Somebody ended it.
    pub is_ended: bool,
    /// Its first and its last record.
    pub records: [RecordNumber; 2],
    pub frames: u64,
    /// Its first frame's number in the log.
    pub first_frame: Option<FrameNumber>,
    /// Corrections that its frames asked for.
    pub corrections: u64,
    /// What was answered of its set-up since its last frame.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) set_up_is: Option<SetUpIs>,
}

impl SittingRow {
    fn new(sitting: SittingNumber, name: Option<String>, began: Timestamp, record: RecordNumber) -> SittingRow {
        SittingRow {
            sitting,
            name,
            began,
            last_frame_at: None,
            is_ended: false,
            records: [record; 2],
            frames: 0,
            first_frame: None,
            corrections: 0,
            set_up_is: None,
        }
    }

    /// It need not be told of the only one, unless it has a name.
    pub(super) fn is_told_of(&self) -> bool {
        self.sitting != SittingNumber::FIRST || self.name.is_some() || self.is_ended
    }

    /// 'sitting 2 (spring coats)'.
    pub fn in_short(&self) -> String {
        let name = self.name.as_ref().map_or_else(String::new, |name| format!(" ({name})"));
        format!("sitting {}{name}", self.sitting)
    }

    /// 'sitting 2 (spring coats): 12 frames'.
    pub(super) fn so_far(&self) -> String {
        let ended = if self.is_ended { ", ended" } else { "" };
        format!("{}: {}{ended}", self.in_short(), counted(self.frames as usize, "frame"))
    }

    /// '212 frames, 4 corrections'.
    pub fn what_was_shot(&self) -> String {
        format!("{}, {}", counted(self.frames as usize, "frame"), counted(self.corrections as usize, "correction"))
    }
}

/// All of them, in order. The last one goes on, unless it was ended.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sittings {
    rows: Vec<SittingRow>,
}

/// What a record is to the list of sittings.
enum Tells {
    Began(SittingNumber, Option<String>),
    Named(String),
    Ended,
    SetUp(SetUpIs),
    Frame(FrameNumber),
    Asks,
    Nothing,
}

impl Sittings {
    pub fn rows(&self) -> &[SittingRow] {
        &self.rows
    }

    pub fn last(&self) -> Option<&SittingRow> {
        self.rows.last()
    }

    /// By its number, or by its name in any case of letters; the later one where two have the same.
    pub fn find(&self, wanted: &str) -> Option<&SittingRow> {
        let wanted = wanted.trim();
        let has_number = |row: &&SittingRow| wanted.parse() == Ok(row.sitting.get());
        let is_named =
            |row: &&SittingRow| row.name.as_ref().is_some_and(|name| name.to_lowercase() == wanted.to_lowercase());
        self.rows.iter().find(has_number).or_else(|| self.rows.iter().rev().find(is_named))
    }

    pub(super) fn apply(&mut self, record: &Record) {
        let tells = match &record.body {
            Body::Sitting { step } => Tells::of_step(step),
            Body::Frame(frame) => Tells::Frame(frame.frame),
            Body::Judged(judgement) if judgement.supersedes.is_none() && judgement.correction.is_some() => Tells::Asks,
            Body::Correction { purpose: Purpose::Drift { .. }, .. } => Tells::Asks,
            _ => Tells::Nothing,
        };
        self.take(record.n, record.at, tells);
    }

    /// The same of a record's line. One that can't be understood tells nothing.
    pub fn take_line(&mut self, n: RecordNumber, line: &str) {
        /// The type of a record stands in the first bytes of its line.
        const HEAD: usize = 120;
        let head = line.get(..HEAD.min(line.len())).unwrap_or(line);
        let counts = ["frame", "judged", "correction", "sitting"].map(|kind| format!("\"type\":\"{kind}\""));
        let told = counts.iter().any(|kind| head.contains(kind)).then(|| Line::of(line)).flatten();
        match told {
            Some(line) => self.take(n, line.at, line.tells()),
            None => self.go_on_to(n),
        }
    }

    fn go_on_to(&mut self, n: RecordNumber) {
        if let Some(row) = self.rows.last_mut() {
            row.records[1] = n;
        }
    }

    fn take(&mut self, n: RecordNumber, at: Timestamp, tells: Tells) {
        match &tells {
            Tells::Began(sitting, name) => self.rows.push(SittingRow::new(*sitting, name.clone(), at, n)),
            // The first one begins by itself, and what stands before it in the log is its own.
            Tells::Frame(_) if self.rows.is_empty() => {
                self.rows.push(SittingRow::new(SittingNumber::FIRST, None, at, RecordNumber::FIRST));
            }
            _ => {}
        }
        self.go_on_to(n);
        let Some(row) = self.rows.last_mut() else { return };
        match tells {
            Tells::Frame(frame) => {
                row.frames += 1;
                row.first_frame.get_or_insert(frame);
                (row.last_frame_at, row.set_up_is) = (Some(at), None);
            }
            Tells::Asks => row.corrections += 1,
            Tells::Named(name) => row.name = Some(name),
            Tells::Ended => row.is_ended = true,
            Tells::SetUp(is) => row.set_up_is = Some(is),
            Tells::Began(..) | Tells::Nothing => {}
        }
    }
}

/// What the list needs of a line.
#[derive(Deserialize)]
struct Line {
    at: Timestamp,
    r#type: String,
    #[serde(default)]
    frame: Option<FrameNumber>,
    /// What a judgement asks for. One that takes the place of another asks for the same turn, or mends it.
    #[serde(default)]
    correction: Option<IgnoredAny>,
    #[serde(default)]
    supersedes: Option<IgnoredAny>,
    /// What somebody asked a correction for. Up to format 4 a frame's own is a record like it.
    #[serde(default)]
    purpose: Option<Purpose>,
    #[serde(default)]
    step: Option<SittingStep>,
}

impl Line {
    fn of(line: &str) -> Option<Line> {
        serde_json::from_str(line).ok()
    }

    fn tells(self) -> Tells {
        match (self.r#type.as_str(), self.step, self.frame, self.correction) {
            ("sitting", Some(step), ..) => Tells::of_step(&step),
            ("frame", _, Some(frame), _) => Tells::Frame(frame),
            ("judged", .., Some(_)) if self.supersedes.is_none() => Tells::Asks,
            ("correction", ..) if matches!(self.purpose, Some(Purpose::Drift { .. })) => Tells::Asks,
            _ => Tells::Nothing,
        }
    }
}

impl Tells {
    fn of_step(step: &SittingStep) -> Tells {
        match step {
            SittingStep::Began { sitting, name, .. } => Tells::Began(*sitting, name.clone()),
            SittingStep::Named { name } => Tells::Named(name.clone()),
            SittingStep::Ended => Tells::Ended,
            SittingStep::SetUp { is } => Tells::SetUp(*is),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    /// Every kind of record there is, of this format and of earlier ones.
    fn golden() -> Vec<String> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/golden");
        let logs = std::fs::read_dir(folder).unwrap().flatten().map(|entry| entry.path());
        let logs: Vec<_> = logs.filter(|path| path.extension().is_some_and(|end| end == "jsonl")).collect();
        assert!(logs.len() > 3, "{logs:?}");
        logs.iter().map(|log| std::fs::read_to_string(log).unwrap()).collect()
    }

    #[test]
    fn a_list_made_of_lines_is_the_list_made_of_records() {
        let mut corrections = 0;
        for log in golden() {
            let (mut of_records, mut of_lines) = (Sittings::default(), Sittings::default());
            for line in log.lines() {
                let record = Record::from_line(line).unwrap();
                of_records.apply(&record);
                of_lines.take_line(record.n, line);
            }
            assert_eq!(of_lines, of_records);
            corrections += of_records.rows().iter().map(|row| row.corrections).sum::<u64>();
        }
        assert!(corrections > 0);
    }

    #[test]
    fn a_sitting_is_found_by_its_number_and_by_its_name() {
        let at = "2026-03-02T10:00:00Z".parse().unwrap();
        let row = |sitting, name: Option<&str>| {
            SittingRow::new(SittingNumber::new(sitting), name.map(str::to_owned), at, RecordNumber::FIRST)
        };
        let all =
            Sittings { rows: vec![row(1, None), row(2, Some("Coats")), row(3, Some("coats")), row(4, Some("1"))] };
        let found = |wanted| all.find(wanted).map(|row| row.sitting.get());
        assert_eq!([found("2"), found(" COATS "), found("1"), found("hats")], [Some(2), Some(3), Some(1), None]);
    }
}
