//! `greyhold check`: whether configuration, folder, log and camera metadata are as they should be, and whether the machine is.

mod report;
mod surroundings;
mod troubles;

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use self::surroundings::Surroundings;
use self::troubles::{permissions, troubles};
use super::exit::{CommandError, Exit};
use super::photographs::Photographs;
use super::say;
use super::watch::usual_config;
use crate::advice::AtHand;
use crate::config::{Config, EXAMPLE};
use crate::container::Kind;
use crate::frame::{self, Settings};
use crate::outlet::plain::printable;
use crate::outlet::shot_log::health;
use crate::wording::{counted, without_error_numbers};
use crate::workers::Depth;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold check                                greyhold.yaml here: is it sound, and what does it say?
  greyhold check studio.yaml                    another one
  greyhold check IMG_0001.JPG                   what the camera tells in this frame
  greyhold check --folder ~/tether --log ~/tether/greyhold-shots.jsonl
  greyhold check --report fault.txt             one file for who reports a fault; it names nothing and nobody")]
pub struct Args {
    /// A configuration (.yaml), a shot log (.jsonl), a folder or a photograph [default: greyhold.yaml, where it lies here]
    #[arg(conflicts_with_all = ["config", "folder", "log", "frame"])]
    file: Option<PathBuf>,
    /// The configuration to check
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// The capture folder to check
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
    /// The shot log to check
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
    /// A frame whose camera metadata to check
    #[arg(long, value_name = "FILE")]
    frame: Option<PathBuf>,
    /// Write a file for who reports a fault: numbers and kinds, no names and no pictures
    #[arg(long, value_name = "FILE", conflicts_with = "frame")]
    report: Option<PathBuf>,
    /// Write the commented example configuration to a file, or to the terminal
    #[arg(long, value_name = "FILE", num_args = 0..=1, hide = true)]
    #[allow(clippy::option_option, reason = "absent, present, present with a file")]
    write_example: Option<Option<PathBuf>>,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold init                     greyhold.yaml, which a watch that is started here takes by itself
  greyhold init studio.yaml         another name
  greyhold init -                   on the terminal")]
pub struct Init {
    /// The file to write
    #[arg(default_value = super::watch::USUAL_CONFIG)]
    file: PathBuf,
}

pub fn init(args: &Init) -> Result<Exit, CommandError> {
    write_example(Some(args.file.as_path()).filter(|file| *file != Path::new("-")))
}

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    if let Some(target) = &args.write_example {
        return write_example(target.as_deref());
    }
    if let Some(file) = &args.report {
        return report::write(file, &reported(args)?);
    }
    let is_named = args.config.is_some() || args.folder.is_some() || args.log.is_some() || args.frame.is_some();
    let mut sound = true;
    if let Some(file) = args.file.clone().or_else(|| usual_config().filter(|_| !is_named)) {
        sound &= check_any(&file)?;
    } else if !is_named {
        let why = "check what? name a configuration, a folder, a shot log or a photograph";
        return Err(CommandError::WrongUse(why.to_owned()));
    }
    if let Some(file) = &args.config {
        sound &= check_config(file)?;
    }
    if let Some(folder) = &args.folder {
        sound &= check_folder(folder);
    }
    if let Some(log) = &args.log {
        sound &= check_log(log);
    }
    if let Some(frame) = &args.frame {
        sound &= check_frame(frame)?;
    }
    Ok(if sound { Exit::Clean } else { Exit::SomeUnusable })
}

/// What a file is to be checked as.
enum Meant {
    Config,
    Folder,
    Log,
    Frame,
}

impl Meant {
    /// Its name tells.
    fn by(file: &Path) -> Meant {
        let ending = file.extension().unwrap_or_default().to_ascii_lowercase();
        match ending.to_str() {
            _ if file.is_dir() => Meant::Folder,
            // A folder that isn't there has no ending to be known by.
            None | Some("") if !file.exists() => Meant::Folder,
            Some("yaml" | "yml") => Meant::Config,
            Some("jsonl") => Meant::Log,
            _ => Meant::Frame,
        }
    }
}

fn check_any(file: &Path) -> Result<bool, CommandError> {
    match Meant::by(file) {
        Meant::Config => check_config(file),
        Meant::Folder => Ok(check_folder(file)),
        Meant::Log => Ok(check_log(file)),
        Meant::Frame => check_frame(file),
    }
}

/// What a report is to be of.
fn reported(args: &Args) -> Result<report::Subject<'_>, CommandError> {
    let (config, folder, log) = (args.config.as_deref(), args.folder.as_deref(), args.log.as_deref());
    let mut subject = report::Subject { config, folder, log };
    if let Some(file) = args.file.as_deref() {
        match Meant::by(file) {
            Meant::Config => subject.config = Some(file),
            Meant::Folder => subject.folder = Some(file),
            Meant::Log => subject.log = Some(file),
            Meant::Frame => {
                let why = "a report tells of a configuration, a folder or a shot log: name one of these, or nothing";
                return Err(CommandError::WrongUse(format!("{}: {why}", file.display())));
            }
        }
    }
    Ok(subject)
}

/// Why the shot log can't lie in this folder, where that is known.
pub fn unwritable(folder: &Path) -> Option<String> {
    permissions(surroundings::system(std::env::consts::OS), None, surroundings::can_write(folder))
        .map(|trouble| trouble.said)
}

fn write_example(target: Option<&Path>) -> Result<Exit, CommandError> {
    let Some(path) = target else {
        say(EXAMPLE.trim_end());
        return Ok(Exit::Clean);
    };
    // Somebody's own configuration must never be lost to an example.
    let written = std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .and_then(|mut file| std::io::Write::write_all(&mut file, EXAMPLE.as_bytes()));
    match written {
        Ok(()) => {
            say(&format!(
                "{} is written: set folder and lights in it, then: greyhold watch --config {0}",
                path.display()
            ));
            Ok(Exit::Clean)
        }
        Err(e) if e.kind() == ErrorKind::AlreadyExists => {
            Err(CommandError::CannotRun(format!("{} is there already: choose another name", path.display())))
        }
        Err(e) => Err(CommandError::CannotRun(format!("{} can't be written: {e}", path.display()))),
    }
}

fn check_config(file: &Path) -> Result<bool, CommandError> {
    let config = Config::read(file)?;
    say(&format!("{}: sound", file.display()));
    for group in &config.groups {
        let range = group.dial.map_or("dial unknown".to_owned(), |d| d.to_string());
        let power = group.power.map_or("power unknown".to_owned(), |p| format!("at {}", group.shown(p)));
        say(&format!("  {} ({}): {range}, {power}", group.name, counted(group.heads as usize, "light")));
        say_parts("    ", &group.facts.set_up_in_words());
    }
    for thing in &config.passive {
        let side = thing.side.map_or_else(String::new, |side| format!(", {side}"));
        say(&format!("  {} ({}{side}): has no power, and is never asked to be turned", thing.name, thing.kind));
        say_parts("    ", &thing.stands.in_words().into_iter().chain(thing.note.clone()).collect::<Vec<_>>());
    }
    say_parts("  camera: ", &config.camera.in_words());
    say_parts("  notes: ", &config.notes);
    for remark in &config.remarks {
        say(&format!("  ! {remark}"));
    }
    if config.at_hand != AtHand::default() {
        say(&format!("  {}", config.at_hand));
    }
    if let Some(target) = &config.target {
        say(&format!("  target: {target}"));
    }
    let spots: Vec<&str> = config.spots.iter().map(|s| s.name.as_str()).collect();
    say(&format!("  spots: {}; judged by {}", spots.join(", "), config.judged_spot));
    Ok(config.folder.is_none_or(|folder| check_folder(&folder)))
}

fn say_parts(head: &str, parts: &[String]) {
    if !parts.is_empty() {
        say(&format!("{head}{}", parts.join(", ")));
    }
}

fn check_folder(folder: &Path) -> bool {
    match std::fs::read_dir(folder) {
        Ok(entries) => {
            let pictures = entries.flatten().filter(|e| Kind::of(&e.path()).is_some()).count();
            let pictures = counted(pictures, "picture");
            say(&format!("{}: can be read, {pictures} in it", folder.display()));
            say(&format!("  {}", Photographs::open().confinement()));
            let troubles = troubles(&Surroundings::look(Some(folder)));
            for trouble in &troubles {
                say(&format!("  ! {}", trouble.said));
            }
            !troubles.iter().any(|trouble| trouble.kind.is_in_the_way())
        }
        Err(e) => {
            let mend = match e.kind() {
                ErrorKind::NotFound => "make it, or name the folder that the camera writes to",
                ErrorKind::PermissionDenied => "let its owner give you the right to look into it, or name another",
                _ => "name the folder that the camera writes to",
            };
            say(&without_error_numbers(&format!("{}: can't be read ({e}): {mend}", folder.display())));
            false
        }
    }
}

fn check_log(log: &Path) -> bool {
    let name = log.display();
    let health = match health(log) {
        Ok(health) if health.files == 0 => {
            say(&format!("{name}: there is no log yet"));
            return true;
        }
        Ok(health) => health,
        Err(e) => {
            say(&e.to_string());
            return false;
        }
    };
    let doubled =
        if health.doubled > 0 { format!(" ({} of them written twice)", health.doubled) } else { String::new() };
    say(&format!(
        "{name}: {} sound records{doubled}, {} missing, {} lines damaged",
        health.records, health.missing, health.damaged
    ));
    for number in &health.missing_files {
        say(&format!("  file {number} of it is missing"));
    }
    for file in &health.strayed {
        say(&format!("  {} begins with a state that the records before it don't come to", file.display()));
    }
    health.is_sound()
}

/// Its marks are read as the configuration here says that the camera steps.
fn check_frame(path: &Path) -> Result<bool, CommandError> {
    let name = printable(&path.display().to_string());
    let steps = usual_config().as_deref().map(Config::read).transpose()?.unwrap_or_default().camera_steps;
    Ok(match Photographs::open().read(path, steps, Depth::Lenient) {
        Ok(read) => {
            say(&format!("{name}: {}", read.settings.in_short()));
            for line in details(&read.settings) {
                say(&format!("  {line}"));
            }
            read.notes.iter().for_each(|note| {
                say(&format!("  ! {}", printable(note)));
            });
            read.settings.gaps().is_none()
        }
        Err(why) => {
            say(&format!("{name}: {why}"));
            false
        }
    })
}

fn details(settings: &Settings) -> Vec<String> {
    let flash = settings.flash.map(|f| match f {
        frame::FlashTag::Fired => "flash: fired, says the camera",
        frame::FlashTag::NotFired => "flash: not seen by the camera (cable and radio triggers usually aren't)",
        frame::FlashTag::NoFlashFunction => "flash: the camera has none",
    });
    [
        settings.camera.clone().map(|c| format!("camera: {c}")),
        settings.lens.clone().map(|l| format!("lens: {l}")),
        settings.focal_length_mm.map(|f| format!("focal length: {f} mm")),
        settings.subject_distance.map(|d| format!("subject distance: {} m", d.get())),
        settings.exposure_bias.map(|b| format!("exposure bias: {b} stop")),
        flash.map(str::to_owned),
        settings
            .captured
            .clone()
            .map(|c| format!("captured: {} {}", c.local, c.offset.unwrap_or("(no time zone)".to_owned()))),
    ]
    .into_iter()
    .flatten()
    .collect()
}
