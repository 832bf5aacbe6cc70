//! Changes of the configuration file, and when its writer has finished.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::{Config, ConfigError};
use crate::intake::FileState;

/// A changed file must have been quiet for this long.
const QUIET: Duration = Duration::from_millis(500);

/// Looks for a changed configuration file.
#[derive(Debug, Clone, Default)]
pub struct ConfigWatch {
    file: Option<PathBuf>,
    taken: Option<FileState>,
    seen: Option<(FileState, Instant)>,
}

impl ConfigWatch {
    /// Reads a configuration and begins to look for changes of it. The file's state is noted before
    /// it is read: what is saved from then on is a change.
    pub fn read(file: &Path) -> Result<(Config, ConfigWatch), ConfigError> {
        let taken = FileState::at(file);
        let config = Config::read(file)?;
        Ok((config, ConfigWatch { file: Some(file.to_owned()), taken, seen: None }))
    }

    /// `None` while nothing changed or the file is gone: the old configuration then holds.
    pub fn look(&mut self) -> Option<Result<Box<Config>, ConfigError>> {
        let file = self.file.as_ref()?;
        let state = FileState::at(file)?;
        if self.taken == Some(state) {
            self.seen = None;
            return None;
        }
        match self.seen {
            Some((seen, since)) if seen == state => {
                if since.elapsed() < QUIET {
                    return None;
                }
                self.taken = Some(state);
                self.seen = None;
                Some(Config::read(file).map(Box::new))
            }
            _ => {
                self.seen = Some((state, Instant::now()));
                None
            }
        }
    }
}
