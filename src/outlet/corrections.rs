//! The list of corrections for a person to read: one line each, beside the shot log.

use std::fs::OpenOptions;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::rig::Turn;
use crate::session::{Body, Purpose, Record};

/// Where the list of a log lies.
pub fn beside(log: &Path) -> PathBuf {
    log.with_file_name("greyhold-corrections.txt")
}

/// The line for a record, if it is a correction or the end of one.
pub fn line(record: &Record) -> Option<String> {
    let at = record.at.strftime("%Y-%m-%d %H:%M:%SZ");
    match &record.body {
        Body::Correction { purpose, correction, sentence } => {
            let what = match purpose {
                Purpose::Drift { frame } => format!("frame {frame}"),
                Purpose::Next { .. } => "next".to_owned(),
            };
            let turns: Vec<String> = correction.turns.iter().map(Turn::in_words).collect();
            let ways: Vec<String> = correction.other_ways.iter().map(|w| w.in_words()).collect();
            let parts: Vec<String> = std::iter::once(sentence.clone()).chain(turns).chain(ways).collect();
            Some(format!("{at}  #{}  {what}: {}", record.n, parts.join(" | ")))
        }
        Body::Resolved { correction, how } => {
            Some(format!("{at}  #{}  correction #{correction} {}", record.n, format!("{how:?}").to_lowercase()))
        }
        _ => None,
    }
}

/// Appends the record's line, if it has one.
pub fn append(path: &Path, record: &Record) -> io::Result<()> {
    let Some(mut line) = line(record) else {
        return Ok(());
    };
    line.push('\n');
    OpenOptions::new().append(true).create(true).open(path)?.write_all(line.as_bytes())
}
