//! Changes of the configuration's files, and when their writer has finished.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::{Config, ConfigError, drawn, typed};
use crate::intake::FileState;

/// A changed file must have been quiet for this long.
const QUIET: Duration = Duration::from_millis(500);

/// The files that a configuration is made of: what somebody wrote, the spots that were drawn, and what was written down of the set.
#[derive(Debug, Clone)]
pub struct ConfigWatch {
    written: Option<PathBuf>,
    drawn: PathBuf,
    typed: PathBuf,
    taken: States,
    seen: Option<(States, Instant)>,
}

type States = [Option<FileState>; 3];

impl ConfigWatch {
    /// Reads a configuration and begins to look for changes of it. The files' states are noted before
    /// they are read: what is saved from then on is a change.
    pub fn read(file: &Path) -> Result<(Config, ConfigWatch), ConfigError> {
        ConfigWatch::begin(Some(file.to_owned()), [drawn::beside(file), typed::beside(file)])
    }

    /// A configuration that nobody wrote, with what is kept beside the shot log instead.
    pub fn unwritten(log: &Path) -> Result<(Config, ConfigWatch), ConfigError> {
        ConfigWatch::begin(None, [drawn::beside_log(log), typed::beside_log(log)])
    }

    fn begin(written: Option<PathBuf>, [drawn, typed]: [PathBuf; 2]) -> Result<(Config, ConfigWatch), ConfigError> {
        let mut watch = ConfigWatch { written, drawn, typed, taken: [None; 3], seen: None };
        watch.taken = watch.states();
        Ok((watch.config()?, watch))
    }

    /// The file of drawn spots.
    pub fn drawn(&self) -> &Path {
        &self.drawn
    }

    /// The file of what was written down of the set.
    pub fn typed(&self) -> &Path {
        &self.typed
    }

    fn states(&self) -> States {
        [self.written.as_deref().and_then(state_of), state_of(&self.drawn), state_of(&self.typed)]
    }

    fn config(&self) -> Result<Config, ConfigError> {
        if let Some(written) = &self.written {
            return Config::read(written);
        }
        let mut config = Config::default();
        drawn::apply(&self.drawn, &mut config)?;
        typed::apply(&self.typed, &mut config)?;
        Ok(config)
    }

    /// The configuration as it is on the disk right now, whether it changed or not.
    pub fn now(&mut self) -> Result<Box<Config>, ConfigError> {
        self.taken = self.states();
        self.seen = None;
        self.config().map(Box::new)
    }

    /// `None` while nothing changed or the written file is gone: the old configuration then holds.
    pub fn poll(&mut self) -> Option<Result<Box<Config>, ConfigError>> {
        let states = self.states();
        if self.written.is_some() && states[0].is_none() {
            return None;
        }
        if self.taken == states {
            self.seen = None;
            return None;
        }
        match self.seen {
            Some((seen, since)) if seen == states => (since.elapsed() >= QUIET).then(|| self.now()),
            _ => {
                self.seen = Some((states, Instant::now()));
                None
            }
        }
    }
}

/// The state of the file that is meant: behind a link it is the file that the link points to right now, so that one
/// who edits that file, or turns the link to another, is heard.
fn state_of(path: &Path) -> Option<FileState> {
    FileState::meant_by(path)
}
