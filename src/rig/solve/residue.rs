//! What the fit leaves over, and where: a part of the frame that no known source explains.

use super::fit::Fit;

/// A patch of neighbouring cells that are all brighter, or all darker, than any change of the sources makes them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Residue {
    /// The cells, by number.
    pub cells: Vec<usize>,
    /// Their mean against the rest, in stops.
    pub by: f64,
}

/// Cells around a cell whose median tells whether its part of the frame is off: features of a face that moved are smaller.
const REACH: usize = 2;
/// A part is off by more than this: in stops, and in errors of a cell.
const OFF: f64 = 0.06;
const OFF_ERRORS: f64 = 1.0;

/// A patch counts from this mean, and from this mean times its cells.
const LEAST_OFF: f64 = 0.12;
const LEAST_LIGHT: f64 = 3.0;

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// What is left over when the sources did what a story says, and not what fits best.
fn left_by(fit: &Fit, changes: &[f64]) -> Vec<Option<f64>> {
    let factors: Vec<f64> = changes.iter().zip(fit.factors.iter()).map(|(c, f)| c.exp2() / f).collect();
    let more = |at: usize| fit.shares.iter().zip(&factors).map(|(s, f)| s[at] * f).sum::<f64>().log2();
    let left = fit.left.iter().enumerate().map(|(at, left)| left.map(|l| l - more(at)).filter(|l| l.is_finite()));
    let left: Vec<Option<f64>> = left.collect();
    // What all cells have in common is the exposure's or the curve's doing.
    let mut sorted: Vec<f64> = left.iter().flatten().copied().collect();
    sorted.sort_by(f64::total_cmp);
    let common = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    left.into_iter().map(|l| l.map(|l| l - common)).collect()
}

/// The patch with the most light that a story doesn't account for.
pub(super) fn residue(fit: &Fit, changes: &[f64], (across, down): (usize, usize)) -> Option<Residue> {
    let left = left_by(fit, changes);
    let around = |at: usize| {
        let (column, row) = (at % across, at / across);
        let rows = row.saturating_sub(REACH)..(row + REACH + 1).min(down);
        let columns = column.saturating_sub(REACH)..(column + REACH + 1).min(across);
        let near: Vec<usize> = rows.flat_map(|r| columns.clone().map(move |c| r * across + c)).collect();
        let by = median(near.iter().filter_map(|i| left[*i]).collect())?;
        let errors = median(near.iter().filter_map(|i| Some(left[*i]? / fit.error[*i])).collect())?;
        (by.abs() > OFF && errors.abs() > OFF_ERRORS).then_some(by)
    };
    let mean: Vec<Option<f64>> = (0..across * down).map(around).collect();
    let mut best: Option<Residue> = None;
    for sign in [1.0, -1.0] {
        let mut open: Vec<bool> = mean.iter().map(|m| m.is_some_and(|m| m * sign > 0.0)).collect();
        for start in 0..open.len() {
            let cells = crate::drift::take_patch(&mut open, start, across);
            let by = cells.iter().filter_map(|i| mean[*i]).sum::<f64>() / cells.len().max(1) as f64;
            let size = |r: &Residue| r.by.abs() * r.cells.len() as f64;
            let found = Residue { by, cells };
            if best.as_ref().is_none_or(|b| size(&found) > size(b)) && !found.cells.is_empty() {
                best = Some(found);
            }
        }
    }
    best.filter(|r| r.by.abs() >= LEAST_OFF && r.by.abs() * r.cells.len() as f64 >= LEAST_LIGHT)
}
