//! The light of raw files whose embedded picture was taken first: read beside the loop, and handed on in the order of the frames.
//! Whoever waits for the folder to be logged waits for it, too.

use std::collections::VecDeque;
use std::sync::Arc;

use tokio::sync::Semaphore;
use tokio::task::{JoinHandle, spawn_blocking};

use super::super::reading::read_light;
use super::Session;
use super::answers::Synced;
use super::turns::Then;
use crate::intake::{FolderState, path_of};
use crate::numbers::FrameNumber;
use crate::session::{AwaitedLight, Input, LightInput, MeteredFrame, awaited_lights, raw_parts};

/// Lights that are read or wait to be handed on: fewer than the exposures that can be judged anew.
const MOST: usize = 4;
/// Of them, those that are read at one time.
pub const LIGHTS_AT_ONCE: usize = 2;
/// Frames that are remembered as handed on.
const REMEMBERED: usize = 64;

/// Somebody who waits for everything in the folder to be logged.
pub(super) struct Mark {
    pub token: u64,
    pub waiting: Vec<String>,
    pub silent: Vec<String>,
    pub folder: FolderState,
}

enum Waiting {
    Light { awaited: AwaitedLight, reading: JoinHandle<Result<MeteredFrame, String>> },
    Mark(Mark),
}

/// What was waited for, and is there.
pub(super) enum Come {
    Light(Box<LightInput>),
    Mark(Mark),
}

/// See the module.
pub struct Lights {
    waiting: VecDeque<Waiting>,
    /// Read already, or being read: a light is read once under one name.
    begun: VecDeque<(FrameNumber, String)>,
    seats: Arc<Semaphore>,
}

impl Default for Lights {
    fn default() -> Lights {
        let seats = Arc::new(Semaphore::new(LIGHTS_AT_ONCE));
        Lights { waiting: VecDeque::new(), begun: VecDeque::new(), seats }
    }
}

impl Lights {
    pub(super) fn has_room(&self) -> bool {
        self.waiting.len() < MOST
    }

    /// Whether the first in the line can be taken.
    pub(super) fn is_ready(&self) -> bool {
        match self.waiting.front() {
            Some(Waiting::Light { reading, .. }) => reading.is_finished(),
            Some(Waiting::Mark(_)) => true,
            None => false,
        }
    }

    /// Resolves when the first in the line is there.
    pub(super) async fn next(&mut self) -> Come {
        let outcome = match self.waiting.front_mut() {
            Some(Waiting::Light { reading, .. }) => Some(reading.await),
            Some(Waiting::Mark(_)) => None,
            None => std::future::pending().await,
        };
        match (self.waiting.pop_front(), outcome) {
            (Some(Waiting::Light { awaited: AwaitedLight { frame, file }, .. }), Some(outcome)) => {
                let outcome = outcome.unwrap_or_else(|e| Err(format!("reading it failed, which is a defect: {e}")));
                Come::Light(Box::new(LightInput { frame, file, outcome }))
            }
            (Some(Waiting::Mark(mark)), _) => Come::Mark(mark),
            // The first in the line is the one that was waited for.
            _ => std::future::pending().await,
        }
    }

    /// The mark, when nothing stands before it.
    pub(super) fn mark(&mut self, mark: Mark) -> Option<Mark> {
        if self.waiting.is_empty() {
            return Some(mark);
        }
        self.waiting.push_back(Waiting::Mark(mark));
        None
    }
}

impl Session {
    /// Has the light read of whatever awaits it, and tells the workers what to read of the next raw file.
    pub(super) fn tend_lights(&mut self) {
        let state = self.engine.state();
        let parts = raw_parts(&state.sitting, &self.setup.config);
        self.parts.send_if_modified(|now| std::mem::replace(now, parts) != parts);
        for awaited in awaited_lights(state) {
            let name = (awaited.frame, awaited.file.name.clone());
            if !self.lights.begun.contains(&name) {
                self.lights.begun.push_back(name);
                self.read_light(awaited);
            }
        }
    }

    fn read_light(&mut self, awaited: AwaitedLight) {
        if self.lights.begun.len() > REMEMBERED {
            self.lights.begun.pop_front();
        }
        let (pool, metering) = (self.setup.workers.clone(), Arc::clone(&self.metering.borrow()));
        let (path, taken) = (path_of(&self.setup.folder, &awaited.file.name), awaited.file.fingerprint);
        let seats = Arc::clone(&self.lights.seats);
        let reading = tokio::spawn(async move {
            let read =
                move || read_light(&pool, &path, metering.camera_steps, taken).map(|frame| metering.meter(frame));
            // The semaphore is never closed.
            let _seat = seats.acquire_owned().await.map_err(|e| e.to_string())?;
            spawn_blocking(read).await.map_err(|e| format!("reading it failed, which is a defect: {e}"))?
        });
        self.lights.waiting.push_back(Waiting::Light { awaited, reading });
    }

    /// Takes what was waited for; only while no decision is under way.
    pub(super) fn take_come(&mut self, come: Come) {
        match come {
            Come::Light(light) => {
                let name = light.file.name.clone();
                self.begin_input(Input::Light(light), Then::Light(name));
            }
            Come::Mark(Mark { token, waiting, silent, folder }) => {
                self.answer_mark(token, Synced { waiting, silent, folder, ..Synced::default() });
            }
        }
    }
}
