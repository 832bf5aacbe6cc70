//! How the engine's records get into the log: numbered, taken into the state, written, announced. And what is said of
//! a log that can't be written.

use super::Engine;
use crate::session::record::{Body, GroupPower, Record, VERSION};

/// Where lines are kept.
pub trait Ledger {
    /// Appends lines and syncs them to the disk. `false` when they are only kept in memory as yet.
    fn append(&mut self, lines: Vec<String>) -> bool;

    /// Tries again to write what waits. `true` when nothing waits any more.
    fn retry(&mut self) -> bool {
        true
    }

    /// Whether memory holds all the lines it may: then nothing new should be taken up.
    fn is_full(&self) -> bool {
        false
    }

    /// Whether a new file is due, which begins with the state.
    fn wants_state(&self) -> bool {
        false
    }

    /// Begins a new file with the state after the last line, as lines.
    fn carry(&mut self, _state: &[String]) {}

    /// What befell the lines' place since the last call, a sentence each.
    fn take_news(&mut self) -> Vec<String> {
        Vec::new()
    }
}

/// A record on its way to the listeners.
#[derive(Debug, Clone, PartialEq)]
pub struct Published {
    pub record: Record,
    pub line: String,
    /// Whether it is on the disk.
    pub logged: bool,
}

/// What could not be logged because memory was full, and is made up for.
#[derive(Debug, Default)]
pub(super) struct Owed {
    config: bool,
    warnings: u64,
}

impl<L: Ledger> Engine<L> {
    /// Tries again to log what waits.
    pub fn retry(&mut self) {
        self.ledger.retry();
        self.make_up();
        self.flush();
        self.look_after_ledger();
    }

    pub(super) fn warn(&mut self, text: String) {
        if self.ledger.is_full() {
            self.owed.warnings += 1;
        } else {
            self.stage(Body::Warning { text });
        }
    }

    pub(super) fn stage_config(&mut self) {
        if self.ledger.is_full() {
            self.owed.config = true;
            return;
        }
        let groups = self.config.groups.iter().map(|g| GroupPower { group: g.name.clone(), power: g.power }).collect();
        self.stage(Body::Config { tolerance: self.config.tolerance, groups });
    }

    /// Logs what there was no room for, as far as it still tells something.
    fn make_up(&mut self) {
        if self.ledger.is_full() {
            return;
        }
        let owed = std::mem::take(&mut self.owed);
        if owed.config {
            self.stage_config();
        }
        if owed.warnings > 0 {
            let text = format!("warnings that were not kept while the shot log took nothing: {}", owed.warnings);
            self.stage(Body::Warning { text });
        }
    }

    /// Numbers and encodes a record and takes it into the state, as a restart would from the log. In the place of one
    /// that can't be written down stands a warning.
    pub(super) fn stage(&mut self, body: Body) {
        if matches!(body, Body::Power { .. } | Body::TakenBack { .. } | Body::Config { .. } | Body::Look { .. }) {
            self.lessons.break_off();
        }
        let record = Record { v: VERSION, n: self.state.records + 1, at: (self.clock)(), body };
        match coded(&record) {
            Ok((record, line)) => {
                self.state.apply(&record);
                self.staged.push((record, line));
            }
            Err(why) => self.stage_in_place_of(record, &why),
        }
    }

    /// Only a number that JSON can't hold gets a record here; a warning and a passed-over file have none.
    fn stage_in_place_of(&mut self, record: Record, why: &str) {
        tracing::error!(n = record.n, "a record can't be written down, which is a defect: {why}");
        let (what, file) = match record.body {
            Body::Frame(frame) => (format!("frame {} ({})", frame.frame, frame.file), Some(frame.file)),
            Body::Member { frame, file, .. } => (format!("a file of frame {frame} ({file})"), Some(file)),
            Body::Warning { .. } | Body::Skipped { .. } => return,
            _ => ("something that happened just now".to_owned(), None),
        };
        self.stage(Body::Warning {
            text: format!("{what} can't be written to the shot log, which is a defect: please report it ({why})"),
        });
        if let Some(file) = file {
            let why = "what was read in it can't be written down".to_owned();
            self.stage(Body::Skipped { file, why, state: None });
        }
    }

    pub(super) fn flush(&mut self) {
        if self.staged.is_empty() {
            return;
        }
        let staged = std::mem::take(&mut self.staged);
        let logged = self.ledger.append(staged.iter().map(|(_, line)| line.clone()).collect());
        for (record, line) in staged {
            (self.publish)(Published { record, line, logged });
        }
        self.look_after_ledger();
    }

    /// Tells what befell the log, and begins its next file when that is due.
    fn look_after_ledger(&mut self) {
        for text in self.ledger.take_news() {
            self.warn(text);
        }
        if !self.staged.is_empty() {
            return self.flush();
        }
        if self.ledger.wants_state() {
            match self.state.carried() {
                Ok(lines) => self.ledger.carry(&lines),
                Err(e) => tracing::error!("the state can't be written down, which is a defect: {e}"),
            }
        }
    }
}

/// A record as a restart reads it, and its line.
fn coded(record: &Record) -> Result<(Record, String), String> {
    let line = record.to_line().map_err(|e| e.to_string())?;
    let back = Record::from_line(&line).map_err(|e| e.to_string())?;
    Ok((back, line))
}
