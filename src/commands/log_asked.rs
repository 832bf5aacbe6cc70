//! The log that a command reads, and the configuration that belongs to it.

use std::path::{Path, PathBuf};

use super::exit::CommandError;
use super::watch::{USUAL_CONFIG, USUAL_LOG};
use crate::config::Config;
use crate::outlet::sheet::{LogSheet, of_log};

#[derive(Debug, clap::Args)]
pub struct LogAsked {
    /// A shot log, or the folder that it lies in [default: those of the configuration]
    #[arg(value_name = "LOG or FOLDER")]
    log: Option<PathBuf>,
    /// The configuration with lights and set [default: greyhold.yaml here, if there is one]
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

impl LogAsked {
    /// The log's name, and the configuration.
    pub fn log(&self) -> Result<(PathBuf, Config), CommandError> {
        let config = configuration(self.config.as_deref())?;
        let named = self.log.as_deref().map(log_at);
        let configured =
            || config.log.clone().or_else(|| config.folder.as_deref().map(|folder| folder.join(USUAL_LOG)));
        let log = named
            .or_else(configured)
            .ok_or_else(|| CommandError::WrongUse("of which log? name it, or the folder that it lies in".to_owned()))?;
        Ok((log, config))
    }

    pub fn sheet(log: &Path, config: &Config, look: Option<&str>) -> Result<LogSheet, CommandError> {
        of_log(log, config, look).map_err(|why| CommandError::CannotRun(why.to_string()))
    }
}

/// The configuration that is named, or that lies here; else the usual one.
pub fn configuration(named: Option<&Path>) -> Result<Config, CommandError> {
    let usual = Path::new(USUAL_CONFIG);
    let file = named.or_else(|| usual.is_file().then_some(usual));
    file.map_or_else(|| Ok(Config::default()), |file| Ok(Config::read(file)?))
}

/// The log that a path means.
pub fn log_at(path: &Path) -> PathBuf {
    if path.is_dir() { path.join(USUAL_LOG) } else { path.to_owned() }
}
