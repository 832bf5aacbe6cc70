//! A look out of a set-up sheet, as another sitting takes it up.

use std::collections::BTreeMap;

use super::{LightOnSheet, Sheet};
use crate::advice::Observation;
use crate::photometry::PowerSetting;
use crate::rig::GroupName;

/// What frames will be compared with, and what the lights were set to for it.
#[derive(Debug, Clone)]
pub struct ImportedLook {
    /// Its name in the sitting that takes it up.
    pub look: String,
    /// Where its photograph lies, or would.
    pub file: String,
    pub observation: Observation,
    pub powers: BTreeMap<GroupName, PowerOfDial>,
}

/// A power, and the dial that it was set on, in words.
#[derive(Debug, Clone, PartialEq)]
pub struct PowerOfDial {
    pub power: PowerSetting,
    pub dial: Option<String>,
}

impl ImportedLook {
    /// `file` names its photograph where it is taken up.
    ///
    /// # Errors
    /// The end of a sentence that names the sheet.
    pub fn of(sheet: &Sheet, look: &str, taken_up_as: &str, file: String) -> Result<ImportedLook, String> {
        let found = sheet.look(look).map_err(|why| why.to_string())?;
        let observation = found.observation.as_ref().ok_or("it has no readings of that look's reference")?;
        let dial = |group: &GroupName| {
            let light: Option<&LightOnSheet> = sheet.lights.iter().find(|light| light.group == *group);
            light.and_then(|light| light.dial.clone())
        };
        let power = |on: &super::PowerOnSheet| {
            Some((on.group.clone(), PowerOfDial { power: on.power?, dial: dial(&on.group) }))
        };
        Ok(ImportedLook {
            look: taken_up_as.to_owned(),
            file,
            observation: observation.in_codes(|_| None),
            powers: found.powers.iter().filter_map(power).collect(),
        })
    }
}
