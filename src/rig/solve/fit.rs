//! The robust fit of what each source does in a frame: started from non-negative least squares (Lawson and Hanson 1974)
//! at several places, the best of them followed to its end (`robust`), by the `model`, with its `covariance`.

use nalgebra::{DMatrix, DVector};

use super::field::Shift;
use super::model::{Nudged, Task};
use super::nnls::nnls;
use super::robust::FitState;

/// What a fit found.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    /// Light of each source against what was expected of it, as a factor.
    pub factors: DVector<f64>,
    pub covariance: DMatrix<f64>,
    /// What of each source's change may be the doing of a head that turned, standard deviation in stops.
    pub shape: Vec<f64>,
    pub shift: Shift,
    /// Frame minus fit, in stops; `None` where a cell was not used.
    pub left: Vec<Option<f64>>,
    /// Standard deviation that a cell's error was taken to have, with all that is not known of the curve.
    pub error: Vec<f64>,
    /// Each source's share of the fitted light, source by source.
    pub shares: Vec<Vec<f64>>,
}

impl Fit {
    /// Standard deviation of a source's factor as the fit has it.
    pub fn sd(&self, source: usize) -> f64 {
        self.covariance[(source, source)].max(0.0).sqrt()
    }

    /// Standard deviation of a source's factor by the doubt of shape.
    pub fn factor_by_shape(&self, source: usize) -> f64 {
        std::f64::consts::LN_2 * self.factors[source] * self.shape[source]
    }
}

/// Steps of the place tried at the start, in patches.
const STARTS: [f64; 3] = [-1.8, 0.0, 1.8];
const STEPS: usize = 25;
/// Cells that must be told for every source.
const FEWEST_CELLS: usize = 6;

impl Task {
    /// Fits from the best of several starts.
    pub fn fit(&self) -> Option<Fit> {
        let mut best: Option<FitState> = None;
        // How much a shift changes a cell is about the same wherever the scene lies: good enough to choose a start by.
        let untouched = DVector::zeros(self.fields.len());
        let slopes = self.view(&untouched, Shift::default(), Nudged::All).slopes;
        for down in STARTS {
            for right in STARTS {
                let shift = Shift { right, down, larger: 0.0 };
                for change in [untouched.clone(), self.least_squares(shift)?] {
                    let mut state = self.state(shift, change);
                    for _ in 0..2 {
                        self.step(&mut state, Nudged::As(&slopes));
                    }
                    if best.as_ref().is_none_or(|b| state.cost < b.cost) {
                        best = Some(state);
                    }
                }
            }
        }
        let mut state = best?;
        for _ in 0..STEPS {
            let before = state.cost;
            self.step(&mut state, Nudged::All);
            if (before - state.cost).abs() < 1e-4 * (1.0 + before.abs()) {
                break;
            }
        }
        self.finish(state)
    }

    /// Changes by non-negative least squares at a place, cells weighted to errors of log light.
    fn least_squares(&self, shift: Shift) -> Option<DVector<f64>> {
        let source_cells = self.source_cells(shift);
        let row = |(i, observed): (usize, &Option<f64>)| {
            let light = observed.as_ref()?.exp2();
            let row: Vec<f64> = source_cells.cells.iter().map(|c| c[i] / light).collect();
            row.iter().all(|v| v.is_finite()).then_some(row)
        };
        let rows: Vec<Vec<f64>> = self.observed.iter().enumerate().filter_map(row).collect();
        if rows.len() < self.fields.len() * FEWEST_CELLS {
            return None;
        }
        let weights = nnls(&rows, &vec![1.0; rows.len()]);
        Some(DVector::from_iterator(weights.len(), weights.iter().map(|w| w.max(0.06).log2().min(4.0))))
    }

    fn finish(&self, state: FitState) -> Option<Fit> {
        let view = self.view(&state.change, state.shift, Nudged::All);
        let shape = self.stops_by_shape(&state, &view);
        let covariance = self.covariance(&state, &view)?;
        let sources = self.fields.len();
        Some(Fit {
            factors: state.change.map(f64::exp2),
            covariance,
            shape,
            shift: state.shift,
            shares: (0..sources).map(|s| view.shares.iter().map(|cell| cell[s]).collect()).collect(),
            left: view.left,
            error: view.error.iter().zip(&self.curve_sd).map(|(e, curve)| e.hypot(*curve)).collect(),
        })
    }
}
