//! The dark band that a shutter leaves when it is faster than the flash allows.

use super::basis::Basis;
use super::cells_of;
use super::field::Shift;
use crate::photometry::Stops;
use crate::response::{Response, TRUSTED};
use crate::rig::PatchLight;

/// A line of cells is covered when it lies this far under what was to come.
const COVERED: f64 = -1.0;
/// And the rest of the frame is not darker than this.
const FINE: f64 = -0.5;
/// Share of a line's cells that must agree.
const MOST_OF_A_LINE: f64 = 0.8;

/// Share of the frame that a band along one of its long sides covers, if there is one.
///
/// A focal-plane shutter runs across the short side, so its band is parallel to the long one (common
/// practice, no source).
pub(super) fn band(basis: &Basis, expected: &[Stops], frame: &PatchLight, response: &Response) -> Option<f64> {
    let (across, down) = frame.cells();
    let darkest = response.light(TRUSTED.start).0;
    let fields = basis.expected_fields(expected);
    let lit: Vec<Vec<f64>> = fields.iter().map(|f| f.cells(Shift::default())).collect();
    let off: Vec<Option<f64>> = cells_of(frame)
        .into_iter()
        .enumerate()
        .map(|(at, seen)| {
            let predicted = lit.iter().map(|l| l[at]).sum::<f64>().log2();
            // A place that is dark anyway tells nothing of a shutter.
            (predicted - darkest > -COVERED).then(|| seen.map(|s| s.max(darkest) - predicted))?
        })
        .collect();
    let lines = across.min(down);
    let line = |n: usize| -> Vec<f64> {
        let cell = |i: usize| if across >= down { n * across + i } else { i * across + n };
        (0..across.max(down)).filter_map(|i| off[cell(i)]).collect()
    };
    let share_of = |n: usize, is: &dyn Fn(f64) -> bool| {
        let values = line(n);
        if values.is_empty() { 0.0 } else { values.iter().filter(|v| is(**v)).count() as f64 / values.len() as f64 }
    };
    let covered = |n: usize| share_of(n, &|v| v < COVERED) >= MOST_OF_A_LINE;
    let fine = |n: usize| share_of(n, &|v| v > FINE) >= MOST_OF_A_LINE;
    let first = (0..lines).take_while(|n| covered(*n)).count();
    let last = (0..lines).rev().take_while(|n| covered(*n)).count();
    let band = first.max(last);
    // The shutter's edge is not sharp: one line may be half covered.
    let rest = if first >= last { band + 1..lines } else { 0..lines.saturating_sub(band + 1) };
    let clear =
        !rest.is_empty() && rest.clone().filter(|n| fine(*n)).count() as f64 >= MOST_OF_A_LINE * rest.len() as f64;
    (band > 0 && clear).then(|| band as f64 / lines as f64)
}
