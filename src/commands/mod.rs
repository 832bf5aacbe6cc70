//! The command line: one file a subcommand.

mod accuracy;
mod calibrate;
mod check;
mod compare;
mod demo;
mod exit;
mod first_start;
mod follow;
mod hand_over;
mod handed_on;
mod interrupted;
mod last_folder;
mod local_time;
mod log_asked;
mod new_file;
mod open;
mod package_files;
mod page;
mod photographs;
mod plan;
mod read_files;
mod rebuild;
mod report;
mod series;
mod service_manager;
mod sheet;
mod signals;
mod sittings;
mod sittings_asked;
mod table_cell;
mod talk;
mod tell;
mod version;
mod watch;

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use clap::{Parser, Subcommand, ValueEnum};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::writer::BoxMakeWriter;

pub use exit::{CommandError, Exit};
use handed_on::HandedOn;

use crate::config::Config;
use crate::outlet::live_view::Lines;
use crate::outlet::plain::{printable, printable_json, printable_lines};
use crate::outlet::printing::Printer;
use crate::outlet::socket_place;
use crate::wording::without_error_numbers;
use crate::workers;

/// What is still to be said at the end gets this long.
const FAREWELL: Duration = Duration::from_millis(250);
/// Why something could not be printed.
static UNPRINTED: Mutex<Option<io::Error>> = Mutex::new(None);

/// Watches a tethered-capture folder, meters every new frame against a reference frame, and says
/// in stops how far to turn each studio light.
///
/// Exit codes: 0 done; 1 some files could not be used; 2 wrong command line or configuration;
/// 3 the folder, log or socket can't be used; 4 no greyhold answers; 70 a defect; 75 another
/// greyhold holds the log; 130 interrupted.
#[derive(Debug, Parser)]
#[command(
    name = "greyhold",
    disable_version_flag = true,
    max_term_width = 100,
    after_help = "greyhold only advises; a person sets the power. The maker's manual and local rules come first. \
                  Cautions for work with flash are in the README."
)]
pub struct Cli {
    /// Without one: a watch, which asks for its folder on the terminal, or on a page where there is none
    #[command(subcommand)]
    command: Option<Sub>,
    /// Print the version; with --verbose, what is in this program and whose that is
    #[arg(short = 'V', long)]
    version: bool,
    /// How messages to standard error are written
    #[arg(long, global = true, value_enum, default_value_t = LogFormat::Plain)]
    log_format: LogFormat,
    /// With the numbers that each sentence rests on, and messages in more detail (twice for all)
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
    /// Play a made-up sitting through a real watch, and show what it says
    Demo(demo::Args),
    #[command(flatten)]
    Word(tell::Word),
    /// The same words in the form of earlier days
    #[command(hide = true)]
    Tell(tell::Args),
    /// Open the page of the running greyhold in the browser; where none runs, start one
    Open(open::Args),
    /// Follow what a running greyhold says
    Follow(follow::Args),
    /// Before the sitting: what the lights have to be at for each aperture, and how much is sharp
    Plan(Box<plan::Args>),
    /// List the sittings of a shot log
    Sittings(sittings::Args),
    /// All that is needed to build a look again: lights, places, powers, ratios, settings
    Sheet(sheet::Args),
    /// Build a look again: what differs from its set-up sheet, frame by frame
    Rebuild(rebuild::Args),
    /// After the sitting: a page to print and keep, and a table of all frames
    Report(report::Args),
    /// After the sitting: exposure offsets that level its frames, for the programs that develop them
    HandOver(hand_over::Args),
    /// Compare photographs with a reference, without a daemon
    Compare(compare::Args),
    /// Recover a camera's own response curve from a few frames of one still scene
    Calibrate(calibrate::Args),
    /// Tell how true the stops of bracketed series are read
    Accuracy(accuracy::Args),
    /// Write the commented example configuration to begin with
    Init(check::Init),
    /// Check a configuration, folder, log or frame
    Check(check::Args),
    /// Write what a package carries beside the program
    #[command(hide = true)]
    PackageFiles(package_files::Args),
    /// Read photographs for another greyhold
    #[command(name = workers::SUBCOMMAND, hide = true)]
    ReadFiles(read_files::Args),
}

/// Runs the command line.
pub fn run(mut cli: Cli) -> Result<Exit, CommandError> {
    if cli.version {
        return version::run(cli.verbose > 0);
    }
    let (command, handed_on) = match cli.command.take() {
        Some(command) => (command, HandedOn::default()),
        None => match first_start::asked_for()? {
            Some((args, handed_on)) => (Sub::Watch(args), handed_on),
            None => return Ok(Exit::Clean),
        },
    };
    let lines = match &command {
        Sub::Watch(args) if args.is_live() => Some(Lines::default()),
        _ => None,
    };
    let messages = set_up_messages(&cli, &command, lines.clone());
    let evidence = cli.verbose > 0;
    let done = match command {
        Sub::Watch(args) => watch::run(args, handed_on, lines, evidence),
        Sub::Demo(args) => demo::run(args, evidence),
        Sub::Plan(args) => plan::run(&args),
        Sub::Sittings(args) => sittings::run(&args),
        Sub::Sheet(args) => sheet::run(&args),
        Sub::Rebuild(args) => rebuild::run(&args),
        Sub::Report(args) => report::run(&args),
        Sub::HandOver(args) => hand_over::run(&args),
        Sub::Compare(args) => compare::run(&args),
        Sub::Calibrate(args) => calibrate::run(&args),
        Sub::Accuracy(args) => accuracy::run(&args),
        Sub::Word(word) => tell::run(word),
        Sub::Tell(args) => tell::run(args.word),
        Sub::Init(args) => check::init(&args),
        Sub::Open(args) => open::run(&args),
        Sub::Follow(args) => follow::run(&args, evidence),
        Sub::Check(args) => check::run(&args),
        Sub::PackageFiles(args) => package_files::run(&args),
        Sub::ReadFiles(args) => read_files::run(&args),
    };
    if let Messages::Aside(printer) = messages {
        printer.finish(FAREWELL);
    }
    let unprinted = UNPRINTED.lock().unwrap_or_else(PoisonError::into_inner).take();
    match unprinted {
        Some(e) if done.is_ok() => Err(CommandError::CannotRun(format!("standard output can't be written: {e}"))),
        _ => done,
    }
}

/// Says on standard error, on one line, why a command could not be carried out.
pub fn complain(error: &CommandError) {
    let messages = Printer::to_stderr();
    let said = without_error_numbers(&error.to_string().replace('\n', " "));
    messages.say(&format!("greyhold: {}", printable(&said)));
    messages.finish(FAREWELL);
}

/// Messages go to standard error, or among the lines of a view that has the whole terminal.
fn set_up_messages(cli: &Cli, command: &Sub, lines: Option<Lines>) -> Messages {
    let level = match cli.verbose {
        0 => "greyhold=warn",
        1 => "greyhold=info",
        _ => "greyhold=trace",
    };
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(level));
    // Who reads strangers' files gives up what it may do, and that holds for threads that begin after it only.
    let messages = match command {
        Sub::ReadFiles(_) => Messages::Here,
        _ => Messages::Aside(Printer::to_stderr()),
    };
    let write = messages.clone();
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(
        match lines.filter(|_| io::stderr().is_terminal()) {
            Some(lines) => BoxMakeWriter::new(move || lines.clone()),
            None => BoxMakeWriter::new(move || write.clone()),
        },
    );
    // Setting it twice happens only where tests call this twice.
    let _ = match cli.log_format {
        LogFormat::Plain => builder.with_target(false).with_ansi(false).try_init(),
        LogFormat::Json => builder.json().try_init(),
    };
    messages
}

/// Messages on their way to standard error. Names of files and cameras in them steer no terminal.
#[derive(Clone)]
enum Messages {
    /// Who says one never waits for who reads it.
    Aside(Printer),
    Here,
}

impl Write for Messages {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let text = printable_lines(&String::from_utf8_lossy(bytes));
        match self {
            Messages::Aside(printer) => printer.say(&text),
            Messages::Here => writeln!(io::stderr(), "{text}")?,
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
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
    /// The socket that is named, that belongs to the folder, that the configuration here names, or, where none lies here, the only one
    /// there is.
    fn socket(&self) -> Result<PathBuf, CommandError> {
        if let Some(socket) = self.socket.clone().or_else(|| self.folder.as_deref().map(socket_place::of_running)) {
            return Ok(socket);
        }
        let configured = configured();
        if let Some(socket) = configured.clone().filter(|socket| socket_place::connect(socket).is_ok()) {
            return Ok(socket);
        }
        let mut running = socket_place::running();
        match running.len() {
            0 => Err(CommandError::NotRunning(
                "no greyhold is running; start one with 'greyhold watch FOLDER' (one whose socket is named, on its command line or in \
                 a configuration, is found with --socket PATH, or from where its greyhold.yaml lies)"
                    .to_owned(),
            )),
            // What is meant for the lights here must not go to those of another set.
            1 if configured.is_some() => Err(CommandError::NotRunning(format!(
                "the greyhold of greyhold.yaml here isn't running; if the one that runs is meant: {}",
                named(&running[0])
            ))),
            1 => Ok(running.remove(0)),
            n => {
                let named: Vec<String> = running.iter().map(|socket| named(socket)).collect();
                Err(CommandError::NotRunning(format!(
                    "{n} greyholds may be running: name one with {}",
                    named.join(", or ")
                )))
            }
        }
    }
}

/// The socket of a watch by the configuration that lies here.
fn configured() -> Option<PathBuf> {
    let usual = Path::new(watch::USUAL_CONFIG);
    // One that can't be read is no reason to ask nobody.
    let config = usual.is_file().then(|| Config::read(usual).ok()).flatten()?;
    config.socket.or_else(|| config.folder.as_deref().map(socket_place::of_running))
}

/// By which option one of several running greyholds is meant.
fn named(socket: &Path) -> String {
    // To be pasted into a shell as it is.
    let is_plain = |c: char| c.is_alphanumeric() || "/._-:\\".contains(c);
    let quoted = |path: &str| match path.chars().all(is_plain) {
        true => path.to_owned(),
        false => format!("'{}'", path.replace('\'', "'\\''")),
    };
    match talk::folder_of(socket).filter(|folder| socket_place::of_running(Path::new(folder)) == socket) {
        Some(folder) => format!("--folder {}", quoted(&folder)),
        None => format!("--socket {} (which doesn't tell its folder)", quoted(&socket.display().to_string())),
    }
}

/// Prints text; a reader that went away is told by `false`. Nothing in it steers the terminal.
fn say(text: &str) -> bool {
    print(&printable_lines(text))
}

/// Prints JSON for tools.
fn say_json(json: &str) -> bool {
    print(&printable_json(json))
}

/// Prints a record's block, which is clean but for our own paint.
fn say_block(block: &str) -> bool {
    print(block)
}

fn print(text: &str) -> bool {
    let mut out = io::stdout().lock();
    match writeln!(out, "{text}").and_then(|()| out.flush()) {
        Ok(()) => true,
        Err(e) => {
            // A reader that has read enough is no fault.
            if e.kind() != io::ErrorKind::BrokenPipe {
                UNPRINTED.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert(e);
            }
            false
        }
    }
}
