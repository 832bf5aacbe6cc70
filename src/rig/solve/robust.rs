//! The search for the likeliest unknowns, under errors with long tails.
//!
//! Errors are of log light: Student's t with four degrees of freedom (Lange, Little and Taylor, JASA 84, 1989, from memory), so a
//! cell that no source explains (a hand, a moved lock of hair) loses its say and doesn't pull the rest. Each step is one of
//! Gauss-Newton with the weights of the last, shortened until the cost falls; how large errors are is found along the way.
//! The cost has several minima, one for each way in which features of the scene may be laid on each other: whoever calls
//! must start at several places.

use nalgebra::{DMatrix, DVector};

use super::field::Shift;
use super::model::{BLOCKS, NUDGE, Nudged, Task, View};
use crate::statistics::{LONG_TAILED, larger_long_tailed, long_tailed_weight};

/// How far a scene lies off before anything is seen, standard deviation: patches, patches, powers of two.
const PLACE_PRIOR: [f64; 3] = [2.0, 2.0, 0.03];
/// Changes are looked for within these stops.
const FARTHEST: f64 = 9.0;

impl Task {
    pub fn state(&self, shift: Shift, change: DVector<f64>) -> FitState {
        FitState { change, shift, scale: 1.0, cost: f64::INFINITY }
    }

    /// One step; the place moves only when its slopes are taken where the scene lies.
    pub fn step(&self, state: &mut FitState, nudged: Nudged) {
        let with_place = matches!(nudged, Nudged::All);
        let view = self.view(&state.change, state.shift, nudged);
        state.scale = scale(&view);
        state.cost = self.cost(state, &view);
        let system = self.system(state, &view, with_place);
        let Some(solver) = system.normal.clone().cholesky() else { return };
        let step = solver.solve(&system.gradient);
        let mut part = 1.0;
        for _ in 0..6 {
            let tried = state.moved(&step, part, with_place);
            let view = self.view(&tried.change, tried.shift, nudged);
            let cost = self.cost(&tried, &view);
            if cost <= state.cost {
                *state = FitState { cost, ..tried };
                return;
            }
            part *= 0.4;
        }
    }

    fn cost(&self, state: &FitState, view: &View) -> f64 {
        let errors: f64 = view
            .used()
            .map(|(i, left)| {
                let error = view.error[i] * state.scale;
                (LONG_TAILED + 1.0) / 2.0 * (1.0 + (left / error).powi(2) / LONG_TAILED).ln() + error.ln()
            })
            .sum();
        errors + self.prior_cost(state)
    }

    fn prior_cost(&self, state: &FitState) -> f64 {
        let changes: f64 = state.change.iter().zip(&self.prior).map(|(c, p)| (c / p).powi(2)).sum();
        let shift: f64 = state.shift.parts().iter().zip(PLACE_PRIOR).map(|(c, p)| (c / p).powi(2)).sum();
        (changes + shift) / 2.0
    }

    pub fn system(&self, state: &FitState, view: &View, with_place: bool) -> System {
        let sources = self.fields.len();
        let size = sources + if with_place { 3 } else { 0 };
        let mut prior = DMatrix::zeros(size, size);
        let mut gradient = DVector::zeros(size);
        let mut pull = |at: usize, value: f64, width: f64| {
            prior[(at, at)] = width.powi(-2);
            gradient[at] = -value / width.powi(2);
        };
        for s in 0..sources {
            pull(s, state.change[s], self.prior[s]);
        }
        for (axis, value) in state.shift.parts().into_iter().enumerate().filter(|_| with_place) {
            pull(sources + axis, value, PLACE_PRIOR[axis]);
        }
        let mut normal = prior.clone();
        let mut blocks = vec![DVector::<f64>::zeros(size); BLOCKS.0 * BLOCKS.1];
        for (i, left) in view.used() {
            let row = self.row(view, i, with_place);
            let weight = self.weight(view, state, i, left);
            normal.ger(weight, &row, &row, 1.0);
            blocks[self.block_of(i)] += row * (weight * left);
        }
        let mut meat = DMatrix::zeros(size, size);
        for block in &blocks {
            gradient += block;
            meat.ger(1.0, block, block, 1.0);
        }
        System { normal, gradient, prior, meat }
    }

    pub fn weight(&self, view: &View, state: &FitState, cell: usize, left: f64) -> f64 {
        let error = view.error[cell] * state.scale;
        long_tailed_weight(left, error)
    }
}

#[derive(Debug, Clone)]
pub(super) struct FitState {
    pub change: DVector<f64>,
    pub shift: Shift,
    pub scale: f64,
    pub cost: f64,
}

impl FitState {
    fn moved(&self, step: &DVector<f64>, part: f64, with_place: bool) -> FitState {
        let sources = self.change.len();
        let mut change = &self.change + step.rows(0, sources) * part;
        change.apply(|c| *c = c.clamp(-FARTHEST, FARTHEST));
        let mut shift = self.shift.parts();
        if with_place {
            for (axis, value) in shift.iter_mut().enumerate() {
                *value += (step[sources + axis] * part).clamp(-2.0 * NUDGE[axis], 2.0 * NUDGE[axis]);
            }
        }
        FitState { change, shift: Shift::of(shift), scale: self.scale, cost: self.cost }
    }
}

/// How much larger errors are than they were taken to be, robustly.
fn scale(view: &View) -> f64 {
    let ratios = view.used().map(|(i, left)| left / view.error[i]);
    larger_long_tailed(ratios).unwrap_or(1.0).clamp(0.3, 5.0)
}

/// The linear system of one step.
pub(super) struct System {
    pub normal: DMatrix<f64>,
    pub gradient: DVector<f64>,
    pub prior: DMatrix<f64>,
    /// Spread of the blocks' pulls: errors hang together within a block (White 1980; Liang and Zeger 1986, from memory).
    pub meat: DMatrix<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: the median of the size of Student's t with four degrees of freedom is 0.741 (any table, from memory).
    #[test]
    fn errors_of_the_size_they_were_taken_for_have_the_scale_one() {
        let view = |size: f64| View {
            left: vec![Some(-0.1 * size), None, Some(0.0741 * size), Some(0.01)],
            error: vec![0.1; 4],
            shares: Vec::new(),
            slopes: Vec::new(),
        };
        assert!((scale(&view(1.0)) - 1.0).abs() < 1e-9);
        assert!((scale(&view(2.0)) - 2.0).abs() < 1e-9);
    }
}
