//! The width of the blur by which two pieces differ, from their power by fineness.

use std::f64::consts::PI;

use nalgebra::{Matrix2, Vector2};

use super::bands::{Band, Bands};

/// What the line says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fitted {
    /// Logarithm of the ratio of powers that is the same at all finenesses: contrast, which is not sharpness.
    pub level: f64,
    /// Square of the blur's deviation, in pixels squared; negative where the frame is the sharper one.
    pub variance: f64,
    pub error: f64,
    /// Bands that it rests on, from the coarsest on.
    pub bands: usize,
}

/// Why there is no line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unfitted {
    /// One of the two shows too little above its noise.
    Noise,
    /// Even the coarsest bands are blurred away.
    Blur,
}

const FEWEST_BANDS: usize = 4;
/// A band counts while both show more than so many times their noise.
const CLEAR: f64 = 1.5;
/// How well the level of the noise is known, as a part of it.
const NOISE_KNOWN: f64 = 0.2;
/// How far a real blur's transfer is from a Gaussian's where most of it is left, as a logarithm of power.
const SHAPE: f64 = 0.04;
/// A blur is followed down to a tenth of the power: below it the shapes of blurs differ (a disc's reaches zero), and so do codings.
/// With the fewest bands a little further.
const DEEPEST: f64 = 2.3;
const DEEPEST_OF_FEW: f64 = 3.0;
/// More than this left over, as a square over the errors, and it is no line.
const WORST: f64 = 3.0;
/// Contrast differs by no more than about this between two frames, as a logarithm of power: their curves may be off.
const LEVEL: f64 = 0.5;
/// Frames of one scene that differ in nothing but half a pixel's shift, or two stops, differ by so much in the blur's square.
const AT_LEAST: f64 = 0.015;
/// And wide blurs by so large a part of it: what lies at the edges of a tile is blurred into it from outside.
const IN_PART: f64 = 0.02;

impl Fitted {
    /// By as many bands as lie on one line.
    pub fn of(bands: &Bands) -> Result<Fitted, Unfitted> {
        let clear = bands.clear(0, CLEAR).min(bands.clear(1, CLEAR));
        if clear < FEWEST_BANDS {
            return Err(Unfitted::Noise);
        }
        let most = (FEWEST_BANDS..=clear).rev().find_map(|count| line(bands, count));
        let fitted = most.ok_or(Unfitted::Blur)?;
        // An error of the noise's level is common to all bands: it doesn't average out.
        let noisier = Bands { noise: bands.noise.map(|noise| noise * (1.0 + NOISE_KNOWN)), ..bands.clone() };
        let by_noise = through(&noisier, fitted.bands).map_or(0.0, |(line, _)| line.variance - fitted.variance);
        let parts = [fitted.error, by_noise, AT_LEAST, IN_PART * fitted.variance];
        Ok(Fitted { error: parts.iter().map(|part| part * part).sum::<f64>().sqrt(), ..fitted })
    }

    /// With an error of another source besides.
    pub fn less_sure_by(self, error: f64) -> Fitted {
        Fitted { error: self.error.hypot(error), ..self }
    }
}

/// Through the first bands; `None` where they are on no line, or are blurred too far.
fn line(bands: &Bands, count: usize) -> Option<Fitted> {
    let (line, spread) = through(bands, count)?;
    let depth = (line.variance * Point::of(bands, &bands.all[count - 1]).lever).abs();
    let deepest = if count <= FEWEST_BANDS + 1 { DEEPEST_OF_FEW } else { DEEPEST };
    (spread <= WORST && depth <= deepest).then_some(line)
}

/// By least squares, with what is left over as a square over the errors.
fn through(bands: &Bands, count: usize) -> Option<(Fitted, f64)> {
    let points: Vec<Point> = bands.all[..count].iter().map(|band| Point::of(bands, band)).collect();
    let mut normal = Matrix2::new(LEVEL.powi(-2), 0.0, 0.0, 0.0);
    let mut right = Vector2::zeros();
    for point in &points {
        let row = Vector2::new(1.0, point.lever);
        normal += row * row.transpose() / point.error.powi(2);
        right += row * point.ratio / point.error.powi(2);
    }
    let inverse = normal.try_inverse()?;
    let found = inverse * right;
    let left = |point: &Point| ((point.ratio - found[0] - found[1] * point.lever) / point.error).powi(2);
    let spread = points.iter().map(left).sum::<f64>() / (count - 2) as f64;
    let error = (inverse[(1, 1)] * spread.max(1.0)).sqrt();
    Some((Fitted { level: found[0], variance: found[1], error, bands: count }, spread))
}

/// One band on the line.
pub struct Point {
    /// Logarithm of the frame's power over the reference's.
    pub ratio: f64,
    /// What a blur of one pixel squared changes it by.
    pub lever: f64,
    pub error: f64,
}

impl Point {
    /// The band's powers must be above the noise.
    pub fn of(bands: &Bands, band: &Band) -> Point {
        let [here, there] = bands.signal(band);
        // Of two mean powers with so much in common (Bendat and Piersol, Random Data, from memory).
        let chance = 2.0 * (1.0 - band.common()) / band.modes.max(0.5);
        let noise = bands.noise_of(band);
        let noise = [noise[0] / here, noise[1] / there].map(|part| (NOISE_KNOWN * part).powi(2));
        Point {
            ratio: (there / here).ln(),
            lever: -4.0 * PI * PI * band.square,
            error: (chance + noise[0] + noise[1] + SHAPE.powi(2)).sqrt(),
        }
    }
}
