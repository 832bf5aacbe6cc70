//! The set-up sheet: all that is known of a set, so that a look can be built again; and what a set that is built again lacks
//! of it.
//!
//! A pure function of the sitting and the configuration. What is in the log and in no state (notes) and beside it (small
//! pictures) is added by whoever reads these; how it looks is for [`outlet`](crate::outlet).

mod imported;
mod light_seen;
mod lights;
mod ratios;
mod rebuilt;
mod words;

use serde::{Deserialize, Serialize};

pub use self::imported::{ImportedLook, PowerOfDial};
pub use self::light_seen::LightSeen;
pub use self::lights::{LightOnSheet, PassiveOnSheet, PowerOnSheet};
pub use self::ratios::{RatioOnSheet, RatiosOnSheet};
pub use self::rebuilt::{Rebuilt, Since};
pub use self::words::{CAUTION, NOT_TYPED};
use super::earlier::LoggedObservation;
use super::last_laid::LastLaid;
use super::remembered::Look;
use super::sitting::Sitting;
use super::standing::Standing;
use crate::advice::Finding;
use crate::align::PictureId;
use crate::config::Config;
use crate::config::typed::TypedThing;
use crate::frame::Settings;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::Stops;
use crate::rig::{CameraFacts, GroupName};
use crate::wording::own_name;

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sheet {
    pub looks: Vec<LookOnSheet>,
    pub lights: Vec<LightOnSheet>,
    pub passive: Vec<PassiveOnSheet>,
    /// As it was typed; what the camera itself tells is each look's.
    pub camera: CameraFacts,
    /// Of the set, as they were typed.
    pub set_notes: Vec<String>,
    /// Out of the log.
    #[serde(default)]
    pub log_notes: Vec<LogNote>,
    /// What should be known of the sheet itself.
    pub remarks: Vec<String>,
    /// How it stands now, where somebody builds from a sheet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub now: Option<NowOnSheet>,
}

/// A look, as its reference shows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LookOnSheet {
    pub name: String,
    /// The reference's photograph.
    pub file: String,
    pub frame: Option<FrameNumber>,
    pub settings: Settings,
    pub powers: Vec<PowerOnSheet>,
    pub ratios: RatiosOnSheet,
    /// The small pictures of the reference, the one that counts first.
    pub pictures: Vec<PictureId>,
    /// What frames are compared with; only where the sheet is kept as a file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub observation: Option<Box<LoggedObservation>>,
}

/// A note that was put into the log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LogNote {
    pub at: jiff::Timestamp,
    pub text: String,
}

/// How the lights stand now, and what the last frame showed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NowOnSheet {
    /// The look that frames are compared with.
    pub look: Option<String>,
    pub powers: Vec<PowerOnSheet>,
    pub ratios: RatiosOnSheet,
    /// Within this a frame, or a ratio, is as it was.
    pub tolerance: Stops,
    /// The record that finished the last survey.
    pub surveyed: Option<RecordNumber>,
    /// Frames so far, those of a survey included.
    pub frames: FrameNumber,
    /// The record with which this set-up began: notes of before are of another one.
    #[serde(default)]
    pub set_up_began: RecordNumber,
    pub last: Option<LastOnSheet>,
    /// What can be written down on the page of the running sitting, as it is.
    #[serde(default)]
    pub facts: Vec<FactsOnSheet>,
    /// Notes of the set were written down there, and stand in for the configuration's.
    #[serde(default)]
    pub notes_are_typed: bool,
}

/// What is told of a configured thing of the set, as the configuration would write it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FactsOnSheet {
    pub of: TypedThing,
    /// Some of it was written down, and stands in for what the configuration says.
    pub is_typed: bool,
}

/// The last frame that is one to go by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LastOnSheet {
    pub frame: FrameNumber,
    pub file: String,
    pub settings: Settings,
    pub finding: Finding,
    pub sentence: String,
    /// How it lies over the reference's picture, where that is known.
    pub light: Option<LightSeen>,
}

/// Why there is no sheet.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoSheet {
    #[error("there is no reference yet, so there is no look to build again: shoot, then accept the light")]
    NoLook,
    #[error("there is no look '{look}': there is {there}")]
    OtherLooks { look: String, there: String },
}

impl Sheet {
    /// Of all looks, or of one.
    ///
    /// # Errors
    /// There is no look, or none of this name.
    pub fn of(sitting: &Sitting, config: &Config, only: Option<&str>) -> Result<Sheet, NoSheet> {
        let setup = &sitting.setup;
        let wanted = |name: &str| only.is_none_or(|only| only.trim().to_lowercase() == name.to_lowercase());
        let looks: Vec<LookOnSheet> = setup
            .looks
            .iter()
            .filter(|(name, _)| wanted(name))
            .map(|(name, look)| look_on_sheet(name, look, sitting, config))
            .collect();
        if looks.is_empty() {
            let names: Vec<&str> = setup.looks.keys().map(String::as_str).collect();
            return Err(match only {
                Some(look) if !names.is_empty() => {
                    NoSheet::OtherLooks { look: look.to_owned(), there: names.join(", ") }
                }
                _ => NoSheet::NoLook,
            });
        }
        Ok(Sheet {
            looks,
            lights: lights::lights(setup, config),
            passive: config.passive.iter().map(PassiveOnSheet::of).collect(),
            camera: config.camera.clone(),
            set_notes: config.notes.clone(),
            log_notes: Vec::new(),
            remarks: remarks(sitting, config),
            now: None,
        })
    }

    /// The same, with how it stands now; `laid` is the last frame over the reference's picture.
    ///
    /// # Errors
    /// As [`Sheet::of`].
    pub(super) fn with_now(
        sitting: &Sitting,
        config: &Config,
        only: Option<&str>,
        laid: Option<&LastLaid>,
    ) -> Result<Sheet, NoSheet> {
        let setup = &sitting.setup;
        let last = setup.last.as_ref().map(|last| LastOnSheet {
            frame: last.frame,
            file: last.file.clone(),
            settings: last.observation.settings.clone(),
            finding: last.verdict.finding,
            sentence: last.verdict.sentence.clone(),
            light: laid.filter(|laid| laid.frame == last.frame).and_then(LightSeen::of),
        });
        let now = NowOnSheet {
            look: setup.current.clone(),
            powers: lights::powers_now(setup, config),
            ratios: RatiosOnSheet::of(setup, |group| setup.position(group).map(|p| p.at)),
            tolerance: config.tolerance,
            surveyed: setup.surveyed.as_ref().map(|surveyed| surveyed.record),
            frames: sitting.frames,
            set_up_began: sitting.set_up_began.record,
            last,
            facts: facts(config),
            notes_are_typed: config.typed.has_notes(),
        };
        Ok(Sheet { now: Some(now), ..Sheet::of(sitting, config, only)? })
    }

    /// The same, with what frames are compared with, so that a look can be built again by another log.
    pub fn with_observations(mut self, sitting: &Sitting) -> Sheet {
        for look in &mut self.looks {
            let known = sitting.setup.looks.get(&look.name);
            look.observation = known.map(|known| Box::new((*known.observation).clone().into()));
        }
        self
    }
}

fn facts(config: &Config) -> Vec<FactsOnSheet> {
    let groups = config.groups.iter().map(TypedThing::of_group);
    let things = groups.chain(config.passive.iter().map(TypedThing::of_passive));
    things.map(|of| FactsOnSheet { is_typed: config.typed.of(&of.name).is_some(), of }).collect()
}

fn look_on_sheet(name: &str, look: &Look, sitting: &Sitting, config: &Config) -> LookOnSheet {
    let setup = &sitting.setup;
    LookOnSheet {
        name: name.to_owned(),
        file: own_name(&look.file),
        frame: look.frame,
        settings: look.observation.settings.clone(),
        powers: lights::powers_of(look, setup, config),
        ratios: RatiosOnSheet::of(setup, |group| look.marks.get(group).copied()),
        pictures: look.observation.pictures().collect(),
        observation: None,
    }
}

fn remarks(sitting: &Sitting, config: &Config) -> Vec<String> {
    let setup = &sitting.setup;
    let is_there = |group: &GroupName| setup.positions.is_empty() || setup.position(group).is_some();
    let strange: Vec<&str> = config
        .groups
        .iter()
        .map(|group| &group.name)
        .filter(|name| !is_there(name))
        .map(|name| name.as_str())
        .collect();
    let strange = (!strange.is_empty()).then(|| {
        format!("the configuration has groups that the log doesn't know, which are left out: {}", strange.join(", "))
    });
    let building = (setup.standing == Standing::Building)
        .then(|| "the light was still being built: its last frame stands for the reference".to_owned());
    strange.into_iter().chain(config.typed_in_vain()).chain(building).collect()
}
