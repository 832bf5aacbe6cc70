//! What deciding needs besides the state: the cameras' curves, and what frames of late look like in their parts.
//!
//! None of it is in the log. The same log with other knowledge is judged otherwise, but never replayed otherwise.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use super::scenes::Scenes;
use crate::config::Curves;
use crate::meter::LightMap;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::rig::Lights;

/// Maps of light that are kept: those of the exposures that can be judged anew, of two files each.
const MOST_MAPS: usize = 16;

/// A map of a frame that lies farther back is not kept.
const LATEST: u64 = 8;

/// See the module.
#[derive(Debug)]
pub struct Knowledge {
    pub curves: Arc<Curves>,
    /// The small pictures of frames, and how they lie over each other.
    pub scenes: Scenes,
    maps: VecDeque<(FrameNumber, LightMap)>,
    /// Putting a survey's lights together takes as long as metering a frame: they are kept.
    surveyed: Mutex<Option<SurveyedBy>>,
}

/// The lights of one survey by one curve.
#[derive(Debug, Clone)]
struct SurveyedBy {
    record: RecordNumber,
    response: String,
    lights: Option<Arc<Lights>>,
}

impl Clone for Knowledge {
    fn clone(&self) -> Knowledge {
        let surveyed = self.surveyed.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let (curves, scenes) = (Arc::clone(&self.curves), self.scenes.clone());
        Knowledge { curves, scenes, maps: self.maps.clone(), surveyed: Mutex::new(surveyed) }
    }
}

impl Knowledge {
    pub fn new(curves: Arc<Curves>) -> Knowledge {
        Knowledge { curves, scenes: Scenes::default(), maps: VecDeque::new(), surveyed: Mutex::new(None) }
    }

    /// Keeps the light of a frame's parts.
    pub fn keep(&mut self, frame: FrameNumber, map: LightMap) {
        let newest = self.maps.back().map_or(frame, |(newest, _)| *newest);
        if newest.since(frame) > LATEST {
            // It is judged no more, and others still are.
            return;
        }
        self.maps.push_back((frame, map));
        if self.maps.len() > MOST_MAPS {
            self.maps.pop_front();
        }
    }

    /// The light of a frame's parts, of each of its files that is kept.
    pub fn maps_of(&self, frame: FrameNumber) -> impl Iterator<Item = &LightMap> {
        self.maps.iter().filter(move |(of, _)| *of == frame).map(|(_, map)| map)
    }

    /// The lights of the survey that record `record` finished, by the curve of this name; put together when they
    /// are asked for the first time.
    pub(super) fn lights(
        &self,
        record: RecordNumber,
        response: &str,
        put_together: impl FnOnce() -> Option<Lights>,
    ) -> Option<Arc<Lights>> {
        let mut surveyed = self.surveyed.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = surveyed.as_ref().filter(|k| k.record == record && k.response == response) {
            return known.lights.clone();
        }
        let lights = put_together().map(Arc::new);
        *surveyed = Some(SurveyedBy { record, response: response.to_owned(), lights: lights.clone() });
        lights
    }
}
