//! Deciding: what is to be logged of an input, and what is answered. A pure function of what is known.
//!
//! Nothing here reads a clock or a disk, and nothing is remembered between two calls: the records that are decided
//! on are all that changes the state. An exposure is judged from what was known before its first file, whichever of
//! its files is at hand; so a judgement never rests on conclusions from itself.

mod curves;
mod exposure;
mod follow;
mod laying;
mod learning;
mod lights;
mod names;
mod planning;
mod references;
mod removal;
mod survey;
mod target;
mod telling;
mod unfinished;

use super::command::{Command, Reply};
use super::files::Files;
use super::judgement::Occasion;
use super::knowledge::Knowledge;
use super::measured_sharpness::MeasuredSharpness;
use super::metering::MeteredFrame;
use super::record::{Body, GroupPower};
use super::sitting::Sitting;
use super::state::State;
use crate::advice::Observation;
use crate::config::Config;
use crate::container::Fingerprint;
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
                for (file, metered) in files {
                    self.stage(Body::Remetered { file, metered: Box::new(metered.into()) });
                }
                self.judge_all_anew(Occasion::OtherSpots);
            }
            Input::Told { command, observation } => return Some(self.answer(&command, observation.map(|s| *s))),
        }
        None
    }

    /// A group as it is configured.
    fn group(&self, name: &GroupName) -> Option<&LightGroup> {
        self.config.groups.iter().find(|g| g.name == *name)
    }

    fn stage_config(&mut self) {
        let groups = self.config.groups.iter().map(|g| GroupPower { group: g.name.clone(), power: g.power }).collect();
        self.stage(Body::Config { tolerance: self.config.tolerance, groups });
    }
}
