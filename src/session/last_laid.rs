//! The last frame over what it was measured by, for screens: worked out of the state, and never logged.

use std::sync::Arc;

use super::curve::response_for;
use super::knowledge::Knowledge;
use super::sitting::Sitting;
use crate::advice::Framing;
use crate::align::Overlay;
use crate::config::Config;
use crate::numbers::FrameNumber;
use crate::response::Response;

/// See the module.
#[derive(Debug, Clone)]
pub struct LastLaid {
    pub frame: FrameNumber,
    pub overlay: Arc<Overlay>,
    /// The curve that its light is read by.
    pub response: Response,
    /// The matching frame that stood in the reference's place.
    pub anchor: Option<FrameNumber>,
}

impl LastLaid {
    /// As its verdict had it: nothing is laid over anything for this. `None` where it isn't at hand, as after a restart.
    pub(super) fn of(sitting: &Sitting, config: &Config, knowledge: &Knowledge) -> Option<LastLaid> {
        let (last, look) = (sitting.setup.last.as_ref()?, sitting.setup.reference()?);
        let anchor = match last.verdict.framing.as_ref()? {
            Framing::Matched { anchor: Some(anchor), .. } => Some(look.anchors.iter().find(|a| a.frame == *anchor)?),
            _ => None,
        };
        let both = |raw: bool| look.observation.reading_of(raw).zip(last.observation.reading_of(raw));
        let (reference, metered) = [true, false].into_iter().find_map(both)?;
        let frame = metered.picture?;
        // Of an anchor's files it is the one of the frame's kind: no other was laid under it.
        let overs = anchor.map_or_else(|| reference.picture.into_iter().collect(), |anchor| anchor.pictures.clone());
        let overlay = overs.into_iter().find_map(|over| knowledge.scenes.known_overlay(over, frame))?;
        Some(LastLaid {
            frame: last.frame,
            overlay,
            response: response_for(&last.observation.settings, metered, config, &knowledge.curves, sitting),
            anchor: anchor.map(|anchor| anchor.frame),
        })
    }
}
