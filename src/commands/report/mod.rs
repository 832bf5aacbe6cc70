//! `greyhold report`: a sitting looked back on, as a page and as a table.

mod contact;
mod drawing;
mod page;
mod sections;
mod sheet;
mod spreadsheet;
mod style;

use std::io::{ErrorKind, IsTerminal};
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;

use self::contact::{Pictures, read_pictures};
use super::exit::{CommandError, Exit};
use super::interrupted::Interrupted;
use super::log_asked::usual;
use super::photographs::Photographs;
use super::say;
use super::sittings_asked::AskedSitting;
use crate::files::{folder_of, put_all};
use crate::outlet::plain::printable;
use crate::wording::counted;

/// The page's name, where neither it nor a table was named.
const USUAL_PAGE: &str = "greyhold-report.html";
/// Photographs that are read at one time.
const READERS: usize = 2;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold report                                  what the configuration here watches, into greyhold-report.html
  greyhold report ~/tether --out monday.html       the sitting whose log lies in a folder
  greyhold report ~/tether --csv monday.csv        every frame with its numbers, for spreadsheets
  greyhold report mon.jsonl tue.jsonl --out both.html      several logs on one page
  greyhold report ~/tether --sitting 1 --sitting hats      sittings of one log ('greyhold sittings' lists them)

It reads only, also while a watch goes on, and the page needs nothing but itself: print it, or send it.")]
pub struct Args {
    /// Shot logs, or the folders that they lie in [default: what greyhold.yaml here watches, or this folder]
    #[arg(value_name = "LOG or FOLDER")]
    logs: Vec<PathBuf>,
    /// A sitting, by its number or name; several of them stand on one page [default: the last one of each log]
    #[arg(long, value_name = "SITTING")]
    sitting: Vec<String>,
    /// Write the page to this HTML file [default: greyhold-report.html, unless --csv is given]
    #[arg(long, value_name = "FILE.html")]
    out: Option<PathBuf>,
    /// Write every frame with its numbers to this CSV file (RFC 4180)
    #[arg(long, value_name = "FILE.csv")]
    csv: Option<PathBuf>,
    /// Take the place of files that are there
    #[arg(long)]
    force: bool,
    /// Leave the photographs unread: no contact sheet
    #[arg(long)]
    no_pictures: bool,
}

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let page = args.out.clone().or_else(|| args.csv.is_none().then(|| PathBuf::from(USUAL_PAGE)));
    for (file, what) in [(&page, "the page"), (&args.csv, "the table")] {
        file.iter().try_for_each(|file| check_place(file, what, args.force))?;
    }
    check_apart(&page, &args.csv)?;
    let photographs = Photographs::several(READERS);
    let reading = photographs.clone();
    let interrupted = Interrupted::listen(move || reading.stop())?;
    let asked = if args.logs.is_empty() { vec![usual()?] } else { args.logs.clone() };
    let mut sittings = Vec::new();
    let wanted: Vec<Option<&str>> = match args.sitting.as_slice() {
        [] => vec![None],
        several => several.iter().map(|sitting| Some(sitting.as_str())).collect(),
    };
    for (log, sitting) in asked.iter().flat_map(|log| wanted.iter().map(move |sitting| (log, *sitting))) {
        sittings.push(AskedSitting::read(log, sitting)?);
        interrupted.check()?;
    }
    sittings.iter().flat_map(|sitting| &sitting.passed_over).for_each(|sentence| {
        eprintln!("{}", printable(sentence));
    });
    let zone = TimeZone::system();
    let mut written: Vec<(&Path, String)> = Vec::new();
    if let Some(file) = &page {
        let pictures = pictures(&sittings, args.no_pictures, &photographs, &interrupted)?;
        written.push((file, page::html(&sittings, &pictures, &zone)));
    }
    if let Some(file) = &args.csv {
        written.push((file, spreadsheet::csv(&sittings, &zone)));
    }
    interrupted.check()?;
    write(&written, args.force)?;
    tell(&sittings, &written);
    Ok(Exit::Clean)
}

/// Page and table are two files, and named as such: then neither takes the other's place, a photograph's or a log's.
fn check_apart(page: &Option<PathBuf>, table: &Option<PathBuf>) -> Result<(), CommandError> {
    let ends_in = |file: &Path, known: &[&str]| {
        file.extension().is_some_and(|end| known.iter().any(|known| end.eq_ignore_ascii_case(known)))
    };
    let wrong = |option, end| CommandError::WrongUse(format!("{option} names a file that ends in {end}"));
    match (page, table) {
        (Some(page), _) if !ends_in(page, &["html", "htm"]) => Err(wrong("--out", ".html")),
        (_, Some(table)) if !ends_in(table, &["csv"]) => Err(wrong("--csv", ".csv")),
        _ => Ok(()),
    }
}

/// What can't be written is said before any work is done.
fn check_place(file: &Path, what: &str, force: bool) -> Result<(), CommandError> {
    let name = printable(&file.display().to_string());
    let folder = folder_of(file);
    if !folder.is_dir() {
        let folder = printable(&folder.display().to_string());
        let why = format!("{what} can't be written to {name}: there is no folder {folder}: make it, or name another");
        return Err(CommandError::CannotRun(why));
    }
    match file.symlink_metadata() {
        Ok(_) if !force => Err(is_there(&name)),
        Ok(there) if there.is_dir() => {
            Err(CommandError::CannotRun(format!("{name} is a folder: name a file for {what}")))
        }
        _ => Ok(()),
    }
}

fn is_there(name: &str) -> CommandError {
    CommandError::CannotRun(format!("{name} is there already, and stays as it is: name another file, or add --force"))
}

fn pictures(
    sittings: &[AskedSitting],
    none: bool,
    photographs: &Photographs,
    interrupted: &Interrupted,
) -> Result<Pictures, CommandError> {
    if none {
        return Ok(Pictures::unread(sittings));
    }
    read_pictures(sittings, photographs, interrupted, std::io::stderr().is_terminal())
}

fn write(written: &[(&Path, String)], force: bool) -> Result<(), CommandError> {
    let files: Vec<(&Path, &[u8])> = written.iter().map(|(file, text)| (*file, text.as_bytes())).collect();
    put_all(&files, force).map_err(|e| match e.kind() {
        ErrorKind::AlreadyExists => is_there(&printable(&e.to_string())),
        _ => CommandError::CannotRun(format!("the report can't be written: {e}")),
    })
}

fn tell(sittings: &[AskedSitting], written: &[(&Path, String)]) {
    for sitting in sittings {
        let frames = sitting.report.frames.len();
        let out = sitting.report.frames.iter().filter(|frame| frame.is_out()).count();
        say(&format!("{}: {}, {out} of them out of tolerance", sitting.name(), counted(frames, "frame")));
    }
    let names: Vec<String> = written.iter().map(|(file, _)| file.display().to_string()).collect();
    say(&format!("written: {}", names.join(", ")));
}
