//! A decision that is made away from the engine: what it goes by, and what came of it.
//!
//! Deciding is pure, so any thread may do it. The engine hands out one at a time, and changes nothing until it is back.

use std::sync::Arc;

use super::command::{Command, Reply};
use super::decide::{Decision, Input, decide};
use super::knowledge::Knowledge;
use super::light_of_file::LightOfFile;
use super::record::Body;
use super::state::State;
use crate::advice::Observation;
use crate::config::Config;
use crate::container::Fingerprint;
use crate::meter::LightMap;
use crate::numbers::FrameNumber;

/// What is to be decided, and all that it is decided by.
#[derive(Debug)]
pub struct Undecided {
    pub(super) state: Arc<State>,
    pub(super) config: Arc<Config>,
    pub(super) knowledge: Arc<Knowledge>,
    pub(super) input: Input,
}

/// What came of it, for the engine that handed it out.
#[derive(Debug)]
pub struct Decided {
    pub(super) decision: Decision,
    pub(super) landed: Option<LandedLight>,
}

/// The light of the parts of a file that landed.
#[derive(Debug)]
pub(super) struct LandedLight {
    file: String,
    fingerprint: Fingerprint,
    map: LightMap,
}

/// Whether something is to be decided at all.
#[must_use = "nothing else is decided on until it is back"]
#[derive(Debug)]
pub enum Begun {
    Deciding(Undecided),
    /// Nothing is, or not now; a command is answered at once.
    Over(Option<Reply>),
}

impl LandedLight {
    pub(super) fn of(self, frame: FrameNumber) -> LightOfFile {
        LightOfFile { frame, file: self.file, fingerprint: self.fingerprint, map: self.map }
    }
}

impl Undecided {
    /// Decides. It may take long where many lights are solved for.
    pub fn decide(self) -> Decided {
        let landed = self.input.file().zip(self.input.outcome()).and_then(|(file, outcome)| {
            let (file, fingerprint) = (file.name.clone(), file.fingerprint);
            outcome.light.clone().map(|map| LandedLight { file, fingerprint, map })
        });
        Decided { decision: decide(&self.state, &self.config, &self.knowledge, self.input), landed }
    }

    /// The answer to what only asks.
    pub fn answer(self) -> Reply {
        self.decide().decision.reply.unwrap_or_else(Reply::none)
    }
}

/// The frame that a record of an observation is of.
pub(super) fn frame_of(body: &Body) -> Option<FrameNumber> {
    match body {
        Body::Frame(frame) => Some(frame.frame),
        Body::FileAdded { frame, .. } => Some(*frame),
        _ => None,
    }
}

/// What somebody told.
pub(super) fn told(command: &Command, observation: Option<Observation>) -> Input {
    Input::Told { command: command.clone(), observation: observation.map(Box::new) }
}
