//! One frame is a suspicion, two are a finding.
//!
//! What the settings explain, or a turn that was asked for or told, is answered at once. Everything else, a light more or less that
//! nobody spoke of, may be a misfire or a weak flash, a hand or a reflector: it is told, and a turn is suggested only when the next
//! frame shows the same.

use serde::{Deserialize, Serialize};

use super::lights::GroupReading;
use super::verdict::{Finding, Verdict};
use crate::photometry::Stops;
use crate::rig::solve::SourceChange;

/// How soon a change that nothing explains is answered by a turn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Patience {
    /// When the next frame shows the same.
    #[default]
    NextFrame,
    /// In the first frame that shows it.
    AtOnce,
}

/// What happened between the last frame and this one, as far as anybody knows.
#[derive(Debug, Clone, Copy)]
pub struct SinceLast<'a> {
    /// What was said of the last frame.
    pub verdict: Option<&'a Verdict>,
    /// The camera's settings were changed.
    pub settings_changed: bool,
    /// A turn was asked for that is not known to be done, or somebody told of one, or of another look.
    pub turn_expected: bool,
    /// How far all groups are known to have been turned alike since the reference.
    pub moved: Option<Stops>,
}

/// Two readings of one change lie within this, and a light no farther from where it is expected.
const SAME: Stops = Stops(0.2);

impl Verdict {
    /// A change of the lights that nothing explains, and that the last frame doesn't bear out.
    pub fn is_a_suspicion(&self, since: &SinceLast, tolerance: Stops) -> bool {
        let turns = self.finding == Finding::GroupChanged || self.finding.is_correctable();
        turns && !self.is_explained(since, tolerance) && !since.verdict.is_some_and(|last| self.is_borne_out_by(last))
    }

    /// The same verdict, for nobody to turn a light by.
    pub fn as_a_suspicion(mut self) -> Verdict {
        self.suspicion = true;
        self.sentence.push_str(SHOOT_ANOTHER);
        self
    }

    fn is_explained(&self, since: &SinceLast, tolerance: Stops) -> bool {
        let is_expected = since.settings_changed || since.turn_expected;
        match self.finding {
            Finding::GroupChanged => self.groups.iter().all(|group| is_explained(group, is_expected, tolerance)),
            Finding::BothChanged => is_expected || self.is_where_it_was(since),
            Finding::LightsChanged => self.is_where_it_was(since) || since.turn_expected,
            _ => self.assumption.is_some() || self.is_where_it_was(since),
        }
    }

    /// The lights are as they were known to be.
    fn is_where_it_was(&self, since: &SinceLast) -> bool {
        since.moved.zip(self.light_change).is_some_and(|(moved, change)| (change - moved).abs() <= SAME)
    }

    /// The last frame showed the same change, and nothing was turned for it.
    fn is_borne_out_by(&self, last: &Verdict) -> bool {
        let near = |a: Stops, b: Stops| (a - b).abs() <= SAME;
        let both_changed = |group: &GroupReading| {
            let Some(now) = change_of(group).filter(|change| change.abs() > SAME) else { return true };
            let before = last.groups.iter().find(|g| g.groups == group.groups).and_then(change_of);
            before.is_some_and(|before| near(now, before))
        };
        let alike = match (self.finding, last.finding) {
            (Finding::GroupChanged, Finding::GroupChanged) => self.groups.iter().all(both_changed),
            (Finding::GroupChanged, _) | (_, Finding::GroupChanged) => false,
            _ => self.light_change.zip(last.light_change).is_some_and(|(now, before)| near(now, before)),
        };
        last.suspicion && alike
    }
}

fn change_of(group: &GroupReading) -> Option<Stops> {
    match group.change {
        SourceChange::Changed { change, .. } => Some(change),
        SourceChange::NotFired | SourceChange::NotSettled => None,
    }
}

/// A light stayed, did what was asked, or what was to be expected of it after a change of settings or a word.
fn is_explained(group: &GroupReading, is_expected: bool, tolerance: Stops) -> bool {
    let Some(change) = change_of(group) else { return true };
    let is_right = group.deviation.is_some_and(|deviation| deviation.abs() <= tolerance);
    change.abs() <= SAME || (is_expected && (is_right || group.asked.is_some() || group.confirmed))
}

const SHOOT_ANOTHER: &str = " Shoot another before turning anything: a turn is suggested when it shows the same.";
