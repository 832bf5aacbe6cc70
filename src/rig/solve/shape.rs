//! The doubt of shape: a head that turns shows each light a little more or less of what it grazes, all over the same way, as if that
//! light had been turned. A shift of the scene doesn't describe it, and of that light alone no residual shows it.
//!
//! A light that grazes changes much from patch to patch where it counts, one from the front little; and how far the head turned shows in
//! how far features lie off where the fit has them. Both together measure the doubt.

use super::field::Shift;
use super::model::{SourceCells, Task, View};
use super::robust::FitState;
use crate::statistics::median;

/// A light's shape is off by so many times what features are: chosen, with the posterior's `TURNS`, on real faces under strobes whose
/// heads turned by up to 5 degrees, and on some whose didn't (`.ci/strobe-shoot`, moves `turned`, seeds 23 and 24, and `walk`, 21 and 22).
const OF_FEATURES: f64 = 1.5;
/// Where less changes from patch to patch, nothing shows how far features are off, in stops.
const FEATURELESS: f64 = 0.02;

impl Task {
    /// Standard deviation of each source's change by shape, in stops.
    pub fn stops_by_shape(&self, state: &FitState, view: &View) -> Vec<f64> {
        let Shift { right, down, .. } = state.shift;
        let here = self.source_cells(state.shift);
        let aside = [Shift { right: right + 1.0, ..state.shift }, Shift { down: down + 1.0, ..state.shift }];
        let aside = aside.map(|shift| self.source_cells(shift));
        let off = OF_FEATURES * features_off(view);
        (0..self.fields.len()).map(|s| off * self.steepness(s, state, view, &here, &aside)).collect()
    }

    /// By how many stops a source's light changes from patch to patch, in the mean of the cells that tell of it.
    fn steepness(&self, s: usize, state: &FitState, view: &View, here: &SourceCells, aside: &[SourceCells; 2]) -> f64 {
        let told = view.used().filter_map(|(i, left)| {
            let by = |moved: &SourceCells| (moved.cells[s][i] / here.cells[s][i]).log2();
            let slope = by(&aside[0]).hypot(by(&aside[1]));
            slope.is_finite().then(|| (slope, self.weight(view, state, i, left) * view.shares[i][s].powi(2)))
        });
        let (sum, weights) = told.fold((0.0, 0.0), |(sum, all), (slope, weight)| (sum + slope * weight, all + weight));
        if weights > 0.0 { sum / weights } else { 0.0 }
    }
}

/// How far features lie off, in patches: the median of the cells that have any.
fn features_off(view: &View) -> f64 {
    let off = view.used().filter_map(|(i, left)| {
        let [right, down, _] = view.slopes[i].along;
        let slope = right.hypot(down);
        (slope > FEATURELESS).then(|| left.abs() / slope)
    });
    median(&mut off.collect::<Vec<f64>>()).unwrap_or(0.0)
}
