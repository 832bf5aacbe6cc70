//! What people may have done at the lights before a frame: the one list of hypotheses, each with its weight before anything
//! is seen.
//!
//! Nothing; what was asked, and the ways in which that goes wrong; all lights alike, or one alone, by clicks; one by any amount, when
//! it was moved nearer or its diffuser came off; one out; flashes that had not recycled; the room's light; and several of these at
//! once. What a reflector does, or a sitter, no change of a source says: it is what the likeliest of these leaves over (`residue`).

use super::fit::Fit;
use crate::photometry::Stops;

/// What is known of a source before the frame.
#[derive(Debug, Clone, PartialEq)]
pub struct SourcePrior {
    /// Ambient light is not turned by anybody, and doesn't fire.
    pub is_flash: bool,
    /// The clicks of its dial.
    pub step: Stops,
    /// The turn that the open correction asks of it.
    pub asked: Option<Stops>,
    /// The turn that somebody told, since the last frame, to have been made: it is in what is expected.
    pub told: Option<Stops>,
    /// The change that the last frame was read to show, where somebody has told since that there was none.
    pub denied: Option<Stops>,
}

/// A change of all sources that may explain a frame.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hypothesis {
    /// Change of each source in stops; minus infinity for a light that did not fire.
    pub changes: Vec<f64>,
    pub weight: f64,
}

/// Lights are turned within these stops.
pub(super) const MOST_TURN: f64 = 5.0;
/// A light that is moved, or loses its diffuser, changes within these.
const MOST_BY_ANY_AMOUNT: f64 = 2.5;
/// What is nearer to a denied change than this part of it is denied with it.
const MOST_DENIED: f64 = 0.8;
/// Most changes of one source that are tried when every source may have changed by itself.
const MOST_TRIED: usize = 7;
/// And most hypotheses in all: what five sources make.
const MOST_HYPOTHESES: usize = 17_000;

/// Weights of the kinds of hypotheses against each other before anything is seen. They are no probabilities and don't add up to
/// one: which kinds there are depends on what was asked and how soon the frame came, and only hypotheses that were weighed
/// together are normalised.
pub(super) mod prior {
    pub const NOTHING: f64 = 0.45;
    pub const AS_ASKED: f64 = 0.25;
    pub const ALL_ALIKE: f64 = 0.15;
    pub const ONE: f64 = 0.15;
    pub const FORGOTTEN: f64 = 0.08;
    /// One was turned half way, a click too far or too little, or the wrong way.
    pub const TURNED_WRONGLY: f64 = 0.05;
    pub const BY_ANY_AMOUNT: f64 = 0.02;
    pub const NOT_FIRED: f64 = 0.03;
    pub const DIPPED: f64 = 0.01;
    pub const DIPPED_SOON: f64 = 0.2;
    pub const AMBIENT: f64 = 0.03;
    pub const SEVERAL: f64 = 0.03;
    /// Turns get half as likely by this many stops.
    pub const HALVED: f64 = 1.0;
}

/// All that may have happened, with weights. `found`: what the fit found, by which the changes of several sources at once are
/// chosen. `soon`: a flash may still have been charging.
pub(super) fn hypotheses(found: &Fit, priors: &[SourcePrior], soon: bool) -> Vec<Hypothesis> {
    let mut all = single_doings(priors, soon);
    all.extend(several(found, priors));
    // Where somebody denied a change that the last frame was read to show, the same light again is not that change.
    let is_denied = |(change, prior): (&f64, &SourcePrior)| {
        let far = |denied: Stops| (change - denied.0).abs() < MOST_DENIED * denied.0.abs();
        *change != 0.0 && change.is_finite() && prior.denied.is_some_and(far)
    };
    all.retain(|h| !h.changes.iter().zip(priors).any(is_denied));
    all
}

/// Hypotheses of a single doing.
pub(super) fn single_doings(priors: &[SourcePrior], soon: bool) -> Vec<Hypothesis> {
    let flashes: Vec<usize> = (0..priors.len()).filter(|s| priors[*s].is_flash).collect();
    let rest = vec![0.0; priors.len()];
    let mut all = vec![Hypothesis { changes: rest.clone(), weight: prior::NOTHING }];
    all.extend(by_request(priors, &flashes));
    all.extend(told_wrongly(priors, &flashes));
    let coarsest = flashes.iter().map(|s| priors[*s].step.0).fold(0.0, f64::max);
    let alike = |by: f64| -> Vec<f64> {
        let change = |p: &SourcePrior| if p.is_flash { Stops(by).to_nearest(p.step).0 } else { 0.0 };
        priors.iter().map(change).collect()
    };
    all.extend(weighted(&turns(coarsest), prior::ALL_ALIKE, alike));
    let dips: Vec<(f64, f64)> = (2..=26).map(|tenth| (-f64::from(tenth) / 10.0, 1.0)).collect();
    let dipped = if soon { prior::DIPPED_SOON } else { prior::DIPPED };
    all.extend(weighted(&dips, dipped, |dip| priors.iter().map(|p| if p.is_flash { dip } else { 0.0 }).collect()));
    let share = 1.0 / flashes.len().max(1) as f64;
    for s in &flashes {
        let with = |change: f64| with(&rest, *s, change);
        all.extend(weighted(&turns(priors[*s].step.0), prior::ONE * share, with));
        all.extend(weighted(&any_amount(), prior::BY_ANY_AMOUNT * share, with));
        all.push(Hypothesis { changes: with(f64::NEG_INFINITY), weight: prior::NOT_FIRED * share });
        all.extend(weighted(&dips, dipped * share, with));
    }
    let rises: Vec<(f64, f64)> = rises().map(|rise| (rise, 1.0)).collect();
    for s in (0..priors.len()).filter(|s| !priors[*s].is_flash) {
        all.extend(weighted(&rises, prior::AMBIENT, |rise| with(&rest, s, rise)));
    }
    all
}

/// What was asked, and the ways in which that goes wrong for one light.
fn by_request(priors: &[SourcePrior], flashes: &[usize]) -> Vec<Hypothesis> {
    let as_asked: Vec<f64> = priors.iter().map(|p| p.asked.filter(|_| p.is_flash).map_or(0.0, |a| a.0)).collect();
    let rest = vec![0.0; priors.len()];
    if as_asked == rest {
        return Vec::new();
    }
    let share = 1.0 / flashes.len().max(1) as f64;
    let mut all = vec![Hypothesis { changes: as_asked.clone(), weight: prior::AS_ASKED }];
    let mut add = |changes: Vec<f64>, weight: f64| {
        // Of two lights, all but the one are the other alone; where one was asked to be turned, nothing is left.
        if changes != rest && all.iter().all(|h| h.changes != changes) {
            all.push(Hypothesis { changes, weight });
        }
    };
    for s in flashes.iter().filter(|s| as_asked[**s] != 0.0) {
        let (asked, step) = (as_asked[*s], priors[*s].step);
        add(with(&as_asked, *s, 0.0), prior::FORGOTTEN * share);
        add(with(&rest, *s, asked), prior::FORGOTTEN * share);
        let half = Stops(asked / 2.0).to_nearest(step).0;
        for turned in [half, -asked, asked + step.0, asked - step.0] {
            add(with(&as_asked, *s, turned), prior::TURNED_WRONGLY * share / 4.0);
        }
    }
    all
}

/// What was said to be done, and was not for one light, or half of it.
fn told_wrongly(priors: &[SourcePrior], flashes: &[usize]) -> Vec<Hypothesis> {
    let rest = vec![0.0; priors.len()];
    let share = 1.0 / flashes.len().max(1) as f64;
    let mut all = Vec::new();
    for s in flashes {
        let Some(told) = priors[*s].told.filter(|told| *told != Stops::ZERO) else { continue };
        let half = (told / 2.0).to_nearest(priors[*s].step);
        all.push(Hypothesis { changes: with(&rest, *s, -told.0), weight: prior::FORGOTTEN * share });
        if half != Stops::ZERO && half != told {
            all.push(Hypothesis { changes: with(&rest, *s, -half.0), weight: prior::TURNED_WRONGLY * share / 4.0 });
        }
    }
    all
}

fn with(changes: &[f64], source: usize, change: f64) -> Vec<f64> {
    let mut changes = changes.to_vec();
    changes[source] = change;
    changes
}

/// A hypothesis for each of some amounts, which share a weight.
fn weighted<'a>(
    amounts: &'a [(f64, f64)],
    weight: f64,
    changes: impl Fn(f64) -> Vec<f64> + 'a,
) -> impl Iterator<Item = Hypothesis> + 'a {
    let total: f64 = amounts.iter().map(|(_, w)| w).sum();
    amounts.iter().map(move |(by, w)| Hypothesis { changes: changes(*by), weight: weight * w / total })
}

/// Turns of a dial up and down, with their weights.
fn turns(step: f64) -> Vec<(f64, f64)> {
    up_and_down(step, MOST_TURN)
}

/// Changes that are no clicks.
fn any_amount() -> Vec<(f64, f64)> {
    up_and_down(0.1, MOST_BY_ANY_AMOUNT)
}

fn up_and_down(step: f64, most: f64) -> Vec<(f64, f64)> {
    let count = (most / step).round() as i32;
    (-count..=count)
        .filter(|n| *n != 0)
        .map(|n| f64::from(n) * step)
        .map(|by| (by, (-by.abs() / prior::HALVED).exp2()))
        .collect()
}

/// By which a room's light rises.
fn rises() -> impl Iterator<Item = f64> {
    (1..=24).map(|quarter| f64::from(quarter) / 4.0)
}

/// Hypotheses in which every source did something of its own: the turns near what the fit found. Without them the least unlikely
/// of the single doings would have all the weight when two people turned two lights, and would be claimed.
fn several(found: &Fit, priors: &[SourcePrior]) -> Vec<Hypothesis> {
    let start = Link { before: 0, change: 0.0, weight: prior::SEVERAL, nearness: 0.0 };
    let mut of_sources = vec![vec![start]];
    for (s, prior) in priors.iter().enumerate() {
        let options = nearest_options(found, s, prior);
        let so_far = &of_sources[s];
        let mut links: Vec<Link> = (0..so_far.len())
            .flat_map(|before| options.iter().map(move |option| so_far[before].then(before, option)))
            .collect();
        if links.len() > MOST_HYPOTHESES {
            links.select_nth_unstable_by(MOST_HYPOTHESES, |a, b| b.nearness.total_cmp(&a.nearness));
            links.truncate(MOST_HYPOTHESES);
        }
        of_sources.push(links);
    }
    let changes_up_to = |last: usize| {
        let mut at = last;
        let mut changes: Vec<f64> = (1..of_sources.len())
            .rev()
            .map(|source| {
                let link = &of_sources[source][at];
                at = link.before;
                link.change
            })
            .collect();
        changes.reverse();
        changes
    };
    let whole = of_sources[priors.len()].iter().enumerate();
    whole.map(|(at, link)| Hypothesis { changes: changes_up_to(at), weight: link.weight }).collect()
}

/// What one source did, after what those before it did: the many hypotheses of many lights share their beginnings.
#[derive(Clone, Copy)]
struct Link {
    /// Which of the links of the source before.
    before: usize,
    change: f64,
    /// Of all up to here.
    weight: f64,
    /// How well all up to here go with what the fit found, by which the best are kept when lights are many.
    nearness: f64,
}

impl Link {
    fn then(&self, before: usize, next: &Doing) -> Link {
        Link { before, change: next.change, weight: self.weight * next.weight, nearness: self.nearness + next.nearness }
    }
}

/// A change of one source by itself.
struct Doing {
    change: f64,
    weight: f64,
    nearness: f64,
}

/// The changes of one source that go best with what the fit found.
fn nearest_options(found: &Fit, s: usize, prior: &SourcePrior) -> Vec<Doing> {
    let factor = found.factors[s];
    let sd = (found.sd(s) + 0.05 * factor).hypot(found.factor_by_shape(s));
    let mut weighted = if prior.is_flash { turns(prior.step.0) } else { rises().map(|rise| (rise, 1.0)).collect() };
    let total: f64 = weighted.iter().map(|(_, w)| w).sum();
    weighted.iter_mut().for_each(|(_, w)| *w *= 0.5 / total);
    weighted.push((0.0, 0.5));
    if prior.is_flash {
        weighted.push((f64::NEG_INFINITY, 0.01));
    }
    let option = |(change, weight): (f64, f64)| {
        let nearness = weight.ln() - ((change.exp2() - factor) / sd).powi(2) / 2.0;
        Doing { change, weight, nearness }
    };
    let mut options: Vec<Doing> = weighted.into_iter().map(option).collect();
    options.sort_by(|a, b| b.nearness.total_cmp(&a.nearness));
    options.truncate(MOST_TRIED);
    options
}
