//! Where an engine's records go: the ledger that keeps their lines, and what listeners are handed.

use super::record::Record;

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

    /// Begins a new file, with the state after the last line, as lines, where that doesn't outweigh the records.
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

/// A record as a restart reads it, and its line.
pub(super) fn coded(record: &Record) -> Result<(Record, String), String> {
    let line = record.to_line().map_err(|e| e.to_string())?;
    let back = Record::from_line(&line).map_err(|e| e.to_string())?;
    Ok((back, line))
}
