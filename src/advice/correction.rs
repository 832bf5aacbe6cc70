//! Corrections: every group turned by the same stops, each on its own dial.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::alternatives::{AtHand, OtherWays, other_ways, ways_in_words};
use crate::frame::Settings;
use crate::photometry::{DialLimit, PowerSetting, Stops};
use crate::rig::{DialChange, GroupName, LightGroup, Position};

/// A suggested correction of all groups.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// The change of light that is wanted, of groups that need different ones their mean; brighter is positive.
    pub wanted: Stops,
    #[serde(alias = "turns")]
    pub dial_changes: Vec<DialChange>,
    /// What the rounding does to the ratio between two groups, at most.
    #[serde(alias = "ratio_off")]
    pub ratio_error: Stops,
    /// For each group at the end of its range, how else to get there.
    pub other_ways: Vec<OtherWays>,
    /// Where ranges end, the one way that is enough for all lights, with the powers then, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub way_round: Option<String>,
}

impl Correction {
    /// The change that all groups make on average.
    pub fn change(&self) -> Stops {
        let count = self.dial_changes.len().max(1) as f64;
        Stops(self.dial_changes.iter().map(|t| t.change.0).sum::<f64>() / count)
    }

    /// What to do where a range ends, a line each.
    pub fn ways_in_words(&self) -> Vec<String> {
        self.way_round.clone().map_or_else(|| ways_in_words(&self.other_ways), |way| vec![way])
    }

    /// No dial has to move.
    pub fn is_empty(&self) -> bool {
        self.dial_changes.iter().all(|t| t.clicks == 0) && self.other_ways.is_empty()
    }
}

/// Turns every group towards `wanted`. `settings` are those the lights are to fit, `at_hand` is what else there is.
///
/// The group with the coarsest dial sets the pace, so that the ratio between the groups stays: a
/// ratio kept is worth more than the last twentieth of a stop.
pub fn correct(
    groups: &[LightGroup],
    positions: &[Position],
    wanted: Stops,
    settings: &Settings,
    at_hand: &AtHand,
) -> Correction {
    let pace = common_change(groups, wanted);
    let dial_changes: Vec<DialChange> = groups
        .iter()
        .map(|group| {
            let dial_change = DialChange::towards(group, power_of(group, positions), pace);
            DialChange { remainder: wanted - dial_change.change, ..dial_change }
        })
        .collect();
    let moves: Vec<Stops> = dial_changes.iter().map(|t| t.change).collect();
    with_ratio_error(wanted, dial_changes, &moves, settings, at_hand)
}

/// Turns each group towards what it needs by itself; groups that nothing is settled of are left out.
/// `settings` are those the lights are to fit, `at_hand` is what else there is.
pub fn correct_each(
    groups: &[LightGroup],
    positions: &[Position],
    wanted: &BTreeMap<GroupName, Stops>,
    settings: &Settings,
    at_hand: &AtHand,
) -> Correction {
    let dial_changes: Vec<DialChange> = groups
        .iter()
        .filter_map(|group| Some(DialChange::towards(group, power_of(group, positions), *wanted.get(&group.name)?)))
        .collect();
    let off: Vec<Stops> = dial_changes.iter().map(|t| t.remainder).collect();
    let mean = Stops(wanted.values().map(|w| w.0).sum::<f64>() / wanted.len().max(1) as f64);
    with_ratio_error(mean, dial_changes, &off, settings, at_hand)
}

/// Where a group's dial stands, or as it is configured.
pub fn power_of(group: &LightGroup, positions: &[Position]) -> Option<PowerSetting> {
    positions.iter().find(|p| p.group == group.name).map_or(group.power, Position::power)
}

/// `of_ratio`: what the groups must have in common for the ratio to be right.
fn with_ratio_error(
    wanted: Stops,
    dial_changes: Vec<DialChange>,
    of_ratio: &[Stops],
    settings: &Settings,
    at_hand: &AtHand,
) -> Correction {
    let other_ways = dial_changes
        .iter()
        .filter(|dial_change| dial_change.limit != DialLimit::Within)
        .map(|dial_change| other_ways(&dial_change.group, dial_change.remainder, settings, at_hand))
        .collect();
    let (low, high) = of_ratio
        .iter()
        .map(|s| s.0)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), m| (low.min(m), high.max(m)));
    let ratio_error = if dial_changes.is_empty() { Stops::ZERO } else { Stops(high - low) };
    Correction { wanted, dial_changes, ratio_error, other_ways, way_round: None }
}

/// The change nearest to `wanted` that every group can make alike: by clicks of the coarsest dial.
pub fn common_change(groups: &[LightGroup], wanted: Stops) -> Stops {
    let coarsest = groups.iter().map(LightGroup::step).min_by(|a, b| a.per_stop().total_cmp(&b.per_stop()));
    coarsest.map_or(wanted, |step| wanted.to_nearest(step.stops()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photometry::{Dial, PowerSetting, Scale, Step};
    use crate::rig::{LightFacts, Role};
    use proptest::prelude::*;

    fn group(name: &str, step: Step, power: f64) -> (LightGroup, Position) {
        let dial = Dial::new(Scale::Fraction, step, "1/256", "1/1").unwrap();
        let power = Some(PowerSetting::from_full(Stops(power)));
        (
            LightGroup {
                name: name.into(),
                role: Role::Key,
                dial: Some(dial),
                power,
                heads: 1,
                facts: LightFacts::default(),
            },
            Position::first(name.into(), power),
        )
    }

    fn rig(lights: &[(&str, Step, f64)]) -> (Vec<LightGroup>, Vec<Position>) {
        lights.iter().map(|(name, step, power)| group(name, *step, *power)).unzip()
    }

    /// CHECK: f/14 with lights at 1/2 and 1/4, then f/7.1: 1/8 and 1/16 (common practice, no source).
    #[test]
    fn two_stops_of_aperture_are_answered_by_two_stops_of_power() {
        let (groups, positions) = rig(&[("key", Step::Third, -1.0), ("fill", Step::Third, -2.0)]);
        let correction = correct(&groups, &positions, Stops(-2.0), &Settings::default(), &AtHand::default());
        let to: Vec<_> = correction.dial_changes.iter().map(|t| t.to.clone().unwrap()).collect();
        assert_eq!(to, ["1/8", "1/16"]);
        assert_eq!(correction.ratio_error, Stops::ZERO);
    }

    /// CHECK: f/14 to f/2.8 from power 1/2 is 4 2/3 stops: 1/64 +0.33 (definition).
    #[test]
    fn a_wide_move_lands_on_the_third() {
        let (groups, positions) = rig(&[("key", Step::Third, -1.0)]);
        let correction = correct(&groups, &positions, Stops(-14.0 / 3.0), &Settings::default(), &AtHand::default());
        assert_eq!(correction.dial_changes[0].to.as_deref(), Some("1/64 +0.3"));
        assert_eq!(correction.dial_changes[0].clicks, -14);
    }

    #[test]
    fn mixed_dials_keep_their_ratio() {
        let (groups, positions) = rig(&[("key", Step::Tenth, -1.0), ("rim", Step::Third, -3.0)]);
        let correction = correct(&groups, &positions, Stops(0.35), &Settings::default(), &AtHand::default());
        assert!(correction.ratio_error < Stops(0.05), "{:?}", correction);
        assert_eq!(correction.dial_changes[1].clicks, 1);
    }

    #[test]
    fn a_group_at_its_end_says_what_else_would_do() {
        let (groups, positions) = rig(&[("key", Step::Third, -0.5)]);
        let correction = correct(&groups, &positions, Stops(2.0), &Settings::default(), &AtHand::default());
        assert_eq!(correction.dial_changes[0].limit, DialLimit::Maximum);
        assert_eq!(correction.other_ways.len(), 1);
    }

    /// The rim light alone was forgotten: the others stay, and level and ratio come back.
    #[test]
    fn a_group_that_is_off_is_turned_alone() {
        let (groups, positions) = rig(&[("key", Step::Third, -3.0), ("rim", Step::Third, -2.0)]);
        let wanted = [("key".into(), Stops::ZERO), ("rim".into(), Stops(-1.0))].into();
        let correction = correct_each(&groups, &positions, &wanted, &Settings::default(), &AtHand::default());
        let clicks: Vec<i32> = correction.dial_changes.iter().map(|t| t.clicks).collect();
        assert_eq!((clicks, correction.ratio_error), (vec![0, -3], Stops::ZERO));
        let only = [("rim".into(), Stops(-1.0))].into();
        assert_eq!(
            correct_each(&groups, &positions, &only, &Settings::default(), &AtHand::default()).dial_changes.len(),
            1,
            "key is not settled"
        );
    }

    proptest! {
        #[test]
        fn a_corrected_frame_is_off_by_at_most_half_a_click(drift in -3.0_f64..3.0, power in -4_i32..-3) {
            let (groups, positions) = rig(&[("key", Step::Third, f64::from(power)), ("fill", Step::Third, f64::from(power) - 1.0)]);
            let correction = correct(&groups, &positions, Stops(-drift), &Settings::default(), &AtHand::default());
            for dial_change in &correction.dial_changes {
                prop_assert!((drift + dial_change.change.0).abs() <= 1.0 / 6.0 + 1e-9);
            }
        }
    }
}
