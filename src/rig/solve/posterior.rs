//! What people may have done at the lights: each hypothesis with its probability after a fit, the posterior.
//!
//! Lights are turned by clicks, most often not at all, all alike or one alone. So a few hypotheses are
//! weighed against each other (Bayes), and only what nearly all of their weight agrees on is settled. The likelihood is
//! in linear light, where a light that is out is a factor of nought and no infinity of stops.

use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

use super::fit::Fit;
use super::hypotheses::{Hypothesis, MOST_TURN, SourcePrior, hypotheses};
use super::tuned::Tuned;
use crate::photometry::Stops;
use crate::statistics::normal_below;

/// How one source changed, against what was expected.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SourceChange {
    /// It changed by this much, with the half-width of the 95 % interval; zero is a result, too.
    Changed {
        #[serde(alias = "by")]
        change: Stops,
        half_width: Stops,
    },
    NotFired,
    /// The picture can't tell.
    NotSettled,
}

/// All hypotheses given the frame, their weights adding up to one.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Posterior {
    hypotheses: Vec<Hypothesis>,
    /// The one that had the most weight, had no head turned.
    without_turns: Option<Hypothesis>,
    /// Standard deviation of each source's factor as the picture alone has it.
    sd: Vec<f64>,
    /// What is claimed needs this much of all weight on its side.
    sure: f64,
    /// A change is seen when its factor is known to this share of it.
    seen: f64,
    /// Changes of each source this near to each other are one claim.
    alike: Vec<f64>,
}

/// How far a light is off what its dial says, standard deviation in stops (common practice, no source).
const DIAL: f64 = 0.04;
/// How far a head turns, in times the usual doubt of shape: mostly little, at times much, and now and then far. Chosen with
/// `OF_FEATURES`.
const TURNS: [f64; 3] = [1.0, 4.0, 10.0];
/// Of those that don't turn far, how many turn much.
const MUCH: f64 = 0.2;
/// Light that is found of a source that is out, standard deviation as a factor.
const STRAY: f64 = 0.01;
/// How far a diaphragm or shutter makes all light of a frame differ.
const EXPOSURE: f64 = 0.03;
/// What an interval that is shown holds.
const HELD: f64 = 0.95;
/// Changes of ambient light this near to each other are one claim.
const ALIKE_AMBIENT: f64 = 0.5;
/// Hypotheses of fewer than this share of the likeliest one's weight are left out.
const NEGLIGIBLE: f64 = 1e-6;

/// Weighs the hypotheses. `soon`: a flash may still have been charging.
pub(super) fn weigh(found: &Fit, priors: &[SourcePrior], soon: bool, tuned: &Tuned) -> Posterior {
    let near = 1.0 - tuned.far_turns;
    let often = [near * (1.0 - MUCH), near * MUCH, tuned.far_turns];
    let turns = [0, 1, 2].map(|turn| (often[turn], Likelihood::new(found, TURNS[turn])));
    let mut hypotheses = hypotheses(found, priors, soon);
    let straight = Likelihood::new(found, 0.0);
    let (mut without_turns, mut most) = (None, f64::NEG_INFINITY);
    for hypothesis in &mut hypotheses {
        let factors: Vec<f64> = hypothesis.changes.iter().map(|change| change.exp2()).collect();
        let before = hypothesis.weight.max(1e-300).ln();
        let weight = before + straight.log_of(&factors);
        if weight >= most {
            (without_turns, most) = (Some(hypothesis.clone()), weight);
        }
        hypothesis.weight = before + log_of_turns(&turns, &factors);
    }
    let best = hypotheses.iter().map(|h| h.weight).fold(f64::NEG_INFINITY, f64::max);
    for hypothesis in &mut hypotheses {
        hypothesis.weight = (hypothesis.weight - best).exp();
    }
    hypotheses.retain(|h| h.weight > NEGLIGIBLE);
    let sum: f64 = hypotheses.iter().map(|h| h.weight).sum();
    hypotheses.iter_mut().for_each(|h| h.weight /= sum);
    let sd = (0..priors.len()).map(|s| found.sd(s).hypot(found.factor_by_shape(s))).collect();
    let alike = priors.iter().map(|p| if p.is_flash { tuned.alike } else { ALIKE_AMBIENT }).collect();
    Posterior { hypotheses, without_turns, sd, sure: 1.0 - tuned.doubt, seen: tuned.seen, alike }
}

impl Posterior {
    /// How a source changed, if nearly all hypotheses agree on it.
    pub fn change_of(&self, source: usize) -> SourceChange {
        let out: f64 = self.weight_of(|h| h.changes[source] == f64::NEG_INFINITY);
        if self.is_sure(out) {
            return SourceChange::NotFired;
        }
        let changes = self.finite_changes_of(source);
        let near = |at: f64| changes.iter().filter(move |(c, _)| (c - at).abs() <= self.alike[source]);
        let weight_near = |at: f64| near(at).map(|(_, w)| w).sum::<f64>();
        let Some((at, weight)) = changes
            .iter()
            .map(|(c, _)| (*c, weight_near(*c)))
            .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.abs().total_cmp(&a.0.abs())))
        else {
            return SourceChange::NotSettled;
        };
        // What is only likely beforehand is no result: the picture must speak against a stop more or less.
        let seen = self.sd[source] <= self.seen * at.exp2();
        if !self.is_sure(weight) || !seen {
            return SourceChange::NotSettled;
        }
        let mean = near(at).map(|(c, w)| c * w).sum::<f64>() / weight;
        SourceChange::Changed { change: Stops(mean), half_width: half_width_about(mean, &changes) }
    }

    /// Whether so much of all weight is enough for a claim.
    pub fn is_sure(&self, weight: f64) -> bool {
        weight >= self.sure
    }

    /// The changes of a source, each once, with the weight of all hypotheses that have it.
    fn finite_changes_of(&self, source: usize) -> Vec<(f64, f64)> {
        let all = self.hypotheses.iter().map(|h| (h.changes[source], h.weight));
        let mut changes: Vec<(f64, f64)> = all.filter(|(change, _)| change.is_finite()).collect();
        changes.sort_by(|a, b| a.0.total_cmp(&b.0));
        changes.dedup_by(|next, first| {
            let is_same = next.0 == first.0;
            first.1 += if is_same { next.1 } else { 0.0 };
            is_same
        });
        changes
    }

    /// The hypotheses of no error: nothing was turned, or what was asked was.
    pub fn no_error(priors: &[SourcePrior]) -> [Vec<f64>; 2] {
        [vec![0.0; priors.len()], priors.iter().map(|p| p.asked.map_or(0.0, |a| a.0)).collect()]
    }

    /// The hypothesis with the most weight.
    pub fn likeliest(&self) -> Option<&Hypothesis> {
        self.hypotheses.iter().max_by(|a, b| a.weight.total_cmp(&b.weight))
    }

    /// The one that had the most weight, had no head turned: where a light may have been turned, what it leaves over is no proof of
    /// anything else.
    pub fn without_turns(&self) -> Option<&Hypothesis> {
        self.without_turns.as_ref()
    }

    /// How much weight hypotheses of a kind have together.
    pub fn weight_of(&self, kind: impl Fn(&Hypothesis) -> bool) -> f64 {
        self.hypotheses.iter().filter(|h| kind(h)).map(|h| h.weight).sum()
    }
}

/// The half-width about a change that holds 95 % of all that may have happened, and not only of what is claimed: each change with its
/// weight, and with what a dial leaves open about it.
fn half_width_about(mean: f64, changes: &[(f64, f64)]) -> Stops {
    let within = |half_width: f64| {
        let of = |(change, weight): &(f64, f64)| {
            let below = |edge: f64| normal_below((edge - change) / DIAL);
            weight * (below(mean + half_width) - below(mean - half_width))
        };
        changes.iter().map(of).sum::<f64>()
    };
    // What is claimed has more weight than this, so that it is reached.
    let (mut narrow, mut wide) = (0.0, 2.0 * MOST_TURN);
    for _ in 0..40 {
        let half_width = (narrow + wide) / 2.0;
        if within(half_width) < HELD { narrow = half_width } else { wide = half_width }
    }
    Stops(wide)
}

/// How likely the fit's factors are under a hypothesis, however far the head turned, as a logarithm.
fn log_of_turns(turns: &[(f64, Likelihood); 3], factors: &[f64]) -> f64 {
    let logs = turns.each_ref().map(|(weight, likelihood)| weight.ln() + likelihood.log_of(factors));
    let best = logs.into_iter().fold(f64::NEG_INFINITY, f64::max);
    best + logs.map(|log| (log - best).exp()).iter().sum::<f64>().ln()
}

/// The likelihood of the fit's factors under a hypothesis, as its logarithm: normal, in linear light.
struct Likelihood {
    factors: DVector<f64>,
    inverse: DMatrix<f64>,
    /// By which wider likelihoods are lower everywhere.
    level: f64,
}

impl Likelihood {
    /// `times`: how many times the usual doubt of shape.
    fn new(found: &Fit, times: f64) -> Likelihood {
        let ln2 = std::f64::consts::LN_2;
        let mut covariance = found.covariance.clone();
        // A light is as much off its dial as it is bright.
        for (s, factor) in found.factors.iter().enumerate() {
            covariance[(s, s)] +=
                (ln2 * factor * DIAL).powi(2) + STRAY * STRAY + (times * found.factor_by_shape(s)).powi(2);
        }
        covariance += &found.factors * found.factors.transpose() * (ln2 * EXPOSURE).powi(2);
        let inverse = covariance.clone().try_inverse().unwrap_or_else(|| {
            // Only numbers that are none get here; then nothing can be told.
            DMatrix::zeros(found.factors.len(), found.factors.len())
        });
        let level = -0.5 * covariance.determinant().max(f64::MIN_POSITIVE).ln();
        Likelihood { factors: found.factors.clone(), inverse, level }
    }

    /// `factors`: those that the hypothesis has its sources change by.
    fn log_of(&self, factors: &[f64]) -> f64 {
        let off = |s: usize| factors[s] - self.factors[s];
        let row = |a: usize| (0..factors.len()).map(|b| self.inverse[(a, b)] * off(b)).sum::<f64>();
        let squares: f64 = (0..factors.len()).map(|a| off(a) * row(a)).sum();
        self.level - 0.5 * squares
    }
}

#[cfg(test)]
mod tests {
    use super::super::field::Shift;
    use super::super::hypotheses::{prior, single_doings};
    use super::super::tuned::TUNED;
    use super::*;
    use proptest::prelude::*;

    const THIRD: Stops = Stops(1.0 / 3.0);

    fn weigh(found: &Fit, priors: &[SourcePrior], soon: bool) -> Posterior {
        super::weigh(found, priors, soon, &TUNED)
    }

    fn found(changes: &[f64], sd: &[f64]) -> Fit {
        let variance = DVector::from_iterator(sd.len(), sd.iter().map(|d| d * d));
        Fit {
            factors: DVector::from_iterator(changes.len(), changes.iter().map(|c| c.exp2())),
            covariance: DMatrix::from_diagonal(&variance),
            shape: vec![0.0; sd.len()],
            shift: Shift::default(),
            left: Vec::new(),
            error: Vec::new(),
            shares: Vec::new(),
        }
    }

    fn flashes(count: usize, asked: Option<f64>) -> Vec<SourcePrior> {
        vec![SourcePrior { is_flash: true, step: THIRD, asked: asked.map(Stops), told: None, denied: None }; count]
    }

    fn change(change_of: SourceChange) -> f64 {
        match change_of {
            SourceChange::Changed { change, .. } => change.0,
            other => panic!("{other:?}"),
        }
    }

    /// CHECK: common practice, no source: who turns the head shows a rim light a click more or less of what it grazes.
    #[test]
    fn a_click_of_a_light_that_grazes_is_no_result_and_of_one_that_does_not_it_is() {
        let a_click_down = |shape: f64| {
            let fit = Fit { shape: vec![0.01, shape], ..found(&[0.0, -1.0 / 3.0], &[0.02, 0.02]) };
            weigh(&fit, &flashes(2, None), false).change_of(1)
        };
        assert!((change(a_click_down(0.01)) + 1.0 / 3.0).abs() < 0.05);
        for shape in [0.02, 0.1] {
            assert_eq!(a_click_down(shape), SourceChange::NotSettled, "{shape}");
        }
    }

    #[test]
    fn a_light_that_was_forgotten_is_told_from_those_that_followed() {
        let posterior = weigh(&found(&[-2.02, -1.97, 0.03], &[0.02, 0.02, 0.02]), &flashes(3, Some(-2.0)), false);
        assert!((change(posterior.change_of(0)) + 2.0).abs() < 0.05 && change(posterior.change_of(2)).abs() < 0.05);
    }

    #[test]
    fn what_is_only_likely_beforehand_is_not_claimed() {
        let posterior = weigh(&found(&[0.0, 0.2], &[0.02, 2.0]), &flashes(2, None), false);
        assert!(change(posterior.change_of(0)).abs() < 0.05);
        assert_eq!(posterior.change_of(1), SourceChange::NotSettled);
    }

    /// However many groups a studio has, the hypotheses are bounded.
    #[test]
    fn twenty_groups_are_weighed_as_three_are() {
        let mut changes = [0.0; 20];
        changes[4] = -1.0;
        let posterior = weigh(&found(&changes, &[0.01; 20]), &flashes(20, None), false);
        assert!((change(posterior.change_of(4)) + 1.0).abs() < 0.05 && change(posterior.change_of(0)).abs() < 0.05);
    }

    #[test]
    fn a_light_that_is_out_is_not_one_that_was_turned_down() {
        let posterior = weigh(&found(&[0.0, -7.0], &[0.02, 0.01]), &flashes(2, None), false);
        assert_eq!(posterior.change_of(1), SourceChange::NotFired);
    }

    #[test]
    fn the_same_dip_is_a_turn_at_leisure_and_a_weak_flash_right_after_a_frame() {
        let dip = found(&[0.0, -0.85], &[0.02, 0.015]);
        assert!(
            (change(weigh(&dip, &flashes(2, None), true).change_of(1)) + 0.85).abs() < 0.08,
            "no click of the dial"
        );
    }

    /// Two and a third stops of a weak light can hardly be told from two; that a turn was said to be done, and was not, can.
    #[test]
    fn a_turn_that_was_told_to_be_done_and_was_not_is_likelier_than_any_other() {
        let seen = found(&[0.0, -2.1], &[0.02, 0.022]);
        assert_eq!(weigh(&seen, &flashes(2, None), false).change_of(1), SourceChange::NotSettled);
        let mut priors = flashes(2, None);
        priors[1].told = Some(Stops(2.0));
        assert!((change(weigh(&seen, &priors, false).change_of(1)) + 2.0).abs() < 0.1);
    }

    #[test]
    fn a_change_that_somebody_denied_is_not_claimed_again() {
        let seen = found(&[0.0, 0.34], &[0.02, 0.03]);
        assert!((change(weigh(&seen, &flashes(2, None), false).change_of(1)) - 0.34).abs() < 0.1);
        let mut priors = flashes(2, None);
        priors[1].denied = Some(Stops(1.0 / 3.0));
        let denied = weigh(&seen, &priors, false).change_of(1);
        assert!(!matches!(denied, SourceChange::Changed { change, .. } if change.abs() > Stops(0.1)), "{denied:?}");
    }

    /// A light that was moved nearer changes by no click.
    #[test]
    fn a_light_may_change_by_any_amount() {
        let nearer = weigh(&found(&[0.0, 0.85], &[0.005, 0.005]), &flashes(2, None), false).change_of(1);
        assert!((change(nearer) - 0.85).abs() < 0.07, "{nearer:?}");
    }

    /// A hypothesis that is listed twice would count twice.
    #[test]
    fn what_was_forgotten_is_one_hypothesis() {
        for asked in [[Some(-1.0), Some(-0.5)], [Some(-1.0), None]] {
            let priors: Vec<SourcePrior> = asked
                .iter()
                .map(|a| SourcePrior { is_flash: true, step: THIRD, asked: a.map(Stops), told: None, denied: None })
                .collect();
            let listed = single_doings(&priors, false);
            let forgotten: Vec<_> =
                listed.iter().filter(|s| s.weight == prior::FORGOTTEN * 0.5).map(|s| &s.changes).collect();
            let expected: usize = if asked[1].is_some() { 2 } else { 0 };
            assert_eq!(forgotten.len(), expected, "{forgotten:?}");
        }
    }

    /// What speaks for another story, if only a little, belongs to the interval.
    #[test]
    fn the_interval_is_that_of_all_stories() {
        let clear = half_width_about(0.0, &[(0.0, 1.0)]).0;
        // CHECK: 95 % of a normal distribution lie within 1.96 deviations (any statistical table, from memory).
        assert!((clear - 1.96 * DIAL).abs() < 1e-3, "{clear}");
        let doubtful = half_width_about(0.0, &[(0.0, 0.955), (1.0 / 3.0, 0.045)]).0;
        assert!(doubtful > 1.3 * clear && doubtful < 1.0 / 3.0, "{doubtful}");
        // One in twenty is another story, and what is left of the first doesn't reach.
        let two = half_width_about(0.0, &[(0.0, 0.94), (1.0 / 3.0, 0.06)]).0;
        assert!(two > 1.0 / 3.0 - 1.96 * DIAL, "{two}");
    }

    proptest! {
        /// Any turn of any one light by clicks is found again, and no other light is blamed. (Three stops down, a light is so
        /// weak that the next click can no more be told.)
        #[test]
        fn a_turn_by_clicks_is_found(clicks in -6_i32..=9, which in 0_usize..3, noise in -0.02_f64..0.02) {
            let mut changes = [noise, -noise, noise];
            changes[which] += f64::from(clicks) / 3.0;
            let sd = changes.map(|c| 0.015 * c.exp2());
            let posterior = weigh(&found(&changes, &sd), &flashes(3, None), false);
            for light in 0..3 {
                let truth = if light == which { f64::from(clicks) / 3.0 } else { 0.0 };
                prop_assert!((change(posterior.change_of(light)) - truth).abs() < 0.1);
            }
            prop_assert!((posterior.weight_of(|_| true) - 1.0).abs() < 1e-9);
        }
    }
}
