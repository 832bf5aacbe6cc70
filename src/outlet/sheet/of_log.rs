//! A set-up sheet out of a log, without the program that writes it.

use std::io;
use std::path::Path;

use super::pictures::PicturesOfLooks;
use crate::config::Config;
use crate::numbers::RecordNumber;
use crate::outlet::scene_pictures::ScenePictures;
use crate::outlet::shot_log::{LogError, looked_at, read_since, state_after};
use crate::session::sheet::{LogNote, NoSheet, Sheet};
use crate::session::{Body, Record};

/// The last ones are those that still hold.
const MOST_NOTES: usize = 24;

/// What a log gives for a sheet.
#[derive(Debug)]
pub struct LogSheet {
    pub sheet: Sheet,
    pub pictures: PicturesOfLooks,
    /// The small pictures that the looks' readings are of.
    pub kept: ScenePictures,
    /// What was wrong with the log, a sentence each.
    pub damage: Vec<String>,
}

/// Why a log gives none.
#[derive(Debug, thiserror::Error)]
pub enum NoLogSheet {
    #[error("{0} is not there: name a shot log, or the folder that it lies in")]
    NoLog(String),
    #[error(transparent)]
    Log(#[from] LogError),
    #[error("{log} gives no sheet: {why}")]
    NoSheet { log: String, why: NoSheet },
    #[error("{log} can't be read: {cause}")]
    Unread { log: String, cause: io::Error },
}

/// Reads a log, and changes nothing. The sheet has what another sitting needs to take its looks up; `until` is the last record that counts.
pub fn of_log(
    log: &Path,
    config: &Config,
    look: Option<&str>,
    until: Option<RecordNumber>,
) -> Result<LogSheet, NoLogSheet> {
    let name = || log.display().to_string();
    let mut opened = looked_at(log)?.ok_or_else(|| NoLogSheet::NoLog(name()))?;
    if let Some(until) = until {
        opened.state = state_after(log, until).map_err(|cause| NoLogSheet::Unread { log: name(), cause })?;
    }
    let sitting = &opened.state.sitting;
    let sheet = Sheet::of(sitting, config, look).map_err(|why| NoLogSheet::NoSheet { log: name(), why })?;
    let until = until.unwrap_or(sitting.records);
    let log_notes =
        notes(log, [sitting.set_up_began.record, until]).map_err(|cause| NoLogSheet::Unread { log: name(), cause })?;
    let sheet = Sheet { log_notes, ..sheet.with_observations(sitting) };
    let kept = ScenePictures::beside(log);
    let pictures = PicturesOfLooks::of(&sheet, &kept);
    Ok(LogSheet { sheet, pictures, kept, damage: opened.damage })
}

/// The notes that were put into a log between two records, the last ones.
pub fn notes(log: &Path, [first, last]: [RecordNumber; 2]) -> io::Result<Vec<LogNote>> {
    let mut notes = Vec::new();
    read_since(log, first, |n, line| {
        if n > last {
            return false;
        }
        // Most of a log are other records, and long ones.
        if line.contains("\"type\":\"note\"")
            && let Ok(Record { at, body: Body::Note { text }, .. }) = Record::from_line(line)
        {
            notes.push(LogNote { at, text });
        }
        true
    })?;
    let first = notes.len().saturating_sub(MOST_NOTES);
    Ok(notes.split_off(first))
}
