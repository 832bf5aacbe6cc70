//! A light group as the configuration writes it.

use serde::Deserialize;

use super::values::{Scalar, word};
use super::written_spot::checked_name;
use super::wrong::Wrong;
use crate::photometry::{Dial, Scale, Step};
use crate::rig::{LightGroup, Role};

/// No dial has more settings: a thousand tenths of a stop are a hundred stops.
const MOST_POSITIONS: i32 = 1000;
/// No light shows, or has, more at full power.
const MOST_FULL: f64 = 100_000.0;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenGroup {
    pub name: String,
    role: Option<Scalar>,
    #[serde(alias = "count")]
    heads: Option<u32>,
    dial: Option<Scalar>,
    step: Option<Scalar>,
    #[serde(alias = "full")]
    full_power: Option<f64>,
    range: Option<Scalar>,
    power: Option<Scalar>,
}

const ROLES: [(&str, Role); 5] = [
    ("key", Role::Key),
    ("fill", Role::Fill),
    ("rim", Role::Rim),
    ("background", Role::Background),
    ("other", Role::Other),
];

impl WrittenGroup {
    pub fn checked(&self) -> Result<LightGroup, Wrong> {
        let name = checked_name(&self.name)?.into();
        let dial = self.dial()?;
        let power = match (&self.power, &dial) {
            (None, _) => None,
            (Some(text), Some(dial)) => Some(dial.parse(&text.0).map_err(|e| Wrong::new("power", &text.0, e))?),
            (Some(text), None) => {
                return Err(Wrong::new(
                    "power",
                    &text.0,
                    "a power needs its dial: add dial, step and range to the group",
                ));
            }
        };
        let heads = self.heads.unwrap_or(1);
        if !(1..=64).contains(&heads) {
            return Err(Wrong::new("heads", heads, "a group has 1 to 64 lights"));
        }
        let role = word("role", self.role.as_ref(), &ROLES)?.unwrap_or_default();
        Ok(LightGroup { name, role, dial, power, heads })
    }

    fn dial(&self) -> Result<Option<Dial>, Wrong> {
        let Some(dial) = &self.dial else {
            if let Some(stray) = self.range.as_ref().or(self.step.as_ref()) {
                let key = if self.range.is_some() { "range" } else { "step" };
                return Err(Wrong::new(key, &stray.0, "says nothing without dial: fraction, decimal or watt-seconds"));
            }
            return Ok(None);
        };
        let full = |what: &str| {
            let full =
                self.full_power.ok_or_else(|| Wrong::new("dial", &dial.0, format!("needs full_power: {what}")))?;
            if full > 0.0 && full <= MOST_FULL {
                return Ok(full);
            }
            Err(Wrong::new("full_power", full, format!("write {what}; at most {MOST_FULL}")))
        };
        let scale = match dial.0.as_str() {
            "fraction" => Scale::Fraction,
            "decimal" => Scale::Decimal { full: full("the number shown at full power, such as 10.0")? },
            "watt-seconds" => Scale::WattSeconds { full: full("the watt-seconds at full power, such as 500")? },
            other => {
                let fault = format!("'{other}' is no kind of dial: write fraction, decimal or watt-seconds");
                return Err(Wrong::new("dial", other, fault));
            }
        };
        let step = match &self.step {
            Some(text) => text.0.parse().map_err(|e| Wrong::new("step", &text.0, e))?,
            None => Step::Third,
        };
        let range = self.range.as_ref().ok_or_else(|| {
            Wrong::new("dial", &dial.0, "needs range: the weakest and the strongest setting, such as 1/128 to 1/1")
        })?;
        let (least, most) = range.0.split_once(" to ").ok_or_else(|| {
            Wrong::new("range", &range.0, "write the weakest and the strongest setting, such as 1/128 to 1/1")
        })?;
        let dial = Dial::new(scale, step, least, most).map_err(|e| Wrong::new("range", &range.0, e))?;
        if dial.clicks(dial.most() - dial.least()) > MOST_POSITIONS {
            let fault =
                format!("that are more than {MOST_POSITIONS} positions: write what the light's dial really has");
            return Err(Wrong::new("range", &range.0, fault));
        }
        Ok(Some(dial))
    }
}
