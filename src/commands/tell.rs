//! `greyhold tell`: one command to a running greyhold, and its answer.

use std::path::{Path, PathBuf};

use clap::Subcommand;
use serde_json::{Value, json};

use super::exit::{CommandError, Exit};
use super::talk::{PATIENCE, Talk, hangs, is_alive};
use super::{Where, say, say_json};
use crate::rig::GroupName;
use crate::session::{Command, SurveyAsk};

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold tell reference                   the last frame is the reference
  greyhold tell reference --look 'low key'  ... of a look of its own
  greyhold tell next f/5.6                  what every light must be set to for f/5.6
  greyhold tell power key '1/8 +0.3'        the key light is at 1/8 +0.3
  greyhold tell confirm                     the suggested powers are set
  greyhold tell undo rim                    ... the rim lights are not, after all
  greyhold tell survey                      light survey: says what to fire for each of the next frames
  greyhold tell survey skip                 ... leaves the next group out
  greyhold tell survey report               what each light gives where")]
pub struct Args {
    #[command(subcommand)]
    what: What,
    #[command(flatten)]
    place: Where,
    /// The whole answer as JSON
    #[arg(long, global = true)]
    json: bool,
}

/// Something that is told in one word.
#[derive(Debug, clap::Args)]
pub struct Plain {
    #[command(flatten)]
    place: Where,
    /// The whole answer as JSON
    #[arg(long)]
    json: bool,
}

pub const ACCEPTING: &str = "Use it when the light is built, or when a change that greyhold found was meant: the last \
                             frame is the reference then, with the powers that its lights have.";

#[derive(Debug, Subcommand)]
enum What {
    /// Make the last frame, or a file, the reference
    Reference {
        file: Option<PathBuf>,
        /// Name of the look [default: the current one]
        #[arg(long)]
        look: Option<String>,
    },
    /// Accept the last frame: how it differs was meant, and it is the reference from now on
    Accept,
    /// Another person sits now: the powers stay, the next frame is the reference
    NewSitter,
    /// Compare with another look's reference from now on
    Look { name: String },
    /// Tell what a group of lights is set to, as the lights show it
    Power {
        group: GroupName,
        #[arg(allow_hyphen_values = true)]
        setting: String,
    },
    /// Tell that the suggested powers are set, at all groups or one
    Confirm { group: Option<GroupName> },
    /// Take back what was last told of a group, as long as no frame has landed and nothing was asked for the next since
    Undo { group: GroupName },
    /// Ask what every light must be set to for settings not shot yet
    Next {
        /// f/5.6, iso200, 1/160 (any of them)
        #[arg(required = true)]
        settings: Vec<String>,
    },
    /// Survey the lights one by one, so that each can be read out of every frame
    Survey {
        /// start, skip (the next group), stop, or report (what the last one found)
        #[arg(value_enum, default_value = "start")]
        what: SurveyWord,
        /// Groups to survey [default: all]
        groups: Vec<GroupName>,
    },
    /// Put a note into the shot log
    Note {
        #[arg(required = true)]
        words: Vec<String>,
    },
    /// Ask how things stand
    Status,
    /// Wait until all that is in the folder is logged (exit code 1: not all of it is, or can be known to be)
    #[command(alias = "sync")]
    Wait,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum SurveyWord {
    Start,
    Skip,
    Stop,
    Report,
}

pub fn run(args: Args) -> Result<Exit, CommandError> {
    tell(&command(args.what)?, &args.place, args.json)
}

impl Plain {
    pub fn tell(&self, command: &Command) -> Result<Exit, CommandError> {
        tell(command, &self.place, self.json)
    }
}

/// Tells a running greyhold something, and shows its answer.
fn tell(command: &Command, place: &Where, as_json: bool) -> Result<Exit, CommandError> {
    let reply = ask(&place.socket()?, command)?;
    let ok = reply["ok"].as_bool().unwrap_or(false);
    let says = reply["message"].as_str().unwrap_or_default();
    // Who waits for the folder before he ejects a card must not be told that all is well when it isn't.
    let is_complete = reply["value"]["complete"].as_bool().unwrap_or(true);
    let done = if ok && is_complete { Exit::Clean } else { Exit::SomeUnusable };
    if as_json {
        say_json(&reply.to_string());
        Ok(done)
    } else if ok {
        say(says);
        Ok(done)
    } else {
        Err(CommandError::WrongUse(says.to_owned()))
    }
}

fn command(what: What) -> Result<Command, CommandError> {
    Ok(match what {
        What::Reference { file, look } => {
            // The daemon may run elsewhere: a name that is a file here is meant as that file.
            let file = file.map(|f| std::fs::canonicalize(&f).unwrap_or(f).display().to_string());
            Command::Reference { file, look, frame: None }
        }
        What::Accept => Command::Accept { frame: None },
        What::NewSitter => Command::NewSitter {},
        What::Look { name } => Command::Look { look: name },
        What::Power { group, setting } => Command::Power { group, setting },
        What::Confirm { group } => Command::Confirm { group, correction: None },
        What::Undo { group } => Command::Undo { group },
        What::Next { settings } => next(settings)?,
        What::Survey { what, groups } => {
            let what = match what {
                SurveyWord::Start => SurveyAsk::Start,
                SurveyWord::Skip => SurveyAsk::Skip,
                SurveyWord::Stop => SurveyAsk::Stop,
                SurveyWord::Report => SurveyAsk::Report,
            };
            Command::Survey { what, groups }
        }
        What::Note { words } => Command::Note { text: words.join(" ") },
        What::Status => Command::Status {},
        What::Wait => Command::Wait {},
    })
}

/// Sorts words by how they are written: f/5.6, iso200, 1/160.
fn next(words: Vec<String>) -> Result<Command, CommandError> {
    let (mut f_number, mut iso, mut exposure_time) = (None, None, None);
    for word in words {
        let lower = word.to_ascii_lowercase();
        let slot = if lower.starts_with("iso") {
            &mut iso
        } else if lower.starts_with('f') {
            &mut f_number
        } else if lower.contains('/') || lower.ends_with('s') {
            &mut exposure_time
        } else {
            return Err(CommandError::WrongUse(format!("'{word}' is no setting: write f/5.6, iso200 or 1/160")));
        };
        *slot = Some(word);
    }
    Ok(Command::Next { f_number, iso, exposure_time, camera_steps: None })
}

/// Sends one command and waits for its reply: for as long as it takes, while greyhold lives.
pub fn ask(socket: &Path, command: &Command) -> Result<Value, CommandError> {
    let mut message = serde_json::to_value(command).unwrap_or_default();
    message["id"] = json!(1);
    let talk = Talk::say(socket, &message)?;
    let mut is_said = false;
    loop {
        match talk.next(PATIENCE)? {
            Some(heard) if heard.message["kind"] == "reply" => return Ok(heard.message),
            Some(_) => {}
            None if matches!(command, Command::Status {}) || !is_alive(socket) => return Err(hangs(socket)),
            None if !is_said => {
                eprintln!("greyhold is at it, and this takes a while (Ctrl-C ends the waiting, not greyhold)");
                is_said = true;
            }
            None => {}
        }
    }
}
