//! What was told of a group, and how it is taken back.

use serde::{Deserialize, Serialize};

use super::remembered::Pending;
use super::rows;
use super::state::State;
use crate::photometry::{PowerSetting, Stops};
use crate::rig::Standing;

/// How things stood before a group's power was told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Told {
    /// The record that told it.
    pub record: u64,
    before: Standing,
    #[serde(with = "rows::nested")]
    since_survey: Option<Option<Stops>>,
    /// Its power at the current look's reference.
    #[serde(with = "rows::nested")]
    at_reference: Option<Option<PowerSetting>>,
    pending: Option<Pending>,
}

impl State {
    /// Keeps what a word on a group's power is about to change.
    pub(super) fn remember(&mut self, group: &str, record: u64) {
        let Some(before) = self.standings.iter().find(|s| s.group == group).cloned() else { return };
        let told = Told {
            record,
            before,
            since_survey: self.surveyed.as_ref().and_then(|s| s.since.get(group).copied()),
            at_reference: self.reference().and_then(|look| look.powers.get(group).copied()),
            pending: self.pending.clone(),
        };
        self.told.insert(group.to_owned(), told);
    }

    /// The record that last told this group's power, as long as that can be taken back: until the next frame.
    pub fn told_by(&self, group: &str) -> Option<u64> {
        self.told.get(group).map(|t| t.record)
    }

    pub(super) fn take_back(&mut self, group: &str, of: u64) {
        let Some(told) = self.told.remove(group).filter(|t| t.record == of) else { return };
        if let Some(standing) = self.standings.iter_mut().find(|s| s.group == group) {
            *standing = told.before;
        }
        if let Some((since, then)) = self.surveyed.as_mut().and_then(|s| s.since.get_mut(group)).zip(told.since_survey)
        {
            *since = then;
        }
        let look = self.current.as_ref().and_then(|name| self.looks.get_mut(name));
        if let Some((power, then)) = look.and_then(|l| l.powers.get_mut(group)).zip(told.at_reference) {
            *power = then;
        }
        if let Some(then) = told.pending {
            self.reopen(group, then);
        }
    }

    /// Opens the correction again that a group was told to be set by. When all had been told it was over.
    fn reopen(&mut self, group: &str, then: Pending) {
        let was_open = !then.told.iter().any(|t| t == group);
        match &mut self.pending {
            Some(now) if now.record == then.record && was_open => now.told.retain(|t| t != group),
            Some(_) => {}
            None => {
                let others = then.correction.turns.iter().map(|t| t.group.clone());
                let told = others.filter(|g| !was_open || g != group).collect();
                self.pending = Some(Pending { told, ..then });
            }
        }
    }
}
