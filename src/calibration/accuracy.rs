//! How true the stops of a series are, by each way of reading them.
//!
//! A fitted curve is tested on a pair of frames that it was not fitted on. The truth is what the settings say, and they are off
//! themselves: an interval here is that of the reading, and of the settings.

use super::bracket::Bracket;
use super::refusal::Refusal;
use super::{SeriesFrame, difference, uncertainty_of_difference};
use crate::drift::{Lighting, observe, uncertainty_of_rendering};
use crate::meter::WHOLE;
use crate::photometry::Stops;
use crate::response::{Curve, Response};
use crate::statistics::median;

/// A way of reading a series.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    /// The sRGB curve alone.
    Naive,
    Stock,
    /// A curve of the series' other frames.
    Fitted,
    /// The linear light of raw files.
    Raw,
}

/// Two frames, and what each way says of their difference.
#[derive(Debug, Clone)]
pub struct ComparedPair {
    pub files: [String; 2],
    pub truth: Stops,
    /// Error and half-width of the stated 95 % interval; `None` where nothing was said.
    pub naive: Option<(Stops, Stops)>,
    pub stock: Option<(Stops, Stops)>,
    /// `Err` where the other frames carry no curve.
    pub fitted: Result<Option<(Stops, Stops)>, Refusal>,
    /// Only where both frames are raw files.
    pub raw: Option<(Stops, Stops)>,
}

/// All pairs of a series.
#[derive(Debug, Clone)]
pub struct Accuracy {
    pub pairs: Vec<ComparedPair>,
}

/// What a column comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Errors {
    pub told: usize,
    pub median: Stops,
    pub worst: Stops,
    /// Median and worst of the error over the true difference.
    pub per_stop: [f64; 2],
    /// Share of pairs whose true difference lies within the stated interval.
    pub inside: f64,
}

/// Pairs farther apart are not asked about.
const FARTHEST: Stops = Stops(2.01);
/// Equal exposures say nothing of a curve.
const NEAREST: Stops = Stops(0.1);

/// Reads all pairs of frames up to two stops apart, in three ways.
pub fn accuracy(frames: &[SeriesFrame], stock: &Response, prior: &Curve, lighting: Lighting) -> Accuracy {
    let rendered: Vec<usize> = (0..frames.len()).filter(|at| !frames[*at].is_raw).collect();
    // Laid once: where a place lies says nothing of its light, so that the tested pair's own may help to find it.
    let bracket = Bracket::of(rendered.iter().map(|at| &frames[*at]).collect(), lighting);
    let mut pairs = Vec::new();
    for (i, a) in frames.iter().enumerate() {
        for (j, b) in frames.iter().enumerate().skip(i + 1) {
            let Some(truth) = difference(a, b, lighting) else { continue };
            if !(NEAREST..=FARTHEST).contains(&truth.abs()) {
                continue;
            }
            let own = || {
                let bracket = bracket.as_ref().map_err(Clone::clone)?;
                let others: Vec<usize> =
                    (0..rendered.len()).filter(|k| rendered[*k] != i && rendered[*k] != j).collect();
                let (fit, _) = bracket.luminance_by(&others, prior)?;
                Ok(Response::new("fitted".to_owned(), fit.curve, None, fit.scatter))
            };
            pairs.push(pairing([a, b], truth, own, stock, lighting));
        }
    }
    Accuracy { pairs }
}

fn pairing(
    [a, b]: [&SeriesFrame; 2],
    truth: Stops,
    own: impl Fn() -> Result<Response, Refusal>,
    stock: &Response,
    lighting: Lighting,
) -> ComparedPair {
    let files = [a.file.clone(), b.file.clone()];
    if a.is_raw || b.is_raw {
        let raw = if a.is_raw && b.is_raw { error(a, b, truth, &Response::raw(), lighting) } else { None };
        return ComparedPair { files, truth, naive: None, stock: None, fitted: Ok(None), raw };
    }
    let fitted = own().map(|own| error(a, b, truth, &own, lighting));
    let (naive, stock) = (error(a, b, truth, &Response::srgb(), lighting), error(a, b, truth, stock, lighting));
    ComparedPair { files, truth, naive, stock, fitted, raw: None }
}

fn error(
    a: &SeriesFrame,
    b: &SeriesFrame,
    truth: Stops,
    response: &Response,
    lighting: Lighting,
) -> Option<(Stops, Stops)> {
    let settings = uncertainty_of_difference(a, b, lighting, response.scatter_of_two());
    let uncertainty = uncertainty_of_rendering(&a.settings, &b.settings).in_quadrature(settings);
    let seen = observe(a.metered.reading(WHOLE)?, b.metered.reading(WHOLE)?, response)?;
    Some(((seen.drift - truth).abs(), seen.half_width.in_quadrature(uncertainty)))
}

impl Accuracy {
    /// `None` when nothing was told.
    pub fn errors(&self, column: Column) -> Option<Errors> {
        let told: Vec<(&ComparedPair, (Stops, Stops))> =
            self.pairs.iter().filter_map(|p| p.told(column).map(|t| (p, t))).collect();
        let mut sizes: Vec<f64> = told.iter().map(|(_, (error, _))| error.0).collect();
        let mut per_stop: Vec<f64> = told.iter().map(|(pair, (error, _))| (error.0 / pair.truth.0).abs()).collect();
        let inside = told.iter().filter(|(_, (error, half))| error <= half).count();
        Some(Errors {
            told: told.len(),
            // A median leaves its values sorted.
            median: Stops(median(&mut sizes)?),
            worst: Stops(*sizes.last()?),
            per_stop: [median(&mut per_stop)?, *per_stop.last()?],
            inside: inside as f64 / told.len() as f64,
        })
    }

    /// Pairs whose other frames carried no curve, and the first reason.
    pub fn refused(&self) -> Option<(usize, &Refusal)> {
        let mut refusals = self.pairs.iter().filter_map(|p| p.fitted.as_ref().err());
        let first = refusals.next()?;
        Some((refusals.count() + 1, first))
    }
}

impl ComparedPair {
    fn told(&self, column: Column) -> Option<(Stops, Stops)> {
        match column {
            Column::Naive => self.naive,
            Column::Stock => self.stock,
            Column::Raw => self.raw,
            Column::Fitted => self.fitted.as_ref().ok().copied().flatten(),
        }
    }
}
