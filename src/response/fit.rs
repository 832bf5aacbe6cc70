//! Recovers a response curve from frames of one still scene whose exposures are known.
//!
//! The model is that of Debevec and Malik (SIGGRAPH 1997): the log of light is the curve at the
//! code, less the log of the exposure. Three things are added. Matched shares of the picture
//! take the place of pixels (Grossberg and Nayar, PAMI 2003), so that small movement does no harm.
//! Curves are likely or unlikely beforehand, as in their Modeling the Space of Camera Response
//! Functions (PAMI 2004), so that few frames don't lead astray. And each exposure may be a little
//! off its settings, by as much as the frames themselves show, but not in step with them.

use nalgebra::{DMatrix, DVector};

use super::basis::{self, ANCHOR, SPLINES};
use super::curve::Response;
use super::gaussian::{Curve, LEAST_SLOPE};
use crate::photometry::Stops;

/// One frame: codes at places that mean the same in every frame, and its exposure.
#[derive(Debug, Clone, PartialEq)]
pub struct Exposed {
    pub codes: Vec<f64>,
    /// From any common origin.
    pub exposure: Stops,
}

/// What the frames made of the curve.
#[derive(Debug, Clone)]
pub struct Fit {
    pub curve: Curve,
    /// How far each frame's light is off its settings.
    pub offsets: Vec<Stops>,
    /// Their standard deviation, with what is usual weighed in.
    pub scatter: Stops,
    /// Median difference of a share from the curve.
    pub residual: Stops,
}

/// Codes outside are clipped, or may be.
pub const TRUSTED: std::ops::Range<f64> = 6.0..250.0;
/// Frames farther apart share too few tones to relate.
const FARTHEST: Stops = Stops(3.5);
/// Fewer comparable shares of two frames say nothing.
const FEWEST_SHARES: usize = 5;
/// How far exposures are usually off their settings (measured on four cameras; Exif rounds).
const USUAL_SCATTER: Stops = Stops(0.04);
/// That many frames' worth of belief in it.
const BELIEF: f64 = 3.0;
const LEAST_SCATTER: f64 = 0.015;
/// The shares of one pair of frames err together: they count as no more than this many.
const INDEPENDENT_SHARES: f64 = 6.0;
/// Regions of tone. The shares of a raw file and its picture err together within one, and a large
/// backdrop must not outvote all other tones.
pub const TONES: usize = 22;
/// The shares of one region count as no more than this many.
const SHARES_OF_A_TONE: f64 = 2.0;
/// Residuals beyond so many deviations count less (Huber 1964).
const HUBER: f64 = 1.5;
const SURE: f64 = 1e6;
const ROUNDS: usize = 3;
const STEPS: usize = 4;

/// One share of two frames.
struct Share {
    /// Of the earlier and the later frame: splines at its codes.
    splines: [(usize, [f64; 4]); 2],
    codes: [f64; 2],
    trust: f64,
}

struct Pair {
    frames: [usize; 2],
    apart: f64,
    shares: Vec<Share>,
    /// A share's weight before its noise.
    each: f64,
}

/// Fits a curve. `None` when no two frames share enough unclipped tones.
pub fn fit(frames: &[Exposed], prior: &Curve) -> Option<Fit> {
    let mut pairs = pairs(frames);
    if pairs.is_empty() {
        return None;
    }
    let (precision, pull) = before(prior)?;
    let mut curve = prior.clone();
    let mut scatter = USUAL_SCATTER.0;
    let mut offsets = DVector::zeros(frames.len());
    for _ in 0..ROUNDS {
        for share in pairs.iter_mut().flat_map(|p| &mut p.shares) {
            share.trust = 1.0;
        }
        for _ in 0..STEPS {
            let solved = step(frames, &mut pairs, &precision, &pull, &curve, scatter)?;
            (curve, offsets) = solved;
        }
        let squares = offsets.norm_squared() + BELIEF * USUAL_SCATTER.0.powi(2);
        scatter = (squares / (frames.len() as f64 - 1.0 + BELIEF)).sqrt().max(LEAST_SCATTER);
    }
    let mut residuals: Vec<f64> = pairs.iter().flat_map(|p| residuals(p, &curve, &offsets)).map(f64::abs).collect();
    residuals.sort_by(f64::total_cmp);
    Some(Fit {
        curve,
        offsets: offsets.iter().map(|o| Stops(*o)).collect(),
        scatter: Stops(scatter),
        residual: Stops(residuals[residuals.len() / 2]),
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
    for _ in 0..STEPS {
        let now = Response::unnamed(&curve);
        let mut normal = DMatrix::<f64>::zeros(SPLINES + 1, SPLINES + 1);
        let mut right = DVector::<f64>::zeros(SPLINES + 1);
        normal.view_mut((0, 0), (SPLINES, SPLINES)).copy_from(&precision);
        right.rows_mut(0, SPLINES).copy_from(&pull);
        let rows: Vec<DVector<f64>> = codes.iter().map(|code| basis::row(*code).insert_row(SPLINES, -1.0)).collect();
        let noise: Vec<f64> = codes.iter().map(|code| now.noise_between(*code, *code).0).collect();
        for (i, row) in rows.iter().enumerate() {
            let each = SHARES_OF_A_TONE / f64::from(crowd[tone(codes[i])]);
            let weight = trusted[i] * each / noise[i].powi(2);
            normal += row * row.transpose() * weight;
            right += row * (weight * light[i].0);
        }
        let (solution, covariance) = solve_rising(normal, right)?;
        off = rows.iter().zip(light).map(|(row, light)| (row.dot(&solution) - light.0).abs()).collect();
        trusted = off.iter().zip(&noise).map(|(off, noise)| trust(*off, *noise)).collect();
        curve = curve_of(&solution, &covariance);
    }
    off.sort_by(f64::total_cmp);
    Some((curve, Stops(*off.get(off.len() / 2)?)))
}

/// What is known before any frame: the prior's precision, and its pull on the coefficients. The curve
/// is zero at the anchor.
fn before(prior: &Curve) -> Option<(DMatrix<f64>, DVector<f64>)> {
    let inverse = prior.covariance.clone().cholesky()?.inverse();
    let anchor = basis::row(ANCHOR);
    let precision = inverse + &anchor * anchor.transpose() * SURE;
    let pull = &precision * &prior.mean;
    Some((precision, pull))
}

/// The curve's part of a solution.
fn curve_of(solution: &DVector<f64>, covariance: &DMatrix<f64>) -> Curve {
    Curve {
        mean: solution.rows(0, SPLINES).into_owned(),
        covariance: covariance.view((0, 0), (SPLINES, SPLINES)).into_owned(),
    }
}

/// How much a residual counts (Huber 1964).
fn trust(off: f64, noise: f64) -> f64 {
    1.0 / (off.abs() / noise / HUBER).max(1.0)
}

fn pairs(frames: &[Exposed]) -> Vec<Pair> {
    let mut found = Vec::new();
    for (a, first) in frames.iter().enumerate() {
        for (b, second) in frames.iter().enumerate().skip(a + 1) {
            let apart = second.exposure - first.exposure;
            let both = first.codes.iter().zip(&second.codes);
            let shares: Vec<Share> = both
                .filter(|(x, y)| TRUSTED.contains(x) && TRUSTED.contains(y))
                .map(|(x, y)| Share { splines: [basis::at(*x), basis::at(*y)], codes: [*x, *y], trust: 1.0 })
                .collect();
            if apart.abs() <= FARTHEST && shares.len() >= FEWEST_SHARES {
                let each = INDEPENDENT_SHARES / first.codes.len() as f64;
                found.push(Pair { frames: [a, b], apart: apart.0, shares, each });
            }
        }
    }
    found
}

/// One step of reweighted least squares over the coefficients and the frames' offsets.
fn step(
    frames: &[Exposed],
    pairs: &mut [Pair],
    precision: &DMatrix<f64>,
    pull: &DVector<f64>,
    curve: &Curve,
    scatter: f64,
) -> Option<(Curve, DVector<f64>)> {
    let size = SPLINES + frames.len();
    let mut normal = DMatrix::<f64>::zeros(size, size);
    let mut right = DVector::<f64>::zeros(size);
    normal.view_mut((0, 0), (SPLINES, SPLINES)).copy_from(precision);
    right.rows_mut(0, SPLINES).copy_from(pull);
    hold_offsets(&mut normal, frames, scatter);
    let now = Response::unnamed(curve);
    for pair in pairs.iter() {
        for share in &pair.shares {
            let weight = share.trust * pair.each / now.noise_between(share.codes[0], share.codes[1]).0.powi(2);
            let mut entries = [(0_usize, 0.0_f64); 10];
            for (side, sign) in [(0, -1.0), (1, 1.0)] {
                let (first, values) = share.splines[side];
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
    let (solution, covariance) = solve_rising(normal, right)?;
    let solved = curve_of(&solution, &covariance);
    let offsets = solution.rows(SPLINES, frames.len()).into_owned();
    for pair in pairs {
        let off = residuals(pair, &solved, &offsets);
        for (share, off) in pair.shares.iter_mut().zip(off) {
            let noise = now.noise_between(share.codes[0], share.codes[1]).0;
            share.trust = trust(off, noise);
        }
    }
    Some((solved, offsets))
}

/// Offsets are small, add up to nothing, and don't go with the exposure: that would be the curve's
/// own slope.
fn hold_offsets(normal: &mut DMatrix<f64>, frames: &[Exposed], scatter: f64) {
    let n = frames.len();
    let mean = frames.iter().map(|f| f.exposure.0).sum::<f64>() / n as f64;
    let away = DVector::from_iterator(n, frames.iter().map(|f| f.exposure.0 - mean));
    let level = DVector::from_element(n, 1.0);
    let along = &away * away.transpose() / away.norm_squared().max(1e-9) + &level * level.transpose() / n as f64;
    let hold = DMatrix::identity(n, n) / (scatter * scatter) + along * SURE;
    let mut block = normal.view_mut((SPLINES, SPLINES), (n, n));
    block += hold;
}

/// Solves, and where the curve would fall pulls it up until it doesn't (an asymmetric penalty, as
/// Eilers, Computational Statistics 2005, from memory).
fn solve_rising(mut normal: DMatrix<f64>, mut right: DVector<f64>) -> Option<(DVector<f64>, DMatrix<f64>)> {
    const STEEP_ENOUGH: f64 = 0.003;
    const TRIES: usize = 6;
    let size = right.len();
    let rows: Vec<DVector<f64>> = (0..=255).map(|c| basis::row(f64::from(c))).collect();
    for attempt in 0.. {
        let factors = normal.clone().cholesky()?;
        let solution = factors.solve(&right);
        let coefficients = solution.rows(0, SPLINES);
        let falls: Vec<usize> =
            (0..255).filter(|c| (&rows[c + 1] - &rows[*c]).dot(&coefficients) < LEAST_SLOPE).collect();
        if falls.is_empty() || attempt == TRIES {
            return Some((solution, factors.inverse()));
        }
        for code in falls {
            let mut rise = DVector::zeros(size);
            rise.rows_mut(0, SPLINES).copy_from(&(&rows[code + 1] - &rows[code]));
            normal += &rise * rise.transpose() * SURE;
            right += rise * (SURE * STEEP_ENOUGH);
        }
    }
    None
}

fn residuals(pair: &Pair, curve: &Curve, offsets: &DVector<f64>) -> Vec<f64> {
    let [a, b] = pair.frames;
    let apart = pair.apart + offsets[b] - offsets[a];
    pair.shares.iter().map(|s| curve.value_at(s.splines[1]) - curve.value_at(s.splines[0]) - apart).collect()
}
