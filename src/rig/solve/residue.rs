//! What the lights leave over, and where: a part of the frame that no change of theirs explains.

use super::fit::Fit;
use super::tuned::Tuned;
use crate::drift::take_patch;
use crate::statistics::median;

/// A patch of neighbouring cells that are all brighter, or all darker, than any change of the sources makes them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Residue {
    /// The cells, by number.
    pub cells: Vec<usize>,
    /// Their mean against the rest, in stops.
    pub change: f64,
}

/// Cells around a cell whose median tells whether its part of the frame is off: features of a face that
/// moved are smaller.
const REACH: usize = 2;
/// The same for how much is left over in all.
const NEAR: usize = 1;
const FEWEST_NEAR: usize = 5;
/// A part is off by more than this: in stops, and in errors of a cell.
const OFF: f64 = 0.04;
const OFF_ERRORS: f64 = 1.0;
/// Square stops that the parts which are off have in all, beyond what any frame has.
const LEAST: f64 = 0.06;

/// A fit, and what its frame's cells have over when the sources did what a hypothesis says.
pub(super) struct LeftBy<'a> {
    pub fit: &'a Fit,
    /// Columns and rows.
    pub cells: (usize, usize),
    pub tuned: &'a Tuned,
}

impl LeftBy<'_> {
    /// The largest patch, when the likeliest hypothesis leaves light that is not accounted for.
    /// `no_error` are the hypotheses of no error.
    pub fn residue(&self, likeliest: &[f64], no_error: &[Vec<f64>]) -> Option<Residue> {
        let parts = self.deviating_parts(likeliest);
        let at_rest =
            no_error.iter().map(|changes| energy(&self.deviating_parts(changes))).fold(f64::INFINITY, f64::min);
        let energy = energy(&parts);
        let is_more = energy > LEAST && energy > self.tuned.unexplained * at_rest;
        let alone = no_error.iter().any(|changes| changes == likeliest);
        let least = if alone { self.tuned.least_part_alone } else { self.tuned.least_part };
        largest_patch(&parts, self.cells.0).filter(|part| is_more && part.change.abs() >= least)
    }

    /// What a hypothesis leaves over: the 90th percentile of how far the parts of the frame are off.
    pub fn left_over(&self, changes: &[f64]) -> f64 {
        let residuals = self.residuals_under(changes);
        let part = |at: usize| {
            let near: Vec<f64> = self.neighbours(at, NEAR).filter_map(|i| residuals[i]).collect();
            (near.len() >= FEWEST_NEAR).then(|| middle(near.into_iter()).map(f64::abs)).flatten()
        };
        let mut parts: Vec<f64> = (0..residuals.len()).filter_map(part).collect();
        parts.sort_by(f64::total_cmp);
        parts.get(parts.len() * 9 / 10).copied().unwrap_or(0.0)
    }

    /// The part of the frame that changed most against no error.
    pub fn changed_most(&self, no_error: &[f64]) -> Option<Residue> {
        largest_patch(&self.deviating_parts(no_error), self.cells.0)
    }

    /// The cells around one, and itself.
    fn neighbours(&self, at: usize, reach: usize) -> impl Iterator<Item = usize> {
        let (across, down) = self.cells;
        let (column, row) = (at % across, at / across);
        let rows = row.saturating_sub(reach)..(row + reach + 1).min(down);
        let columns = column.saturating_sub(reach)..(column + reach + 1).min(across);
        rows.flat_map(move |r| columns.clone().map(move |c| r * across + c))
    }

    /// How far every cell's part of the frame is off when the sources did what a hypothesis says; `None` where it isn't.
    fn deviating_parts(&self, changes: &[f64]) -> Vec<Option<f64>> {
        let residuals = self.residuals_under(changes);
        let neighbourhood = |at: usize| {
            let near: Vec<usize> = self.neighbours(at, REACH).collect();
            let change = middle(near.iter().filter_map(|i| residuals[*i]))?;
            let errors = middle(near.iter().filter_map(|i| Some(residuals[*i]? / self.fit.error[*i])))?;
            (change.abs() > OFF && errors.abs() > OFF_ERRORS).then_some(change)
        };
        (0..residuals.len()).map(neighbourhood).collect()
    }

    /// Frame minus fit when the sources did what a hypothesis says, and not what fits best; but for what a head that turned may
    /// have done to each.
    fn residuals_under(&self, changes: &[f64]) -> Vec<Option<f64>> {
        let fit = self.fit;
        let off = |s: usize| {
            let (off, most) = (changes[s] - fit.factors[s].log2(), self.tuned.shapes * fit.shape[s]);
            (off - off.clamp(-most, most)).exp2()
        };
        let factors: Vec<f64> = (0..changes.len()).map(off).collect();
        let more = |at: usize| fit.shares.iter().zip(&factors).map(|(s, f)| s[at] * f).sum::<f64>().log2();
        let residuals =
            fit.left.iter().enumerate().map(|(at, residual)| residual.map(|l| l - more(at)).filter(|l| l.is_finite()));
        let residuals: Vec<Option<f64>> = residuals.collect();
        // What all cells have in common is the exposure's or the curve's doing.
        let common = middle(residuals.iter().flatten().copied()).unwrap_or(0.0);
        residuals.into_iter().map(|l| l.map(|l| l - common)).collect()
    }
}

fn energy(parts: &[Option<f64>]) -> f64 {
    parts.iter().flatten().map(|change| (change.abs() - OFF).powi(2)).sum()
}

fn largest_patch(parts: &[Option<f64>], across: usize) -> Option<Residue> {
    let mut best: Option<Residue> = None;
    for sign in [1.0, -1.0] {
        let mut open: Vec<bool> = parts.iter().map(|m| m.is_some_and(|m| m * sign > 0.0)).collect();
        for start in 0..open.len() {
            let cells = take_patch(&mut open, start, across);
            let sum: f64 = cells.iter().filter_map(|i| parts[*i]).sum();
            let least = best.as_ref().map_or(0.0, |b| b.change.abs() * b.cells.len() as f64);
            if sum.abs() > least {
                best = Some(Residue { change: sum / cells.len() as f64, cells });
            }
        }
    }
    best
}

fn middle(values: impl Iterator<Item = f64>) -> Option<f64> {
    median(&mut values.collect::<Vec<f64>>())
}
