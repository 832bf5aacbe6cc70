//! The log that a command reads, whether or not a greyhold has it open, the sitting of it that is meant, and the configuration that
//! belongs to it.

use std::io;
use std::path::{Path, PathBuf};

use super::exit::CommandError;
use super::watch::{USUAL_LOG, usual_config};
use crate::config::{Config, typed};
use crate::numbers::RecordNumber;
use crate::outlet::sheet::{LogSheet, of_log};
use crate::outlet::shot_log::sittings;
use crate::rig::LightGroup;
use crate::session::{SittingRow, Sittings};
use crate::wording::without_error_numbers;

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
    ///
    /// # Errors
    /// A sentence where nobody can tell which log is meant, or there is none.
    pub fn log(&self) -> Result<(PathBuf, Config), CommandError> {
        let config = configuration(self.config.as_deref())?;
        let log = self.log.as_deref().map_or_else(|| log_of(&config), |log| Ok(log_at(log)))?;
        is_there(&log)?;
        let config = with_what_was_typed(config, &log, self.config.as_deref())?;
        Ok((log, config))
    }

    /// `until` is the last record that counts.
    pub fn sheet(
        log: &Path,
        config: &Config,
        look: Option<&str>,
        until: Option<RecordNumber>,
    ) -> Result<LogSheet, CommandError> {
        of_log(log, config, look, until).map_err(|why| CommandError::CannotRun(why.to_string()))
    }
}

/// The configuration that is named, or that lies here; else the usual one.
fn configuration(named: Option<&Path>) -> Result<Config, CommandError> {
    let file = named.map(Path::to_owned).or_else(usual_config);
    file.map_or_else(|| Ok(Config::default()), |file| Ok(Config::read(&file)?))
}

/// The configuration that is named, or that lies here; else the usual one, with what was written down of the set beside the log.
pub fn configuration_for(log: &Path, named: Option<&Path>) -> Result<Config, CommandError> {
    with_what_was_typed(configuration(named)?, log, named)
}

/// Where nobody wrote a configuration, what was written down of the set lies beside the log.
fn with_what_was_typed(mut config: Config, log: &Path, named: Option<&Path>) -> Result<Config, CommandError> {
    if named.is_none() && usual_config().is_none() {
        typed::apply(&typed::beside_log(log), &mut config)?;
    }
    Ok(config)
}

/// The log that is meant where none is named: the configuration's, or the one that lies in this folder.
pub fn usual() -> Result<PathBuf, CommandError> {
    log_of(&configuration(None)?)
}

/// The groups of the configuration that lies here, where it is that of this log and can be read.
pub fn lights_of(log: &Path) -> Vec<LightGroup> {
    let Ok(config) = configuration(None) else { return Vec::new() };
    let is_this = |own: PathBuf| own.canonicalize().ok().zip(log.canonicalize().ok()).is_some_and(|(a, b)| a == b);
    if log_of(&config).is_ok_and(is_this) { config.groups } else { Vec::new() }
}

fn log_of(config: &Config) -> Result<PathBuf, CommandError> {
    let here = || Some(PathBuf::from(USUAL_LOG)).filter(|log| log.is_file());
    let of_folder = config.folder.as_deref().map(|folder| folder.join(USUAL_LOG));
    let which = || CommandError::WrongUse("of which log? name it, or the folder that it lies in".to_owned());
    config.log.clone().or(of_folder).or_else(here).ok_or_else(which)
}

/// The log that a path means.
pub fn log_at(path: &Path) -> PathBuf {
    if path.is_dir() { path.join(USUAL_LOG) } else { path.to_owned() }
}

fn is_there(log: &Path) -> Result<(), CommandError> {
    let absent =
        || format!("there is no shot log at {}: name the log, or the folder that greyhold watched", log.display());
    if log.is_file() { Ok(()) } else { Err(CommandError::CannotRun(absent())) }
}

/// The sittings of a log.
///
/// # Errors
/// A sentence where there is none, or it can't be read.
pub fn sittings_of(log: &Path) -> Result<Sittings, CommandError> {
    is_there(log)?;
    sittings(log).map_err(|e| unreadable(log, &e))
}

/// The sitting that is named by its number or its name.
///
/// # Errors
/// A sentence where there is no such sitting.
pub fn sitting_in(log: &Path, wanted: &str) -> Result<SittingRow, CommandError> {
    sittings_of(log)?.find(wanted).cloned().ok_or_else(|| {
        let said = format!("there is no sitting '{wanted}' in {}: 'greyhold sittings' lists them", log.display());
        CommandError::WrongUse(said)
    })
}

pub fn unreadable(log: &Path, why: &io::Error) -> CommandError {
    // A fault of the log itself says which.
    let why = without_error_numbers(&why.to_string());
    let log = log.display().to_string();
    CommandError::CannotRun(if why.contains(&log) { why } else { format!("{log} can't be read: {why}") })
}
