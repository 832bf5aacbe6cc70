//! `greyhold rebuild`: building a look again, frame by frame, until it is as on its set-up sheet.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::{Value, json};
use tempfile::NamedTempFile;

use super::exit::{CommandError, Exit};
use super::log_asked::{LogAsked, configuration_for, log_at, sitting_in};
use super::talk::{PATIENCE, Talk, hangs, is_alive};
use super::tell::ask;
use super::{Where, say};
use crate::outlet::sheet::SheetFile;
use crate::session::Command;
use crate::session::sheet::{CAUTION, LookOnSheet, Rebuilt, Sheet, Since};
use crate::wording::counted;

/// After so long without a word it is asked whether greyhold still lives.
const QUIET: Duration = Duration::from_secs(30);
/// What a sheet may change by: frames, surveys, words on powers, and what is made of them.
const HEEDED: [&str; 10] =
    ["judged", "survey", "power", "undone", "filter", "look", "reference", "new_sitter", "sitting", "config"];

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold rebuild main                                   a look of this sitting: what differs from it, frame by frame
  greyhold rebuild 'low key' --from low-key.sheet.json    ... of another one, kept by 'greyhold sheet --json'
  greyhold rebuild main --from ~/march --as 'as in march' ... out of another log, under a name of its own

It ends when the set matches the sheet; Ctrl-C ends it before.")]
pub struct Args {
    /// The look to build again
    #[arg(value_name = "LOOK")]
    look: String,
    /// Another sitting's log, the folder that it lies in, or its sheet as 'greyhold sheet --json' writes it
    #[arg(long, value_name = "LOG, FOLDER or FILE.json")]
    from: Option<PathBuf>,
    /// As it stood at the end of this sitting of that log, by its number or name [default: as it stands now]
    #[arg(long, value_name = "SITTING", requires = "from")]
    sitting: Option<String>,
    /// The look's name in this sitting [default: the same]
    #[arg(long = "as", value_name = "NAME", requires = "from")]
    taken_up_as: Option<String>,
    /// The configuration with the other sitting's lights and set [default: greyhold.yaml here]
    #[arg(long, value_name = "FILE", requires = "from")]
    config: Option<PathBuf>,
    #[command(flatten)]
    place: Where,
}

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let socket = args.place.socket()?;
    let (from, name) = match &args.from {
        None => (sheet_of(&socket, Some(&args.look))?, args.look.clone()),
        Some(from) => take_up(args, from, &socket)?,
    };
    let wanted = from.look(&args.look).map_err(|why| CommandError::WrongUse(why.to_string()))?;
    // From here on nothing is missed.
    let talk = Talk::say(&socket, &json!({"command": "listen"}))?;
    if args.from.is_none() {
        told(&ask(&socket, &Command::Look { look: args.look.clone() })?)?;
    }
    say(CAUTION);
    let building = Building { from: &from, wanted, name, socket: &socket, since: since(&sheet_of(&socket, None)?) };
    building.follow(&talk)
}

/// Where it began.
fn since(here: &Sheet) -> Since {
    here.now.as_ref().map_or_else(Since::default, |now| Since { frame: now.frames, survey: now.surveyed })
}

struct Building<'a> {
    from: &'a Sheet,
    wanted: &'a LookOnSheet,
    /// Of the look in this sitting.
    name: String,
    socket: &'a Path,
    since: Since,
}

impl Building<'_> {
    fn follow(&self, talk: &Talk) -> Result<Exit, CommandError> {
        let mut said = self.say_how_far(None)?;
        let mut listens = false;
        loop {
            if said.as_ref().is_some_and(Rebuilt::matches) {
                return Ok(Exit::Clean);
            }
            let Some(heard) = talk.next(if listens { QUIET } else { PATIENCE })? else {
                if listens && is_alive(self.socket) {
                    continue;
                }
                return Err(hangs(self.socket));
            };
            listens |= heard.message["kind"] == "reply";
            let kind = heard.message["record"]["type"].as_str().unwrap_or_default();
            if HEEDED.contains(&kind) {
                said = self.say_how_far(said)?;
            }
        }
    }

    /// Says what there is left, where that is another thing than was said last.
    fn say_how_far(&self, before: Option<Rebuilt>) -> Result<Option<Rebuilt>, CommandError> {
        let here = sheet_of(self.socket, None)?;
        let Some(now) = &here.now else { return Ok(before) };
        if now.look.as_ref().is_none_or(|look| look.to_lowercase() != self.name.trim().to_lowercase()) {
            return Err(CommandError::CannotRun(format!(
                "frames are compared with another look than '{}' now, so the rebuilding is over",
                self.name
            )));
        }
        let rebuilt = Rebuilt::of(self.from, self.wanted, &here, now, self.since);
        if before.as_ref() != Some(&rebuilt) {
            say(&in_words(&rebuilt, before.as_ref()));
        }
        Ok(Some(rebuilt))
    }
}

/// What is to be looked after by eye is said once, and again where it changed.
fn in_words(rebuilt: &Rebuilt, before: Option<&Rebuilt>) -> String {
    let mut lines = Vec::new();
    if rebuilt.matches() {
        lines.push("= matches the sheet, in all that can be measured".to_owned());
    } else {
        let left = rebuilt.differs.len() + rebuilt.not_known.len();
        lines.push(format!("{} to go:", counted(left, "thing")));
    }
    lines.extend(rebuilt.differs.iter().map(|line| format!("  ~ {line}")));
    lines.extend(rebuilt.not_known.iter().map(|line| format!("  ? {line}")));
    if before.is_none_or(|before| before.by_eye != rebuilt.by_eye) || rebuilt.matches() {
        lines.extend((!rebuilt.by_eye.is_empty()).then(|| "to be checked by eye and tape measure:".to_owned()));
        lines.extend(rebuilt.by_eye.iter().map(|line| format!("  - {line}")));
    }
    lines.join("\n")
}

/// The sheet of the running sitting, with how it stands now.
fn sheet_of(socket: &Path, look: Option<&str>) -> Result<Sheet, CommandError> {
    let reply = ask(socket, &Command::Sheet { look: look.map(str::to_owned) })?;
    if reply["ok"] != json!(true) {
        return Err(refused(&reply));
    }
    serde_json::from_value(reply["value"].clone()).map_err(|_| {
        CommandError::CannotRun("the greyhold that runs is of another version: end it, and start this one".to_owned())
    })
}

fn refused(reply: &Value) -> CommandError {
    CommandError::WrongUse(reply["message"].as_str().unwrap_or_default().to_owned())
}

fn told(reply: &Value) -> Result<(), CommandError> {
    if reply["ok"] != json!(true) {
        return Err(refused(reply));
    }
    say(reply["message"].as_str().unwrap_or_default());
    Ok(())
}

/// Has the running sitting take a look of another one up. Gives that one's sheet, and the look's name here.
fn take_up(args: &Args, from: &Path, socket: &Path) -> Result<(Sheet, String), CommandError> {
    let is_file = from.extension().is_some_and(|e| e.eq_ignore_ascii_case("json"));
    let cannot = |why: String| CommandError::CannotRun(why);
    let (file, kept) = if is_file {
        (SheetFile::read(from).map_err(|why| cannot(why.to_string()))?, None)
    } else {
        let log = log_at(from);
        let sitting = args.sitting.as_ref().map(|wanted| sitting_in(&log, wanted)).transpose()?;
        let until = sitting.map(|sitting| sitting.records[1]);
        let read = LogAsked::sheet(&log, &configuration_for(&log, args.config.as_deref())?, Some(&args.look), until)?;
        let file = SheetFile::of(read.sheet, &read.kept);
        // For as long as it is read: the running greyhold takes looks out of files.
        let mut kept = NamedTempFile::with_suffix(".json").map_err(|e| cannot(e.to_string()))?;
        kept.write_all(file.json().as_bytes()).map_err(|e| cannot(e.to_string()))?;
        (file, Some((kept, log)))
    };
    let (path, lies_in) = match &kept {
        Some((kept, log)) => (kept.path(), log.as_path()),
        None => (from, from),
    };
    let absolute = |path: &Path| std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let folder = absolute(lies_in).parent().map(Path::to_owned).unwrap_or_default();
    let command = Command::TakeLook {
        sheet: absolute(path).display().to_string(),
        look: args.look.clone(),
        taken_up_as: args.taken_up_as.clone(),
        folder: Some(folder.display().to_string()),
    };
    told(&ask(socket, &command)?)?;
    Ok((file.sheet, args.taken_up_as.clone().unwrap_or_else(|| args.look.clone())))
}
