//! What the single lights did in a frame, as the light survey tells it.
//!
//! Owns each group's part in a frame, and the questions that a verdict puts to all of them. Which of the answers counts first
//! is said in `judge`, and the words are `sentence`'s.

use serde::{Deserialize, Serialize};

use crate::drift::place_of;
use crate::photometry::{SAME_SETTING, Stops};
use crate::rig::GroupName;
use crate::rig::solve::{Reading, SourceChange, SourcePrior, Sources};

/// What a frame tells of one group, or of groups that no picture can tell apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GroupReading {
    pub groups: Vec<GroupName>,
    /// How its light changed, against where it was known to be.
    #[serde(alias = "did")]
    pub change: SourceChange,
    /// How far its light is from what the reference's look needs at these settings; brighter is positive.
    #[serde(alias = "off")]
    pub deviation: Option<Stops>,
    /// Somebody was asked to turn it by this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asked: Option<Stops>,
    /// Somebody told, since the last frame, that it was turned by this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub told: Option<Stops>,
}

impl GroupReading {
    pub(super) fn name(&self) -> String {
        self.groups.join(" with ")
    }

    /// It is off because it was turned, and nobody asked for that.
    fn turned_by_itself(&self, tolerance: Stops) -> bool {
        let turned = matches!(self.change, SourceChange::Changed { change, .. } if change.abs() > ALIKE);
        turned && self.asked.is_none() && self.settled().is_some_and(|o| o.abs() > tolerance)
    }

    /// What is settled of its light: how far off it is.
    pub(super) fn settled(&self) -> Option<Stops> {
        matches!(self.change, SourceChange::Changed { .. }).then_some(self.deviation).flatten()
    }
}

/// What was read of all lights in one frame, ready for a verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct LightEvidence {
    pub groups: Vec<GroupReading>,
    /// Groups that the survey left out: nothing can be told of them one by one.
    pub not_surveyed: Vec<GroupName>,
    /// What ambient light did.
    pub ambient: SourceChange,
    /// Share that it should have of the whole frame, and the share that it may have.
    pub ambient_share: f64,
    pub ambient_limit: f64,
    /// What the whole frame tells besides.
    pub unexplained: Unexplained,
    /// A flash may still have been charging.
    pub soon: bool,
    /// What the likeliest story of the lights leaves over.
    pub left_over: Option<Stops>,
}

/// What is known of the groups before their frame is looked at, per source of flash.
pub struct GroupPrior<'a> {
    pub names: &'a [Vec<GroupName>],
    /// How far each is from what the reference's look needs; `None` when that isn't known.
    pub deviation: &'a [Option<Stops>],
    /// What was asked of each, and what somebody said was done.
    pub priors: &'a [SourcePrior],
    /// Groups that the survey left out.
    pub not_surveyed: &'a [GroupName],
}

/// What changed in a frame and no light explains.
#[derive(Debug, Clone, PartialEq)]
pub enum Unexplained {
    Nothing,
    /// A part of the frame, in words, is off by this in a way that no light explains.
    Modifier {
        part: String,
        change: Stops,
        /// A group whose change may look the same.
        or: Option<(String, Stops)>,
    },
    Band {
        share: f64,
    },
}

/// Groups whose light differs by less than this moved alike.
pub(super) const ALIKE: Stops = Stops(0.15);
/// Ambient light rose by at least this.
pub(super) const RISEN: Stops = Stops(0.5);
/// A flash that has not recycled loses at least this.
const WEAK: Stops = Stops(-0.2);

impl LightEvidence {
    /// Puts a reading together. `cells` is the grid that it was made on, `ambient_share` what is known of ambient light,
    /// `ambient_limit` what it may be.
    pub fn of(
        Reading { sources, left_over }: &Reading,
        before: &GroupPrior,
        cells: (usize, usize),
        (ambient_share, ambient_limit): (f64, f64),
        soon: bool,
    ) -> LightEvidence {
        let GroupPrior { names, deviation: known, priors, not_surveyed } = before;
        let changes = match sources {
            Sources::Changes(changes) => changes.clone(),
            _ => vec![SourceChange::NotSettled; names.len() + 1],
        };
        let group = |(s, groups): (usize, &Vec<GroupName>)| {
            let change = if known[s].is_some() { changes[s] } else { SourceChange::NotSettled };
            let deviation = match change {
                SourceChange::Changed { change, .. } => known[s].map(|k| k + change),
                _ => None,
            };
            GroupReading {
                groups: groups.clone(),
                change,
                deviation,
                asked: priors[s].asked.filter(|a| a.abs() > SAME_SETTING),
                told: priors[s].told,
            }
        };
        let unexplained = match sources {
            Sources::Residue { cells: patch, change, or } => Unexplained::Modifier {
                part: place_of(patch, cells),
                change: *change,
                or: or.and_then(|(source, change)| Some((names.get(source)?.join(" with "), change))),
            },
            Sources::Band { share } => Unexplained::Band { share: *share },
            Sources::Changes(_) | Sources::Unreadable => Unexplained::Nothing,
        };
        let ambient = changes.get(names.len()).copied().unwrap_or(SourceChange::NotSettled);
        let groups = names.iter().enumerate().map(group).collect();
        LightEvidence {
            groups,
            not_surveyed: not_surveyed.to_vec(),
            ambient,
            ambient_share,
            ambient_limit,
            unexplained,
            soon,
            left_over: *left_over,
        }
    }

    // --- questions of a verdict ---

    /// The shutter cut the flash off.
    pub(super) fn show_a_sync_band(&self) -> bool {
        matches!(self.unexplained, Unexplained::Band { .. })
    }

    /// Something changed that no light does.
    pub(super) fn show_a_moved_modifier(&self) -> bool {
        matches!(self.unexplained, Unexplained::Modifier { .. })
    }

    /// A group is out.
    pub(super) fn show_a_group_out(&self) -> bool {
        self.groups.iter().any(|g| g.change == SourceChange::NotFired)
    }

    /// One group alone fired weakly right after a frame.
    pub(super) fn show_a_weak_group(&self) -> bool {
        self.weak().count() == 1
    }

    /// Some groups changed unlike the others, or by themselves. `drift` is the whole frame's.
    pub(super) fn show_a_changed_group(&self, tolerance: Stops, drift: Option<Stops>) -> bool {
        let deviation: Vec<Stops> = self.groups.iter().filter_map(GroupReading::settled).collect();
        let (low, high) = deviation.iter().fold((f64::MAX, f64::MIN), |(l, h), o| (l.min(o.0), h.max(o.0)));
        let apart = deviation.len() > 1 && high - low > ALIKE.0 && low.abs().max(high.abs()) > tolerance.0;
        let turned = self.groups.iter().any(|g| g.turned_by_itself(tolerance));
        apart || (turned && !self.all_settled() && !moved_with_the_frame(&self.groups, drift))
    }

    /// Ambient light rose by so much that it matters.
    pub(super) fn show_more_ambient(&self) -> bool {
        matches!(self.ambient, SourceChange::Changed { change, .. }
            if change >= RISEN && self.ambient_share * change.ratio() > self.ambient_limit)
    }

    /// Groups that fired weakly right after a frame, and were not asked to.
    pub(super) fn weak(&self) -> impl Iterator<Item = &GroupReading> {
        let fell = |g: &&GroupReading| {
            matches!(g.change, SourceChange::Changed { change, .. } if change < WEAK) && g.asked.is_none()
        };
        self.groups.iter().filter(move |g| self.soon && fell(g))
    }

    /// Every group is settled. Of one that was left out of the survey nothing ever is.
    pub fn all_settled(&self) -> bool {
        self.not_surveyed.is_empty() && self.groups.iter().all(|g| g.settled().is_some())
    }

    /// Flash did light the frame: a group is known to have fired, or a part of it shows flash.
    pub fn some_fired(&self) -> bool {
        matches!(self.unexplained, Unexplained::Band { .. })
            || self.groups.iter().any(|g| matches!(g.change, SourceChange::Changed { .. }))
    }

    /// Every flash is settled and as it should be: what makes the frame brighter is ambient light.
    pub fn flashes_are_right(&self, tolerance: Stops) -> bool {
        self.all_settled() && self.settled_are_right(tolerance)
    }

    /// Some flashes are settled, and all of those are as they should be.
    pub fn settled_are_right(&self, tolerance: Stops) -> bool {
        let mut settled = self.groups.iter().filter_map(GroupReading::settled).peekable();
        settled.peek().is_some() && settled.all(|deviation| deviation.abs() <= tolerance)
    }

    /// Surveyed groups of which this frame tells nothing.
    pub fn not_settled(&self) -> Vec<String> {
        self.groups.iter().filter(|g| g.change == SourceChange::NotSettled).map(GroupReading::name).collect()
    }
}

/// Some groups are settled, and all of these are off as the frame as a whole is: then those that aren't settled are
/// taken to be, too.
pub fn moved_with_the_frame(groups: &[GroupReading], drift: Option<Stops>) -> bool {
    let mut settled = groups.iter().filter_map(GroupReading::settled).peekable();
    settled.peek().is_some() && drift.is_some_and(|drift| settled.all(|deviation| (deviation - drift).abs() <= ALIKE))
}
