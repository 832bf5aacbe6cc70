//! `greyhold hand-over`
use super::exit::{CommandError, Exit};
#[derive(Debug, clap::Args)]
pub struct Args {}
pub fn run(_: &Args) -> Result<Exit, CommandError> {
    Ok(Exit::Clean)
}
