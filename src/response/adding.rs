//! Recovers a response curve from light that adds: frames of single lights, and the frame of all of them together.
//!
//! Every part of the scene is an equation about the curve: the light of all is the sum of the light of each
//! (superposition; Manders, Aimone and Mann, Camera response function recovery from different illuminations of identical subject
//! matter, ICIP 2004, from memory). A curve that is bent doesn't keep it, nor does one that is too steep: of two equal
//! lights, both are one stop more than either.
//!
//! ```text
//! log2 sum_f 2^gain(f) * factor(f) * 2^curve(code of f)  =  curve(code of all) + gain(all)  +  error
//! ```
//!
//! Unknown are the curve's coefficients, likely or unlikely beforehand, and by how much each frame's light was off: flashes don't
//! repeat exactly. Errors have long tails, so that what moved between the frames loses its say.

use nalgebra::{DMatrix, DVector};

use super::basis::{self, SPLINES};
use super::curve::Response;
use super::fit::{TRUSTED, before, curve_of};
use super::gaussian::Curve;
use super::rising::solve_rising;
use crate::photometry::Stops;
use crate::statistics::{larger_long_tailed, long_tailed_weight, median};

/// One frame whose light is a part of the sum.
#[derive(Debug, Clone, PartialEq)]
pub struct Addend {
    /// Codes of the scene's parts, in an order that all frames share; `None` where a part is clipped or not shown.
    pub codes: Vec<Option<f64>>,
    /// How often its light is in the sum; below zero where it is taken off.
    pub factor: f64,
}

/// Light that adds.
#[derive(Debug, Clone, PartialEq)]
pub struct Superposition {
    pub addends: Vec<Addend>,
    /// Codes of the frame with all.
    pub all: Vec<Option<f64>>,
    /// Parts that lie side by side.
    pub columns: usize,
}

/// What light that adds made of the curve.
#[derive(Debug, Clone)]
pub struct Added {
    pub curve: Curve,
    /// How far each frame's light was off, in the addends' order, then that of the frame with all.
    pub gains: Vec<Stops>,
    /// Median size of what is left over of a part.
    pub residual: Stops,
}

/// Error of a part where nothing else is known, in stops.
const PART: f64 = 0.03;
/// As many parts err together: by what moved between the frames, and by the lens.
const TOGETHER: f64 = 64.0;
/// Light that a curve can't be trusted for may be this share of a part's.
const MOST_UNTRUSTED: f64 = 0.03;
/// Parts along each side of a block whose parts stay together when the scene is halved.
const BLOCK: usize = 8;
const FEWEST_PARTS: usize = 200;
const STEPS: usize = 20;
/// A curve that changes by less than this from step to step is found, in stops.
const FOUND: f64 = 1e-4;

/// A part of the scene in one step: what is left over of it, how each unknown changes that, and its error.
struct Equation {
    left: f64,
    slopes: DVector<f64>,
    error: f64,
}

/// Fits a curve. `gain` is how far a frame's light may be off, standard deviation. `None` where too little of the scene can be used.
pub fn fit_to_sum(light: &Superposition, prior: &Curve, gain: Stops) -> Option<Added> {
    let (precision, pull) = before(prior)?;
    let size = SPLINES + light.addends.len() + 1;
    let mut known = DMatrix::<f64>::zeros(size, size);
    known.view_mut((0, 0), (SPLINES, SPLINES)).copy_from(&precision);
    (SPLINES..size).for_each(|at| known[(at, at)] = gain.0.powi(-2));
    let mut now = DVector::<f64>::zeros(size);
    now.rows_mut(0, SPLINES).copy_from(&prior.mean);
    let mut covariance = known.clone();
    let mut sizes: Vec<f64> = Vec::new();
    for _ in 0..STEPS {
        let equations = light.equations(&now);
        if equations.len() < FEWEST_PARTS {
            return None;
        }
        sizes = equations.iter().map(|e| e.left.abs()).collect();
        // Never smaller than what was taken for granted: errors that a whole frame shares don't show in what is left over.
        let scale = larger_long_tailed(equations.iter().map(|e| e.left / e.error)).map_or(1.0, |scale| scale.max(1.0));
        let mut normal = known.clone();
        let mut right = DVector::<f64>::zeros(size);
        right.rows_mut(0, SPLINES).copy_from(&pull);
        for Equation { left, slopes, error } in &equations {
            let weight = long_tailed_weight(*left, error * scale) / TOGETHER;
            normal.ger(weight, slopes, slopes, 1.0);
            // Where the equation would have the unknowns, were it straight.
            right.axpy(weight * (slopes.dot(&now) - left), slopes, 1.0);
        }
        let (solution, spread) = solve_rising(normal, &right)?;
        let step = (&solution - &now).rows(0, SPLINES).amax();
        (now, covariance) = (solution, spread);
        if step < FOUND {
            break;
        }
    }
    let gains = now.rows(SPLINES, size - SPLINES).iter().map(|gain| Stops(*gain)).collect();
    Some(Added { curve: curve_of(&now, &covariance), gains, residual: Stops(median(&mut sizes)?) })
}

impl Superposition {
    /// Every second block of its parts, the `odd` ones or the others.
    pub fn half(&self, odd: bool) -> Superposition {
        let columns = self.columns;
        let is_in = |at: usize| ((at % columns) / BLOCK + (at / columns) / BLOCK) % 2 == usize::from(odd);
        let of =
            |codes: &[Option<f64>]| codes.iter().enumerate().map(|(at, code)| code.filter(|_| is_in(at))).collect();
        let addends = self.addends.iter().map(|a| Addend { codes: of(&a.codes), factor: a.factor });
        Superposition { addends: addends.collect(), all: of(&self.all), columns }
    }

    /// Median size of what a curve leaves over, each frame's light off by its gain; `None` where too little can be used.
    pub fn misfit(&self, curve: &Curve, gains: &[Stops]) -> Option<Stops> {
        let mut now = curve.mean.clone().insert_rows(SPLINES, gains.len(), 0.0);
        gains.iter().enumerate().for_each(|(at, gain)| now[SPLINES + at] = gain.0);
        let equations = self.equations(&now);
        let mut sizes: Vec<f64> = equations.iter().map(|e| e.left.abs()).collect();
        median(&mut sizes).filter(|_| sizes.len() >= FEWEST_PARTS).map(Stops)
    }

    fn equations(&self, now: &DVector<f64>) -> Vec<Equation> {
        let curve = Curve { mean: now.rows(0, SPLINES).into_owned(), covariance: DMatrix::zeros(SPLINES, SPLINES) };
        let response = Response::unnamed(&curve);
        (0..self.all.len()).filter_map(|at| self.equation(at, now, &curve, &response)).collect()
    }

    fn equation(&self, at: usize, now: &DVector<f64>, curve: &Curve, response: &Response) -> Option<Equation> {
        let all = self.all[at].filter(|code| TRUSTED.contains(code))?;
        let gains = now.rows(SPLINES, self.addends.len() + 1);
        let codes: Vec<f64> =
            self.addends.iter().map(|a| a.codes[at].filter(|code| *code < TRUSTED.end)).collect::<Option<_>>()?;
        let splines: Vec<_> = codes.iter().map(|code| basis::at(*code)).collect();
        let light = |(a, addend): (usize, &Addend)| addend.factor * (curve.value_at(splines[a]) + gains[a]).exp2();
        let light: Vec<f64> = self.addends.iter().enumerate().map(light).collect();
        let sum: f64 = light.iter().sum();
        let untrusted: f64 =
            light.iter().zip(&codes).filter(|(_, code)| **code < TRUSTED.start).map(|(light, _)| light.abs()).sum();
        if sum <= 0.0 || untrusted > MOST_UNTRUSTED * sum {
            return None;
        }
        let whole = basis::at(all);
        let left = sum.log2() - curve.value_at(whole) - gains[self.addends.len()];
        let mut slopes = DVector::<f64>::zeros(now.len());
        let mut add = |(first, values): (usize, [f64; 4]), times: f64| {
            values.iter().enumerate().for_each(|(i, value)| slopes[first + i] += times * value);
        };
        let mut error = PART.powi(2) + response.noise_at(all).0.powi(2);
        for (a, light) in light.iter().enumerate() {
            let share = light / sum;
            add(splines[a], share);
            error += (share * response.noise_at(codes[a]).0).powi(2);
        }
        add(whole, -1.0);
        light.iter().enumerate().for_each(|(a, light)| slopes[SPLINES + a] = light / sum);
        slopes[SPLINES + self.addends.len()] = -1.0;
        Some(Equation { left, slopes, error: error.sqrt() })
    }
}
