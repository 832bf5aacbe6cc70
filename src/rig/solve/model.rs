//! What a frame's cells should show, given what the sources do and where the scene lies.
//!
//! ```text
//! log2 frame(cell) = log2 sum_s 2^change(s) * survey(s, cell moved to place)  +  error
//! ```
//!
//! Owns the forward model, its derivatives and how large a cell's error is taken to be. How the unknowns are found from it
//! is `robust`'s, how surely is `covariance`'s.
//!
//! Unknowns stand in one order everywhere: the sources' changes in stops, then the three parts of the place.

use nalgebra::DVector;

use super::field::{Field, Shift};

/// What a fit is given: everything in stops or powers of two, cell by cell.
pub(super) struct Task {
    /// Sources as the survey shows them, with what is known of their changes since.
    pub fields: Vec<Field>,
    /// Light of the frame's cells in stops; `None` where it can't be used.
    pub observed: Vec<Option<f64>>,
    /// Standard deviation of a cell's light by what its code can't say.
    pub noise: Vec<f64>,
    /// For each way in which the response curve may be off by one standard deviation: what that does to the
    /// frame's cells, and to each source's.
    pub curve: Vec<CurveError>,
    /// How far the curve may be off in all, between a cell of the frame and the survey's.
    pub curve_sd: Vec<f64>,
    /// Standard deviations of the sources' changes before anything is seen.
    pub prior: Vec<f64>,
    /// Share of each source in every cell as the survey has it, and how far its light may be off there.
    pub shares: Vec<Vec<f64>>,
    pub sd: Vec<Vec<f64>>,
    /// Cells along both sides.
    pub cells: (usize, usize),
}

pub(super) struct CurveError {
    pub frame: Vec<f64>,
    pub sources: Vec<Vec<f64>>,
}

/// Small steps by which derivatives are taken.
pub(super) const NUDGE: [f64; 3] = [0.5, 0.5, 0.01];
/// What of the place no shift of the whole describes, standard deviation in patches.
const LOOSE: f64 = 0.35;
/// Error of a cell where nothing else is known, in stops.
const LEAST_ERROR: f64 = 0.03;
/// Blocks of cells along each side whose errors are taken to hang together.
pub(super) const BLOCKS: (usize, usize) = (6, 4);

/// Light of all sources at one place.
pub(super) struct SourceCells {
    /// Source by source, linear, before their changes.
    pub cells: Vec<Vec<f64>>,
}

impl Task {
    pub fn source_cells(&self, shift: Shift) -> SourceCells {
        SourceCells { cells: self.fields.iter().map(|f| f.cells(shift)).collect() }
    }

    /// Everything about the cells under a state.
    pub fn view(&self, change: &DVector<f64>, shift: Shift, nudged: Nudged) -> View {
        let source_cells = self.source_cells(shift);
        let factors: Vec<f64> = change.iter().map(|c| c.exp2()).collect();
        let count = self.observed.len();
        let mut view = View {
            left: vec![None; count],
            error: vec![LEAST_ERROR; count],
            shares: vec![vec![0.0; factors.len()]; count],
            slopes: match nudged {
                Nudged::All => self.slopes(shift, &source_cells, &factors),
                Nudged::As(slopes) => slopes.to_vec(),
            },
        };
        for i in 0..count {
            let light: Vec<f64> = source_cells.cells.iter().zip(&factors).map(|(c, f)| c[i] * f).collect();
            let sum: f64 = light.iter().sum();
            if !sum.is_finite() || sum <= 0.0 {
                continue;
            }
            view.shares[i] = light.iter().map(|l| l / sum).collect();
            let own: f64 =
                (0..factors.len()).map(|s| ((view.shares[i][s] - self.shares[s][i]) * self.sd[s][i]).powi(2)).sum();
            let loose = LOOSE.powi(2) * view.slopes[i].loose;
            view.error[i] = (LEAST_ERROR.powi(2) + self.noise[i].powi(2) + loose + own).sqrt();
            view.left[i] = self.observed[i].map(|observed| observed - sum.log2());
        }
        view
    }

    /// How the cells change when the scene moves a little.
    fn slopes(&self, shift: Shift, source_cells: &SourceCells, factors: &[f64]) -> Vec<Slopes> {
        let nudged: Vec<SourceCells> = (0..3)
            .map(|axis| {
                let mut parts = shift.parts();
                parts[axis] += NUDGE[axis];
                self.source_cells(Shift::of(parts))
            })
            .collect();
        let finite = |v: f64| if v.is_finite() { v } else { 0.0 };
        let of_cell = |i: usize| {
            let sum: f64 = source_cells.cells.iter().zip(factors).map(|(c, f)| c[i] * f).sum();
            let mut slopes = Slopes::default();
            for axis in 0..3 {
                let moved: f64 = nudged[axis].cells.iter().zip(factors).map(|(c, f)| c[i] * f).sum();
                let slope = finite((moved / sum).log2() / NUDGE[axis]);
                slopes.along[axis] = slope;
                if axis < 2 {
                    let apart = |s: usize| {
                        let (then, now) = (source_cells.cells[s][i], nudged[axis].cells[s][i]);
                        then * factors[s] / sum * ((now / then).log2() / NUDGE[axis] - slope)
                    };
                    slopes.loose += slope * slope + (0..factors.len()).map(|s| finite(apart(s).powi(2))).sum::<f64>();
                }
            }
            slopes
        };
        (0..self.observed.len()).map(of_cell).collect()
    }

    /// What each likely error of the curve does to a cell of the frame against its sources.
    pub fn curve_at(&self, cell: usize, shares: &[f64]) -> Vec<f64> {
        let of = |error: &CurveError| {
            let now_and_then = shares.iter().zip(&self.shares).map(|(now, then)| now - then[cell]);
            let sources: f64 = error.sources.iter().zip(now_and_then).map(|(s, more)| s[cell] * more).sum();
            error.frame[cell] - sources
        };
        self.curve.iter().map(of).collect()
    }

    /// What each unknown does to a cell.
    pub fn row(&self, view: &View, cell: usize, with_place: bool) -> DVector<f64> {
        let slopes = view.slopes[cell].along.into_iter().filter(|_| with_place);
        let parts = view.shares[cell].iter().copied().chain(slopes);
        DVector::from_vec(parts.collect())
    }

    pub fn block_of(&self, cell: usize) -> usize {
        let (column, row) = (cell % self.cells.0, cell / self.cells.0);
        row * BLOCKS.1 / self.cells.1 * BLOCKS.0 + column * BLOCKS.0 / self.cells.0
    }
}

/// The cells under one state of the unknowns.
pub(super) struct View {
    pub left: Vec<Option<f64>>,
    pub error: Vec<f64>,
    pub shares: Vec<Vec<f64>>,
    pub slopes: Vec<Slopes>,
}

/// Where the cells' slopes come from.
#[derive(Clone, Copy)]
pub(super) enum Nudged<'a> {
    /// Taken where the scene lies.
    All,
    As(&'a [Slopes]),
}

/// By how much a cell changes when the scene moves.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Slopes {
    /// Along each part of the place.
    pub along: [f64; 3],
    /// Square of what a shift changes, and of what it changes in each source unlike the rest.
    pub loose: f64,
}

impl View {
    pub fn used(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        self.left.iter().enumerate().filter_map(|(i, left)| left.map(|l| (i, l)))
    }
}
