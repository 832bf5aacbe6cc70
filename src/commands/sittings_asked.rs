//! Sittings that somebody wants to look back on: where their logs lie, and what they come to. Reads only.

use std::io;
use std::path::{Path, PathBuf};

use super::exit::CommandError;
use super::log_asked::{log_at, sitting_in, sittings_of, unreadable};
use super::watch::USUAL_CONFIG;
use crate::config::Config;
use crate::files::folder_of;
use crate::numbers::{RecordNumber, SittingNumber};
use crate::outlet::plain::printable;
use crate::outlet::shot_log::{LogError, read_all, read_since, records_of, state_after};
use crate::report::Report;
use crate::session::{Body, Record, SittingRow, State};

/// One sitting, looked back on.
#[derive(Debug)]
pub struct AskedSitting {
    pub log: PathBuf,
    /// Which one it is, where the log has several.
    pub sitting: Option<String>,
    /// Where its photographs may lie, the likeliest first.
    pub folders: Vec<PathBuf>,
    pub report: Report,
    /// What of the log could not be read, a sentence each.
    pub passed_over: Vec<String>,
}

impl AskedSitting {
    /// Of a log, or of the folder that it lies in: the sitting that is named, else the last one.
    pub fn read(asked: &Path, wanted: Option<&str>) -> Result<AskedSitting, CommandError> {
        let log = log_at(asked);
        let row = match wanted {
            Some(wanted) => Some(sitting_in(&log, wanted)?),
            None => sittings_of(&log)?.last().cloned(),
        };
        match row {
            Some(row) if row.sitting != SittingNumber::FIRST || row.is_ended => AskedSitting::one_of_several(log, &row),
            _ => AskedSitting::whole(log),
        }
    }

    /// The only sitting of a log: all that is wrong with the log is told.
    fn whole(log: PathBuf) -> Result<AskedSitting, CommandError> {
        let (mut folders, mut passed_over) = (Folders::of(&log), Vec::new());
        let report = Report::fold(State::default(), |take| {
            passed_over = read_all(&log, |record| {
                folders.heed(record);
                take(record);
            })?;
            Ok(())
        });
        let report = report.map_err(|e: LogError| CommandError::CannotRun(e.to_string()))?;
        Ok(AskedSitting { log, sitting: None, folders: folders.0, report, passed_over })
    }

    /// Goes on from how things stood before it.
    fn one_of_several(log: PathBuf, row: &SittingRow) -> Result<AskedSitting, CommandError> {
        let mut folders = Folders::of(&log);
        let report = || -> io::Result<Report> {
            // The log's first record tells the folder, where the sitting itself doesn't.
            read_since(&log, RecordNumber::FIRST, |_, line| {
                Record::from_line(line).iter().for_each(|record| folders.heed(record));
                false
            })?;
            let before = state_after(&log, row.records[0].back(1))?;
            Report::fold(before, |take| {
                records_of(&log, row, |record| {
                    folders.heed(&record);
                    take(&record);
                })
            })
        }();
        let report = report.map_err(|e| unreadable(&log, &e))?;
        Ok(AskedSitting { log, sitting: Some(row.in_short()), folders: folders.0, report, passed_over: Vec::new() })
    }

    /// Where a file of it lies; `None` where it is gone.
    pub fn find(&self, file: &str) -> Option<PathBuf> {
        self.folders.iter().map(|folder| folder.join(file)).find(|path| path.is_file())
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

    fn heed(&mut self, record: &Record) {
        if let Body::Opened { folder, .. } = &record.body {
            let folder = PathBuf::from(folder);
            if !self.0.contains(&folder) {
                self.0.insert(1, folder);
            }
        }
    }
}

/// What is meant where nothing is named: what the configuration here watches, or this folder.
pub fn usual() -> PathBuf {
    let here = Path::new(USUAL_CONFIG);
    // One that can't be read is no reason to look nowhere.
    let config = here.is_file().then(|| Config::read(here).ok()).flatten();
    let named = config.and_then(|config| config.log.or(config.folder));
    named.unwrap_or_else(|| PathBuf::from("."))
}
