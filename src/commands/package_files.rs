//! `greyhold package-files`: what a package carries beside the program, made out of the program itself: completions for
//! shells, manual pages, the example configuration, the schema of the messages. `--help` doesn't show it.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use clap::{Command, CommandFactory};
use clap_complete::Shell;

use super::exit::{CommandError, Exit};
use super::say;
use crate::config::EXAMPLE;

#[derive(Debug, clap::Args)]
pub struct Args {
    /// An empty or new folder
    into: PathBuf,
}

/// Each shell's own name for such a file.
const SHELLS: [(Shell, &str); 5] = [
    (Shell::Bash, "greyhold.bash"),
    (Shell::Zsh, "_greyhold"),
    (Shell::Fish, "greyhold.fish"),
    (Shell::PowerShell, "_greyhold.ps1"),
    (Shell::Elvish, "greyhold.elv"),
];
const SCHEMA: &str = include_str!("../../config/messages.schema.json");

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    write(&args.into)
        .map_err(|e| CommandError::CannotRun(format!("{} can't be written to: {e}", args.into.display())))?;
    say(&format!("{}: completions, man, greyhold.example.yaml, messages.schema.json", args.into.display()));
    Ok(Exit::Clean)
}

fn write(into: &Path) -> io::Result<()> {
    let (completions, man) = (into.join("completions"), into.join("man"));
    fs::create_dir_all(into)?;
    if fs::read_dir(into)?.next().is_some() {
        return Err(io::Error::new(
            io::ErrorKind::DirectoryNotEmpty,
            "something lies in it; name an empty or new folder",
        ));
    }
    fs::create_dir_all(&completions)?;
    fs::create_dir_all(&man)?;
    let shown = shown(super::Cli::command());
    for (shell, name) in SHELLS {
        let mut file = Vec::new();
        clap_complete::generate(shell, &mut shown.clone(), "greyhold", &mut file);
        fs::write(completions.join(name), file)?;
    }
    // A page of its own for each command: greyhold-watch(1).
    clap_mangen::generate_to(shown, &man)?;
    fs::write(into.join("greyhold.example.yaml"), EXAMPLE)?;
    fs::write(into.join("messages.schema.json"), SCHEMA)
}

/// The command line without what nobody is to be offered.
fn shown(whole: Command) -> Command {
    let (hidden, kept): (Vec<Command>, Vec<Command>) = whole.get_subcommands().cloned().partition(Command::is_hide_set);
    // clap can't take a subcommand away again: it is made anew around those that stay.
    debug_assert!(!hidden.is_empty());
    let mut fresh = Command::new("greyhold").version(env!("CARGO_PKG_VERSION"));
    if let Some(about) = whole.get_about() {
        fresh = fresh.about(about.clone());
    }
    if let Some(long) = whole.get_long_about() {
        fresh = fresh.long_about(long.clone());
    }
    if let Some(after) = whole.get_after_help() {
        fresh = fresh.after_help(after.clone());
    }
    fresh.args(whole.get_arguments().cloned()).disable_version_flag(true).subcommands(kept)
}
