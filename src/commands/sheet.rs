//! `greyhold sheet`: all that is needed to build a look again, out of a log, whether a watch runs or not.

use std::path::{Path, PathBuf};

use jiff::ZonedDateTime;

use super::exit::{CommandError, Exit};
use super::log_asked::{LogAsked, sitting_in};
use super::new_file::NewFile;
use super::photographs::Photographs;
use super::{say, say_json};
use crate::config::Config;
use crate::outlet::plain::printable;
use crate::outlet::sheet::{LogSheet, Read, SheetFile, page, text};
use crate::workers::Depth;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold sheet                               the sitting of greyhold.yaml here, as text
  greyhold sheet ~/tether --out sheet.html     as a page to be printed
  greyhold sheet ~/tether --look 'low key'     of one look
  greyhold sheet ~/tether --sitting 2          as it stood at the end of an earlier sitting ('greyhold sittings' lists them)
  greyhold sheet ~/tether --json > low-key.sheet.json   to build it again by: greyhold rebuild 'low key' --from low-key.sheet.json

What was typed of the set is read in the configuration, and in what was written down beside it, as they are now; all else is the log's. The log is only read.")]
pub struct Args {
    #[command(flatten)]
    of: LogAsked,
    /// As it stood at the end of this sitting, by its number or name [default: as it stands now]
    #[arg(long, value_name = "SITTING")]
    sitting: Option<String>,
    /// Of this look alone [default: all]
    #[arg(long, value_name = "NAME")]
    look: Option<String>,
    /// Write it as a new page, one file, to be printed
    #[arg(long, value_name = "FILE.html")]
    out: Option<PathBuf>,
    /// As a file that looks are built again from
    #[arg(long)]
    json: bool,
}

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let out = args.out.as_deref().map(checked_page).transpose()?;
    let (log, config) = args.of.log()?;
    let sitting = args.sitting.as_ref().map(|wanted| sitting_in(&log, wanted)).transpose()?;
    let until = sitting.map(|sitting| sitting.records[1]);
    let mut read = LogAsked::sheet(&log, &config, args.look.as_deref(), until)?;
    read.damage.iter().for_each(|damage| eprintln!("greyhold: {}", printable(damage)));
    if let Some(out) = &out {
        add_photographs(&mut read, &log, &config);
        let made = ZonedDateTime::now().strftime("%Y-%m-%d %H:%M").to_string();
        let page = page(&read.sheet, &read.pictures, &log.display().to_string(), &made, Read::Kept);
        out.create(page.as_bytes())?;
    }
    match (args.json, &out) {
        (true, _) => _ = say_json(&SheetFile::of(read.sheet, &read.kept).json()),
        (false, Some(out)) => _ = say(&format!("the set-up sheet is in {}", out.name())),
        (false, None) => _ = say(&text(&read.sheet)),
    }
    Ok(Exit::Clean)
}

fn checked_page(path: &Path) -> Result<NewFile, CommandError> {
    if path.extension().is_none_or(|e| !["html", "htm"].iter().any(|known| e.eq_ignore_ascii_case(known))) {
        let why = "--out writes a page: name a file that ends in .html (--json has the sheet for programs)".to_owned();
        return Err(CommandError::WrongUse(why));
    }
    NewFile::checked(path, "the sheet")
}

/// A look whose small picture isn't kept has its photograph's, where that still lies beside the log.
fn add_photographs(read: &mut LogSheet, log: &Path, config: &Config) {
    let folder = config.folder.clone().or_else(|| log.parent().map(Path::to_owned)).unwrap_or_default();
    let missing: Vec<(String, PathBuf)> = read
        .sheet
        .looks
        .iter()
        .filter(|look| !read.pictures.has(&look.name))
        .map(|look| (look.name.clone(), folder.join(&look.file)))
        .filter(|(_, file)| file.is_file())
        .collect();
    if missing.is_empty() {
        return;
    }
    let photographs = Photographs::open();
    for (look, file) in missing {
        let frame = photographs.read(&file, config.camera_steps, Depth::Whole).ok();
        if let Some(jpeg) = frame.and_then(|frame| frame.picture?.small().jpeg()) {
            read.pictures.add(&look, jpeg);
        }
    }
}
