//! Light groups: lights that are turned together.

use serde::{Deserialize, Serialize};

use super::group_name::GroupName;
use super::light_facts::LightFacts;
use crate::photometry::{Dial, DialError, PowerSetting, Scale, Step};

/// Range of a dial nobody has described: wide enough for any light.
const UNKNOWN_LEAST: &str = "1/2048";
const UNKNOWN_MOST: &str = "1/1";

/// What a group does for the picture, in the order in which ratios are told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    Key,
    Fill,
    Rim,
    Background,
    #[default]
    Other,
}

/// A group as the configuration describes it.
#[derive(Debug, Clone, PartialEq)]
pub struct LightGroup {
    pub name: GroupName,
    pub role: Role,
    /// `None` when nothing is known of its lights: then only stops and thirds can be said.
    pub dial: Option<Dial>,
    /// What it is set to according to the configuration.
    pub power: Option<PowerSetting>,
    /// Lights in the group, all set alike.
    pub heads: u32,
    pub facts: LightFacts,
}

impl LightGroup {
    /// The one group of a sitting without configuration.
    pub fn all_lights() -> LightGroup {
        LightGroup {
            name: "all lights".into(),
            role: Role::Other,
            dial: None,
            power: None,
            heads: 1,
            facts: LightFacts::default(),
        }
    }

    /// The step its lights move by; thirds when unknown.
    pub fn step(&self) -> Step {
        self.dial.map_or(Step::Third, |d| d.step())
    }

    /// Its dial; fractions in thirds when that is unknown.
    fn dial_or_thirds(&self) -> Result<Dial, DialError> {
        self.dial.map_or_else(|| Dial::new(Scale::Fraction, Step::Third, UNKNOWN_LEAST, UNKNOWN_MOST), Ok)
    }

    /// A setting as its lights show it; fractions in thirds when the dial is unknown.
    pub fn shown(&self, power: PowerSetting) -> String {
        self.dial_or_thirds().map_or_else(|_| power.below_full().to_string(), |dial| dial.print(power))
    }

    /// Everything its lights can be set to, weakest first, as they show it.
    pub fn positions(&self) -> Vec<String> {
        self.dial_or_thirds().map_or_else(|_| Vec::new(), |dial| dial.settings().map(|s| dial.print(s)).collect())
    }

    /// A setting's writing stands for a place between two clicks of its dial.
    pub fn is_between_clicks(&self, text: &str) -> bool {
        self.dial_or_thirds().is_ok_and(|dial| dial.is_between_clicks(text))
    }

    /// Reads a setting as its lights show it; fractions in thirds when the dial is unknown.
    pub fn read(&self, text: &str) -> Result<PowerSetting, DialError> {
        self.dial_or_thirds()?.parse(text)
    }
}
