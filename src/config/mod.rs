//! The configuration: as written in YAML, then checked into types that can't be wrong.
//!
//! The only place that knows YAML. An error names the line, the key, and what would be right.

mod changed;
mod curves;
pub mod drawn;
mod fault;
mod own_files;
mod reading;
pub mod typed;
#[cfg(test)]
mod typed_tests;
mod typed_thing;
mod values;
mod watching;
mod written;
mod written_group;
mod written_passive;
mod written_spot;
mod written_stands;
mod written_target;
mod wrong;
#[cfg(test)]
mod wrong_tests;

use std::path::{Path, PathBuf};
use std::time::Duration;

use thiserror::Error;

pub use self::curves::{Calibrated, CurveError, Curves, Made, curve_of_earlier_logs, usual_folder};
use self::fault::fault_in;
use self::reading::text_of;
use self::typed::Typed;
pub use self::watching::ConfigWatch;
use self::written::Written;
use self::wrong::Wrong;
use crate::advice::{AtHand, FirstReference, GreyCard, Patience, Target};
use crate::drift::Lighting;
use crate::intake::{Mode, Rules};
use crate::meter::{Area, Spot, WHOLE};
use crate::photometry::{ExposureTime, Series, Stops};
use crate::response::ResponseChoice;
use crate::rig::{CameraFacts, LightGroup, LightShare, Passive};

/// A checked configuration.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    pub folder: Option<PathBuf>,
    pub log: Option<PathBuf>,
    pub socket: Option<PathBuf>,
    pub tolerance: Stops,
    pub patience: Patience,
    pub reference: FirstReference,
    pub lighting: Lighting,
    pub recycle_time: Duration,
    pub camera_steps: Series,
    pub at_hand: AtHand,
    pub response_curve: ResponseChoice,
    /// The picture profile that the camera is set to, of those it was calibrated for.
    pub picture_profile: Option<String>,
    /// Where calibrated curves are kept.
    pub curves: Option<PathBuf>,
    pub mode: Mode,
    pub poll_every: Duration,
    pub rules: Rules,
    pub judged_spot: String,
    /// What is wanted of the reference itself.
    pub target: Option<Target>,
    /// Exposure times this short or shorter may cut the flash off.
    pub sync_speed: ExposureTime,
    /// Share of any spot's light that may be ambient.
    pub ambient_limit: LightShare,
    /// Beyond this a colour has shifted: log2 of red, or blue, over green.
    pub colour_limit: Stops,
    /// Sharpness is measured in the spots that have a place, after each frame's answer.
    pub sharpness: bool,
    pub spots: Vec<Spot>,
    pub groups: Vec<LightGroup>,
    /// Reflectors, flags and scrims.
    pub passive: Vec<Passive>,
    pub camera: CameraFacts,
    /// Of the set, in somebody's own words.
    pub notes: Vec<String>,
    /// What of the set was written down on the set-up sheet; it stands in for what is written here, and is taken up already.
    pub typed: Typed,
    /// What is taken for something else than it says, in words.
    pub remarks: Vec<String>,
}

/// A configuration that can't be used.
#[derive(Debug, Error)]
pub enum ConfigError {
    #[error("{file}, line {line}: {key}: {fault}")]
    At { file: String, line: usize, key: String, fault: String },
    #[error("{file}, line {line}: {fault}")]
    Line { file: String, line: usize, fault: String },
    #[error("{file}: {fault}")]
    Syntax { file: String, fault: String },
    #[error("{file} can't be read: {cause}")]
    Unreadable { file: String, cause: std::io::Error },
    #[error("{file} has more than {most_kib} KiB, the most of any sensible configuration: is it another file?")]
    TooLarge { file: String, most_kib: u64 },
    #[error("{file}, line {line}: it is not written in UTF-8: save it as UTF-8 in the editor")]
    NotUtf8 { file: String, line: usize },
}

/// The commented example, as `greyhold init` writes it.
pub const EXAMPLE: &str = include_str!("../../config/greyhold.example.yaml");

impl Default for Config {
    fn default() -> Config {
        Config {
            folder: None,
            log: None,
            socket: None,
            tolerance: Stops(0.15),
            patience: Patience::default(),
            reference: FirstReference::default(),
            lighting: Lighting::Flash,
            recycle_time: Duration::from_secs(2),
            camera_steps: Series::Thirds,
            at_hand: AtHand::default(),
            response_curve: ResponseChoice::Camera,
            picture_profile: None,
            curves: usual_folder(),
            mode: Mode::Auto,
            poll_every: Duration::from_secs(1),
            rules: Rules::default(),
            judged_spot: WHOLE.to_owned(),
            target: None,
            sync_speed: ExposureTime::slowest_usual_sync(),
            ambient_limit: LightShare::of_per_cent(5),
            colour_limit: Stops(0.25),
            sharpness: true,
            spots: Spot::ready(),
            groups: vec![LightGroup::all_lights()],
            passive: Vec::new(),
            camera: CameraFacts::default(),
            notes: Vec::new(),
            typed: Typed::default(),
            remarks: Vec::new(),
        }
    }
}

impl Config {
    /// Reads and checks a configuration file, with the spots that were drawn and what was written down of the set, beside it.
    pub fn read(path: &Path) -> Result<Config, ConfigError> {
        let config = Config::parse(&text_of(path)?, &path.display().to_string())?;
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
        typed::apply(&typed::beside(path), &mut config)?;
        config.remarks.extend(config.target_without_a_place().map(|why| format!("target: {why}")));
        Ok(config)
    }

    /// The spots that lie at one place in each frame, by name.
    pub fn placed_spots(&self) -> impl Iterator<Item = (&str, Area)> {
        self.spots.iter().filter_map(|spot| Some((spot.name.as_str(), spot.area()?)))
    }

    /// The target's spot lies nowhere: the grey patch that greyhold looks for by itself may be anything grey.
    pub fn target_without_a_place(&self) -> Option<String> {
        let Target::Card(GreyCard { spot, .. }) = self.target.as_ref()? else { return None };
        let placed = self.placed_spots().any(|(name, _)| name == spot);
        (!placed).then(|| {
            format!("the spot '{spot}' has no place yet: draw it on the page over the card, or write it under spots")
        })
    }

    /// Checks configuration text; `file` names it in errors.
    pub fn parse(text: &str, file: &str) -> Result<Config, ConfigError> {
        if own_files::is_bare(text) {
            return Ok(Config::default());
        }
        let written: Written = serde_yaml::from_str(text).map_err(|e| fault_in(text, file, &e))?;
        written.checked().map_err(|wrong: Wrong| ConfigError::At {
            file: file.to_owned(),
            line: wrong.line_in(text),
            key: wrong.key.clone(),
            fault: wrong.fault,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_example_is_sound_and_says_the_defaults() {
        let example = Config::parse(EXAMPLE, "example").unwrap();
        assert_eq!(example.groups.len(), 3);
        let with_a_default = [
            "tolerance",
            "patience",
            "reference",
            "lighting",
            "recycle_time",
            "camera_steps",
            "response_curve",
            "detect",
            "poll_every",
            "judged_spot",
            "sync_speed",
            "ambient_limit",
            "colour_limit",
            "sharpness",
        ];
        let uncommented = with_a_default.iter().fold(EXAMPLE.to_owned(), |text, key| {
            let comment = format!("\n# {key}: ");
            assert!(text.contains(&comment), "{key} is not shown");
            text.replace(&comment, &format!("\n{key}: "))
        });
        assert_eq!(Config::parse(&uncommented, "example").unwrap(), example, "a comment names another default");
    }

    /// Nobody's set stands still because greyhold was brought up to date.
    #[test]
    fn keys_of_earlier_days_still_hold() {
        let earlier = "recycle: 3 s\nmarks: halves\nresponse: srgb\npicture_look: flat\nwatch: poll\nignore: [.x]\n\
                       judge_by: centre\nsync: 1/125\nroom_light: 9 %\nlights:\n  - {name: key, count: 2, dial: decimal, \
                       full: 10.0, range: 2.0 to 10.0}\n";
        let present = "recycle_time: 3 s\ncamera_steps: halves\nresponse_curve: srgb\npicture_profile: flat\ndetect: poll\n\
                       ignore_suffixes: [.x]\njudged_spot: centre\nsync_speed: 1/125\nambient_limit: 9 %\ngroups:\n  - {name: \
                       key, heads: 2, dial: decimal, full_power: 10.0, range: 2.0 to 10.0}\n";
        let config = Config::parse(present, "x").unwrap();
        assert_eq!(Config::parse(earlier, "x").unwrap(), config);
        assert_ne!(config, Config { groups: config.groups.clone(), ..Config::default() });
    }

    #[test]
    fn nothing_written_is_the_default() {
        assert_eq!(Config::parse("# nothing\n\n", "x").unwrap(), Config::default());
    }

    #[test]
    fn what_is_commented_out_is_as_if_it_were_not_there() {
        assert_eq!(
            Config::parse("groups:\n# - name: key\nspots:\nignore_suffixes:\ntolerance:\n", "x").unwrap(),
            Config::default()
        );
    }

    #[test]
    fn a_file_that_can_not_be_a_configuration_is_refused_at_once() {
        let home = tempfile::tempdir().unwrap();
        let path = |name: &str| home.path().join(name);
        std::fs::write(path("latin.yaml"), b"judged_spot: whole\n# K\xfchl\n").unwrap();
        std::fs::write(path("large.yaml"), "# long\n".repeat(200_000)).unwrap();
        let mut cases = vec![
            (path("latin.yaml"), "latin.yaml, line 2: it is not written in UTF-8"),
            (path("large.yaml"), "more than 1024 KiB"),
            (home.path().to_owned(), "no regular file"),
            (path("nowhere.yaml"), "can't be read"),
        ];
        if cfg!(unix) {
            let made = std::process::Command::new("mkfifo").arg(path("pipe.yaml")).status().unwrap();
            assert!(made.success());
            cases.push((path("pipe.yaml"), "no regular file"));
            cases.push(("/dev/zero".into(), "no regular file"));
            cases.push(("/dev/null".into(), "no regular file"));
        }
        for (path, part) in cases {
            let said = Config::read(&path).unwrap_err().to_string();
            assert!(said.contains(part), "{said}");
        }
    }

    #[test]
    fn every_prefix_of_the_example_is_taken_or_refused_without_a_panic() {
        for end in (0..EXAMPLE.len()).filter(|i| EXAMPLE.is_char_boundary(*i)).step_by(7) {
            let _ = Config::parse(&EXAMPLE[..end], "prefix");
        }
    }
}
