//! Whether the reference itself is what is wanted of it.

use std::path::Path;

use super::Draft;
use crate::advice::Observation;
use crate::container::Kind;
use crate::numbers::FrameNumber;
use crate::session::record::Body;
use crate::session::standing::Standing;

impl Draft<'_> {
    /// Says of a reference by its grey card that it is off target. Told by the picture that the camera rendered: a raw file has
    /// no tones of its own.
    pub(super) fn tell_target(&mut self, file: &str, observation: &Observation) -> Option<String> {
        let target = self.config.target.as_ref()?;
        let picture = observation.reading_of(false)?;
        let response = self.response_for(&observation.settings, picture);
        let text = match self.config.target_without_a_place() {
            Some(why) => format!("whether the reference {file} is on target can't be told: {why}"),
            None => target.told_of(file, picture, &response, self.config.tolerance)?,
        };
        self.stage(Body::Warning { text: text.clone() });
        Some(text)
    }

    /// The same of one whose picture has just landed beside its raw file.
    pub(super) fn tell_target_of_further(&mut self, frame: FrameNumber) {
        let Some(exposure) = self.sitting.exposures.find(frame).cloned() else { return };
        if Kind::of(Path::new(&exposure.file)).is_some_and(Kind::is_raw) {
            self.tell_target(&exposure.file, &exposure.observation);
        }
    }

    /// Frames are held against this one, and not only until the next.
    pub(super) fn is_accepted_reference(&self, frame: FrameNumber) -> bool {
        let setup = &self.sitting.setup;
        setup.standing == Standing::Accepted && setup.reference().is_some_and(|look| look.frame == Some(frame))
    }
}
