//! Which shot log is meant by a command that reads one whether or not a greyhold has it open, and which sitting of it.

use std::io;
use std::path::{Path, PathBuf};

use super::exit::CommandError;
use super::watch::{USUAL_CONFIG, USUAL_LOG};
use crate::config::Config;
use crate::outlet::shot_log::sittings;
use crate::session::{SittingRow, Sittings};
use crate::wording::without_error_numbers;

#[derive(Debug, clap::Args)]
pub struct KeptLog {
    /// The shot log, or the capture folder that it lies in [default: that of greyhold.yaml here]
    #[arg(value_name = "LOG or FOLDER")]
    log: Option<PathBuf>,
}

impl KeptLog {
    /// Where it lies.
    ///
    /// # Errors
    /// A sentence where nobody can tell which is meant, or there is none.
    pub fn path(&self) -> Result<PathBuf, CommandError> {
        let path = match &self.log {
            Some(folder) if folder.is_dir() => folder.join(USUAL_LOG),
            Some(log) => log.clone(),
            None => configured()?,
        };
        match path.is_file() {
            true => Ok(path),
            false => Err(CommandError::CannotRun(format!(
                "there is no shot log at {}: name the log, or the folder that greyhold watched",
                path.display()
            ))),
        }
    }
}

/// The log of a watch by the configuration that lies here.
fn configured() -> Result<PathBuf, CommandError> {
    let usual = Path::new(USUAL_CONFIG);
    if !usual.is_file() {
        let said = "which shot log? name it, or the folder that greyhold watched (there is no greyhold.yaml here that would tell)";
        return Err(CommandError::WrongUse(said.to_owned()));
    }
    let config = Config::read(usual).map_err(|e| CommandError::WrongUse(e.to_string()))?;
    let of_folder = config.folder.map(|folder| folder.join(USUAL_LOG));
    let nowhere = || CommandError::WrongUse("greyhold.yaml here names no folder and no log: name the log".to_owned());
    config.log.or(of_folder).ok_or_else(nowhere)
}

/// The sittings of a log.
///
/// # Errors
/// A sentence where it can't be read.
pub fn sittings_of(log: &Path) -> Result<Sittings, CommandError> {
    sittings(log).map_err(|e| unreadable(log, &e))
}

/// The sitting that is named by its number or its name; the last one where none is.
///
/// # Errors
/// A sentence where there is no such sitting.
pub fn sitting_in(log: &Path, wanted: Option<&str>) -> Result<SittingRow, CommandError> {
    let all = sittings_of(log)?;
    let found = wanted.map_or_else(|| all.last(), |wanted| all.find(wanted));
    found.cloned().ok_or_else(|| {
        CommandError::WrongUse(match wanted {
            Some(wanted) => {
                format!("there is no sitting '{wanted}' in {}: 'greyhold sittings' lists them", log.display())
            }
            None => format!("there is no frame in {} yet", log.display()),
        })
    })
}

pub fn unreadable(log: &Path, why: &io::Error) -> CommandError {
    CommandError::CannotRun(format!("{} can't be read: {}", log.display(), without_error_numbers(&why.to_string())))
}
