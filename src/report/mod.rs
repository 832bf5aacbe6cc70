//! What a sitting came to, looked back on: a pure function of its records.
//!
//! Owns which frames are out of tolerance, the exposure offset that would level each, where every light stood over the frames,
//! what was asked and what became of it, which flashes failed, and which frames a contact sheet shows. How that is written
//! down, as a page, a table or sidecars, is for the commands; where photographs and logs lie is, too.
//!
//! The files use each other one way: `offset` and `mark` (one verdict), `frame`, `lights`, `failures`, `asked`, `happened`, then
//! `gathering`, which folds the records into them; `contact_sheet` chooses among frames.

mod asked;
mod contact_sheet;
mod failures;
mod frame;
mod gathering;
mod happened;
mod lights;
mod mark;
mod offset;

use std::borrow::Borrow;
use std::collections::BTreeMap;

use jiff::Timestamp;

pub use asked::{AskedFor, AskedTurn, TurnEnd};
pub use contact_sheet::{ContactSheet, Shown, Why};
pub use failures::{Failed, Failure, LightTally};
pub use frame::ReportFrame;
pub use happened::{Happened, What};
pub use lights::{Light, PowerStep};
pub use mark::Mark;
pub use offset::{NoOffset, Offset};

use self::gathering::Gathering;
use crate::photometry::{FNumber, SAME_SETTING, Stops};
use crate::rig::LightGroup;
use crate::session::{Record, State};

/// A sitting, looked back on.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Report {
    /// When its first and its last record were written; `None` where there is none.
    pub span: Option<(Timestamp, Timestamp)>,
    /// The tolerance that held at the end.
    pub tolerance: Stops,
    /// All exposures, by their numbers.
    pub frames: Vec<ReportFrame>,
    /// In the configuration's order, as it was at the end.
    pub lights: Vec<Light>,
    /// Turns that were asked for, in order.
    pub asked: Vec<AskedTurn>,
    pub failures: Vec<Failure>,
    /// What else happened, in order.
    pub happened: Vec<Happened>,
    /// How sharp the frames of each look are, aperture by aperture, the widest first.
    pub sharpness: Vec<LookDetail>,
}

/// What the frames of a look keep of its finest detail.
#[derive(Debug, Clone, PartialEq)]
pub struct LookDetail {
    pub look: String,
    /// As `session::which_aperture` says it.
    pub suggestion: Option<String>,
    pub apertures: Vec<ApertureDetail>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct ApertureDetail {
    pub f_number: FNumber,
    /// Frames of the look that were shot at it, measured or not.
    pub frames: u64,
    /// Of each spot the most that a frame kept of the sharpest frame's finest detail: 1 is all.
    pub detail: Vec<(String, f64)>,
}

impl Report {
    /// Folds the records of one sitting, in order.
    pub fn of<R: Borrow<Record>>(records: impl IntoIterator<Item = R>) -> Report {
        let mut gathering = Gathering::default();
        records.into_iter().for_each(|record| gathering.take(record.borrow()));
        gathering.finish()
    }

    /// A fold that is given one record after the other, where they don't fit into memory together, from how things stood before the
    /// first of them.
    pub fn fold<E>(before: State, each: impl FnOnce(&mut dyn FnMut(&Record)) -> Result<(), E>) -> Result<Report, E> {
        let mut gathering = Gathering::from(before);
        each(&mut |record| gathering.take(record))?;
        Ok(gathering.finish())
    }

    /// Powers of which the records have no words are told as these groups' dials show them.
    pub fn show_on_dials_of(&mut self, groups: &[LightGroup]) {
        for light in &mut self.lights {
            let Some(group) = groups.iter().find(|group| group.name == light.group) else { continue };
            for step in light.steps.iter_mut().filter(|step| step.shown.is_none()) {
                step.shown = step.power.map(|power| group.shown(power));
            }
        }
    }

    /// Cameras that took the frames, by name.
    pub fn cameras(&self) -> Vec<&str> {
        let mut names: Vec<&str> = self.frames.iter().filter_map(|f| f.settings.camera.as_deref()).collect();
        names.sort_unstable();
        names.dedup();
        names
    }

    /// Looks that frames were held against, by name.
    pub fn looks(&self) -> Vec<&str> {
        let mut names: Vec<&str> = self.frames.iter().filter_map(|f| f.look.as_deref()).collect();
        names.sort_unstable();
        names.dedup();
        names
    }

    /// How many frames were shot at each aperture, the widest first; frames that don't tell theirs are left out.
    pub fn apertures(&self) -> Vec<(FNumber, usize)> {
        let mut counts: Vec<(FNumber, usize)> = Vec::new();
        for n in self.frames.iter().filter_map(|frame| frame.settings.f_number) {
            match counts.iter_mut().find(|(of, _)| (of.av() - n.av()).abs() < SAME_SETTING) {
                Some((_, count)) => *count += 1,
                None => counts.push((n, 1)),
            }
        }
        counts.sort_by(|(a, _), (b, _)| a.av().0.total_cmp(&b.av().0));
        counts
    }

    /// How many frames have each mark.
    pub fn marks(&self) -> BTreeMap<Mark, usize> {
        let mut counts = BTreeMap::new();
        self.frames.iter().for_each(|frame| *counts.entry(frame.mark()).or_default() += 1);
        counts
    }

    /// What is known of each light's failures.
    pub fn tallies(&self) -> Vec<LightTally> {
        self.lights.iter().map(|light| LightTally::of(light, &self.frames, &self.failures)).collect()
    }
}
