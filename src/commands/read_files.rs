//! `greyhold read-files`, which nobody types: a worker that reads photographs for another greyhold.

use std::path::PathBuf;

use super::exit::{CommandError, Exit};
use super::say;
use crate::workers;

#[derive(Debug, clap::Args)]
pub struct Args {
    /// Try at a file what a worker must not do, and tell how it went
    #[arg(long, value_name = "FILE")]
    attempt: Option<PathBuf>,
}

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    match &args.attempt {
        Some(file) => {
            workers::attempt(file).iter().all(|line| say(line));
        }
        // Only greyhold reads what it says; it ends with the one that started it.
        None => workers::serve().map_err(|e| CommandError::CannotRun(format!("reading files for greyhold: {e}")))?,
    }
    Ok(Exit::Clean)
}
