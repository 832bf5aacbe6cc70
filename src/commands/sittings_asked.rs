//! Sittings that somebody wants to look back on: where their logs lie, and what they come to. Reads only.

use std::io;
use std::path::{Path, PathBuf};

use super::exit::CommandError;
use super::log_asked::{lights_of, log_at, sitting_in, sittings_of, unreadable};
use crate::files::folder_of;
use crate::numbers::{RecordNumber, SittingNumber};
use crate::outlet::plain::printable;
use crate::outlet::shot_log::{LogError, read_since, read_within, state_after};
use crate::report::Report;
use crate::session::{Body, Record, State};

/// One sitting, looked back on.
#[derive(Debug)]
pub struct AskedSitting {
    pub log: PathBuf,
    /// Which one it is, where the log has several.
    pub sitting: Option<String>,
    /// Where its photographs may lie, the likeliest first.
    pub folders: Vec<PathBuf>,
    pub report: Report,
    number: SittingNumber,
    /// What of the log could not be read, a sentence each.
    pub passed_over: Vec<String>,
}

impl AskedSitting {
    /// Of a log, or of the folder that it lies in: the sitting that is named, else the last one that has frames.
    pub fn read(asked: &Path, wanted: Option<&str>) -> Result<AskedSitting, CommandError> {
        let log = log_at(asked);
        let row = match wanted {
            Some(wanted) => Some(sitting_in(&log, wanted)?),
            // One that was begun and not shot yet has nothing to look back on.
            None => {
                let all = sittings_of(&log)?;
                all.rows().iter().rfind(|row| row.frames > 0).or(all.last()).cloned()
            }
        };
        let first = row.as_ref().is_none_or(|row| row.sitting == SittingNumber::FIRST);
        let mut folders = Folders::of(&log);
        let before = match &row {
            Some(row) if !first => {
                // The log's first record tells the folder, where the sitting itself doesn't.
                folders.heed_the_first_of(&log).map_err(|e| unreadable(&log, &e))?;
                state_after(&log, row.records[0].back(1)).map_err(|e| unreadable(&log, &e))?
            }
            _ => State::default(),
        };
        let within = row.as_ref().map_or([RecordNumber::FIRST, RecordNumber::new(u64::MAX)], |row| row.records);
        let mut passed_over = Vec::new();
        let report = Report::fold(before, |take| {
            passed_over = read_within(&log, within, |record| {
                folders.heed(record);
                take(record);
            })?;
            Ok(())
        });
        let mut report = report.map_err(|e: LogError| CommandError::CannotRun(e.to_string()))?;
        report.show_on_dials_of(&lights_of(&log));
        let number = row.as_ref().map_or(SittingNumber::FIRST, |row| row.sitting);
        let sitting = row.filter(|_| !first || wanted.is_some()).map(|row| row.in_short());
        Ok(AskedSitting { log, sitting, folders: folders.0, report, number, passed_over })
    }

    /// Where a file of it lies; `None` where it is gone.
    pub fn find(&self, file: &str) -> Option<PathBuf> {
        self.folders.iter().map(|folder| folder.join(file)).find(|path| path.is_file())
    }

    /// What tells it from every other: the log, wherever it is named from, and the sitting's number in it.
    pub fn is_of(&self) -> String {
        let log = std::path::absolute(&self.log).unwrap_or_else(|_| self.log.clone());
        format!("{}, sitting {}", log.display(), self.number)
    }

    /// For a sentence.
    pub fn name(&self) -> String {
        let sitting = self.sitting.as_ref().map_or_else(String::new, |sitting| format!(", {sitting}"));
        printable(&format!("{}{sitting}", self.log.display()))
    }
}

/// Where a sitting's photographs may lie, the likeliest first.
struct Folders(Vec<PathBuf>);

impl Folders {
    fn of(log: &Path) -> Folders {
        Folders(vec![folder_of(log).to_owned()])
    }

    fn heed_the_first_of(&mut self, log: &Path) -> io::Result<()> {
        read_since(log, RecordNumber::FIRST, |_, line| {
            Record::from_line(line).iter().for_each(|record| self.heed(record));
            false
        })
    }

    fn heed(&mut self, record: &Record) {
        if let Body::Opened { folder, .. } = &record.body {
            let folder = PathBuf::from(folder);
            if !self.0.contains(&folder) {
                self.0.insert(1, folder);
            }
        }
    }
}
