//! The configuration: as written in YAML, then checked into types that can't be wrong.
//!
//! The only place that knows YAML. An error names the line, the key, and what would be right.

mod curves;
pub mod drawn;
mod watching;
mod written;

use std::path::{Path, PathBuf};
use std::time::Duration;

use thiserror::Error;

pub use self::curves::{Calibrated, CurveError, Curves, Made, usual_folder};
pub use self::watching::ConfigWatch;
use self::written::{Written, Wrong, unknown_key};
use crate::drift::Lighting;
use crate::intake::{Mode, Rules};
use crate::meter::{Spot, WHOLE};
use crate::photometry::{ExposureTime, Series, Stops};
use crate::response::ResponseChoice;
use crate::rig::LightGroup;

/// A checked configuration.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    pub folder: Option<PathBuf>,
    pub log: Option<PathBuf>,
    pub socket: Option<PathBuf>,
    pub tolerance: Stops,
    pub lighting: Lighting,
    pub recycle: Duration,
    pub marks: Series,
    pub response: ResponseChoice,
    /// The picture look that the camera is set to, of those it was calibrated for.
    pub picture_look: Option<String>,
    /// Where calibrated curves are kept.
    pub curves: Option<PathBuf>,
    pub mode: Mode,
    pub poll_every: Duration,
    pub rules: Rules,
    pub judge_by: String,
    /// Exposure times this short or shorter may cut the flash off.
    pub sync: ExposureTime,
    /// Share of any spot's light that the room may have.
    pub room_light: f64,
    /// Beyond this a colour has shifted: log2 of red, or blue, over green.
    pub colour_limit: Stops,
    pub spots: Vec<Spot>,
    pub groups: Vec<LightGroup>,
}

/// A configuration that can't be used.
#[derive(Debug, Error)]
pub enum ConfigError {
    #[error("{file}, line {line}: {key}: {fault}")]
    At { file: String, line: usize, key: String, fault: String },
    #[error("{file}: {fault}")]
    Syntax { file: String, fault: String },
    #[error("{file} can't be read: {cause}")]
    Unreadable { file: String, cause: std::io::Error },
    #[error("{file} has {kib} KiB, more than the {MOST_KIB} KiB of any sensible configuration")]
    TooLarge { file: String, kib: u64 },
}

const MOST_KIB: u64 = 1024;

/// The commented example, as `greyhold check --write-example` gives it.
pub const EXAMPLE: &str = include_str!("../../config/greyhold.example.yaml");

impl Default for Config {
    fn default() -> Config {
        Config {
            folder: None,
            log: None,
            socket: None,
            tolerance: Stops(0.15),
            lighting: Lighting::Flash,
            recycle: Duration::from_secs(2),
            marks: Series::Thirds,
            response: ResponseChoice::Camera,
            picture_look: None,
            curves: usual_folder(),
            mode: Mode::Auto,
            poll_every: Duration::from_secs(1),
            rules: Rules::default(),
            judge_by: WHOLE.to_owned(),
            sync: ExposureTime::slowest_usual_sync(),
            room_light: 0.05,
            colour_limit: Stops(0.25),
            spots: Spot::ready(),
            groups: vec![LightGroup::all_lights()],
        }
    }
}

impl Config {
    /// Reads and checks a configuration file, with the spots that were drawn beside it.
    pub fn read(path: &Path) -> Result<Config, ConfigError> {
        let file = path.display().to_string();
        let unreadable = |cause| ConfigError::Unreadable { file: file.clone(), cause };
        let kib = std::fs::metadata(path).map_err(unreadable)?.len() >> 10;
        if kib > MOST_KIB {
            return Err(ConfigError::TooLarge { file, kib });
        }
        let text = std::fs::read_to_string(path).map_err(unreadable)?;
        let config = Config::parse(&text, &file)?;
        // Paths in a configuration are meant from where it lies.
        let base = path.parent().unwrap_or(Path::new("."));
        let from_here = |p: Option<PathBuf>| p.map(|p| base.join(p));
        let mut config = Config {
            folder: from_here(config.folder),
            log: from_here(config.log),
            socket: from_here(config.socket),
            curves: from_here(config.curves),
            ..config
        };
        drawn::apply(&drawn::beside(path), &mut config)?;
        Ok(config)
    }

    /// Checks configuration text; `file` names it in errors.
    pub fn parse(text: &str, file: &str) -> Result<Config, ConfigError> {
        if text.lines().all(|l| l.trim().is_empty() || l.trim_start().starts_with('#')) {
            return Ok(Config::default());
        }
        let at = |wrong: Wrong| ConfigError::At {
            file: file.to_owned(),
            line: wrong.line_in(text),
            key: wrong.key.clone(),
            fault: wrong.fault,
        };
        let written: Written = serde_yaml::from_str(text).map_err(|e| {
            let message = e.to_string();
            match unknown_key(&message) {
                Some(wrong) => at(wrong),
                None => ConfigError::Syntax { file: file.to_owned(), fault: message },
            }
        })?;
        written.checked().map_err(at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(text: &str) -> String {
        Config::parse(text, "greyhold.yaml").unwrap_err().to_string()
    }

    #[test]
    fn the_example_is_sound_and_says_the_defaults() {
        let example = Config::parse(EXAMPLE, "example").unwrap();
        assert_eq!(example.groups.len(), 3);
        let uncommented: String = EXAMPLE
            .lines()
            .map(|l| match l.strip_prefix("# ") {
                Some(body)
                    if [
                        "tolerance:",
                        "lighting:",
                        "recycle:",
                        "marks:",
                        "response:",
                        "watch:",
                        "poll_every:",
                        "judge_by:",
                        "sync:",
                        "room_light:",
                        "colour_limit:",
                    ]
                    .iter()
                    .any(|k| body.starts_with(k)) =>
                {
                    body
                }
                _ => l,
            })
            .collect::<Vec<_>>()
            .join("\n");
        assert_ne!(uncommented, EXAMPLE);
        assert_eq!(Config::parse(&uncommented, "example").unwrap(), example, "a comment names another default");
    }

    #[test]
    fn nothing_written_is_the_default() {
        assert_eq!(Config::parse("# nothing\n\n", "x").unwrap(), Config::default());
    }

    /// What is wrong, and the line, the key and the right form that the message must name.
    #[test]
    fn what_is_wrong_is_refused_with_line_key_and_what_would_be_right() {
        let lights = "lights:\n  - name: key\n    dial: fraction\n    range: 1/128 to 1/1\n";
        let cases: [(String, &[&str]); 12] = [
            ("toleranse: 0.1 stop\n".into(), &["unknown key", "line 1", "toleranse", "tolerance"]),
            ("\ntolerance: 0.1\n".into(), &["line 2", "tolerance", "no unit", "stop"]),
            ("tolerance: 15%\n".into(), &["line 1", "tolerance", "'%'", "stop"]),
            ("recycle: 2 stop\n".into(), &["line 1", "recycle", "'stop'", " s"]),
            ("lighting: neon\n".into(), &["line 1", "lighting", "flash or continuous or either"]),
            (format!("{lights}    power: 1/300\n"), &["line 5", "power", "1/8 +0.3"]),
            (format!("{lights}    power: 1/256\n"), &["line 5", "power", "1/128 to 1/1"]),
            (format!("{lights}  - name: key\n"), &["line 5", "name", "twice"]),
            (
                "lights:\n  - name: key\n    dial: fraction\n    range: 1/1 to 1/128\n".into(),
                &["line 4", "range", "weaker"],
            ),
            ("lights:\n  - name: key\n    power: 1/4\n".into(), &["line 3", "power", "dial"]),
            (
                "spots:\n  - {name: cheek, left: 0.6, top: 0, right: 0.5, bottom: 1}\n".into(),
                &["name", "left before right"],
            ),
            ("judge_by: nose\n".into(), &["line 1", "judge_by", "whole"]),
        ];
        for (text, parts) in cases {
            let said = refused(&text);
            for part in parts {
                assert!(said.contains(part), "{text:?}\nsaid: {said}\nmissing: {part}");
            }
        }
    }

    #[test]
    fn every_prefix_of_the_example_is_taken_or_refused_without_a_panic() {
        for end in (0..EXAMPLE.len()).filter(|i| EXAMPLE.is_char_boundary(*i)).step_by(7) {
            let _ = Config::parse(&EXAMPLE[..end], "prefix");
        }
    }
}
