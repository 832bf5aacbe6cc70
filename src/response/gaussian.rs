//! A curve that is not quite known: the most likely one, and how far it may be off, code by code.

use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::basis::{self, ANCHOR, SPLINES};
use super::srgb::srgb_decode;
use crate::photometry::Stops;
use crate::statistics::{Z95, student95};

/// A response curve as a Gaussian over spline coefficients. It is zero at the anchor, surely.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub struct Curve {
    pub mean: DVector<f64>,
    pub covariance: DMatrix<f64>,
}

/// As files and records hold it.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    /// Stops from mid-grey near each of the splines' centres.
    values: Vec<f64>,
    /// Row by row up to the diagonal, in square stops.
    covariance: Vec<f64>,
}

/// Why a written curve is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum CurveFault {
    #[error("a curve has {SPLINES} values, and {} numbers of covariance", SPLINES * (SPLINES + 1) / 2)]
    Count,
    #[error("a curve must rise from code to code, and its doubts must be finite and not negative")]
    Falls,
}

impl TryFrom<Written> for Curve {
    type Error = CurveFault;

    fn try_from(w: Written) -> Result<Curve, CurveFault> {
        if w.values.len() != SPLINES || w.covariance.len() != SPLINES * (SPLINES + 1) / 2 {
            return Err(CurveFault::Count);
        }
        let entry = |i: usize, j: usize| w.covariance[i.max(j) * (i.max(j) + 1) / 2 + i.min(j)];
        let curve = Curve { mean: DVector::from_vec(w.values), covariance: DMatrix::from_fn(SPLINES, SPLINES, entry) };
        let sound = curve.covariance.iter().all(|v| v.is_finite() && v.abs() < 1e4)
            && curve.covariance.diagonal().iter().all(|v| *v >= 0.0);
        let rises = curve.mean.iter().all(|v| v.is_finite())
            && (0..255).all(|code| curve.value(f64::from(code + 1)) > curve.value(f64::from(code)) - LEVELLED);
        if sound && rises { Ok(curve) } else { Err(CurveFault::Falls) }
    }
}

impl From<Curve> for Written {
    fn from(c: Curve) -> Written {
        let rounded = |v: f64, digits: f64| (v * digits).round() / digits;
        let triangle = (0..SPLINES).flat_map(|i| (0..=i).map(move |j| (i, j)));
        Written {
            values: c.mean.iter().map(|v| rounded(*v, 1e6)).collect(),
            covariance: triangle.map(|(i, j)| rounded(c.covariance[(i, j)], 1e9)).collect(),
        }
    }
}

impl Curve {
    /// Nothing known but that curves are smooth and rise about as the sRGB curve does: what the
    /// stock curve itself is made with.
    pub fn vague() -> Curve {
        let rows: Vec<DVector<f64>> = (2..=255).map(|code| basis::row(f64::from(code))).collect();
        let light: Vec<f64> = (2..=255).map(|code| (srgb_decode(f64::from(code) / 255.0) / 0.18).log2()).collect();
        let design = DMatrix::from_fn(rows.len(), SPLINES, |i, j| rows[i][j]);
        let normal = design.tr_mul(&design) + DMatrix::identity(SPLINES, SPLINES) * 1e-3;
        let mean = normal.cholesky().map(|c| c.solve(&design.tr_mul(&DVector::from_vec(light))));
        let mean =
            mean.unwrap_or_else(|| DVector::from_iterator(SPLINES, basis::centres().map(|c| (c - ANCHOR) / 40.0)));
        Curve { mean, covariance: smooth_covariance(20.0, 3.0) }
    }

    /// The curve that a sample of cameras' curves makes likely for one that is not among them.
    ///
    /// Their mean, with their covariance widened for its being estimated from so few (Student's t
    /// over the normal deviate, and the mean's own error), smooth differences of `smooth` that so few
    /// can't show, and looks that are flatter, towards the sRGB curve, or steeper than any default look.
    pub fn of_sample(curves: &[DVector<f64>], smooth: f64) -> Curve {
        let n = curves.len() as f64;
        let mean = curves.iter().fold(DVector::zeros(SPLINES), |sum, c| sum + c) / n;
        let spread = curves.iter().fold(DMatrix::zeros(SPLINES, SPLINES), |sum, c| {
            let off = c - &mean;
            sum + &off * off.transpose()
        });
        let flatter = &mean - Curve::vague().mean;
        let widened = (student95(curves.len() - 1) / Z95).powi(2) * (1.0 + 1.0 / n) / (n - 1.0);
        Curve {
            mean,
            covariance: spread * widened
                + &flatter * flatter.transpose() * (FLATTER * FLATTER)
                + smooth_covariance(smooth, 0.1),
        }
    }

    /// The same curve where it isn't known whether codes go from 0 to 255 or from 16 to 235: files tell it wrongly, or readers take
    /// it wrongly. One standard deviation is the one taken for the other (ITU-T H.273, full and narrow range of 8 bits).
    pub fn of_unsure_range(&self) -> Curve {
        let narrow = |code: f64| 16.0 + code * 219.0 / 255.0;
        let from_anchor = |code: f64, anchor: f64| self.value(code) - self.value(anchor);
        let off = basis::centres().map(|c| from_anchor(narrow(c), narrow(ANCHOR)) - from_anchor(c, ANCHOR));
        let off = DVector::from_iterator(SPLINES, off);
        Curve { mean: self.mean.clone(), covariance: &self.covariance + &off * off.transpose() }
    }

    /// The same curve, with smooth differences of this size held likely as well: for fitting on many frames, which know
    /// better than any sample of other cameras.
    pub fn loosened(&self, smooth: f64) -> Curve {
        Curve { mean: self.mean.clone(), covariance: &self.covariance + smooth_covariance(smooth, 0.0) }
    }

    /// Light of each code, in stops from the anchor; zero there. A spline that falls somewhere is
    /// levelled, so that a table always rises.
    pub fn table(&self) -> [f64; 256] {
        let anchor = self.value(ANCHOR);
        let mut table: [f64; 256] = std::array::from_fn(|code| self.value(code as f64) - anchor);
        for code in ANCHOR as usize + 1..256 {
            table[code] = table[code].max(table[code - 1] + LEAST_SLOPE);
        }
        for code in (0..ANCHOR as usize).rev() {
            table[code] = table[code].min(table[code + 1] - LEAST_SLOPE);
        }
        table
    }

    /// The largest principal components of the uncertainty, each one standard deviation of the table.
    pub fn likely_errors(&self, count: usize) -> Vec<[f64; 256]> {
        let parts = self.covariance.clone().symmetric_eigen();
        let mut order: Vec<usize> = (0..SPLINES).collect();
        order.sort_by(|a, b| parts.eigenvalues[*b].total_cmp(&parts.eigenvalues[*a]));
        let component = |at: usize| {
            let off = parts.eigenvectors.column(at) * parts.eigenvalues[at].max(0.0).sqrt();
            let value = |code: f64| basis::row(code).dot(&off);
            std::array::from_fn(|code| value(code as f64) - value(ANCHOR))
        };
        order.into_iter().take(count).map(component).collect()
    }

    fn value(&self, code: f64) -> f64 {
        self.value_at(basis::at(code))
    }

    /// Before the anchor is taken off; `basis::at` gives the splines of a code.
    pub(super) fn value_at(&self, (first, values): (usize, [f64; 4])) -> f64 {
        (0..4).map(|i| self.mean[first + i] * values[i]).sum()
    }

    /// Standard deviation of a weighted sum of differences between pairs of codes.
    pub fn deviation(&self, pairs: impl Iterator<Item = (f64, f64, f64)>) -> Stops {
        let mut direction = DVector::<f64>::zeros(SPLINES);
        for (from, to, weight) in pairs {
            for (code, sign) in [(from, -weight), (to, weight)] {
                let (first, values) = basis::at(code);
                for (i, value) in values.iter().enumerate() {
                    direction[first + i] += sign * value;
                }
            }
        }
        Stops(direction.dot(&(&self.covariance * &direction)).max(0.0).sqrt())
    }
}

/// Standard deviation of looks on the way from the mean (0) to the sRGB curve (1).
const FLATTER: f64 = 0.5;
/// A fall this small from code to code is levelled; a steeper one is a fault.
const LEVELLED: f64 = 0.01;
/// A code more is at least this much more light.
pub const LEAST_SLOPE: f64 = 1e-4;

/// Uncertainty that grows smoothly away from the anchor: an integrated Wiener process in both directions
/// (Wahba 1978, from memory), and a slope.
fn smooth_covariance(bend: f64, slope: f64) -> DMatrix<f64> {
    let away: Vec<f64> = basis::centres().map(|c| (c - ANCHOR) / 255.0).collect();
    DMatrix::from_fn(SPLINES, SPLINES, |i, j| {
        let (a, b) = (away[i], away[j]);
        let (near, far) = (a.abs().min(b.abs()), a.abs().max(b.abs()));
        let bent = if a * b > 0.0 { near * near * (3.0 * far - near) / 6.0 } else { 0.0 };
        let own = if i == j { 1e-6 } else { 0.0 };
        bend * bend * bent + slope * slope * a * b + own
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_survives_writing_and_a_falling_one_is_refused() {
        let curve = Curve::vague();
        let text = serde_json::to_string(&curve).unwrap();
        let back: Curve = serde_json::from_str(&text).unwrap();
        assert!((&back.mean - &curve.mean).amax() < 1e-6);
        assert!((&back.covariance - &curve.covariance).amax() < 1e-8);
        let falls = text.replacen("[-", "[9", 1);
        assert!(serde_json::from_str::<Curve>(&falls).is_err());
        assert!(serde_json::from_str::<Curve>(r#"{"values":[1],"covariance":[1]}"#).is_err());
    }

    #[test]
    fn two_equal_codes_leave_no_doubt_and_two_far_ones_do() {
        let curve = Curve::of_sample(&[Curve::vague().mean, Curve::vague().mean * 1.2, Curve::vague().mean * 0.9], 1.0);
        assert_eq!(curve.deviation([(90.0, 90.0, 1.0)].into_iter()), Stops::ZERO);
        let (near, far) =
            (curve.deviation([(90.0, 110.0, 1.0)].into_iter()), curve.deviation([(40.0, 110.0, 1.0)].into_iter()));
        assert!(near > Stops(0.01) && far > near, "{near} {far}");
    }
}
