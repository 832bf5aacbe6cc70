//! What the picture says about the change of light between two frames: matched quantiles.
//!
//! A mean over the frame is not good enough: a subject moves, highlights clip. The n-th darkest
//! share of one frame is set against the n-th darkest share of the other, where neither is
//! clipped, and the median over the shares counts.

use serde::{Deserialize, Serialize};

use crate::frame::Response;
use crate::meter::{GRID, Metered, Reading};
use crate::photometry::Stops;

/// Drift of one spot as its light shows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Observed {
    pub spot: String,
    /// Frame minus reference; brighter is positive.
    pub drift: Stops,
    /// Half-width of the 95 % interval.
    pub half_width: Stops,
    /// Robust spread over the shares; large when the frames differ in more than exposure.
    pub spread: Stops,
    /// Share of the spot that could be compared.
    pub usable: f32,
}

/// Codes below and above which a picture says nothing about light.
const TRUSTED_CODES: (f64, f64) = (7.0, 249.0);
/// Fewer comparable shares than this tell nothing.
const FEWEST_SHARES: usize = 5;
/// Noise, framing and rounding that no curve accounts for, half-width at 95 %.
const FLOOR: Stops = Stops(0.06);
/// From the median absolute deviation to a standard deviation (Hampel 1974, from memory).
const MAD_TO_SIGMA: f64 = 1.4826;

/// Compares one spot's readings. `None` when too much of it is clipped to tell.
pub fn observe(reference: &Reading, frame: &Reading, response: &Response) -> Option<Observed> {
    let trusted = response.light(TRUSTED_CODES.0)..response.light(TRUSTED_CODES.1);
    let shares: Vec<Share> = reference
        .quantiles
        .iter()
        .zip(&frame.quantiles)
        .filter(|(a, b)| trusted.contains(a) && trusted.contains(b))
        .map(|(a, b)| Share { drift: *b - *a, curve: response.uncertainty_between(*a, *b) })
        .collect();
    if shares.len() < FEWEST_SHARES {
        return None;
    }
    let drift = weighted_median(&shares);
    let mut deviations: Vec<f64> = shares.iter().map(|s| (s.drift - drift).abs().0).collect();
    let spread = Stops(median(&mut deviations)? * MAD_TO_SIGMA);
    let weight: f64 = shares.iter().map(Share::weight).sum();
    let curve = Stops(shares.iter().map(|s| s.curve.0 * s.weight()).sum::<f64>() / weight);
    Some(Observed {
        spot: frame.spot.clone(),
        drift,
        half_width: curve.in_quadrature(spread).in_quadrature(FLOOR),
        spread,
        usable: shares.len() as f32 / reference.quantiles.len().max(1) as f32,
    })
}

struct Share {
    drift: Stops,
    curve: Stops,
}

impl Share {
    /// Shares whose codes the curve relates well count more.
    fn weight(&self) -> f64 {
        1.0 / self.curve.in_quadrature(FLOOR).0.powi(2)
    }
}

fn weighted_median(shares: &[Share]) -> Stops {
    let mut sorted: Vec<&Share> = shares.iter().collect();
    sorted.sort_by(|a, b| a.drift.0.total_cmp(&b.drift.0));
    let half: f64 = sorted.iter().map(|s| s.weight()).sum::<f64>() / 2.0;
    let mut below = 0.0;
    for share in &sorted {
        below += share.weight();
        if below >= half {
            return share.drift;
        }
    }
    Stops::ZERO
}

fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// Where in the frame the change differs from the rest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Unevenness {
    /// Part of the frame, in words.
    pub part: String,
    /// That part's drift minus the rest's.
    pub by: Stops,
}

/// How the coarse grids of two frames relate.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// Correlation of the two grids' patterns; 1 for the same scene at any exposure.
    pub likeness: f64,
    pub uneven: Option<Unevenness>,
}

/// A part must differ from the rest by this much to be called uneven.
const UNEVEN: Stops = Stops(0.45);
/// The rest must agree among itself this well.
const REST_AGREES: Stops = Stops(0.25);

/// Compares the coarse grids of two frames.
pub fn compare_layout(reference: &Metered, frame: &Metered, response: &Response) -> Option<Layout> {
    if reference.cells.len() != frame.cells.len() || reference.cells.len() != GRID.0 * GRID.1 {
        return None;
    }
    let trusted = response.light(TRUSTED_CODES.0)..response.light(TRUSTED_CODES.1);
    let change: Vec<Option<Stops>> = reference
        .cells
        .iter()
        .zip(&frame.cells)
        .map(|(a, b)| (trusted.contains(a) && trusted.contains(b)).then(|| *b - *a))
        .collect();
    Some(Layout { likeness: correlation(&reference.cells, &frame.cells), uneven: unevenness(&change) })
}

/// The parts of the frame that have names: columns from left to right, rows from top to bottom.
const PARTS: [(&str, std::ops::Range<usize>, std::ops::Range<usize>); 5] = [
    ("the left side", 0..2, 0..6),
    ("the right side", 6..8, 0..6),
    ("the top", 0..8, 0..2),
    ("the bottom", 0..8, 4..6),
    ("the middle", 2..6, 1..5),
];

fn unevenness(change: &[Option<Stops>]) -> Option<Unevenness> {
    let mut worst: Option<Unevenness> = None;
    for (part, columns, rows) in PARTS {
        let inside = |i: usize| columns.contains(&(i % GRID.0)) && rows.contains(&(i / GRID.0));
        let gather = |wanted: bool| -> Vec<f64> {
            change.iter().enumerate().filter(|(i, _)| inside(*i) == wanted).filter_map(|(_, c)| c.map(|c| c.0)).collect()
        };
        let (mut here, mut rest) = (gather(true), gather(false));
        if here.len() < 6 || rest.len() < 12 {
            continue;
        }
        let (Some(here_mid), Some(rest_mid)) = (median(&mut here), median(&mut rest)) else {
            continue;
        };
        let mut scatter: Vec<f64> = rest.iter().map(|c| (c - rest_mid).abs()).collect();
        let by = Stops(here_mid - rest_mid);
        let stands_out = by.abs() > UNEVEN && Stops(median(&mut scatter)?) < REST_AGREES;
        if stands_out && worst.as_ref().is_none_or(|w| by.abs() > w.by.abs()) {
            worst = Some(Unevenness { part: part.to_owned(), by });
        }
    }
    worst
}

fn correlation(a: &[Stops], b: &[Stops]) -> f64 {
    let mean = |v: &[Stops]| v.iter().map(|s| s.0).sum::<f64>() / v.len() as f64;
    let (mean_a, mean_b) = (mean(a), mean(b));
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in a.iter().zip(b) {
        let (x, y) = (x.0 - mean_a, y.0 - mean_b);
        ab += x * y;
        aa += x * x;
        bb += y * y;
    }
    // Two flat frames have no pattern to differ in.
    if aa < 0.05 && bb < 0.05 { 1.0 } else { ab / (aa * bb).sqrt().max(1e-9) }
}
