//! What the picture says about the change of light between two frames: matched quantiles.
//!
//! A mean over the frame is not good enough: a subject moves, highlights clip. The n-th darkest
//! quantile of one frame is set against the n-th darkest quantile of the other, where neither is
//! clipped, and the median over the quantiles counts.

use serde::{Deserialize, Serialize};

use crate::frame::{Rendering, Settings};
use crate::meter::{Area, FrameReadings, GRID, Reading};
use crate::photometry::Stops;
use crate::response::{INDEPENDENT_QUANTILES, Response, TRUSTED};
use crate::statistics::{correlation, half_width_of_median, robust_deviation, weighted_median};

/// Drift of one spot as its light shows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Observed {
    pub spot: String,
    /// Frame minus reference; brighter is positive.
    pub drift: Stops,
    /// Half-width of the 95 % interval.
    pub half_width: Stops,
    /// Robust standard deviation of the quantiles; large when the frames differ in more than exposure.
    pub spread: Stops,
    /// Share of the spot that could be compared.
    pub usable: f32,
    /// Where it lies in the frame, where it was followed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub area: Option<Area>,
}

/// Fewer comparable quantiles than this tell nothing.
const FEWEST_QUANTILES: usize = 5;
/// Noise, framing and rounding that no curve accounts for, half-width at 95 %.
const FLOOR: Stops = Stops(0.06);

/// Compares one spot's readings by a curve. `None` when too much of it is clipped to tell.
pub fn observe(reference: &Reading, frame: &Reading, response: &Response) -> Option<Observed> {
    let both = reference.quantiles.iter().zip(&frame.quantiles);
    let quantiles: Vec<QuantilePair> = both.filter_map(|(a, b)| QuantilePair::of(*a, *b, response)).collect();
    if quantiles.len() < FEWEST_QUANTILES {
        return None;
    }
    let mut drifts: Vec<(f64, f64)> = quantiles.iter().map(|s| (s.drift.0, s.weight)).collect();
    let drift = Stops(weighted_median(&mut drifts)?);
    let spread = Stops(robust_deviation(drifts.iter().map(|(d, _)| *d), drift.0)?);
    // Neighbouring quantiles are neighbouring parts of a scene that moved as one: they say no more than a few would.
    let median = Stops(half_width_of_median(spread.0, INDEPENDENT_QUANTILES.min(quantiles.len())));
    let all: f64 = quantiles.iter().map(|s| s.weight).sum();
    let curve = response.uncertainty_of(quantiles.iter().map(|s| (s.codes[0], s.codes[1], s.weight / all)));
    Some(Observed {
        spot: frame.spot.clone(),
        drift,
        half_width: curve.in_quadrature(median).in_quadrature(FLOOR),
        spread,
        usable: quantiles.len() as f32 / reference.quantiles.len().max(1) as f32,
        area: None,
    })
}

/// A phone's drift was seen to be off by up to a stop over two; its interval must say so.
const PER_FRAME_RENDERING: Stops = Stops(1.2);
/// Two cameras see one light differently by about this much (ISO 12232 allows a third).
const OTHER_CAMERA: Stops = Stops(0.5);

/// What no curve can know of two pictures: half-width at 95 %, besides that of the observation.
pub fn uncertainty_of_rendering(a: &Settings, b: &Settings) -> Stops {
    let per_frame = [a, b].iter().any(|s| s.rendering == Rendering::PerFrame);
    let rendering = if per_frame { PER_FRAME_RENDERING } else { Stops::ZERO };
    rendering.in_quadrature(if a.camera == b.camera { Stops::ZERO } else { OTHER_CAMERA })
}

/// What the tones of two frames leave open that could not be laid one over the other, half-width at 95 %: the n-th darkest
/// part of one is not that of the other where the framing moved.
pub const UNKNOWN_FRAMING: Stops = Stops(0.35);

/// The light of the same quantile of two frames.
struct QuantilePair {
    drift: Stops,
    codes: [f64; 2],
    /// Quantiles count more where a code more or less is little light.
    weight: f64,
}

impl QuantilePair {
    fn of(a: f64, b: f64, response: &Response) -> Option<QuantilePair> {
        let trusted = TRUSTED.contains(&a) && TRUSTED.contains(&b);
        let weight = 1.0 / response.noise_between(a, b).0.powi(2);
        trusted.then(|| QuantilePair { drift: response.light(b) - response.light(a), codes: [a, b], weight })
    }
}

/// Where in the frame the change differs from the rest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Unevenness {
    /// Part of the frame, in words.
    pub part: String,
    /// How far its light is off: from what settings and known turns explain where parts of the scene were followed, else from the
    /// drift of the rest.
    #[serde(alias = "by")]
    pub change: Stops,
    /// How far the rest is off, where parts of the scene were followed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elsewhere: Option<Stops>,
}

/// How the coarse grids of two frames relate.
#[derive(Debug, Clone, PartialEq)]
pub struct GridComparison {
    /// Correlation of the two grids' patterns; 1 for the same scene at any exposure.
    pub likeness: f64,
    pub uneven: Option<Unevenness>,
}

/// A part must differ from the rest by this much, besides what the curve leaves uncertain there.
const UNEVEN: Stops = Stops(0.3);
/// Fewer neighbouring cells than this are the sitter's doing.
const FEWEST_CELLS: usize = 3;

/// Compares the coarse grids of two frames by a curve, given the drift of the frame as a whole.
pub fn compare_grids(
    reference: &FrameReadings,
    frame: &FrameReadings,
    drift: Option<Stops>,
    response: &Response,
) -> Option<GridComparison> {
    if reference.cells.len() != frame.cells.len() || reference.cells.len() != GRID.0 * GRID.1 {
        return None;
    }
    let trusted = response.light(TRUSTED.start)..response.light(TRUSTED.end);
    let light =
        |metered: &FrameReadings| -> Vec<Stops> { metered.cells.iter().map(|code| response.light(*code)).collect() };
    let (reference, frame) = (light(reference), light(frame));
    let told = |(a, b): (&Stops, &Stops)| (trusted.contains(a) && trusted.contains(b)).then(|| (*a, *b - *a));
    let off = |drift: Stops| {
        reference.iter().zip(&frame).map(told).map(move |cell| {
            let (light, change) = cell?;
            let off = change - drift;
            (off.abs() > UNEVEN + response.uncertainty_between(light, light + drift)).then_some(off)
        })
    };
    let uneven = drift.and_then(|drift| unevenness(&off(drift).collect::<Vec<Option<Stops>>>()));
    Some(GridComparison { likeness: likeness(&reference, &frame), uneven })
}

/// The largest patch of neighbouring cells that differ alike. A sitter who moved leaves brighter
/// cells on one side and darker ones on the other; a light that changed leaves only one kind.
fn unevenness(cells: &[Option<Stops>]) -> Option<Unevenness> {
    let brighter = cells.iter().flatten().filter(|change| **change > Stops::ZERO).count();
    let darker = cells.iter().flatten().count() - brighter;
    let one_way = brighter.min(darker) * 4 <= brighter.max(darker);
    let wanted = |change: &Stops| (*change > Stops::ZERO) == (brighter > darker);
    let mut open: Vec<bool> = cells.iter().map(|c| c.as_ref().is_some_and(wanted)).collect();
    let mut largest = Vec::new();
    for start in 0..cells.len() {
        let patch = take_patch(&mut open, start, GRID.0);
        if patch.len() > largest.len() {
            largest = patch;
        }
    }
    if !one_way || largest.len() < FEWEST_CELLS {
        return None;
    }
    let change =
        largest.iter().filter_map(|i| cells[*i]).fold(Stops::ZERO, |sum, change| sum + change) / largest.len() as f64;
    Some(Unevenness { part: place_of(&largest, GRID), change, elsewhere: None })
}

/// The open cells joined to a cell, side by side, on a grid with this many columns; they are closed.
pub fn take_patch(open: &mut [bool], start: usize, columns: usize) -> Vec<usize> {
    let (mut patch, mut ahead) = (Vec::new(), vec![start]);
    while let Some(at) = ahead.pop() {
        if !std::mem::replace(&mut open[at], false) {
            continue;
        }
        patch.push(at);
        let column = at % columns;
        let beside = [
            (column > 0).then(|| at - 1),
            (column + 1 < columns).then_some(at + 1),
            at.checked_sub(columns),
            (at + columns < open.len()).then_some(at + columns),
        ];
        ahead.extend(beside.into_iter().flatten());
    }
    patch
}

/// Where the middle of a patch of a grid's cells lies, in words.
pub fn place_of(patch: &[usize], (columns, rows): (usize, usize)) -> String {
    let mean = |of: &dyn Fn(usize) -> usize, across: usize| {
        patch.iter().map(|i| of(*i) as f64 + 0.5).sum::<f64>() / patch.len() as f64 / across as f64
    };
    let across = match mean(&|i| i % columns, columns) {
        x if x < 0.35 => "left side",
        x if x < 0.47 => "left of the middle",
        x if x > 0.65 => "right side",
        x if x > 0.53 => "right of the middle",
        _ => "middle",
    };
    let down = match mean(&|i| i / columns, rows) {
        y if y < 0.33 => "top, ",
        y if y > 0.67 => "bottom, ",
        _ => "",
    };
    format!("the {down}{across}")
}

/// Correlation of two grids; 1 where neither has a pattern to differ in, and 0 where one has and the other none.
fn likeness(a: &[Stops], b: &[Stops]) -> f64 {
    let squares = |cells: &[Stops]| {
        let mean = cells.iter().map(|s| s.0).sum::<f64>() / cells.len() as f64;
        cells.iter().map(|s| (s.0 - mean).powi(2)).sum::<f64>()
    };
    let flat = squares(a) < 0.05 && squares(b) < 0.05;
    if flat { 1.0 } else { correlation(a.iter().zip(b).map(|(x, y)| (x.0, y.0))).unwrap_or(0.0) }
}
