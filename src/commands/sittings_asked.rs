//! Sittings that somebody wants to look back on: where their logs lie, and what they come to. Reads only.

use std::path::{Path, PathBuf};

use super::exit::CommandError;
use super::watch::{USUAL_CONFIG, USUAL_LOG};
use crate::config::Config;
use crate::files::folder_of;
use crate::outlet::plain::printable;
use crate::outlet::shot_log::read_all;
use crate::report::Report;
use crate::session::Body;

/// One sitting, looked back on.
#[derive(Debug)]
pub struct AskedSitting {
    pub log: PathBuf,
    /// Where its photographs may lie, the likeliest first.
    pub folders: Vec<PathBuf>,
    pub report: Report,
    /// What of the log could not be read, a sentence each.
    pub passed_over: Vec<String>,
}

impl AskedSitting {
    /// Of a log, or of the folder that it lies in.
    pub fn read(asked: &Path) -> Result<AskedSitting, CommandError> {
        let log = if asked.is_dir() { asked.join(USUAL_LOG) } else { asked.to_owned() };
        let (mut folders, mut passed_over) = (vec![folder_of(&log).to_owned()], Vec::new());
        let report = Report::fold(|take| {
            passed_over = read_all(&log, |record| {
                if let Body::Opened { folder, .. } = &record.body {
                    let folder = PathBuf::from(folder);
                    if !folders.contains(&folder) {
                        folders.insert(1, folder);
                    }
                }
                take(record);
            })?;
            Ok(())
        });
        let report = report.map_err(|e: crate::outlet::shot_log::LogError| CommandError::CannotRun(e.to_string()))?;
        Ok(AskedSitting { log, folders, report, passed_over })
    }

    /// Where a file of it lies; `None` where it is gone.
    pub fn find(&self, file: &str) -> Option<PathBuf> {
        self.folders.iter().map(|folder| folder.join(file)).find(|path| path.is_file())
    }

    /// For a sentence.
    pub fn name(&self) -> String {
        printable(&self.log.display().to_string())
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
