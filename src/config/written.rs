//! The configuration as written: mirrors the file, and is checked into what is meant.

use std::collections::HashSet;
use std::path::PathBuf;

use serde::Deserialize;

use super::Config;
use super::values::{Scalar, densities, list, list_or_one, quantity, seconds, sync_speed, word};
use super::written_group::WrittenGroup;
use super::written_passive::WrittenPassive;
use super::written_spot::{MOST_SPOTS, WrittenSpot, duplicate};
use super::written_stands::{WrittenCamera, notes};
use super::written_target::WrittenTarget;
use super::wrong::Wrong;
use crate::advice::{AtHand, FirstReference, Patience};
use crate::drift::Lighting;
use crate::intake::{Mode, Rules};
use crate::meter::Spot;
use crate::photometry::{IsoSpeed, Series, Stops};
use crate::response::ResponseChoice;
use crate::rig::{LightGroup, LightShare, Passive};

pub(super) const MOST_GROUPS: usize = 16;
pub(super) const MOST_PASSIVE: usize = 16;
const MOST_ENDINGS: usize = 64;

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
    lowest_iso: Option<Scalar>,
    highest_iso: Option<Scalar>,
    /// An empty list says that there are none.
    filters: Option<Vec<Scalar>>,
    #[serde(deserialize_with = "list")]
    gels: Vec<Scalar>,
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
    target: Option<WrittenTarget>,
    #[serde(alias = "sync")]
    sync_speed: Option<Scalar>,
    #[serde(alias = "room_light")]
    ambient_limit: Option<Scalar>,
    colour_limit: Option<Scalar>,
    sharpness: Option<Scalar>,
    #[serde(deserialize_with = "list")]
    spots: Vec<WrittenSpot>,
    #[serde(deserialize_with = "list", alias = "lights")]
    groups: Vec<WrittenGroup>,
    #[serde(deserialize_with = "list")]
    passive: Vec<WrittenPassive>,
    camera: Option<WrittenCamera>,
    #[serde(deserialize_with = "list_or_one")]
    notes: Vec<Scalar>,
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
        let steps = [("thirds", Series::Thirds), ("halves", Series::Halves)];
        let camera_steps = word("camera_steps", self.camera_steps.as_ref(), &steps)?.unwrap_or(usual.camera_steps);
        let target = self.target.as_ref().map(|target| target.checked(camera_steps)).transpose()?;
        let (passive, at_hand) = (self.passive()?, self.at_hand()?);
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
            camera_steps,
            at_hand,
            response_curve: word("response_curve", self.response_curve.as_ref(), &RESPONSES)?
                .unwrap_or(usual.response_curve),
            picture_profile: self.picture_profile.as_ref().map(|l| l.0.clone()),
            curves: self.curves.or(usual.curves),
            mode: word("detect", self.detect.as_ref(), &MODES)?.unwrap_or(usual.mode),
            poll_every: seconds("poll_every", self.poll_every.as_ref(), 0.1..=60.0)?.unwrap_or(usual.poll_every),
            rules,
            judged_spot,
            target,
            sync_speed: match &self.sync_speed {
                Some(text) => sync_speed("sync_speed", text)?,
                None => usual.sync_speed,
            },
            ambient_limit: match &self.ambient_limit {
                Some(share) => {
                    let per_cent = quantity("ambient_limit", &share.0, &["%"], 0.1..=100.0)?;
                    LightShare::new(per_cent / 100.0).unwrap_or(usual.ambient_limit)
                }
                None => usual.ambient_limit,
            },
            colour_limit: match &self.colour_limit {
                Some(limit) => Stops(quantity("colour_limit", &limit.0, &["stop", "stops"], 0.02..=2.0)?),
                None => usual.colour_limit,
            },
            sharpness: word("sharpness", self.sharpness.as_ref(), &YES_OR_NO)?.unwrap_or(usual.sharpness),
            spots,
            groups,
            passive,
            camera: self.camera.as_ref().map(WrittenCamera::checked).transpose()?.unwrap_or_default(),
            typed: usual.typed,
            notes: notes(self.notes.iter().map(|note| note.0.as_str()))?,
            remarks: self.groups.iter().flat_map(WrittenGroup::remarks).collect(),
        })
    }

    fn at_hand(&self) -> Result<AtHand, Wrong> {
        let usual = AtHand::default();
        let iso = |key: &str, text: &Option<Scalar>| match text {
            Some(text) => text.0.parse::<IsoSpeed>().map(Some).map_err(|fault| Wrong::new(key, &text.0, fault)),
            None => Ok(None),
        };
        let at_hand = AtHand {
            lowest_iso: iso("lowest_iso", &self.lowest_iso)?,
            highest_iso: iso("highest_iso", &self.highest_iso)?,
            filters: match &self.filters {
                Some(filters) => densities("filters", filters)?,
                None => usual.filters,
            },
            gels: densities("gels", &self.gels)?,
        };
        match at_hand.iso_upside_down() {
            Some((lowest, highest)) => {
                Err(Wrong::new("highest_iso", highest.marked(), format!("{highest} is below lowest_iso, {lowest}")))
            }
            None => Ok(at_hand),
        }
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

    /// Nothing on the set has the name of another thing.
    fn passive(&self) -> Result<Vec<Passive>, Wrong> {
        if self.passive.len() > MOST_PASSIVE {
            let fault = format!("there are more than {MOST_PASSIVE} passive things: leave some out");
            return Err(Wrong::new("passive", "", fault));
        }
        let mut names: HashSet<String> = self.groups.iter().map(|group| group.name.trim().to_lowercase()).collect();
        let mut passive = Vec::new();
        for (i, written) in self.passive.iter().enumerate() {
            let thing = written.checked().map_err(|wrong| wrong.within("passive", i))?;
            if !names.insert(thing.name.to_lowercase()) {
                return Err(duplicate(&written.name).within("passive", i));
            }
            passive.push(thing);
        }
        Ok(passive)
    }
}

const PATIENCES: [(&str, Patience); 2] = [("next frame", Patience::NextFrame), ("at once", Patience::AtOnce)];
const REFERENCES: [(&str, FirstReference); 2] =
    [("when accepted", FirstReference::WhenAccepted), ("first frame", FirstReference::FirstFrame)];
const LIGHTINGS: [(&str, Lighting); 3] =
    [("flash", Lighting::Flash), ("continuous", Lighting::Continuous), ("either", Lighting::Either)];
const RESPONSES: [(&str, ResponseChoice); 3] =
    [("camera", ResponseChoice::Camera), ("stock-camera", ResponseChoice::Stock), ("srgb", ResponseChoice::Srgb)];
const YES_OR_NO: [(&str, bool); 2] = [("yes", true), ("no", false)];
const MODES: [(&str, Mode); 3] = [("auto", Mode::Auto), ("events", Mode::Events), ("poll", Mode::Poll)];
