//! Exit codes, and the errors that lead to them.

use std::process::ExitCode;

use thiserror::Error;

use crate::config::ConfigError;
use crate::daemon::RunError;
use crate::outlet::shot_log::LogError;

/// How the program ends. The codes are listed in `--help`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    Clean,
    SomeUnusable,
    WrongUse,
    CannotRun,
    NotRunning,
    Defect,
    InUse,
    Interrupted,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(match exit {
            Exit::Clean => 0,
            Exit::SomeUnusable => 1,
            Exit::WrongUse => 2,
            Exit::CannotRun => 3,
            Exit::NotRunning => 4,
            Exit::Defect => 70,
            Exit::InUse => 75,
            Exit::Interrupted => 130,
        })
    }
}

/// Why a command could not be carried out: one line for a person.
#[derive(Debug, Error)]
pub enum CommandError {
    #[error(transparent)]
    Config(#[from] ConfigError),
    #[error("{0}")]
    WrongUse(String),
    #[error(transparent)]
    Run(#[from] RunError),
    #[error("{0}")]
    CannotRun(String),
    #[error("{0}")]
    NotRunning(String),
    #[error("interrupted: nothing was written")]
    Interrupted,
}

impl CommandError {
    pub fn exit(&self) -> Exit {
        match self {
            CommandError::Config(_) | CommandError::WrongUse(_) => Exit::WrongUse,
            CommandError::Run(RunError::Log(LogError::InUse { .. })) => Exit::InUse,
            CommandError::Run(RunError::IntakeEnded) => Exit::Defect,
            CommandError::Run(_) | CommandError::CannotRun(_) => Exit::CannotRun,
            CommandError::NotRunning(_) => Exit::NotRunning,
            CommandError::Interrupted => Exit::Interrupted,
        }
    }
}
