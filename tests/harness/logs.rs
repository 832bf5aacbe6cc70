//! Shot logs without a program that writes them.

use std::path::{Path, PathBuf};

use greyhold::numbers::RecordNumber;
use greyhold::outlet::shot_log::read_since;
use greyhold::session::{Body, Record, VERSION};
use tempfile::TempDir;

/// A folder of its own for a log that isn't there yet.
pub fn home() -> (TempDir, PathBuf) {
    let home = tempfile::tempdir().unwrap();
    let log = home.path().join("shots.jsonl");
    (home, log)
}

/// A record as its line.
pub fn note(n: u64) -> String {
    let at = "2026-03-02T10:00:00Z".parse().unwrap();
    Record { v: VERSION, n: RecordNumber::new(n), at, body: Body::Note { text: format!("note {n}") } }
        .to_line()
        .unwrap()
}

/// The numbers of the records that a reader finds.
pub fn read(log: &Path) -> Vec<u64> {
    let mut numbers = Vec::new();
    read_since(log, RecordNumber::FIRST, |n, _| {
        numbers.push(n.get());
        true
    })
    .unwrap();
    numbers
}
