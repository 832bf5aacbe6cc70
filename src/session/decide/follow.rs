//! What follows from a verdict: where dials are now taken to be, what becomes of the open correction, and a new one.
//!
//! The order of the questions is the meaning: nobody touches a light while one has to hold; what the single lights
//! did goes before what the frame as a whole shows; a correction that the frame shows to be carried out is over
//! before another is asked for.

use super::Draft;
use crate::advice::{Correction, Finding, Verdict, common_change, correct, is_out};
use crate::drift::{Assumption, EvidenceUsed};
use crate::frame::Settings;
use crate::photometry::{DialLimit, SAME_SETTING, Stops};
use crate::rig::{DialChange, GroupName, Known};
use crate::session::judgement::{Ended, How, PositionRead};
use crate::session::record::Purpose;
use crate::session::remembered::OpenCorrection;
use crate::session::setup::Setup;

/// What a judgement does to what is known.
#[derive(Debug, Default)]
pub(super) struct Effects {
    pub positions: Vec<PositionRead>,
    pub ended: Option<Ended>,
    pub correction: Option<Correction>,
    /// What speaks against all groups having changed alike, where positions are estimated by that.
    pub notes: Vec<String>,
}

/// A correction is still the one that is wanted.
const STILL_WANTED: Stops = Stops(0.1);

impl Draft<'_> {
    pub(super) fn effects(&self, before: &Setup, settings: &Settings, verdict: &Verdict) -> Effects {
        match verdict.finding {
            Finding::NoReference | Finding::Survey => return Effects::default(),
            finding if finding.is_hold() => return Effects::default(),
            _ if verdict.filter.is_some() => return Effects::default(),
            _ => {}
        }
        if let Some(effects) = self.effects_of_lights(before, settings, verdict) {
            return effects;
        }
        match verdict.finding {
            Finding::NotMetered
            | Finding::NotTrustworthy
            | Finding::NewScene
            | Finding::Uneven
            | Finding::BurningLight
            | Finding::Uncertain => Effects::default(),
            _ => self.effects_of_the_whole(before, settings, verdict),
        }
    }

    /// What follows from the frame as a whole: all groups are taken to have moved alike.
    fn effects_of_the_whole(&self, before: &Setup, settings: &Settings, verdict: &Verdict) -> Effects {
        let mut effects = Effects::default();
        // Groups that are known to stand apart from the look are not turned alike where each is asked for a turn of its own.
        if before.open.is_some() && before.moved_apart() && verdict.assumption != Some(Assumption::CorrectionFollowed) {
            return effects;
        }
        let wanted = verdict.wanted(self.config.tolerance);
        if verdict.assumption == Some(Assumption::CorrectionFollowed) {
            effects.positions = self.carried_out(before);
            effects.ended = end(before, How::Observed);
            if before.is_ahead_of(settings, self.config.lighting) {
                return effects;
            }
        } else if verdict.evidence_used == Some(EvidenceUsed::Light)
            && let Some(lights) = verdict.light_change
        {
            effects.ended = end(before, How::Withdrawn);
            (effects.positions, effects.notes) = self.moved_alike_by(before, lights);
        } else if let Some(open) = &before.open {
            if is_still_wanted(open, wanted) {
                return effects;
            }
            effects.ended = end(before, How::Withdrawn);
        }
        effects.correction = wanted.and_then(|wanted| {
            let positions = before.with_positions(&effects.positions);
            let correction = correct(&self.config.groups, &positions, wanted, settings, &self.config.at_hand);
            is_worth_asking(&correction, before).then_some(correction)
        });
        effects
    }

    /// The turns of the open correction show in the picture: every group that wasn't told otherwise made its own.
    fn carried_out(&self, before: &Setup) -> Vec<PositionRead> {
        let dial_changes = before.open.iter().flat_map(|open| &open.correction.dial_changes);
        let not_told = dial_changes.filter(|t| before.asked(&t.group).is_some());
        not_told
            .filter_map(|dial_change| {
                self.turned_by(before, &dial_change.group, dial_change.change, Known::SeenAsAsked)
            })
            .collect()
    }

    /// A group was turned by this since it was last known.
    pub(super) fn turned_by(
        &self,
        before: &Setup,
        group: &GroupName,
        change: Stops,
        known: Known,
    ) -> Option<PositionRead> {
        let since_reference = (before.since_reference(group)? + change).rounded();
        Some(self.read(before, group, since_reference, known))
    }

    /// A group is read to be so far from where it was at the reference.
    fn read(&self, before: &Setup, name: &GroupName, since_reference: Stops, known: Known) -> PositionRead {
        let mut read = PositionRead { group: name.clone(), since_reference, shown: None, known };
        let after = before.with_positions(std::slice::from_ref(&read));
        let power = after.iter().find(|p| p.group == *name).and_then(|p| p.power());
        let group = self.group(name);
        read.shown = power.zip(group).map(|(power, group)| group.shown(power));
        read
    }

    /// The lights changed by themselves: all groups are taken to have moved alike. Where groups were told to differ they
    /// are not, and what the tolerance covers is no turn of a dial. Of a light whose range ends before, that is told.
    fn moved_alike_by(&self, before: &Setup, lights: Stops) -> (Vec<PositionRead>, Vec<String>) {
        let as_known = before.moved_alike().is_some_and(|m| (lights - m).abs() <= self.config.tolerance);
        if before.moved_apart() || as_known {
            return Default::default();
        }
        // Lights are turned by clicks: the coarsest dial tells which turn it was.
        let alike = common_change(&self.config.groups, lights);
        let (mut positions, mut notes) = (Vec::new(), Vec::new());
        for group in &self.config.groups {
            let at_reference = before.position(&group.name).zip(before.mark(&group.name));
            let power = at_reference.and_then(|(position, mark)| position.power_at(mark));
            let turned = DialChange::towards(group, power, alike);
            let known = before.since_reference(&group.name).unwrap_or(Stops::ZERO);
            let stood_there = (turned.change - known).abs() <= SAME_SETTING;
            if is_out(&turned) {
                notes.push(not_with_the_others(&turned, alike - known, stood_there));
            }
            // A light at its end stands where it was known to stand.
            if !(is_out(&turned) && stood_there) {
                positions.push(self.read(before, &group.name, turned.change, Known::Deduced));
            }
        }
        (positions, notes)
    }
}

/// A light whose range ends before the turn that the others are taken to have made since it was known.
fn not_with_the_others(turned: &DialChange, turn: Stops, stood_there: bool) -> String {
    let already = if stood_there { ", where it stood already" } else { "" };
    let end = turned.to.as_deref().unwrap_or("its end");
    format!(
        "{} can't have been turned {} with the others: its range ends at {end}{already}",
        turned.group,
        turn.up_or_down()
    )
}

/// The end of the correction that was open, if one was.
pub(super) fn end(before: &Setup, how: How) -> Option<Ended> {
    before.open.as_ref().map(|open| Ended { correction: open.record, how })
}

pub(super) fn is_still_wanted(open: &OpenCorrection, wanted: Option<Stops>) -> bool {
    match (&open.purpose, wanted) {
        (_, Some(wanted)) => (open.correction.wanted - wanted).abs() <= STILL_WANTED,
        (Purpose::Next { .. }, None) => true,
        (Purpose::Drift { .. } | Purpose::Look { .. }, None) => false,
    }
}

/// A correction that turns no dial, and says only what was confirmed already, need not be asked again.
pub(super) fn is_worth_asking(correction: &Correction, before: &Setup) -> bool {
    let was_confirmed = |dial_change: &DialChange| {
        let position = before.position(&dial_change.group);
        dial_change.limit == DialLimit::Within
            || position.is_some_and(|p| p.is_known_to_be_short_by(dial_change.remainder))
    };
    !correction.is_empty()
        && !correction.dial_changes.iter().all(|dial_change| dial_change.clicks == 0 && was_confirmed(dial_change))
}
