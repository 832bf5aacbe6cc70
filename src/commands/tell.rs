//! What is told or asked of a running greyhold, one word a command, and its answer.

use std::path::{Path, PathBuf};

use clap::Subcommand;
use serde_json::{Value, json};

use super::exit::{CommandError, Exit};
use super::talk::{PATIENCE, Talk, hangs, is_alive};
use super::{Where, say, say_json};
use crate::config::typed::TypedThing;
use crate::rig::GroupName;
use crate::session::{Command, SittingAsk, SurveyAsk};

/// A command, where it is told, and how its answer is shown.
#[derive(Debug, clap::Args)]
pub struct Told<T: clap::Args> {
    #[command(flatten)]
    what: T,
    #[command(flatten)]
    place: Where,
    /// The whole answer as JSON
    #[arg(long)]
    json: bool,
}

/// What is told in one word.
#[derive(Debug, clap::Args)]
pub struct Nothing {}

#[derive(Debug, clap::Args)]
pub struct Next {
    /// f/5.6, iso200, 1/160, nd 0.9 (any of them; what isn't named stays as it was asked or shot last)
    #[arg(required = true)]
    settings: Vec<String>,
}

#[derive(Debug, clap::Args)]
pub struct Set {
    group: GroupName,
    /// As the lights show it: '1/8 +0.3', 6.3, '250 Ws', 50%
    #[arg(allow_hyphen_values = true)]
    setting: String,
}

#[derive(Debug, clap::Args)]
pub struct Confirm {
    /// One group [default: all]
    group: Option<GroupName>,
}

#[derive(Debug, clap::Args)]
pub struct Undo {
    /// [default: the group that was told of last]
    group: Option<GroupName>,
}

#[derive(Debug, clap::Args)]
pub struct Reference {
    /// A frame's file [default: the last frame]
    file: Option<PathBuf>,
    /// Name of the look [default: the current one]
    #[arg(long)]
    look: Option<String>,
}

#[derive(Debug, clap::Args)]
pub struct Look {
    /// Its name [default: all are listed]
    name: Vec<String>,
}

#[derive(Debug, clap::Args)]
pub struct Survey {
    /// start, skip (the next group), stop, or report (what the last one found)
    #[arg(value_enum, ignore_case = true, default_value = "start")]
    what: SurveyWord,
    /// Groups to survey [default: all]
    groups: Vec<GroupName>,
}

#[derive(Debug, clap::Args)]
pub struct Sitting {
    /// same (its set-up is that of before), new (another set-up), end, or name [default: which one it is]
    #[arg(value_enum, ignore_case = true)]
    what: Option<SittingWord>,
    /// Its name
    name: Vec<String>,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum SittingWord {
    Same,
    New,
    End,
    Name,
}

#[derive(Debug, clap::Args)]
pub struct SetUp {
    /// A light group, reflector, flag or scrim
    name: String,
    /// A fact and its text, then others: modifier, height, distance, angle, gel_colour, note
    #[arg(value_name = "FACT TEXT", required_unless_present = "take_back")]
    facts: Vec<String>,
    /// What was written down of it is gone, and it is as the configuration says
    #[arg(long, conflicts_with = "facts")]
    take_back: bool,
}

#[derive(Debug, clap::Args)]
pub struct Note {
    #[arg(required = true)]
    words: Vec<String>,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum SurveyWord {
    Start,
    Skip,
    Stop,
    Report,
}

/// What is told or asked of a running greyhold.
#[derive(Debug, Subcommand)]
pub enum Word {
    /// What must every light be set to for the next settings?
    #[command(after_help = "Examples:
  greyhold next f/5.6             for another aperture
  greyhold next f/2.8 iso64       for several settings at once
  greyhold next f/2.8 nd 0.9      with an ND filter on the lens from the next frame on ('nd 0': without)")]
    Next(Told<Next>),
    /// A group of lights is set to this, as the lights show it
    #[command(
        alias = "power",
        after_help = "Examples:
  greyhold set key 1/8
  greyhold set rim '1/32 +0.3'"
    )]
    Set(Told<Set>),
    /// The suggested powers are set, at all groups or one
    Confirm(Told<Confirm>),
    /// Take back what was last told of a group, or told last, as long as no frame has landed and nothing was asked for the next since;
    /// or of the filter on the lens ('undo filter'), as long as no frame has shown it
    Undo(Told<Undo>),
    /// Accept the last frame: how it differs was meant, and it is the reference from now on
    #[command(
        after_help = "Use it when the light is built, or when a change that greyhold found was meant: the last frame is the \
                            reference then, with the powers that its lights have."
    )]
    Accept(Told<Nothing>),
    /// Another person sits now: the powers stay, the next frame is the reference
    NewSitter(Told<Nothing>),
    /// Make the last frame, or a file, the reference
    #[command(after_help = "Examples:
  greyhold reference                    the last frame
  greyhold reference --look 'low key'   ... of a look of its own")]
    Reference(Told<Reference>),
    /// Go back to a look, and say what to turn to get there; or list the looks
    #[command(visible_alias = "looks")]
    Look(Told<Look>),
    /// Survey the lights one by one, so that each can be read out of every frame
    #[command(after_help = "Examples:
  greyhold survey                 says what to fire for each of the next frames
  greyhold survey skip            leaves the next group out
  greyhold survey report          what each light gives where")]
    Survey(Told<Survey>),
    /// How do things stand?
    Status(Told<Nothing>),
    /// Which sitting is this? Begin another one, end or name this one
    #[command(after_help = "Examples:
  greyhold sitting                     which one this is, and what was shot in it
  greyhold sitting new 'spring coats'  another set-up: no look and no power of before holds
  greyhold sitting same                another sitting, or another day, with the set-up of before
  greyhold sitting end                 the next frame begins another one")]
    Sitting(Told<Sitting>),
    /// Write down what stands where, for the set-up sheet
    #[command(after_help = "Examples:
  greyhold set-up key modifier 'softbox 90 cm'
  greyhold set-up key height '2.1 m' distance '130 cm' angle '45 left'
  greyhold set-up 'silver card' note 'tilted up'
  greyhold set-up key --take-back          as the configuration says again")]
    SetUp(Told<SetUp>),
    /// Put a note into the shot log
    Note(Told<Note>),
    /// Wait until all that is in the folder is logged (exit code 1: not all of it is, or can be known to be)
    #[command(alias = "sync")]
    Wait(Told<Nothing>),
}

/// `tell` before a word takes what stands before the word, too.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    pub word: Word,
    #[command(flatten)]
    _place: Where,
    #[arg(long, global = true)]
    json: bool,
}

/// Tells a running greyhold something, and shows its answer.
pub fn run(word: Word) -> Result<Exit, CommandError> {
    match word {
        Word::Next(told) => {
            told.tell(|next| Command::next(next.settings.iter().map(String::as_str)).map_err(CommandError::WrongUse))
        }
        Word::Set(told) => told.tell(|set| Ok(Command::Power { group: set.group, setting: set.setting })),
        Word::Confirm(told) => told.tell(|confirm| Ok(Command::Confirm { group: confirm.group, correction: None })),
        Word::Undo(told) => told.tell(|undo| Ok(Command::Undo { group: undo.group })),
        Word::Accept(told) => told.tell(|_| Ok(Command::Accept { frame: None })),
        Word::NewSitter(told) => told.tell(|_| Ok(Command::NewSitter {})),
        Word::Reference(told) => told.tell(|reference| Ok(as_reference(reference))),
        Word::Look(told) => told.tell(|look| {
            // A name of two words is one name, with quotes or without.
            let look = look.name.join(" ");
            Ok(if look.is_empty() { Command::Looks {} } else { Command::Look { look } })
        }),
        Word::Survey(told) => {
            told.tell(|survey| Ok(Command::Survey { what: survey.what.into(), groups: survey.groups }))
        }
        Word::Sitting(told) => told.tell(|sitting| {
            let name = (!sitting.name.is_empty()).then(|| sitting.name.join(" "));
            Ok(Command::Sitting { what: sitting.what.map_or(SittingAsk::Which, SittingAsk::from), name })
        }),
        Word::Status(told) => told.tell(|_| Ok(Command::Status {})),
        Word::SetUp(told) => told.tell(|set_up| Ok(Command::SetUp(Box::new(as_typed(set_up)?)))),
        Word::Note(told) => told.tell(|note| Ok(Command::Note { text: note.words.join(" ") })),
        Word::Wait(told) => told.tell(|_| Ok(Command::Wait {})),
    }
}

impl<T: clap::Args> Told<T> {
    fn tell(self, command: impl FnOnce(T) -> Result<Command, CommandError>) -> Result<Exit, CommandError> {
        tell(&command(self.what)?, &self.place, self.json)
    }
}

impl From<SurveyWord> for SurveyAsk {
    fn from(word: SurveyWord) -> SurveyAsk {
        match word {
            SurveyWord::Start => SurveyAsk::Start,
            SurveyWord::Skip => SurveyAsk::Skip,
            SurveyWord::Stop => SurveyAsk::Stop,
            SurveyWord::Report => SurveyAsk::Report,
        }
    }
}

impl From<SittingWord> for SittingAsk {
    fn from(word: SittingWord) -> SittingAsk {
        match word {
            SittingWord::Same => SittingAsk::Same,
            SittingWord::New => SittingAsk::New,
            SittingWord::End => SittingAsk::End,
            SittingWord::Name => SittingAsk::Name,
        }
    }
}

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

fn as_reference(Reference { file, look }: Reference) -> Command {
    // The daemon may run elsewhere: a name that is a file here is meant as that file.
    let file = file.map(|f| dunce::canonicalize(&f).unwrap_or(f).display().to_string());
    Command::Reference { file, look, frame: None }
}

fn as_typed(SetUp { name, facts, .. }: SetUp) -> Result<TypedThing, CommandError> {
    let mut thing = TypedThing { name, ..TypedThing::default() };
    for pair in facts.chunks(2) {
        let [fact, text] = pair else {
            return Err(CommandError::WrongUse("write each fact with its text, such as: height '2.1 m'".to_owned()));
        };
        let place = match fact.to_lowercase().replace('-', "_").as_str() {
            "modifier" => &mut thing.modifier,
            "height" => &mut thing.height,
            "distance" => &mut thing.distance,
            "angle" => &mut thing.angle,
            "gel_colour" => &mut thing.gel_colour,
            "note" => &mut thing.note,
            _ => {
                let why = format!(
                    "'{fact}' is no fact: write modifier, height, distance, angle, gel_colour or note, then its text"
                );
                return Err(CommandError::WrongUse(why));
            }
        };
        *place = Some(text.clone());
    }
    Ok(thing)
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
