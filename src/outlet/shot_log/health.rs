//! A look over a whole log, from its first record to its last: what is sound, what is missing, what is damaged.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::LogError;
use super::lines::{Line, Lines};
use super::place::{check, resolved};
use super::segments::{all, missing};
use crate::session::{Carried, LineFault, Portion, Record, State};

/// What is to be said of a log.
#[derive(Debug, Default)]
pub struct Health {
    /// Its files.
    pub files: usize,
    pub missing_files: Vec<u32>,
    pub records: u64,
    /// Numbers that no record has.
    pub missing: u64,
    /// Lines that are no sound record.
    pub damaged: u64,
    /// Records that are written again, as they are behind a failed sync.
    pub doubled: u64,
    /// Files that begin with a state which the records before them don't come to.
    pub strayed: Vec<PathBuf>,
    /// How many sound records there are of each type.
    pub kinds: BTreeMap<String, u64>,
}

/// A sound record's type, by the name in its line.
#[derive(Deserialize)]
struct Typed {
    #[serde(rename = "type")]
    kind: String,
}

impl Health {
    pub fn is_sound(&self) -> bool {
        self.missing == 0 && self.damaged == 0 && self.missing_files.is_empty() && self.strayed.is_empty()
    }

    fn take(&mut self, line: &Line, state: &mut State, carried: &mut Carried) -> Result<bool, LineFault> {
        let text = line.text().ok_or(LineFault::NoText)?;
        if Portion::is_in(text.as_bytes()) {
            let portion = Portion::from_line(text)?;
            if !portion.is_of_this_format() {
                return Ok(false);
            }
            return Ok(carried.take(&portion) && carried.is_whole());
        }
        let record = Record::from_line(text)?;
        if record.n <= state.sitting.records {
            self.doubled += 1;
            return Ok(false);
        }
        self.missing += record.n.since(state.sitting.records.next());
        self.records += 1;
        if let Ok(Typed { kind }) = serde_json::from_str(text) {
            *self.kinds.entry(kind).or_default() += 1;
        }
        state.apply(&record);
        Ok(false)
    }
}

/// Reads all of a log. Without one, nothing is wrong.
pub fn health(log: &Path) -> Result<Health, LogError> {
    let log = resolved(log);
    let files = all(&log);
    let mut health = Health { files: files.len(), missing_files: missing(&files), ..Health::default() };
    let mut state = State::default();
    for file in files {
        let unreadable = |cause| LogError::Unreadable { log: file.path.display().to_string(), cause };
        check(&file.path)?;
        let mut lines = Lines::of(&file.path).map_err(unreadable)?;
        let mut carried = Carried::default();
        let mut number = 0;
        while let Some(line) = lines.next().map_err(unreadable)? {
            number += 1;
            if line.is_blank() {
                continue;
            }
            match health.take(&line, &mut state, &mut carried) {
                Ok(true) => health.compare(&carried, &mut state, &file.path),
                Ok(false) => {}
                Err(fault @ LineFault::Newer(_)) => {
                    return Err(LogError::Newer { log: file.path.display().to_string(), line: number, fault });
                }
                Err(_) => health.damaged += 1,
            }
        }
    }
    Ok(health)
}

impl Health {
    /// A state must be what the records come to, unless some of them are missing: then it is gone on with.
    fn compare(&mut self, carried: &Carried, state: &mut State, file: &Path) {
        match carried.state() {
            Ok(there) if there == *state => {}
            Ok(there) => {
                let is_gap = self.missing > 0 || there.sitting.records > state.sitting.records;
                self.missing += there.sitting.records.since(state.sitting.records);
                if !is_gap {
                    self.strayed.push(file.to_owned());
                }
                *state = there;
            }
            Err(_) => self.strayed.push(file.to_owned()),
        }
    }
}
