//! `greyhold follow`: what a running greyhold says, as it says it.

use std::time::Duration;

use clap::builder::TypedValueParser;
use serde_json::{Value, json};

use super::exit::{CommandError, Exit};
use super::talk::{PATIENCE, Talk, hangs, is_alive};
use super::{Where, say_block, say_json};
use crate::numbers::RecordNumber;
use crate::outlet::plain::{Paint, Showing, block};
use crate::session::Record;

/// After so long without a word it is asked whether greyhold still lives.
const QUIET: Duration = Duration::from_secs(30);

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold follow                     what happens from now on, in words
  greyhold follow --since 1           the whole log, then what happens
  greyhold follow --json              the socket's messages as they come")]
pub struct Args {
    #[command(flatten)]
    place: Where,
    /// Begin with this record of the log
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).map(RecordNumber::new))]
    since: Option<RecordNumber>,
    /// The socket's messages as they come
    #[arg(long)]
    json: bool,
}

pub fn run(args: &Args, evidence: bool) -> Result<Exit, CommandError> {
    let socket = args.place.socket()?;
    let talk = Talk::say(&socket, &json!({"command": "listen", "since": args.since}))?;
    let showing = Showing { paint: Paint::for_stdout(), evidence };
    let mut listens = false;
    loop {
        let Some(heard) = talk.next(if listens { QUIET } else { PATIENCE })? else {
            if listens && is_alive(&socket) {
                continue;
            }
            return Err(hangs(&socket));
        };
        if heard.message["kind"] == "reply" {
            listens = true;
            if heard.message["ok"] == json!(false) {
                return Err(CommandError::WrongUse(heard.message["message"].as_str().unwrap_or_default().to_owned()));
            }
        }
        let is_read = if args.json {
            say_json(&heard.line)
        } else {
            in_words(&heard.message, showing).is_none_or(|t| say_block(&t))
        };
        if !is_read {
            return Ok(Exit::Clean);
        }
    }
}

fn in_words(message: &Value, showing: Showing) -> Option<String> {
    match message["kind"].as_str()? {
        "record" => {
            let record: Record = serde_json::from_value(message["record"].clone()).ok()?;
            let text = block(&record, showing)?;
            let unsafe_yet = if message["logged"] == json!(false) { "\n  ! not on the disk yet" } else { "" };
            Some(format!("{text}{unsafe_yet}"))
        }
        "gap" => Some(format!(
            "! {} events were missed; 'greyhold follow --since {}' has them",
            message["missed"], message["from"]
        )),
        _ => None,
    }
}
