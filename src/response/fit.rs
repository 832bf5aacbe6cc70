//! Recovers a response curve from frames of one still scene whose exposures are known.
//!
//! The model is that of Debevec and Malik (SIGGRAPH 1997): the log of light is the curve at the
//! code, less the log of the exposure. Three things are added. Means over matched patches, or matched
//! quantiles of the picture (Grossberg and Nayar, PAMI 2003), take the place of pixels, so that
//! movement does no harm.
//! Curves are likely or unlikely beforehand, as in their Modeling the Space of Camera Response
//! Functions (PAMI 2004), so that few frames don't lead astray. And each exposure may be a little
//! off its settings, by as much as the frames themselves show.
//!
//! What a successor must know of the uncertainty that comes out:
//!
//! * The light of the scene at a quantile is not known. Taking it out of the equations leaves all pairs of frames, each with
//!   the weight `w_i w_j / sum(w)` (Schur complement; `w` is one over a frame's variance). Among n equal frames that is 2/n
//!   of a pair's own weight: a frame is in n - 1 pairs and must not count as that many.
//! * A frame's offset that goes with its exposure looks exactly like a slope of the curve. Nothing can tell them apart but how
//!   large each is likely to be, so the offsets are unknowns with a prior, and what they leave open is in the curve's uncertainty.
//! * That a curve rises is no observation (`rising.rs`).
//! * Residuals larger than the noise that was taken for granted make all of it larger; smaller ones don't make it smaller, for
//!   errors that a whole frame shares don't show in them.

use nalgebra::{DMatrix, DVector};

use super::basis::{self, ANCHOR, SPLINES};
use super::curve::Response;
use super::gaussian::Curve;
use super::rising::solve_rising;
use crate::photometry::Stops;
use crate::statistics::{median, robust_deviation};

/// One frame: codes at places that mean the same in every frame, and its exposure.
#[derive(Debug, Clone, PartialEq)]
pub struct Exposed {
    /// `None` where the frame doesn't show the place, or it is clipped.
    codes: Vec<Option<f64>>,
    /// From any common origin.
    pub exposure: Stops,
}

impl Exposed {
    /// Codes that are clipped, or may be, are left out.
    pub fn new(codes: impl Iterator<Item = Option<f64>>, exposure: Stops) -> Exposed {
        Exposed { codes: codes.map(|code| code.filter(|code| TRUSTED.contains(code))).collect(), exposure }
    }

    /// Each place that both frames show, with its codes in this one and in the other.
    pub fn shared_with(&self, other: &Exposed) -> impl Iterator<Item = (usize, [f64; 2])> {
        let both = self.codes.iter().zip(&other.codes).enumerate();
        both.filter_map(|(at, (here, there))| Some((at, [(*here)?, (*there)?])))
    }
}

/// What the frames made of the curve.
#[derive(Debug, Clone)]
pub struct Fit {
    pub curve: Curve,
    /// How far each frame's light is off its settings.
    pub offsets: Vec<Stops>,
    /// Their standard deviation, with what is usual weighed in.
    pub scatter: Stops,
    /// Median difference of a quantile from the curve.
    pub residual: Stops,
}

/// Codes outside are clipped, or may be.
pub const TRUSTED: std::ops::Range<f64> = 6.0..250.0;
/// Frames farther apart share too few tones to relate. What their pairs would tell is given away.
const FARTHEST: Stops = Stops(3.5);
/// Fewer comparable quantiles of two frames say nothing.
const FEWEST_QUANTILES: usize = 5;
/// How far exposures are usually off their settings (measured on four cameras; Exif rounds).
const USUAL_SCATTER: Stops = Stops(0.04);
/// That many frames' worth of belief in it.
const BELIEF: f64 = 3.0;
const LEAST_SCATTER: f64 = 0.015;
/// The quantiles of one frame err together (a sitter who moves, flare, coding): they count as no more than this many.
pub const INDEPENDENT_QUANTILES: usize = 6;
/// Regions of tone. The quantiles of a raw file and its picture err together within one, and a large
/// backdrop must not outvote all other tones.
pub const TONES: usize = 22;
/// The quantiles of one region count as no more than this many.
const SHARES_OF_A_TONE: f64 = 2.0;
/// Residuals beyond so many deviations count less (Huber 1964).
const HUBER: f64 = 1.5;
const SURE: f64 = 1e6;
const ROUNDS: usize = 3;
const STEPS: usize = 4;

/// One quantile of two frames.
struct QuantilePair {
    /// Which of the frames' quantiles.
    at: usize,
    /// Of the earlier and the later frame: splines at its codes.
    splines: [(usize, [f64; 4]); 2],
    codes: [f64; 2],
    trust: f64,
}

struct Pair {
    frames: [usize; 2],
    apart: f64,
    quantiles: Vec<QuantilePair>,
}

/// What a step found, and what the next one starts from.
struct Solved {
    curve: Curve,
    offsets: DVector<f64>,
    /// How much larger residuals are than the noise that was taken for granted; never less than 1.
    noise: f64,
}

/// Fits a curve. `None` when no two frames share enough unclipped tones.
pub fn fit(frames: &[Exposed], prior: &Curve) -> Option<Fit> {
    let mut pairs = pairs(frames);
    if pairs.is_empty() {
        return None;
    }
    let (precision, pull) = before(prior)?;
    let mut scatter = USUAL_SCATTER.0;
    let mut now = Solved { curve: prior.clone(), offsets: DVector::zeros(frames.len()), noise: 1.0 };
    for _ in 0..ROUNDS {
        for quantile in pairs.iter_mut().flat_map(|p| &mut p.quantiles) {
            quantile.trust = 1.0;
        }
        for _ in 0..STEPS {
            now = step(frames, &mut pairs, &precision, &pull, &now, scatter)?;
        }
        // The offsets' level and what of them goes with the exposure don't show: two degrees of freedom less.
        let squares = now.offsets.norm_squared() + BELIEF * USUAL_SCATTER.0.powi(2);
        scatter = (squares / (frames.len().saturating_sub(2) as f64 + BELIEF)).sqrt().max(LEAST_SCATTER);
    }
    let mut residuals: Vec<f64> =
        pairs.iter().flat_map(|p| residuals(p, &now.curve, &now.offsets)).map(f64::abs).collect();
    Some(Fit {
        curve: now.curve,
        offsets: now.offsets.iter().map(|o| Stops(*o)).collect(),
        scatter: Stops(scatter),
        residual: Stops(median(&mut residuals)?),
    })
}

/// The region of tone that a code lies in.
pub fn tone(code: f64) -> usize {
    (code.clamp(0.0, 255.0) / 256.0 * TONES as f64) as usize
}

/// Fits a curve to codes whose light is known but for a common level, as a raw file tells it. Gives
/// the curve, and the median difference of a code from it.
pub fn fit_to_light(codes: &[f64], light: &[Stops], prior: &Curve) -> Option<(Curve, Stops)> {
    let (precision, pull) = before(prior)?;
    let mut crowd = [0_u32; TONES];
    for code in codes {
        crowd[tone(*code)] += 1;
    }
    let mut curve = prior.clone();
    let mut trusted = vec![1.0; codes.len()];
    let mut off: Vec<f64> = Vec::new();
    let mut larger = 1.0;
    for _ in 0..STEPS {
        let now = Response::unnamed(&curve);
        let mut normal = DMatrix::<f64>::zeros(SPLINES + 1, SPLINES + 1);
        let mut right = DVector::<f64>::zeros(SPLINES + 1);
        normal.view_mut((0, 0), (SPLINES, SPLINES)).copy_from(&precision);
        right.rows_mut(0, SPLINES).copy_from(&pull);
        let rows: Vec<DVector<f64>> = codes.iter().map(|code| basis::row(*code).insert_row(SPLINES, -1.0)).collect();
        let noise: Vec<f64> = codes.iter().map(|code| now.noise_between(*code, *code).0 * larger).collect();
        for (i, row) in rows.iter().enumerate() {
            let each = SHARES_OF_A_TONE / f64::from(crowd[tone(codes[i])]);
            let weight = trusted[i] * each / noise[i].powi(2);
            normal += row * row.transpose() * weight;
            right += row * (weight * light[i].0);
        }
        let (solution, covariance) = solve_rising(normal, &right)?;
        off = rows.iter().zip(light).map(|(row, light)| (row.dot(&solution) - light.0).abs()).collect();
        trusted = off.iter().zip(&noise).map(|(off, noise)| trust(*off, *noise)).collect();
        larger *= larger_than_noise(off.iter().zip(&noise).map(|(off, noise)| off / noise), larger);
        curve = curve_of(&solution, &covariance);
    }
    Some((curve, Stops(median(&mut off)?)))
}

/// What is known before any frame: the prior's precision, and its pull on the coefficients. The curve
/// is zero at the anchor.
pub(super) fn before(prior: &Curve) -> Option<(DMatrix<f64>, DVector<f64>)> {
    let inverse = prior.covariance.clone().cholesky()?.inverse();
    let anchor = basis::row(ANCHOR);
    let precision = inverse + &anchor * anchor.transpose() * SURE;
    let pull = &precision * &prior.mean;
    Some((precision, pull))
}

/// The curve's part of a solution.
pub(super) fn curve_of(solution: &DVector<f64>, covariance: &DMatrix<f64>) -> Curve {
    Curve {
        mean: solution.rows(0, SPLINES).into_owned(),
        covariance: covariance.view((0, 0), (SPLINES, SPLINES)).into_owned(),
    }
}

/// How much a residual counts (Huber 1964).
fn trust(off: f64, noise: f64) -> f64 {
    1.0 / (off.abs() / noise / HUBER).max(1.0)
}

/// By what factor the noise must grow, or may shrink again, given residuals over the noise as it was taken. It never comes
/// to less than what is taken for granted, of which it is `now` that many times.
fn larger_than_noise(ratios: impl Iterator<Item = f64>, now: f64) -> f64 {
    robust_deviation(ratios, 0.0).unwrap_or(1.0).max(1.0 / now)
}

fn pairs(frames: &[Exposed]) -> Vec<Pair> {
    let mut found = Vec::new();
    for (a, first) in frames.iter().enumerate() {
        for (b, second) in frames.iter().enumerate().skip(a + 1) {
            let apart = second.exposure - first.exposure;
            let quantiles: Vec<QuantilePair> = first
                .shared_with(second)
                .map(|(at, codes)| QuantilePair { at, splines: codes.map(basis::at), codes, trust: 1.0 })
                .collect();
            if apart.abs() <= FARTHEST && quantiles.len() >= FEWEST_QUANTILES {
                found.push(Pair { frames: [a, b], apart: apart.0, quantiles });
            }
        }
    }
    found
}

/// How much each quantile is known by all frames that don't clip it: the sum of one over their variances.
fn known_by_all(frames: &[Exposed], response: &Response) -> Vec<f64> {
    let mut known = vec![0.0; frames.iter().map(|f| f.codes.len()).max().unwrap_or(0)];
    for frame in frames {
        for (sum, code) in known.iter_mut().zip(&frame.codes) {
            *sum += code.map_or(0.0, |code| response.noise_at(code).0.powi(-2));
        }
    }
    known
}

/// One step of reweighted least squares over the coefficients and the frames' offsets.
fn step(
    frames: &[Exposed],
    pairs: &mut [Pair],
    precision: &DMatrix<f64>,
    pull: &DVector<f64>,
    now: &Solved,
    scatter: f64,
) -> Option<Solved> {
    let size = SPLINES + frames.len();
    let mut normal = DMatrix::<f64>::zeros(size, size);
    let mut right = DVector::<f64>::zeros(size);
    normal.view_mut((0, 0), (SPLINES, SPLINES)).copy_from(precision);
    right.rows_mut(0, SPLINES).copy_from(pull);
    for offset in SPLINES..size {
        normal[(offset, offset)] = scatter.powi(-2);
    }
    let response = Response::unnamed(&now.curve);
    let known = known_by_all(frames, &response);
    let most = frames.iter().map(|frame| frame.codes.iter().flatten().count()).max().unwrap_or(0).max(1);
    let each = INDEPENDENT_QUANTILES as f64 / most as f64 / now.noise.powi(2);
    for pair in pairs.iter() {
        for quantile in &pair.quantiles {
            let [a, b] = quantile.codes.map(|code| response.noise_at(code).0.powi(-2));
            let weight = quantile.trust * each * a * b / known[quantile.at];
            let mut entries = [(0_usize, 0.0_f64); 10];
            for (side, sign) in [(0, -1.0), (1, 1.0)] {
                let (first, values) = quantile.splines[side];
                for i in 0..4 {
                    entries[side * 4 + i] = (first + i, sign * values[i]);
                }
            }
            entries[8] = (SPLINES + pair.frames[0], 1.0);
            entries[9] = (SPLINES + pair.frames[1], -1.0);
            for (i, x) in entries {
                right[i] += weight * x * pair.apart;
                for (j, y) in entries {
                    normal[(i, j)] += weight * x * y;
                }
            }
        }
    }
    let (solution, covariance) = solve_rising(normal, &right)?;
    let curve = curve_of(&solution, &covariance);
    let offsets = solution.rows(SPLINES, frames.len()).into_owned();
    let (mut ratios, mut within) = (Vec::new(), Vec::new());
    for pair in pairs {
        let off = residuals(pair, &curve, &offsets);
        for (quantile, off) in pair.quantiles.iter_mut().zip(off) {
            let noise = response.noise_between(quantile.codes[0], quantile.codes[1]).0 * now.noise;
            quantile.trust = trust(off, noise);
            ratios.push(off / noise);
        }
        // What all quantiles of a pair have in common is the exposures' doing, and no noise.
        let common = median(&mut ratios.clone()).unwrap_or(0.0);
        within.extend(ratios.drain(..).map(|r| r - common));
    }
    let noise = now.noise * larger_than_noise(within.into_iter(), now.noise);
    Some(Solved { curve, offsets, noise })
}

fn residuals(pair: &Pair, curve: &Curve, offsets: &DVector<f64>) -> Vec<f64> {
    let [a, b] = pair.frames;
    let apart = pair.apart + offsets[b] - offsets[a];
    pair.quantiles.iter().map(|s| curve.value_at(s.splines[1]) - curve.value_at(s.splines[0]) - apart).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_clipped_or_no_number_is_as_good_as_not_shown() {
        let of = |codes: [Option<f64>; 5]| Exposed::new(codes.into_iter(), Stops::ZERO);
        let shown = of([Some(2.0), Some(100.0), Some(253.0), Some(f64::NAN), None]);
        assert_eq!(shown, of([None, Some(100.0), None, None, None]));
    }

    /// CHECK: the codes are those of a known curve, steeper than is likely; half of them are not shown, others in each frame.
    #[test]
    fn a_curve_is_found_from_places_that_not_every_frame_shows() {
        let prior = Curve::vague();
        let truth = Response::unnamed(&Curve { mean: &prior.mean * 1.1, ..prior.clone() });
        let bracket = |is_shown: &dyn Fn(usize, usize) -> bool| -> Vec<Exposed> {
            let frame = |frame: usize| {
                let exposure = frame as f64 * 0.5 - 2.0;
                let code = |place: usize| truth.code(Stops(place as f64 / 25.0 - 4.0 + exposure));
                let codes = (0..200).map(|place| is_shown(frame, place).then(|| code(place)));
                Exposed::new(codes, Stops(exposure))
            };
            (0..9).map(frame).collect()
        };
        let doubt = |fit: &Fit| fit.curve.deviation([(80.0, 160.0, 1.0)].into_iter()).0;
        let all = fit(&bracket(&|_, _| true), &prior).unwrap();
        let half = fit(&bracket(&|frame, place| (frame * 7 + place * 3) % 4 < 2), &prior).unwrap();
        let found = Response::unnamed(&half.curve);
        for code in [30.0, 80.0, 118.0, 160.0, 220.0] {
            assert!((found.light(code) - truth.light(code)).abs() < Stops(0.03), "{code}: {}", found.light(code));
        }
        assert!(doubt(&half) >= doubt(&all), "{} {}", doubt(&half), doubt(&all));
        // Where no two frames show one place, nothing is found.
        assert!(fit(&bracket(&|frame, place| place % 9 == frame), &prior).is_none());
    }
}
