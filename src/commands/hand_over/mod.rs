//! `greyhold hand-over`: the exposure offsets that level a sitting's frames, for the programs that develop them.

mod folder;
mod list;
mod sidecar;

use std::path::PathBuf;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use self::folder::NewFolder;
use self::list::{LIST, csv};
use self::sidecar::xmp;
use super::exit::{CommandError, Exit};
use super::interrupted::Interrupted;
use super::local_time::for_programs;
use super::log_asked::usual;
use super::say;
use super::sittings_asked::AskedSitting;
use crate::outlet::plain::printable;
use crate::report::{Offset, ReportFrame};
use crate::wording::counted;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold hand-over ~/tether --into monday-offsets           sidecars and a list
  greyhold hand-over ~/tether --into monday-offsets --csv     the list alone
  greyhold hand-over mon.jsonl --into offsets --xmp           the sidecars alone

Each sidecar is FILE.xmp, an XMP packet (ISO 16684-1) that has the offset in stops under a name of greyhold's own: docs/report.md
describes it. Only frames get one whose offset is known well enough. No photograph is touched, and nothing is written beside one.")]
pub struct Args {
    /// The shot log, or the folder that it lies in [default: what greyhold.yaml here watches, or this folder]
    #[arg(value_name = "LOG or FOLDER")]
    log: Option<PathBuf>,
    /// The sitting, by its number or name [default: the last one]
    #[arg(long, value_name = "SITTING")]
    sitting: Option<String>,
    /// The folder to make; one that a hand-over made before, and that nobody changed since, is made anew
    #[arg(long, value_name = "NEW_FOLDER")]
    into: PathBuf,
    /// Write a sidecar for each file that has an offset [default: both, unless one is named]
    #[arg(long)]
    xmp: bool,
    /// Write a list of all files (offsets.csv, RFC 4180)
    #[arg(long)]
    csv: bool,
}

/// A frame with what levels it.
struct Levelled<'a> {
    file: &'a str,
    frame: &'a ReportFrame,
    offset: Offset,
}

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let interrupted = Interrupted::listen(|| {})?;
    let sitting = AskedSitting::read(&args.log.clone().map_or_else(usual, Ok)?, args.sitting.as_deref())?;
    let folder = NewFolder::checked(&args.into, sitting.is_of())?;
    sitting.passed_over.iter().for_each(|sentence| eprintln!("{}", printable(sentence)));
    let (with_xmp, with_csv) = if args.xmp || args.csv { (args.xmp, args.csv) } else { (true, true) };
    let levelled = levelled(&sitting);
    let written_at = for_programs(Timestamp::now(), &TimeZone::system());
    let mut files = Vec::new();
    if with_xmp {
        files.extend(levelled.iter().map(|of| (format!("{}.xmp", of.file), xmp(of, &written_at).into_bytes())));
    }
    if with_csv {
        files.push((LIST.to_owned(), csv(&sitting.report).into_bytes()));
    }
    tell(&sitting, &levelled);
    if files.is_empty() {
        say("nothing was written");
        return Ok(Exit::Clean);
    }
    folder.fill(&files, || interrupted.check())?;
    say(&format!("written: {} in {}", counted(files.len(), "file"), args.into.display()));
    Ok(Exit::Clean)
}

/// All files of the frames that have an offset. Where a name was used again, the last frame of that name counts.
fn levelled(sitting: &AskedSitting) -> Vec<Levelled<'_>> {
    let frames = &sitting.report.frames;
    let of = |frame| move |file: &String| is_last_of_its_name(frames, frame, file);
    let with_offset = frames.iter().filter_map(|frame| Some((frame, frame.offset().ok()?)));
    with_offset
        .flat_map(|(frame, offset)| {
            let files = frame.files.iter().filter(move |file| of(frame)(file) && list::is_plain_name(file));
            files.map(move |file| Levelled { file, frame, offset })
        })
        .collect()
}

fn is_last_of_its_name(frames: &[ReportFrame], frame: &ReportFrame, file: &str) -> bool {
    let last = frames.iter().rev().find(|of| of.files.iter().any(|name| name.eq_ignore_ascii_case(file)));
    last.is_some_and(|last| last.number == frame.number)
}

fn tell(sitting: &AskedSitting, levelled: &[Levelled]) {
    let frames = &sitting.report.frames;
    let told = frames.iter().filter(|frame| frame.offset().is_ok()).count();
    let untold = frames.iter().filter(|frame| frame.is_out() && frame.offset().is_err()).count();
    say(&format!(
        "{}: {}; an offset is told of {told} ({}), of {untold} more that are out of tolerance none is known well enough",
        sitting.name(),
        counted(frames.len(), "frame"),
        counted(levelled.len(), "file")
    ));
}
