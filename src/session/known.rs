//! What follows from a set-up as it is known: how far lights were turned, what is asked of them yet.

use super::dials::{Marks, alike};
use super::remembered::OpenCorrection;
use super::setup::Setup;
use crate::drift::Lighting;
use crate::frame::Settings;
use crate::photometry::Stops;
use crate::rig::{GroupName, Position};

impl Setup {
    /// How far a group was turned since the reference; `None` when that isn't known.
    pub fn since_reference(&self, group: &GroupName) -> Option<Stops> {
        Some((self.position(group)?.at - self.mark(group)?).rounded())
    }

    /// How far a group was turned since the last survey; `None` when that isn't known.
    pub fn since_survey(&self, group: &GroupName) -> Option<Stops> {
        let mark = *self.surveyed.as_ref()?.marks.get(group)?;
        Some((self.position(group)?.at - mark).rounded())
    }

    /// The turn that the open correction still asks of a group.
    pub fn asked(&self, group: &GroupName) -> Option<Stops> {
        let open = self.open.as_ref().filter(|open| !open.is_confirmed(group))?;
        open.dial_change_of(group).map(|t| t.change)
    }

    /// How far all groups were turned alike since the reference; `None` when some were turned otherwise, or it isn't known.
    pub fn moved_alike(&self) -> Option<Stops> {
        alike(self.positions.iter().map(|p| self.since_reference(&p.group)))
    }

    /// How far all groups alike were told to have been turned since the last frame.
    pub fn told_alike(&self) -> Option<Stops> {
        alike(self.positions.iter().map(Position::told_turn))
    }

    /// Whether groups are known to have been turned unlike each other since the reference.
    pub fn moved_apart(&self) -> bool {
        self.positions.iter().all(|p| self.since_reference(&p.group).is_some()) && self.moved_alike().is_none()
    }

    /// What [`Setup::moved_alike`] would be if everything that the open correction still asks for was carried out.
    pub fn moved_if_followed(&self) -> Option<Stops> {
        self.open.as_ref()?;
        let turned = |group: &GroupName| self.asked(group).unwrap_or(Stops::ZERO);
        alike(self.positions.iter().map(|p| self.since_reference(&p.group).map(|m| m + turned(&p.group))))
    }

    /// How far a group would stand from where it was at the reference, were it where the open correction asks it to be, whatever was told
    /// of it since.
    pub fn since_reference_if_asked(&self, group: &GroupName) -> Option<Stops> {
        let since = self.since_reference(group)?;
        let asked = self.open.as_ref()?.dial_change_of(group).and_then(|t| t.setting);
        let told_elsewhere = asked.zip(self.position(group)?.power()).map(|(asked, power)| asked - power);
        let left = told_elsewhere.or_else(|| self.asked(group)).unwrap_or(Stops::ZERO);
        Some((since + left).rounded())
    }

    /// What [`Setup::moved_alike`] would be if all groups stood as the open correction asks, where that is not what was told of them.
    pub fn moved_if_told_wrong(&self) -> Option<Stops> {
        self.open.as_ref().filter(|_| self.moved_if_followed().is_none())?;
        alike(self.positions.iter().map(|p| self.since_reference_if_asked(&p.group)))
    }

    /// What was asked for settings that a frame with these was not shot by: it tells nothing of that.
    pub fn asked_for_others(&self, shot: &Settings, lighting: Lighting) -> Option<&OpenCorrection> {
        self.open.as_ref().filter(|open| open.is_for_others(shot, lighting))
    }

    /// As if nothing had been asked; what was told of the lights holds.
    pub(super) fn without_what_is_asked(&self) -> Setup {
        Setup { open: None, ..self.clone() }
    }

    /// Whether a frame of these settings was shot before the last one, by the same camera's clock.
    pub fn is_overtaken(&self, settings: &Settings) -> bool {
        let Some(last) = self.last.as_ref().map(|last| &last.observation.settings) else { return false };
        let times = last.captured.as_ref().zip(settings.captured.as_ref());
        last.camera == settings.camera && times.is_some_and(|(last, this)| last.seconds_since(this) > 0.0)
    }

    /// Where every dial stands, on its own scale.
    pub(super) fn stand(&self) -> Marks {
        self.positions.iter().map(|p| (p.group.clone(), p.at)).collect()
    }
}
