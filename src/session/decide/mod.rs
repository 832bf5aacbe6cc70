//! Deciding: what is to be logged of an input, and what is answered. A pure function of what is known.
//!
//! Nothing here reads a clock or a disk, and nothing is remembered between two calls: the records that are decided
//! on are all that changes the state. An exposure is judged from what was known before its first file, whichever of
//! its files is at hand; so a judgement never rests on conclusions from itself.

mod configured;
mod curves;
mod embedded;
mod exposure;
mod filter;
mod follow;
mod imported;
mod laying;
mod learning;
mod lights;
mod looks;
mod names;
mod planning;
mod references;
mod removal;
mod sittings;
mod survey;
mod target;
mod telling;
mod turning_back;
mod unfinished;

use self::embedded::{is_surveyed, may_answer};
use super::command::{Command, Reply};
use super::exposures::Exposure;
use super::files::Files;
use super::judgement::Occasion;
use super::knowledge::Knowledge;
use super::measured_sharpness::MeasuredSharpness;
use super::metering::MeteredFrame;
use super::record::Body;
use super::sheet::ImportedLook;
use super::sitting::Sitting;
use super::state::State;
use crate::advice::Observation;
use crate::config::Config;
use crate::container::Fingerprint;
use crate::frame::RawParts;
use crate::intake::{FileState, KnownFile};
use crate::meter::{FrameReadings, LightMap};
use crate::numbers::FrameNumber;
use crate::rig::{GroupName, LightGroup};

/// A file that the intake told.
#[derive(Debug, Clone)]
pub struct Landed {
    pub name: String,
    pub is_raw: bool,
    pub state: FileState,
    pub fingerprint: Fingerprint,
    pub found_at_start: bool,
    /// Frames that landed behind it may have been taken before it.
    pub passed: bool,
}

/// Such a file, metered.
#[derive(Debug, Clone)]
pub struct FrameInput {
    pub file: Landed,
    /// `Err` is the sentence to show.
    pub outcome: Result<MeteredFrame, String>,
}

/// The light of a raw file of which only the embedded picture was taken.
#[derive(Debug, Clone)]
pub struct LightInput {
    pub frame: FrameNumber,
    pub file: Landed,
    /// `Err` is the end of a sentence.
    pub outcome: Result<MeteredFrame, String>,
}

/// A raw file whose light is to be read.
#[derive(Debug, Clone)]
pub struct AwaitedLight {
    pub frame: FrameNumber,
    pub file: Landed,
}

/// The raw files of late whose light is to be read yet, in the order of their frames.
pub fn awaited_lights(state: &State) -> Vec<AwaitedLight> {
    let awaited = |exposure: &Exposure| {
        let name = exposure.awaits_light.clone().filter(|_| exposure.before.is_some())?;
        let (state, fingerprint) = state.files.logged_as(&name)?;
        let file =
            Landed { name, is_raw: true, state, fingerprint, found_at_start: exposure.found_at_start, passed: false };
        Some(AwaitedLight { frame: exposure.frame, file })
    };
    state.sitting.exposures.iter().filter_map(awaited).collect()
}

/// What is to be read of the next raw file: the embedded picture first where it may answer, beside the light where it may come to
/// that.
pub fn raw_parts(sitting: &Sitting, config: &Config) -> RawParts {
    let Some(last) = &sitting.setup.last else { return RawParts::LightAndEmbedded };
    let settings = &last.observation.settings;
    let is_vain = is_surveyed(&sitting.setup)
        || sitting.embedded_trust(settings).has_ended()
        || last.observation.rendered().is_some();
    match is_vain {
        true => RawParts::Light,
        false if may_answer(sitting, config, settings, &sitting.setup) => RawParts::EmbeddedFirst,
        false => RawParts::LightAndEmbedded,
    }
}

impl Input {
    /// The file that it brings.
    pub(super) fn file(&self) -> Option<&Landed> {
        match self {
            Input::Frame(frame) => Some(&frame.file),
            Input::Light(light) => Some(&light.file),
            _ => None,
        }
    }

    /// What was metered in it.
    pub(super) fn outcome(&self) -> Option<&MeteredFrame> {
        match self {
            Input::Frame(frame) => frame.outcome.as_ref().ok(),
            Input::Light(light) => light.outcome.as_ref().ok(),
            _ => None,
        }
    }
}

/// Everything that moves a session.
#[derive(Debug, Clone)]
pub enum Input {
    /// A daemon opens the log.
    Opened {
        program: String,
        folder: String,
        process: u32,
    },
    Closed,
    Frame(Box<FrameInput>),
    Light(Box<LightInput>),
    Rewritten {
        name: String,
        was: String,
        state: FileState,
    },
    /// All files that are gone from the folder, as far as anybody saw them go.
    Gone(Vec<String>),
    Known {
        files: Vec<KnownFile>,
        last: bool,
    },
    Skipped {
        name: String,
        why: String,
        /// In this state it needs no second look.
        state: Option<FileState>,
    },
    Warning(String),
    /// The sharpness of a frame was measured.
    Sharpness(Box<MeasuredSharpness>),
    /// The configuration was taken up.
    Configured,
    /// The curves of cameras changed.
    Curves,
    /// Files that frames are compared with were metered anew, by other spots.
    Reread(Vec<(String, FrameReadings)>),
    /// A look of another sitting is taken up.
    LookTakenUp(Box<ImportedLook>),
    /// Somebody tells or asks something. A file that is named was read, and is handed on as `observation`.
    Told {
        command: Command,
        observation: Option<Box<Observation>>,
    },
}

/// What is to be logged, in this order, and what is answered.
#[derive(Debug, Default)]
pub struct Decision {
    pub records: Vec<Body>,
    /// To a command.
    pub reply: Option<Reply>,
}

/// Decides on one input.
pub fn decide(state: &State, config: &Config, knowledge: &Knowledge, input: Input) -> Decision {
    let mut draft = Draft::on(state, config, knowledge);
    let reply = draft.take(input);
    Decision { records: draft.records, reply }
}

/// A decision in the making: the records so far, and the sitting as they make it.
struct Draft<'a> {
    files: &'a Files,
    sitting: Sitting,
    config: &'a Config,
    knowledge: &'a Knowledge,
    /// The light of the parts of the frame that has just landed.
    landed_map: Option<(FrameNumber, LightMap)>,
    records: Vec<Body>,
}

impl<'a> Draft<'a> {
    fn on(state: &'a State, config: &'a Config, knowledge: &'a Knowledge) -> Draft<'a> {
        let (files, sitting) = (&state.files, state.sitting.clone());
        Draft { files, sitting, config, knowledge, landed_map: None, records: Vec::new() }
    }

    /// Adds a record, and goes on from the sitting that it makes.
    fn stage(&mut self, body: Body) {
        self.sitting.apply(self.sitting.records.next(), &body);
        self.records.push(body);
    }

    fn take(&mut self, input: Input) -> Option<Reply> {
        match input {
            Input::Opened { program, folder, process } => {
                self.stage(Body::Opened { program, folder, process });
                self.stage_config();
                self.finish_what_was_begun();
            }
            Input::Closed => self.stage(Body::Closed),
            Input::Frame(frame) => self.take_file(*frame),
            Input::Light(light) => self.take_light(*light),
            // Only what is logged can be updated.
            Input::Rewritten { was, .. } if !self.files.knows(&was) => {}
            Input::Rewritten { name, was, state } => self.stage(Body::FileChanged { file: name, was, state }),
            Input::Gone(files) => self.take_gone(&files.into_iter().collect()),
            Input::Known { files, last } => self.stage(Body::ExistingFiles { files, last }),
            Input::Skipped { name, why, state } => self.stage(Body::Skipped { file: name, why, state }),
            Input::Warning(text) => self.stage(Body::Warning { text }),
            Input::Sharpness(measured) => self.stage(Body::Sharpness(measured)),
            Input::Configured => self.stage_config(),
            Input::Curves => self.judge_all_anew(Occasion::BetterCurve),
            Input::Reread(files) => {
                let card = self.card_in_standing();
                for (file, metered) in files {
                    self.stage(Body::Remetered { file, metered: Box::new(metered.into()) });
                }
                // The card was drawn, or moved.
                if card != self.card_in_standing() {
                    self.tell_target_of_standing();
                }
                self.judge_all_anew(Occasion::OtherSpots);
            }
            Input::LookTakenUp(imported) => return Some(self.take_look_up(*imported)),
            Input::Told { command, observation } => return Some(self.answer(&command, observation.map(|s| *s))),
        }
        None
    }

    /// A group as it is configured.
    fn group(&self, name: &GroupName) -> Option<&LightGroup> {
        self.config.groups.iter().find(|g| g.name == *name)
    }
}
