//! The configuration as written: mirrors the file, and is checked into what is meant.

use std::collections::HashSet;
use std::fmt;
use std::path::PathBuf;
use std::time::Duration;

use serde::Deserialize;

use super::Config;
use super::wrong::Wrong;
use crate::advice::{FirstReference, Patience};
use crate::drift::Lighting;
use crate::intake::{Mode, Rules};
use crate::meter::{Area, CENTRE, GREY, Place, Spot, WHOLE};
use crate::photometry::{Dial, Scale, Series, Step, Stops};
use crate::response::ResponseChoice;
use crate::rig::{LightGroup, Role};

/// More of them are a mistake, or somebody's malice.
pub(super) const MOST_SPOTS: usize = 40;
const MOST_GROUPS: usize = 16;
const MOST_ENDINGS: usize = 64;
/// No dial has more settings: a thousand tenths of a stop are a hundred stops.
const MOST_POSITIONS: i32 = 1000;
/// No light shows, or has, more at full power.
const MOST_FULL: f64 = 100_000.0;

/// Text, or a number that was meant as text; as it is written.
#[derive(Debug, Clone)]
struct Scalar(String);

impl<'de> Deserialize<'de> for Scalar {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Scalar, D::Error> {
        struct AsWritten;
        impl serde::de::Visitor<'_> for AsWritten {
            type Value = Scalar;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a word, or a number with its unit")
            }

            fn visit_str<E>(self, text: &str) -> Result<Scalar, E> {
                Ok(Scalar(text.trim().to_owned()))
            }
        }
        deserializer.deserialize_str(AsWritten)
    }
}

/// A list; a key whose entries are all commented out is an empty one.
fn list<'de, D: serde::Deserializer<'de>, T: Deserialize<'de>>(deserializer: D) -> Result<Vec<T>, D::Error> {
    Option::deserialize(deserializer).map(Option::unwrap_or_default)
}

/// The second names are those of earlier days: a configuration that has them still holds.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Written {
    folder: Option<PathBuf>,
    log: Option<PathBuf>,
    socket: Option<PathBuf>,
    tolerance: Option<Scalar>,
    patience: Option<Scalar>,
    reference: Option<Scalar>,
    lighting: Option<Scalar>,
    #[serde(alias = "recycle")]
    recycle_time: Option<Scalar>,
    #[serde(alias = "marks")]
    camera_steps: Option<Scalar>,
    #[serde(alias = "response")]
    response_curve: Option<Scalar>,
    #[serde(alias = "picture_look")]
    picture_profile: Option<Scalar>,
    curves: Option<PathBuf>,
    #[serde(alias = "watch")]
    detect: Option<Scalar>,
    poll_every: Option<Scalar>,
    #[serde(deserialize_with = "list", alias = "ignore")]
    ignore_suffixes: Vec<String>,
    #[serde(alias = "judge_by")]
    judged_spot: Option<Scalar>,
    #[serde(alias = "sync")]
    sync_speed: Option<Scalar>,
    #[serde(alias = "room_light")]
    ambient_limit: Option<Scalar>,
    colour_limit: Option<Scalar>,
    #[serde(deserialize_with = "list")]
    spots: Vec<WrittenSpot>,
    #[serde(deserialize_with = "list", alias = "lights")]
    groups: Vec<WrittenGroup>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenSpot {
    name: String,
    left: f64,
    top: f64,
    right: f64,
    bottom: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenGroup {
    name: String,
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

impl Written {
    pub fn checked(self) -> Result<Config, Wrong> {
        let usual = Config::default();
        let (spots, rules) = (self.spots()?, self.rules()?);
        let judged_spot = self.judged_spot.as_ref().map_or(usual.judged_spot, |s| s.0.clone());
        if !spots.iter().any(|s| s.name == judged_spot) {
            let names: Vec<&str> = spots.iter().map(|s| s.name.as_str()).collect();
            return Err(Wrong::new(
                "judged_spot",
                &judged_spot,
                format!("no spot has the name '{judged_spot}': write one of {}", names.join(", ")),
            ));
        }
        let groups = if self.groups.is_empty() { usual.groups } else { self.groups()? };
        Ok(Config {
            folder: self.folder,
            log: self.log,
            socket: self.socket,
            tolerance: match &self.tolerance {
                Some(t) => Stops(quantity("tolerance", &t.0, &["stop", "stops"], 0.02..=2.0)?),
                None => usual.tolerance,
            },
            patience: word("patience", self.patience.as_ref(), &PATIENCES)?.unwrap_or_default(),
            reference: word("reference", self.reference.as_ref(), &REFERENCES)?.unwrap_or_default(),
            lighting: word("lighting", self.lighting.as_ref(), &LIGHTINGS)?.unwrap_or(usual.lighting),
            recycle_time: seconds("recycle_time", self.recycle_time.as_ref(), 0.0..=60.0)?
                .unwrap_or(usual.recycle_time),
            camera_steps: word(
                "camera_steps",
                self.camera_steps.as_ref(),
                &[("thirds", Series::Thirds), ("halves", Series::Halves)],
            )?
            .unwrap_or(usual.camera_steps),
            response_curve: word("response_curve", self.response_curve.as_ref(), &RESPONSES)?
                .unwrap_or(usual.response_curve),
            picture_profile: self.picture_profile.as_ref().map(|l| l.0.clone()),
            curves: self.curves.or(usual.curves),
            mode: word("detect", self.detect.as_ref(), &MODES)?.unwrap_or(usual.mode),
            poll_every: seconds("poll_every", self.poll_every.as_ref(), 0.1..=60.0)?.unwrap_or(usual.poll_every),
            rules,
            judged_spot,
            sync_speed: match &self.sync_speed {
                Some(text) => text.0.parse().map_err(|e| Wrong::new("sync_speed", &text.0, e))?,
                None => usual.sync_speed,
            },
            ambient_limit: match &self.ambient_limit {
                Some(share) => quantity("ambient_limit", &share.0, &["%"], 0.1..=100.0)? / 100.0,
                None => usual.ambient_limit,
            },
            colour_limit: match &self.colour_limit {
                Some(limit) => Stops(quantity("colour_limit", &limit.0, &["stop", "stops"], 0.02..=2.0)?),
                None => usual.colour_limit,
            },
            spots,
            groups,
        })
    }

    fn rules(&self) -> Result<Rules, Wrong> {
        let wrong = |value: &str, fault: String| Err(Wrong::new("ignore_suffixes", value, fault));
        if self.ignore_suffixes.len() > MOST_ENDINGS {
            return wrong("", format!("there are more than {MOST_ENDINGS} endings: leave some out"));
        }
        for ending in &self.ignore_suffixes {
            if ending.trim().is_empty() {
                return wrong(ending, "an empty ending would ignore every file: write one such as .tmp".to_owned());
            }
        }
        Ok(Rules { ignored_endings: self.ignore_suffixes.iter().map(|e| e.trim().to_lowercase()).collect() })
    }

    fn spots(&self) -> Result<Vec<Spot>, Wrong> {
        if self.spots.len() > MOST_SPOTS {
            return Err(Wrong::new("spots", "", format!("there are more than {MOST_SPOTS} spots: leave some out")));
        }
        let mut spots = Spot::ready();
        for (i, written) in self.spots.iter().enumerate() {
            written.placed(&mut spots).map_err(|wrong| wrong.within("spots", i))?;
        }
        Ok(spots)
    }

    fn groups(&self) -> Result<Vec<LightGroup>, Wrong> {
        if self.groups.len() > MOST_GROUPS {
            let fault = format!("there are more than {MOST_GROUPS} groups: put lights that move together into one");
            return Err(Wrong::new("groups", "", fault));
        }
        let mut names = HashSet::new();
        let mut groups = Vec::new();
        for (i, written) in self.groups.iter().enumerate() {
            let group = written.checked().map_err(|wrong| wrong.within("groups", i))?;
            if !names.insert(group.name.as_str().to_lowercase()) {
                return Err(duplicate(&written.name).within("groups", i));
            }
            groups.push(group);
        }
        Ok(groups)
    }
}

impl WrittenSpot {
    /// Puts the spot among those that there are.
    fn placed(&self, spots: &mut Vec<Spot>) -> Result<(), Wrong> {
        let WrittenSpot { name, left, top, right, bottom } = self;
        let area = Area::new(*left, *top, *right, *bottom).ok_or_else(|| {
            let fault = "left, top, right and bottom are fractions of the upright frame, 0 to 1, left before right \
                         and top before bottom";
            Wrong::new("name", name, format!("spot '{name}': {fault}"))
        })?;
        let spot = Spot::even(checked_name(name)?, area);
        match spots.iter_mut().find(|s| s.name == spot.name) {
            // A grey patch placed by hand stands in for the one that is looked for.
            Some(ready) if spot.name == GREY && ready.place == Place::FoundGrey => *ready = spot,
            Some(_) if spot.name == WHOLE || spot.name == CENTRE => {
                let fault = format!("the spot '{name}' is there already: choose another name");
                return Err(Wrong::new("name", name, fault));
            }
            Some(_) => return Err(duplicate(name)),
            None => spots.push(spot),
        }
        Ok(())
    }
}

fn duplicate(name: &str) -> Wrong {
    Wrong::new("name", name, format!("the name '{name}' is there twice: give each its own"))
}

pub(super) fn checked_name(name: &str) -> Result<&str, Wrong> {
    let trimmed = name.trim();
    let fine = !trimmed.is_empty() && trimmed.chars().count() <= 40 && !trimmed.chars().any(char::is_control);
    if fine { Ok(trimmed) } else { Err(Wrong::new("name", name, "a name has 1 to 40 printable characters")) }
}

const PATIENCES: [(&str, Patience); 2] = [("next frame", Patience::NextFrame), ("at once", Patience::AtOnce)];
const REFERENCES: [(&str, FirstReference); 2] =
    [("when accepted", FirstReference::WhenAccepted), ("first frame", FirstReference::FirstFrame)];
const LIGHTINGS: [(&str, Lighting); 3] =
    [("flash", Lighting::Flash), ("continuous", Lighting::Continuous), ("either", Lighting::Either)];
const RESPONSES: [(&str, ResponseChoice); 3] =
    [("camera", ResponseChoice::Camera), ("stock-camera", ResponseChoice::Stock), ("srgb", ResponseChoice::Srgb)];
const MODES: [(&str, Mode); 3] = [("auto", Mode::Auto), ("events", Mode::Events), ("poll", Mode::Poll)];
const ROLES: [(&str, Role); 5] = [
    ("key", Role::Key),
    ("fill", Role::Fill),
    ("rim", Role::Rim),
    ("background", Role::Background),
    ("other", Role::Other),
];

impl WrittenGroup {
    fn checked(&self) -> Result<LightGroup, Wrong> {
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

/// One of a few words.
fn word<T: Copy>(key: &str, text: Option<&Scalar>, words: &[(&str, T)]) -> Result<Option<T>, Wrong> {
    let Some(text) = text else {
        return Ok(None);
    };
    let found = words.iter().find(|(word, _)| *word == text.0).map(|(_, value)| *value);
    found.map(Some).ok_or_else(|| {
        let right: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        Wrong::new(key, &text.0, format!("'{}' is not known here: write {}", text.0, right.join(" or ")))
    })
}

/// A number with its unit, in a range.
fn quantity(key: &str, text: &str, units: &[&str], range: std::ops::RangeInclusive<f64>) -> Result<f64, Wrong> {
    let digits = text.trim_end_matches(|c: char| c.is_alphabetic() || c == '%');
    let unit = text[digits.len()..].trim();
    let right = format!(
        "write a number from {} to {} with its unit, such as {} {}",
        range.start(),
        range.end(),
        range.start().max(0.2),
        units[0]
    );
    match digits.trim().parse::<f64>() {
        Ok(_) if !units.contains(&unit) => {
            let said = if unit.is_empty() { "no unit".to_owned() } else { format!("the unit '{unit}'") };
            Err(Wrong::new(key, text, format!("'{text}' has {said}: {right}")))
        }
        Ok(number) if range.contains(&number) => Ok(number),
        _ => Err(Wrong::new(key, text, format!("'{text}' can't be used: {right}"))),
    }
}

fn seconds(key: &str, text: Option<&Scalar>, range: std::ops::RangeInclusive<f64>) -> Result<Option<Duration>, Wrong> {
    text.map(|t| quantity(key, &t.0, &["s", "seconds"], range).map(Duration::from_secs_f64)).transpose()
}
