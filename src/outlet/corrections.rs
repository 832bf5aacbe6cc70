//! The list of corrections for a person to read: one line each, beside the shot log. What a full disk doesn't take is
//! added later; a list that can't be written holds up nothing.

use std::collections::VecDeque;
use std::fs::OpenOptions;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;

use super::plain::printable;
use super::verdict_words::end_line;
use crate::advice::Correction;
use crate::files::open_own;
use crate::numbers::FrameNumber;
use crate::rig::DialChange;
use crate::session::{Body, How, Purpose, Record};

/// Lines that are kept until the disk takes them.
const MOST_MISSING: usize = 1_000;

/// The list of one log.
#[derive(Debug)]
pub struct CorrectionsList {
    path: PathBuf,
    /// Lines that are not in the file yet.
    missing: VecDeque<String>,
    /// Lines that there was no room for among those.
    left_out: u64,
    trouble: Option<String>,
    /// The files of the last exposures, whose judgements come after their records.
    files: VecDeque<(FrameNumber, String)>,
}

/// A judgement comes right after its frame; a burst may lie between.
const MOST_FILES: usize = 64;

impl CorrectionsList {
    pub fn beside(log: &Path) -> CorrectionsList {
        let path = log.with_file_name("greyhold-corrections.txt");
        CorrectionsList { path, missing: VecDeque::new(), left_out: 0, trouble: None, files: VecDeque::new() }
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Why the file takes nothing, while it doesn't.
    pub fn trouble(&self) -> Option<&str> {
        self.trouble.as_deref()
    }

    /// Adds the record's lines, if it has any, and what is still missing.
    pub fn take(&mut self, record: &Record) {
        if let Body::Frame(frame) = &record.body {
            self.files.truncate(MOST_FILES - 1);
            self.files.push_front((frame.frame, frame.file.clone()));
        }
        for line in self.lines(record, &TimeZone::system()) {
            if self.missing.len() >= MOST_MISSING {
                self.missing.pop_front();
                self.left_out += 1;
            }
            self.missing.push_back(line);
        }
        if !self.missing.is_empty() {
            self.trouble = self.write().err().map(|e| e.to_string());
        }
    }

    /// Writes all that is missing, or nothing.
    fn write(&mut self) -> io::Result<()> {
        let mut file = open_own(&self.path, OpenOptions::new().read(true).write(true).create(true).truncate(false))?;
        let end = file.seek(SeekFrom::End(0))?;
        let mut text = String::new();
        // Somebody may have left the last line without its end.
        let mut last = [b'\n'];
        if end > 0 {
            file.seek(SeekFrom::End(-1))?;
            file.read_exact(&mut last)?;
        }
        if last != [b'\n'] {
            text.push('\n');
        }
        if self.left_out > 0 {
            text.push_str(&format!("({} lines are left out here; the shot log has them)\n", self.left_out));
        }
        for line in &self.missing {
            text.push_str(line);
            text.push('\n');
        }
        if let Err(e) = file.write_all(text.as_bytes()) {
            file.set_len(end)?;
            return Err(e);
        }
        self.missing.clear();
        self.left_out = 0;
        Ok(())
    }

    /// The lines for a record: corrections, and the ends of them.
    fn lines(&self, record: &Record, zone: &TimeZone) -> Vec<String> {
        let head = record.at.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M:%S").to_string();
        let ended = |how: How| format!("{head}  {}", end_line(how).trim_start());
        let asked = |what: &str, sentence: &str, correction: &Correction| {
            let dial_changes: Vec<String> = correction.dial_changes.iter().map(DialChange::in_words).collect();
            let ways = correction.ways_in_words();
            let parts: Vec<String> = std::iter::once(sentence.to_owned()).chain(dial_changes).chain(ways).collect();
            format!("{head}  {what}: {}", parts.join(" | "))
        };
        match &record.body {
            Body::Correction { purpose: Purpose::Drift { frame }, correction, sentence } => {
                vec![asked(&self.name_of(*frame), sentence, correction)]
            }
            Body::Correction { purpose: Purpose::Next { .. }, correction, sentence } => {
                vec![asked("next", sentence, correction)]
            }
            Body::Resolved { how, .. } => vec![ended(*how)],
            Body::Judged(judgement) => {
                // The superseded judgement's end of a correction is listed already.
                let end = judgement.ended.as_ref().filter(|_| judgement.supersedes.is_none());
                let end = end.map(|end| ended(end.how));
                let withdrawn = judgement.withdraws.map(|_| ended(How::Withdrawn));
                // What the superseded judgement asked for, and this one still does, is listed already.
                let begun = judgement
                    .correction
                    .as_ref()
                    .filter(|asked| asked.still.is_none() || judgement.supersedes.is_none());
                let what = judgement.file.clone().unwrap_or_else(|| self.name_of(judgement.frame));
                let begun = begun.map(|c| asked(&what, &judgement.verdict.sentence, &c.correction));
                end.into_iter().chain(withdrawn).chain(begun).collect()
            }
            _ => Vec::new(),
        }
    }

    fn name_of(&self, frame: FrameNumber) -> String {
        let known = self.files.iter().find(|(number, _)| *number == frame);
        known.map_or_else(|| format!("frame {frame}"), |(_, file)| printable(file))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numbers::RecordNumber;
    use crate::session::{How, VERSION};

    /// So many minutes after ten o'clock.
    fn resolved(n: u64) -> Record {
        let at: jiff::Timestamp = "2026-03-02T10:00:00Z".parse().unwrap();
        let at = at + jiff::SignedDuration::from_mins(n as i64);
        let n = RecordNumber::new(n);
        Record { v: VERSION, n, at, body: Body::Resolved { correction: n, how: How::Confirmed } }
    }

    fn text(home: &tempfile::TempDir) -> String {
        std::fs::read_to_string(home.path().join("greyhold-corrections.txt")).unwrap()
    }

    #[test]
    fn what_the_disk_did_not_take_is_added_later_in_its_order() {
        let home = tempfile::tempdir().unwrap();
        let folder = home.path().join("share");
        let mut list = CorrectionsList::beside(&folder.join("shots.jsonl"));
        (1..=3).for_each(|n| list.take(&resolved(n)));
        assert!(list.trouble().is_some());
        std::fs::create_dir(&folder).unwrap();
        std::fs::write(list.path(), "a line without its end").unwrap();
        let note = Record { body: Body::Note { text: "any record tries again".to_owned() }, ..resolved(4) };
        list.take(&note);
        assert_eq!(list.trouble(), None);
        let text = std::fs::read_to_string(list.path()).unwrap();
        let heads: Vec<&str> = text.lines().map(|l| l.split("  what was asked").next().unwrap()).collect();
        let at = |n: i64| {
            let at: jiff::Timestamp = "2026-03-02T10:00:00Z".parse().unwrap();
            (at + jiff::SignedDuration::from_mins(n))
                .to_zoned_datetime(TimeZone::system())
                .strftime("%Y-%m-%d %H:%M:%S")
                .to_string()
        };
        assert_eq!(heads, ["a line without its end", &at(1), &at(2), &at(3)], "in the time of the place");
    }

    #[test]
    fn what_is_kept_for_later_is_bounded_and_what_is_left_out_is_told() {
        let home = tempfile::tempdir().unwrap();
        let folder = home.path().join("greyhold-corrections.txt");
        std::fs::create_dir(&folder).unwrap();
        let mut list = CorrectionsList::beside(&home.path().join("shots.jsonl"));
        (1..=MOST_MISSING as u64 + 5).for_each(|n| list.take(&resolved(n)));
        std::fs::remove_dir(&folder).unwrap();
        list.take(&resolved(5000));
        assert!(text(&home).starts_with("(6 lines are left out here"), "{}", text(&home).lines().next().unwrap());
        assert_eq!(text(&home).lines().count(), MOST_MISSING + 1);
    }

    /// A pipe that nobody reads would hold up whoever opens it.
    #[cfg(unix)]
    #[test]
    fn a_pipe_in_its_place_holds_up_nothing() {
        let home = tempfile::tempdir().unwrap();
        let mut list = CorrectionsList::beside(&home.path().join("shots.jsonl"));
        assert!(std::process::Command::new("mkfifo").arg(list.path()).status().unwrap().success());
        list.take(&resolved(1));
        assert!(list.trouble().is_some());
    }
}
