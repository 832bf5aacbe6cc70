//! The smooth functions that a curve over code values is made of: uniform cubic B-splines.
//!
//! Source: de Boor, A Practical Guide to Splines (1978); used with many knots and a smoothing
//! prior, as by Eilers and Marx, Statistical Science 11(2), 1996 (both from memory).

use nalgebra::DVector;

/// Splines that a curve is made of.
pub const SPLINES: usize = 24;
/// Codes between two knots.
pub const APART: f64 = 255.0 / (SPLINES - 3) as f64;
/// The code at which every curve is zero: mid-grey of the sRGB curve (IEC 61966-2-1).
pub const ANCHOR: f64 = 118.0;

/// The four splines that are not zero at a code: the first one's index, and their values.
pub fn at(code: f64) -> (usize, [f64; 4]) {
    let place = code.clamp(0.0, 255.0) / APART;
    let first = (place.floor() as usize).min(SPLINES - 4);
    let t = place - first as f64;
    let s = 1.0 - t;
    let values = [
        s * s * s / 6.0,
        (3.0 * t * t * t - 6.0 * t * t + 4.0) / 6.0,
        (3.0 * s * s * s - 6.0 * s * s + 4.0) / 6.0,
        t * t * t / 6.0,
    ];
    (first, values)
}

/// All splines at a code.
pub fn row(code: f64) -> DVector<f64> {
    let (first, values) = at(code);
    let mut row = DVector::zeros(SPLINES);
    row.rows_mut(first, 4).copy_from_slice(&values);
    row
}

/// The code where each spline is strongest.
pub fn centres() -> impl Iterator<Item = f64> {
    (0..SPLINES).map(|i| (i as f64 - 1.0) * APART)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: B-splines sum to one and reproduce straight lines at their knot averages (de Boor 1978, from memory).
    #[test]
    fn they_sum_to_one_and_reproduce_a_straight_line() {
        let line = DVector::from_iterator(SPLINES, centres());
        for tenth in 0..=2550 {
            let code = f64::from(tenth) / 10.0;
            assert!((row(code).sum() - 1.0).abs() < 1e-12, "{code}");
            assert!((row(code).dot(&line) - code).abs() < 1e-9, "{code}");
        }
    }
}
