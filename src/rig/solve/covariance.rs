//! How surely a fit knows the sources.
//!
//! Three parts, none of which the others hold:
//!
//! * what the cells' errors leave open: a sandwich of the system's inverse round the spread of whole blocks' pulls, for errors of
//!   neighbouring cells hang together and counting every cell as independent would make everything look known;
//! * times `TOO_SURE` squared, for errors hang together beyond a block as well;
//! * what is not known of the response curve, which pulls all cells of one brightness alike and shows in no residual.
//!
//! What a head that turns does to a light as a whole (`shape`) is the posterior's to add: it has long tails.
//!
//! What was believed of the sources before is taken out again: the posterior puts in what is likely, and would count it twice.

use nalgebra::{DMatrix, DVector};

use super::model::{Task, View};
use super::robust::{FitState, System};

/// Deviation of a factor that nothing tells of.
const UNSEEN: f64 = 8.0;
/// The blocks' spread is too small by this, as simulations show: errors hang together beyond a block.
const TOO_SURE: f64 = 1.5;

impl Task {
    /// Covariance of the sources' factors of light: in factors and not in stops, for there the likelihood is nearly normal
    /// even for a light that is out.
    pub fn covariance(&self, state: &FitState, view: &View) -> Option<DMatrix<f64>> {
        let sources = self.fields.len();
        let per_stop = |at: usize| if at < sources { std::f64::consts::LN_2 * state.change[at].exp2() } else { 1.0 };
        let in_factors =
            |m: DMatrix<f64>| DMatrix::from_fn(m.nrows(), m.ncols(), |i, j| m[(i, j)] / per_stop(i) / per_stop(j));
        let System { mut normal, prior, meat, .. } = self.system(state, view, true);
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
        let curve = self.by_curve(state, view, &inverse, &per_stop);
        Some(spread.view((0, 0), (sources, sources)) * TOO_SURE.powi(2) + curve)
    }

    /// Covariance of the factors by what is not known of the curve. It is not fitted along: one frame whose lights may have
    /// changed tells nothing of a curve.
    fn by_curve(
        &self,
        state: &FitState,
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
}
