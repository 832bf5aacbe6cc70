//! `greyhold sittings`: the sittings of a shot log, a line each.

use jiff::tz::TimeZone;
use serde_json::json;

use super::exit::{CommandError, Exit};
use super::local_time::{clock, with_offset};
use super::log_asked::{LogAsked, sittings_of};
use super::plan::table::Table;
use super::{say, say_json};
use crate::session::SittingRow;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold sittings                   of the log that greyhold.yaml here names
  greyhold sittings ~/tether          of a capture folder's log, whether or not it is watched
  greyhold sittings ~/tether --json   for other tools")]
pub struct Args {
    #[command(flatten)]
    of: LogAsked,
    /// As JSON
    #[arg(long)]
    json: bool,
}

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let all = sittings_of(&args.of.log()?.0)?;
    if args.json {
        say_json(&json!(all.rows()).to_string());
    } else if all.rows().is_empty() {
        say("there is no sitting in this log yet: the first frame begins one");
    } else {
        let heads = ["sitting", "began", "last frame", "frames", "corrections", "name"].map(str::to_owned).to_vec();
        say(&Table { heads, rows: all.rows().iter().map(row).collect() }.lines().join("\n"));
    }
    Ok(Exit::Clean)
}

fn row(sitting: &SittingRow) -> Vec<String> {
    let zone = TimeZone::system();
    let ended = if sitting.is_ended { " (ended)" } else { "" };
    let last = sitting.last_frame_at.map_or_else(|| "none yet".to_owned(), |at| clock(at, &zone));
    vec![
        sitting.sitting.to_string(),
        with_offset(sitting.began, &zone),
        format!("{last}{ended}"),
        sitting.frames.to_string(),
        sitting.corrections.to_string(),
        sitting.name.clone().unwrap_or_default(),
    ]
}
