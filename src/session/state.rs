//! The state: a fold over the shot log's records.

use serde::{Deserialize, Serialize};

use super::files::Files;
use super::record::Record;
use super::sitting::Sitting;

/// The state of a sitting: `records.fold(State::default(), State::apply)`.
///
/// Grows by less than a kilobyte a frame (names and fingerprints); everything else is of fixed size.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct State {
    /// First, so that what it begins with is read without the rest.
    pub sitting: Sitting,
    pub files: Files,
}

impl State {
    /// Takes up one record: the only way in which a state changes, live or at a restart.
    pub fn apply(&mut self, record: &Record) {
        self.files.apply(&record.body);
        self.sitting.apply(record.n, &record.body);
        self.sitting.list_sittings(record);
    }
}
