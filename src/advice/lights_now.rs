//! Where all lights stand now, and what they must be set to for settings that are not shot yet.

use std::collections::BTreeMap;

use super::alternatives::AtHand;
use super::correction::{Correction, correct, correct_each, power_of};
use crate::drift::{Lighting, expected};
use crate::frame::Settings;
use crate::photometry::{PowerSetting, Stops};
use crate::rig::{GroupName, LightGroup, Position};

/// The lights, and the settings that they were right for.
#[derive(Debug, Clone)]
pub struct LightsNow<'a> {
    pub groups: &'a [LightGroup],
    /// A group that has none here stands as it is configured.
    pub positions: &'a [Position],
    pub from: &'a Settings,
    /// How far they were turned since they were right for these.
    pub moved: Moved,
    pub lighting: Lighting,
}

/// How far lights were turned.
#[derive(Debug, Clone, PartialEq)]
pub enum Moved {
    Alike(Stops),
    Each(BTreeMap<GroupName, Stops>),
}

impl LightsNow<'_> {
    /// What each light must be set to for other settings. `None` where nothing can be worked out from the settings.
    pub fn powers_with(&self, to: &Settings, at_hand: &AtHand) -> Option<Correction> {
        let change = expected(self.from, to, self.lighting)?;
        Some(match &self.moved {
            Moved::Alike(moved) => correct(self.groups, self.positions, -(change + *moved), to, at_hand),
            Moved::Each(moved) => {
                let wanted = moved.iter().map(|(group, moved)| (group.clone(), -(change + *moved))).collect();
                correct_each(self.groups, self.positions, &wanted, to, at_hand)
            }
        })
    }

    /// The same, for who looks for other ways elsewhere.
    pub fn powers_for(&self, to: &Settings) -> Option<Correction> {
        self.powers_with(to, &AtHand::default())
    }

    pub fn group(&self, name: &GroupName) -> Option<&LightGroup> {
        self.groups.iter().find(|group| group.name == *name)
    }

    pub fn power_of(&self, group: &LightGroup) -> Option<PowerSetting> {
        power_of(group, self.positions)
    }
}
