//! One change of a group's dial: from where, to where, by how many clicks, and what is left over.

use serde::{Deserialize, Serialize};

use super::group::LightGroup;
use super::group_name::GroupName;
use crate::photometry::{DialLimit, PowerSetting, Stops};
use crate::wording::counted;

/// What to do at one group of lights.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DialChange {
    pub group: GroupName,
    /// The present and the new setting as the lights show them; absent when unknown.
    pub from: Option<String>,
    pub to: Option<String>,
    /// The new setting, for those who compute with it.
    pub setting: Option<PowerSetting>,
    /// The change of light that this makes; brighter is positive.
    #[serde(alias = "by")]
    pub change: Stops,
    /// Clicks of the dial; up is positive.
    pub clicks: i32,
    /// Wanted minus reached, by rounding or by the end of the range.
    #[serde(alias = "left_over")]
    pub remainder: Stops,
    #[serde(alias = "reach")]
    pub limit: DialLimit,
}

impl DialChange {
    /// The nearest change to `wanted` that this group's lights can make from a power; `None`: nobody has told it.
    pub fn towards(group: &LightGroup, from: Option<PowerSetting>, wanted: Stops) -> DialChange {
        let step = group.step();
        let Some((power, dial)) = from.zip(group.dial) else {
            let change = wanted.to_nearest(step.stops());
            return DialChange {
                group: group.name.clone(),
                from: from.map(|p| group.shown(p)),
                to: from.map(|p| group.shown(p + change)),
                setting: from.map(|p| p + change),
                change,
                clicks: (change.0 * step.per_stop()).round() as i32,
                remainder: wanted - change,
                limit: DialLimit::Within,
            };
        };
        let placed = dial.place(power + wanted);
        let change = placed.setting - power;
        DialChange {
            group: group.name.clone(),
            from: Some(dial.print(power)),
            to: Some(dial.print(placed.setting)),
            setting: Some(placed.setting),
            change,
            clicks: dial.clicks(change),
            remainder: placed.remainder,
            limit: placed.limit,
        }
    }

    /// What to do, for a person at the stand.
    pub fn in_words(&self) -> String {
        let clicks = counted(self.clicks.unsigned_abs() as usize, "click");
        let way = if self.clicks > 0 { "up" } else { "down" };
        let size = self.change.size_in_words();
        match (&self.from, &self.to, self.clicks) {
            (_, Some(to), 0) => format!("leave {} at {to}", self.group),
            (_, None, 0) => format!("leave {} as it is", self.group),
            (Some(from), Some(to), _) => {
                format!("turn {} {way} to {to}  (from {from}: {size}, {clicks})", self.group)
            }
            _ => format!("turn {} {way} by {size}", self.group),
        }
    }
}
