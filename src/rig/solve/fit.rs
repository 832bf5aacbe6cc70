//! The robust fit of what each source does in a frame.
//!
//! ```text
//! log2 frame(cell) = log2 sum_s 2^change(s) * survey(s, cell moved to place)  +  error
//! ```
//!
//! Errors are of log light, with long tails (Student's t, four degrees of freedom; Lange, Little and Taylor, JASA 84, 1989,
//! from memory), and larger where a small shift changes much. Gauss-Newton steps (iteratively
//! reweighted), started from non-negative least squares (Lawson and Hanson 1974) at several places.

use nalgebra::{DMatrix, DVector};
use ndarray::{Array1, Array2};

use super::field::{Field, Place};
use crate::statistics::median;

/// What a fit is given: everything in stops or powers of two, cell by cell.
pub(super) struct Task {
    /// Sources as the survey shows them, with what is known of their changes since.
    pub fields: Vec<Field>,
    /// Light of the frame's cells in stops; `None` where it can't be used.
    pub seen: Vec<Option<f64>>,
    /// Standard deviation of a cell's light by what its code can't say.
    pub noise: Vec<f64>,
    /// For each way in which the response curve may be off by one standard deviation: what that does to the
    /// frame's cells, and to each source's.
    pub curve: Vec<CurveDoubt>,
    /// How far the curve may be off in all, between a cell of the frame and the survey's.
    pub curve_doubt: Vec<f64>,
    /// Standard deviations of the sources' changes before anything is seen.
    pub prior: Vec<f64>,
    /// Share of each source in every cell as the survey has it, and how far its light may be off there.
    pub shares: Vec<Vec<f64>>,
    pub doubt: Vec<Vec<f64>>,
    /// Cells along both sides.
    pub cells: (usize, usize),
}

pub(super) struct CurveDoubt {
    pub frame: Vec<f64>,
    pub sources: Vec<Vec<f64>>,
}

/// What a fit found.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    /// Light of each source against what was expected of it, as a factor.
    pub factors: DVector<f64>,
    pub covariance: DMatrix<f64>,
    pub place: Place,
    /// Frame minus fit, in stops; `None` where a cell was not used.
    pub left: Vec<Option<f64>>,
    /// Standard deviation that a cell's error was taken to have, with all that is not known of the curve.
    pub error: Vec<f64>,
    /// Each source's share of the fitted light, source by source.
    pub shares: Vec<Vec<f64>>,
}

/// Deviation of a factor that nothing tells of.
const UNSEEN: f64 = 8.0;
/// The blocks' spread is too small by this, as simulations show: errors hang together beyond a block.
const TOO_SURE: f64 = 1.5;
const FREEDOM: f64 = 4.0;
/// Steps of the place tried at the start, in patches.
const STARTS: [f64; 3] = [-1.8, 0.0, 1.8];
/// How far a scene lies off before anything is seen, standard deviation: patches, patches, powers of two.
const PLACE_PRIOR: [f64; 3] = [2.0, 2.0, 0.03];
/// Small steps by which derivatives are taken.
const NUDGE: [f64; 3] = [0.5, 0.5, 0.01];
/// What of the place no shift of the whole describes, standard deviation in patches.
const LOOSE: f64 = 0.35;
/// Error of a cell where nothing else is known, in stops.
const LEAST_ERROR: f64 = 0.03;
const STEPS: usize = 25;
/// Cells that must be told for every source.
const FEWEST_CELLS: usize = 6;
/// Changes are looked for within these stops.
const FARTHEST: f64 = 9.0;
/// Blocks of cells along each side whose errors are taken to hang together.
const BLOCKS: (usize, usize) = (6, 4);

/// Light of all sources at one place.
struct Lit {
    /// Source by source, linear, before their changes.
    cells: Vec<Vec<f64>>,
}

impl Task {
    fn lit(&self, place: Place) -> Lit {
        Lit { cells: self.fields.iter().map(|f| f.cells(place)).collect() }
    }

    /// Fits from the best of several starts.
    pub fn fit(&self) -> Option<Fit> {
        let mut best: Option<State> = None;
        // How much a shift changes a cell is about the same wherever the scene lies: good enough to choose a start by.
        let untouched = DVector::zeros(self.fields.len());
        let slopes = self.view(&self.state(Place::default(), untouched.clone()), Nudged::All).slopes;
        for down in STARTS {
            for right in STARTS {
                let place = Place { right, down, larger: 0.0 };
                for change in [untouched.clone(), self.least_squares(place)?] {
                    let mut state = self.state(place, change);
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
    fn least_squares(&self, place: Place) -> Option<DVector<f64>> {
        let lit = self.lit(place);
        let row = |(i, seen): (usize, &Option<f64>)| {
            let light = seen.as_ref()?.exp2();
            let row: Vec<f64> = lit.cells.iter().map(|c| c[i] / light).collect();
            row.iter().all(|v| v.is_finite()).then_some(row)
        };
        let rows: Vec<Vec<f64>> = self.seen.iter().enumerate().filter_map(row).collect();
        if rows.len() < self.fields.len() * FEWEST_CELLS {
            return None;
        }
        let weights = nnls(&rows, &vec![1.0; rows.len()]);
        Some(DVector::from_iterator(weights.len(), weights.iter().map(|w| w.max(0.06).log2().min(4.0))))
    }

    fn state(&self, place: Place, change: DVector<f64>) -> State {
        State { change, place, scale: 1.0, cost: f64::INFINITY }
    }

    /// One step; the place moves only when its slopes are taken where the scene lies.
    fn step(&self, state: &mut State, nudged: Nudged) {
        let with_place = matches!(nudged, Nudged::All);
        let view = self.view(state, nudged);
        state.scale = view.scale();
        state.cost = self.cost(state, &view);
        let system = self.system(state, &view, with_place);
        let Some(solver) = system.normal.clone().cholesky() else { return };
        let step = solver.solve(&system.gradient);
        let mut part = 1.0;
        for _ in 0..6 {
            let tried = state.moved(&step, part, with_place);
            let view = self.view(&tried, nudged);
            let cost = self.cost(&tried, &view);
            if cost <= state.cost {
                *state = State { cost, ..tried };
                return;
            }
            part *= 0.4;
        }
    }

    /// From stops to factors of light, in which the likelihood is nearly normal even for a light that is
    /// out. What was believed of the sources before is left to the odds.
    fn finish(&self, state: State) -> Option<Fit> {
        let view = self.view(&state, Nudged::All);
        let sources = self.fields.len();
        let per_stop = |at: usize| if at < sources { std::f64::consts::LN_2 * state.change[at].exp2() } else { 1.0 };
        let in_factors =
            |m: DMatrix<f64>| DMatrix::from_fn(m.nrows(), m.ncols(), |i, j| m[(i, j)] / per_stop(i) / per_stop(j));
        let System { mut normal, prior, meat, .. } = self.system(&state, &view, true);
        for s in 0..sources {
            normal[(s, s)] -= self.prior[s].powi(-2);
        }
        let mut normal = in_factors(normal);
        for s in 0..sources {
            normal[(s, s)] += UNSEEN.powi(-2);
        }
        let meat = in_factors(meat + prior.map_with_location(|i, _, v| if i < sources { 0.0 } else { v }));
        let inverse = normal.try_inverse()?;
        let spread = &inverse * meat * &inverse;
        let curve = self.by_curve(&state, &view, &inverse, &per_stop);
        Some(Fit {
            factors: state.change.map(f64::exp2),
            covariance: spread.view((0, 0), (sources, sources)) * TOO_SURE.powi(2) + curve,
            place: state.place,
            shares: (0..sources).map(|s| view.shares.iter().map(|cell| cell[s]).collect()).collect(),
            left: view.left,
            error: view.error.iter().zip(&self.curve_doubt).map(|(e, curve)| e.hypot(*curve)).collect(),
        })
    }

    /// Covariance of the factors by what is not known of the curve. It is not fitted along: one frame whose lights may have
    /// changed tells nothing of a curve.
    fn by_curve(
        &self,
        state: &State,
        view: &View,
        inverse: &DMatrix<f64>,
        per_stop: &impl Fn(usize) -> f64,
    ) -> DMatrix<f64> {
        let sources = self.fields.len();
        let mut pulls = vec![DVector::<f64>::zeros(inverse.nrows()); self.curve.len()];
        for (i, left) in view.used() {
            let mut row = self.row(view, i, true) * self.weight(view, state, i, left);
            row.iter_mut().enumerate().for_each(|(at, v)| *v /= per_stop(at));
            for (pull, off) in pulls.iter_mut().zip(self.curve_at(i, &view.shares[i])) {
                pull.axpy(off, &row, 1.0);
            }
        }
        pulls.iter().fold(DMatrix::zeros(sources, sources), |sum, pull| {
            let shift = (inverse * pull).rows(0, sources).into_owned();
            sum + &shift * shift.transpose()
        })
    }

    /// Everything about the cells under a state.
    fn view(&self, state: &State, nudged: Nudged) -> View {
        let lit = self.lit(state.place);
        let factors: Vec<f64> = state.change.iter().map(|c| c.exp2()).collect();
        let count = self.seen.len();
        let mut view = View {
            left: vec![None; count],
            error: vec![LEAST_ERROR; count],
            shares: vec![vec![0.0; factors.len()]; count],
            slopes: match nudged {
                Nudged::All => self.slopes(state.place, &lit, &factors),
                Nudged::As(slopes) => slopes.to_vec(),
            },
        };
        for i in 0..count {
            let light: Vec<f64> = lit.cells.iter().zip(&factors).map(|(c, f)| c[i] * f).collect();
            let sum: f64 = light.iter().sum();
            if !sum.is_finite() || sum <= 0.0 {
                continue;
            }
            view.shares[i] = light.iter().map(|l| l / sum).collect();
            let own: f64 =
                (0..factors.len()).map(|s| ((view.shares[i][s] - self.shares[s][i]) * self.doubt[s][i]).powi(2)).sum();
            let loose = LOOSE.powi(2) * view.slopes[i].loose;
            view.error[i] = (LEAST_ERROR.powi(2) + self.noise[i].powi(2) + loose + own).sqrt();
            view.left[i] = self.seen[i].map(|seen| seen - sum.log2());
        }
        view
    }

    /// How the cells change when the scene moves a little.
    fn slopes(&self, place: Place, lit: &Lit, factors: &[f64]) -> Vec<Slopes> {
        let nudged: Vec<Lit> = (0..3)
            .map(|axis| {
                let mut parts = place.parts();
                parts[axis] += NUDGE[axis];
                self.lit(Place::of(parts))
            })
            .collect();
        let finite = |v: f64| if v.is_finite() { v } else { 0.0 };
        let of_cell = |i: usize| {
            let sum: f64 = lit.cells.iter().zip(factors).map(|(c, f)| c[i] * f).sum();
            let mut slopes = Slopes::default();
            for axis in 0..3 {
                let moved: f64 = nudged[axis].cells.iter().zip(factors).map(|(c, f)| c[i] * f).sum();
                let slope = finite((moved / sum).log2() / NUDGE[axis]);
                slopes.along[axis] = slope;
                if axis < 2 {
                    let apart = |s: usize| {
                        let (then, now) = (lit.cells[s][i], nudged[axis].cells[s][i]);
                        then * factors[s] / sum * ((now / then).log2() / NUDGE[axis] - slope)
                    };
                    slopes.loose += slope * slope + (0..factors.len()).map(|s| finite(apart(s).powi(2))).sum::<f64>();
                }
            }
            slopes
        };
        (0..self.seen.len()).map(of_cell).collect()
    }

    /// What each doubt of the curve does to a cell of the frame against its sources.
    fn curve_at(&self, cell: usize, shares: &[f64]) -> Vec<f64> {
        let of = |doubt: &CurveDoubt| {
            let now_and_then = shares.iter().zip(&self.shares).map(|(now, then)| now - then[cell]);
            let sources: f64 = doubt.sources.iter().zip(now_and_then).map(|(s, more)| s[cell] * more).sum();
            doubt.frame[cell] - sources
        };
        self.curve.iter().map(of).collect()
    }

    fn cost(&self, state: &State, view: &View) -> f64 {
        let errors: f64 = view
            .used()
            .map(|(i, left)| {
                let error = view.error[i] * state.scale;
                (FREEDOM + 1.0) / 2.0 * (1.0 + (left / error).powi(2) / FREEDOM).ln() + error.ln()
            })
            .sum();
        errors + self.prior_cost(state)
    }

    fn prior_cost(&self, state: &State) -> f64 {
        let changes: f64 = state.change.iter().zip(&self.prior).map(|(c, p)| (c / p).powi(2)).sum();
        let place: f64 = state.place.parts().iter().zip(PLACE_PRIOR).map(|(c, p)| (c / p).powi(2)).sum();
        (changes + place) / 2.0
    }

    fn system(&self, state: &State, view: &View, with_place: bool) -> System {
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
        for (axis, value) in state.place.parts().into_iter().enumerate().filter(|_| with_place) {
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

    /// What each unknown does to a cell.
    fn row(&self, view: &View, cell: usize, with_place: bool) -> DVector<f64> {
        let slopes = view.slopes[cell].along.into_iter().filter(|_| with_place);
        let parts = view.shares[cell].iter().copied().chain(slopes);
        DVector::from_vec(parts.collect())
    }

    fn weight(&self, view: &View, state: &State, cell: usize, left: f64) -> f64 {
        let error = view.error[cell] * state.scale;
        (FREEDOM + 1.0) / (FREEDOM + (left / error).powi(2)) / error.powi(2)
    }

    fn block_of(&self, cell: usize) -> usize {
        let (column, row) = (cell % self.cells.0, cell / self.cells.0);
        row * BLOCKS.1 / self.cells.1 * BLOCKS.0 + column * BLOCKS.0 / self.cells.0
    }
}

#[derive(Debug, Clone)]
struct State {
    change: DVector<f64>,
    place: Place,
    scale: f64,
    cost: f64,
}

impl State {
    fn moved(&self, step: &DVector<f64>, part: f64, with_place: bool) -> State {
        let sources = self.change.len();
        let mut change = &self.change + step.rows(0, sources) * part;
        change.apply(|c| *c = c.clamp(-FARTHEST, FARTHEST));
        let mut place = self.place.parts();
        if with_place {
            for (axis, value) in place.iter_mut().enumerate() {
                *value += (step[sources + axis] * part).clamp(-2.0 * NUDGE[axis], 2.0 * NUDGE[axis]);
            }
        }
        State { change, place: Place::of(place), scale: self.scale, cost: self.cost }
    }
}

struct View {
    left: Vec<Option<f64>>,
    error: Vec<f64>,
    shares: Vec<Vec<f64>>,
    slopes: Vec<Slopes>,
}

/// Where the cells' slopes come from.
#[derive(Clone, Copy)]
enum Nudged<'a> {
    /// Taken where the scene lies.
    All,
    As(&'a [Slopes]),
}

/// By how much a cell changes when the scene moves.
#[derive(Debug, Clone, Copy, Default)]
struct Slopes {
    /// Along each part of the place.
    along: [f64; 3],
    /// Square of what a shift changes, and of what it changes in each source unlike the rest.
    loose: f64,
}

impl View {
    fn used(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        self.left.iter().enumerate().filter_map(|(i, left)| left.map(|l| (i, l)))
    }

    /// How much larger errors are than they were taken to be, robustly.
    fn scale(&self) -> f64 {
        let mut sizes: Vec<f64> = self.used().map(|(i, left)| (left / self.error[i]).abs()).collect();
        // The median of a t distribution's size with four degrees of freedom is 0.741.
        (median(&mut sizes).unwrap_or(1.0) / 0.741).clamp(0.3, 5.0)
    }
}

struct System {
    normal: DMatrix<f64>,
    gradient: DVector<f64>,
    prior: DMatrix<f64>,
    /// Spread of the blocks' pulls: errors hang together within a block (White 1980; Liang and Zeger 1986, from memory).
    meat: DMatrix<f64>,
}

/// Non-negative least squares: the `x >= 0` that brings `rows * x` nearest to `wanted`.
/// Source: Lawson and Hanson, Solving Least Squares Problems, 1974, by the `nnls` crate.
pub fn nnls(rows: &[Vec<f64>], wanted: &[f64]) -> Vec<f64> {
    let columns = rows.first().map_or(0, Vec::len);
    if columns == 0 {
        return Vec::new();
    }
    let matrix = Array2::from_shape_fn((rows.len(), columns), |(i, j)| rows[i][j]);
    ::nnls::nnls(matrix.view(), Array1::from_iter(wanted.iter().copied()).view()).0.to_vec()
}
