//! Whether the reference itself is what is wanted of it.

use std::path::Path;

use super::Draft;
use crate::advice::{GreyCard, Observation, Target};
use crate::container::Kind;
use crate::meter::Area;
use crate::numbers::FrameNumber;
use crate::session::record::Body;
use crate::session::standing::Standing;

impl Draft<'_> {
    /// Says of a reference that it is off target.
    pub(super) fn tell_target(&mut self, file: &str, observation: &Observation) -> Option<String> {
        let text = match self.config.target.as_ref()? {
            Target::Card(card) => self.told_of_card(card, file, observation)?,
            Target::Meter(meter) => {
                meter.told_of(file, &observation.settings, self.config.lighting, self.config.tolerance)?
            }
        };
        self.stage(Body::Warning { text: text.clone() });
        Some(text)
    }

    /// The same of the one that stands, where something else is wanted of it from now on. A card whose spot wasn't read yet is waited for.
    pub(super) fn tell_target_of_standing(&mut self) {
        let setup = &self.sitting.setup;
        let Some(look) = setup.reference().filter(|_| setup.standing == Standing::Accepted) else { return };
        let (file, observation) = (look.file.clone(), look.observation.clone());
        let is_by_card = matches!(self.config.target, Some(Target::Card(_)));
        if !is_by_card || self.card_in_standing().is_some() || self.config.target_without_a_place().is_some() {
            self.tell_target(&file, &observation);
        }
    }

    /// Where the card that is the target lies in the reference's picture, as it was read last.
    pub(super) fn card_in_standing(&self) -> Option<Area> {
        let Some(Target::Card(GreyCard { spot, .. })) = &self.config.target else { return None };
        let picture = self.sitting.setup.reference()?.observation.reading_of(false)?;
        picture.reading(spot).map(|reading| reading.area)
    }

    /// By the picture that the camera rendered: a raw file has no tones of its own.
    fn told_of_card(&self, card: &GreyCard, file: &str, observation: &Observation) -> Option<String> {
        let picture = observation.reading_of(false)?;
        match self.config.target_without_a_place() {
            Some(why) => Some(format!("whether the reference {file} is on target can't be told: {why}")),
            None => {
                let response = self.response_for(&observation.settings, picture);
                card.told_of(file, picture, &response, self.config.tolerance)
            }
        }
    }

    /// The same of one whose picture has just landed beside its raw file.
    pub(super) fn tell_target_of_further(&mut self, frame: FrameNumber) {
        let Some(exposure) = self.sitting.exposures.find(frame).cloned() else { return };
        let by_picture = matches!(self.config.target, Some(Target::Card(_)));
        if by_picture && Kind::of(Path::new(&exposure.file)).is_some_and(Kind::is_raw) {
            self.tell_target(&exposure.file, &exposure.observation);
        }
    }

    /// Frames are held against this one, and not only until the next.
    pub(super) fn is_accepted_reference(&self, frame: FrameNumber) -> bool {
        let setup = &self.sitting.setup;
        setup.standing == Standing::Accepted && setup.reference().is_some_and(|look| look.frame == Some(frame))
    }
}
