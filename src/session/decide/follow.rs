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
use crate::rig::{DialChange, GroupName, Known, LightGroup, Position};
use crate::session::dials::alike;
use crate::session::judgement::{Asked, Ended, How, PositionRead};
use crate::session::record::Purpose;
use crate::session::remembered::OpenCorrection;
use crate::session::setup::Setup;
use crate::wording::listed;

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
        // Nor is a word taken for wrong where the parts of the frame did not change alike.
        let followed = verdict.assumption == Some(Assumption::CorrectionFollowed)
            && (before.moved_if_told_wrong().is_none() || verdict.changed_alike());
        if before.open.is_some() && before.moved_apart() && !followed {
            effects.notes.extend(self.cannot_be_seen(before, verdict));
            return effects;
        }
        if before.open.is_none() {
            effects.notes.extend(self.shows_no_difference(before, verdict));
        }
        let wanted = verdict.wanted(self.config.tolerance);
        if followed {
            effects.positions = self.carried_out(before);
            effects.notes.extend(self.told_otherwise(before));
            effects.ended = end(before, How::Observed);
        } else if verdict.evidence_used == Some(EvidenceUsed::Light)
            && let Some(lights) = verdict.light_change
        {
            effects.ended = end(before, How::Withdrawn);
            let (positions, notes) = self.moved_alike_by(before, lights);
            effects.positions = positions;
            effects.notes.extend(notes);
        } else if let Some(open) = &before.open {
            // The settings that it was asked for, with the lights as they were found to be asked.
            if wanted.is_none() && open.is_all_confirmed() {
                effects.ended = end(before, How::Observed);
                return effects;
            }
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

    /// What was asked for settings that a frame was not shot by stays asked, from where the frame shows the lights to stand. For the frame
    /// itself nothing is asked.
    pub(super) fn goes_on_asking(
        &self,
        before: &Setup,
        asked: &OpenCorrection,
        shot: &Settings,
        effects: &mut Effects,
    ) -> Option<Asked> {
        let settings = asked.settings()?;
        if effects.correction.take().is_some() {
            effects.notes.push(format!(
                "nothing is asked for it, as the lights are asked for {}: 'greyhold next' with its settings asks for these instead",
                settings.in_short()
            ));
        }
        if effects.positions.is_empty() {
            return None;
        }
        let positions = before.with_positions(&effects.positions);
        let lights = self.lights_at(before, &positions, &effects.positions)?;
        let correction = self.turns_for(&lights, settings, shot.f_number, self.config.camera_steps)?;
        let anew = || Asked { still: Some(asked.record), correction: Box::new(correction.clone()) };
        (!asked.is_already(settings, &correction)).then(anew)
    }

    /// The turns of the open correction show in the picture: every group that wasn't told otherwise made its own. Where the picture shows
    /// them only if one was told wrong, all made theirs.
    fn carried_out(&self, before: &Setup) -> Vec<PositionRead> {
        if before.moved_if_told_wrong().is_some() {
            let all = before.positions.iter().map(|p| &p.group);
            let asked =
                |group| Some(self.read(before, group, before.since_reference_if_asked(group)?, Known::SeenAsAsked));
            return all.filter_map(asked).collect();
        }
        let dial_changes = before.open.iter().flat_map(|open| &open.correction.dial_changes);
        let not_told = dial_changes.filter(|t| before.asked(&t.group).is_some());
        not_told
            .filter_map(|dial_change| {
                self.turned_by(before, &dial_change.group, dial_change.change, Known::SeenAsAsked)
            })
            .collect()
    }

    /// Lights that were told to be elsewhere than asked, where the picture shows all of them as they were asked to be.
    fn told_otherwise(&self, before: &Setup) -> Vec<String> {
        if before.moved_if_told_wrong().is_none() {
            return Vec::new();
        }
        let said = |group: &LightGroup| {
            let position = before.position(&group.name).filter(|position| position.told_turn().is_some())?;
            let told = position.power()?;
            let asked = before.open.as_ref()?.dial_change_of(&group.name)?.setting?;
            ((told - asked).abs() > SAME_SETTING).then(|| {
                let [told, asked] = [told, asked].map(|power| group.shown(power));
                format!(
                    "{} was told to be at {told}, but the picture shows the lights as they were asked: it is taken to be at {asked}",
                    group.name
                )
            })
        };
        self.config.groups.iter().filter_map(said).collect()
    }

    /// The frame matches, and lights are still asked for turns of their own: it doesn't show whether they were made.
    fn cannot_be_seen(&self, before: &Setup, verdict: &Verdict) -> Option<String> {
        let open = before.open.as_ref().filter(|_| verdict.finding == Finding::Matched)?;
        let left: Vec<&str> = open.unconfirmed().map(GroupName::as_str).collect();
        (!left.is_empty()).then(|| {
            format!(
                "the frame as a whole matches, and doesn't show what {} set to: tell it, or 'greyhold confirm'",
                if left.len() == 1 { format!("{} is", left[0]) } else { format!("{} are", listed(&left)) }
            )
        })
    }

    /// Lights that were told to be turned unlike the others, where the frame is as it was without.
    fn shows_no_difference(&self, before: &Setup, verdict: &Verdict) -> Vec<String> {
        let before_told = |p: &Position| Some(before.since_reference(&p.group)? - p.told_turn().unwrap_or(Stops::ZERO));
        let untold = alike(before.positions.iter().map(before_told));
        let is_as_before = untold.zip(verdict.light_change).is_some_and(|(untold, change)| {
            (change - untold).abs() <= self.config.tolerance && verdict.changed_alike() && verdict.disparity.is_some()
        });
        if !is_as_before || !before.moved_apart() || verdict.finding != Finding::Matched {
            return Vec::new();
        }
        let said = |position: &Position| {
            let turn = position.told_turn().filter(|turn| turn.abs() > self.config.tolerance)?;
            let group = &position.group;
            Some(format!(
                "{group} was told to be turned {}, but this frame shows no difference: is it so?",
                turn.up_or_down()
            ))
        };
        before.positions.iter().filter_map(said).collect()
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
