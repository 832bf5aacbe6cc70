//! `greyhold follow`: what a running greyhold says, as it says it.

use std::io::{BufRead, BufReader, Write};

use interprocess::local_socket::{Stream, prelude::*};
use serde_json::{Value, json};

use super::exit::{CommandError, Exit};
use super::{Where, say};
use crate::outlet::plain::{Paint, block};
use crate::outlet::socket::name_of;
use crate::session::Record;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold follow                     what happens from now on, in words
  greyhold follow --since 1           the whole log, then what happens
  greyhold follow --json              the socket's messages as they come")]
pub struct Args {
    #[command(flatten)]
    place: Where,
    /// Begin with this record of the log
    #[arg(long, value_name = "N")]
    since: Option<u64>,
    /// The socket's messages as they come
    #[arg(long)]
    json: bool,
}

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let socket = args.place.socket()?;
    let gone =
        |e: std::io::Error| CommandError::NotRunning(format!("no greyhold answers at {} ({e})", socket.display()));
    let stream = Stream::connect(name_of(&socket).map_err(gone)?).map_err(gone)?;
    let listen = json!({"command": "listen", "since": args.since});
    (&stream).write_all(format!("{listen}\n").as_bytes()).map_err(gone)?;
    let paint = Paint::for_stdout();
    for line in BufReader::new(&stream).lines() {
        let line = line.map_err(gone)?;
        let text = if args.json { Some(line) } else { in_words(&line, paint) };
        if text.is_some_and(|text| !say(&text)) {
            return Ok(Exit::Clean);
        }
    }
    Err(CommandError::NotRunning("greyhold has ended".to_owned()))
}

fn in_words(line: &str, paint: Paint) -> Option<String> {
    let message: Value = serde_json::from_str(line).ok()?;
    match message["kind"].as_str()? {
        "record" => {
            let record: Record = serde_json::from_value(message["record"].clone()).ok()?;
            let text = block(&record, paint)?;
            let unsafe_yet = if message["logged"] == json!(false) { "\n  ! not on the disk yet" } else { "" };
            Some(format!("{text}{unsafe_yet}"))
        }
        "gap" => Some(format!(
            "! {} events were missed; 'greyhold follow --since {}' has them",
            message["missed"], message["from"]
        )),
        "busy" => Some(format!("! {}", message["says"].as_str().unwrap_or_default())),
        _ => None,
    }
}
