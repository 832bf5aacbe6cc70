//! What a reading's codes are by: light itself, or which of a camera's ways to render it.

use super::reading::{FrameReadings, Scale};
use crate::frame::{EMBEDDED, HeifRange};

impl FrameReadings {
    /// Whether this is the linear light of a raw file.
    pub fn is_raw(&self) -> bool {
        self.scale == Scale::Linear
    }

    /// Whether this is of the picture embedded in a raw file.
    pub fn is_embedded(&self) -> bool {
        self.scale == Scale::Embedded
    }

    /// Whether this is of a picture that stands for the light of its raw file, which can't be read.
    pub fn stands_in(&self) -> bool {
        self.colour == EMBEDDED
    }

    /// Whether one curve can read both. A JPEG, a HEIF picture and one that a raw file holds are rendered each otherwise.
    pub fn shares_curve_with(&self, other: &FrameReadings) -> bool {
        let rendering = |of: &FrameReadings| (of.is_embedded(), of.stands_in(), HeifRange::of(&of.colour));
        rendering(self) == rendering(other)
    }
}
