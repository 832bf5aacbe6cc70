//! The command line: one file a subcommand.

mod accuracy;
mod calibrate;
mod check;
mod compare;
mod demo;
mod exit;
mod follow;
mod page;
mod series;
mod tell;
mod watch;

use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;

use clap::{Parser, Subcommand, ValueEnum};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::writer::BoxMakeWriter;

pub use exit::{CommandError, Exit};

use crate::outlet::live_view::Lines;
use crate::outlet::socket;

/// Watches a tethered-capture folder, meters every new frame against a reference frame, and says
/// in stops how far to turn each studio light.
///
/// Exit codes: 0 done; 1 some files could not be used; 2 wrong command line or configuration;
/// 3 the folder, log or socket can't be used; 4 no greyhold answers; 70 a defect; 75 another
/// greyhold holds the log.
#[derive(Debug, Parser)]
#[command(
    name = "greyhold",
    version,
    max_term_width = 100,
    after_help = "greyhold only advises; a person sets the power. The maker's manual and local rules come first. \
                  Cautions for work with flash are in the README."
)]
pub struct Cli {
    #[command(subcommand)]
    command: Sub,
    /// How messages to standard error are written
    #[arg(long, global = true, value_enum, default_value_t = LogFormat::Plain)]
    log_format: LogFormat,
    /// Messages in more detail (twice for all)
    #[arg(short, long, global = true, action = clap::ArgAction::Count)]
    verbose: u8,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum LogFormat {
    Plain,
    Json,
}

#[derive(Debug, Subcommand)]
enum Sub {
    /// Watch a capture folder until interrupted
    Watch(watch::Args),
    /// Play a sitting of our own through a real watch, and show what it says
    Demo(demo::Args),
    /// Compare photographs with a reference, without a daemon
    Compare(compare::Args),
    /// Recover a camera's own response curve from a few frames of one still scene
    Calibrate(calibrate::Args),
    /// Tell how true the stops of bracketed series are read
    Accuracy(accuracy::Args),
    /// Tell or ask a running greyhold something
    Tell(tell::Args),
    /// Follow what a running greyhold says
    Follow(follow::Args),
    /// Check a configuration, folder, log or frame, or write the example configuration
    Check(check::Args),
}

/// Runs the command line.
pub fn run(cli: Cli) -> Result<Exit, CommandError> {
    let lines = match &cli.command {
        Sub::Watch(args) if args.is_live() => Some(Lines::default()),
        _ => None,
    };
    set_up_messages(&cli, lines.clone());
    match cli.command {
        Sub::Watch(args) => watch::run(args, lines),
        Sub::Demo(args) => demo::run(args),
        Sub::Compare(args) => compare::run(&args),
        Sub::Calibrate(args) => calibrate::run(&args),
        Sub::Accuracy(args) => accuracy::run(&args),
        Sub::Tell(args) => tell::run(args),
        Sub::Follow(args) => follow::run(&args),
        Sub::Check(args) => check::run(&args),
    }
}

/// Messages go to standard error, or among the lines of a view that has the whole terminal.
fn set_up_messages(cli: &Cli, lines: Option<Lines>) {
    let level = match cli.verbose {
        0 => "greyhold=warn",
        1 => "greyhold=info",
        _ => "greyhold=trace",
    };
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(level));
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(
        match lines.filter(|_| io::stderr().is_terminal()) {
            Some(lines) => BoxMakeWriter::new(move || lines.clone()),
            None => BoxMakeWriter::new(io::stderr),
        },
    );
    // Setting it twice happens only where tests call this twice.
    let _ = match cli.log_format {
        LogFormat::Plain => builder.with_target(false).with_ansi(false).try_init(),
        LogFormat::Json => builder.json().try_init(),
    };
}

/// Where a running greyhold is asked.
#[derive(Debug, clap::Args)]
struct Where {
    /// The capture folder that the running greyhold watches
    #[arg(long, value_name = "FOLDER", global = true)]
    folder: Option<PathBuf>,
    /// The running greyhold's socket
    #[arg(long, value_name = "PATH", global = true)]
    socket: Option<PathBuf>,
}

impl Where {
    /// The socket that is named, that belongs to the folder, or the only one there is.
    fn socket(&self) -> Result<PathBuf, CommandError> {
        if let Some(socket) = self.socket.clone().or_else(|| self.folder.as_deref().map(socket::default_path)) {
            return Ok(socket);
        }
        let mut running = socket::running();
        match running.len() {
            0 => Err(CommandError::NotRunning(
                "no greyhold is running; start one with 'greyhold watch FOLDER'".to_owned(),
            )),
            1 => Ok(running.remove(0)),
            n => Err(CommandError::NotRunning(format!(
                "{n} greyholds may be running: name one with --folder or --socket"
            ))),
        }
    }
}

/// Prints a line; a reader that went away is told by `false`.
fn say(text: &str) -> bool {
    let mut out = io::stdout().lock();
    writeln!(out, "{text}").and_then(|()| out.flush()).is_ok()
}
