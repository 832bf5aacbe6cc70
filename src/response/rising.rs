//! Least squares for a curve that rises: the likeliest one that does, and how sure it is.
//!
//! Owns the constraint and what it means for the uncertainty; what is known of the curve comes from others, as a normal matrix and
//! a right side (`normal * coefficients = right` where nothing holds it up).

use nalgebra::{DMatrix, DVector};

use super::basis::{APART, SPLINES};
use super::gaussian::LEAST_SLOPE;

/// A coefficient is at least this much above the one before it. The slope of a cubic B-spline is a mean of these
/// differences over the distance of its knots (de Boor 1978, from memory), so no code then falls under the least slope.
/// A curve may rise with a coefficient that doesn't, hardly; in exchange there is one constraint a spline and not one a
/// code, and no set of them is dependent.
const LEAST_RISE: f64 = LEAST_SLOPE * APART;
/// What still counts as fulfilled, in stops.
const EXACTLY: f64 = 1e-9;

/// The solution that rises, and its covariance; unknowns beyond the splines are free. `None` where nothing determines it.
///
/// That a curve rises is known before any frame and is no observation. So the covariance is that of the data and the prior
/// alone: a constraint that holds a curve up must not make it look well known. And where it does hold it up, the data
/// speak against what is stated, by the distance from the free solution to this one; that distance is part of the uncertainty.
/// Together they are the mean square distance of the free solution's Gaussian from the curve that is stated.
pub(super) fn solve_rising(normal: DMatrix<f64>, right: &DVector<f64>) -> Option<(DVector<f64>, DMatrix<f64>)> {
    let covariance = normal.cholesky()?.inverse();
    let free = &covariance * right;
    let pull = hold_up(&covariance, &free)?;
    Some((&free + &pull, &covariance + &pull * pull.transpose()))
}

/// What must be added to the free solution so that it rises and stays as likely as it can: a quadratic programme, solved
/// in the constraints' multipliers, which are non-negative least squares (Lawson and Hanson, Solving Least Squares
/// Problems, 1974, chapter 23, from memory). With no set of constraints dependent, it ends after finitely many steps.
fn hold_up(covariance: &DMatrix<f64>, free: &DVector<f64>) -> Option<DVector<f64>> {
    let size = free.len();
    let rises = DMatrix::from_fn(SPLINES - 1, size, |i, j| match j {
        _ if j == i + 1 => 1.0,
        _ if j == i => -1.0,
        _ => 0.0,
    });
    let lacking = DVector::from_element(SPLINES - 1, LEAST_RISE) - &rises * free;
    if lacking.max() <= EXACTLY {
        return Some(DVector::zeros(size));
    }
    let lifts = covariance * rises.transpose();
    let system = &rises * &lifts;
    let mut held: Vec<usize> = Vec::new();
    let mut multipliers = DVector::<f64>::zeros(SPLINES - 1);
    // Each round holds one more; hardly any is let go again.
    for _ in 0..8 * SPLINES {
        let short = &lacking - &system * &multipliers;
        let worst = (0..SPLINES - 1).filter(|i| !held.contains(i)).max_by(|a, b| short[*a].total_cmp(&short[*b]));
        let Some(worst) = worst.filter(|i| short[*i] > EXACTLY) else { return Some(lifts * multipliers) };
        held.push(worst);
        loop {
            let among = DMatrix::from_fn(held.len(), held.len(), |i, j| system[(held[i], held[j])]);
            let wanted = DVector::from_iterator(held.len(), held.iter().map(|i| lacking[*i]));
            let solved = among.cholesky()?.solve(&wanted);
            // As far towards the solution as no multiplier turns negative.
            let part = held.iter().zip(solved.iter()).filter(|(_, s)| **s <= 0.0).map(|(i, s)| {
                let now = multipliers[*i];
                now / (now - s)
            });
            let part = part.fold(1.0_f64, f64::min);
            for (i, s) in held.iter().zip(solved.iter()) {
                multipliers[*i] += part * (s - multipliers[*i]);
            }
            if part >= 1.0 {
                break;
            }
            for i in 0..SPLINES - 1 {
                if multipliers[i] <= 1e-15 {
                    multipliers[i] = 0.0;
                }
            }
            held.retain(|i| multipliers[*i] > 0.0);
        }
    }
    // Not reached: every round lowers the misfit, and there are finitely many sets. A curve that isn't known beats one that falls.
    None
}

#[cfg(test)]
mod tests {
    use super::super::basis;
    use super::*;

    fn slopes(solution: &DVector<f64>) -> Vec<f64> {
        let value = |code: i32| basis::row(f64::from(code)).dot(&solution.rows(0, SPLINES));
        (0..255).map(|c| value(c + 1) - value(c)).collect()
    }

    #[test]
    fn what_rises_already_is_left_alone() {
        let line = DVector::from_iterator(SPLINES, basis::centres().map(|c| c / 40.0));
        let normal = DMatrix::identity(SPLINES, SPLINES) * 4.0;
        let (solution, covariance) = solve_rising(normal.clone(), &(&normal * &line)).unwrap();
        assert!((solution - line).amax() < 1e-12);
        assert!((covariance - DMatrix::identity(SPLINES, SPLINES) * 0.25).amax() < 1e-12);
    }

    /// CHECK: of values that are equally sure, the nearest that don't fall are means over blocks (isotonic regression by pooling
    /// adjacent violators; Barlow et al. 1972, from memory).
    #[test]
    fn what_falls_becomes_the_nearest_that_rises() {
        let mut wanted: Vec<f64> = (0..SPLINES).map(|i| i as f64).collect();
        wanted[10] = 13.0;
        wanted[11] = 9.0;
        wanted[12] = 11.0;
        // 13, 9, 11 and no more: their mean is 11, over 9 before and under 13 after.
        let normal = DMatrix::identity(SPLINES, SPLINES);
        let (solution, covariance) = solve_rising(normal, &DVector::from_vec(wanted.clone())).unwrap();
        for at in 0..SPLINES {
            let pooled = if (10..13).contains(&at) { 11.0 } else { at as f64 };
            assert!((solution[at] - pooled).abs() < 2.0 * LEAST_RISE, "{at}: {}", solution[at]);
        }
        assert!(slopes(&solution).iter().all(|s| *s >= LEAST_SLOPE * 0.999), "no code falls");
        // It was moved by two there, and says that it may be off by as much.
        assert!(covariance[(10, 10)] >= 1.0 + 3.9, "{}", covariance[(10, 10)]);
        assert!((covariance[(5, 5)] - 1.0).abs() < 1e-9, "nothing was moved here");
    }

    #[test]
    fn even_what_falls_throughout_is_solved() {
        let wanted = DVector::from_iterator(SPLINES, (0..SPLINES).map(|i| -(i as f64)));
        let (solution, _) = solve_rising(DMatrix::identity(SPLINES, SPLINES), &wanted).unwrap();
        assert!(slopes(&solution).iter().all(|s| *s >= LEAST_SLOPE * 0.999));
    }
}
