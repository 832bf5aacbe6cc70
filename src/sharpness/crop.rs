//! A piece of a frame at full resolution, in light.

use std::f64::consts::TAU;

use crate::frame::{Cut, CutPlace, Picture, Rectangle};
use crate::meter::Area;
use crate::photometry::Stops;
use crate::response::{Response, Tones};

/// How noise is spread over fineness and direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoiseShape {
    /// Alike at each frequency.
    White,
    /// Samples of green stand at every other pixel, as on a chessboard, and those between are the mean of the four about them: that smooths
    /// the noise, so that next to none is left in the corners of the spectrum and twice as much at its coarse end.
    FilledIn,
}

impl NoiseShape {
    /// Power at a frequency, in cycles a pixel across and down, as a part of the variance of a sample. Half of the samples are there, and
    /// `1 + (cos 2 pi u + cos 2 pi v) / 2` is the transform of what fills in the others (of shifts and sums: any textbook, from memory).
    pub(super) fn power(self, u: f64, v: f64) -> f64 {
        match self {
            NoiseShape::White => 1.0,
            NoiseShape::FilledIn => (1.0 + ((TAU * u).cos() + (TAU * v).cos()) / 2.0).powi(2) / 2.0,
        }
    }

    /// Whether lens and sensor leave hardly anything but noise at that frequency. Of samples as on a chessboard, what lies in the corners of
    /// the spectrum mirrors what is coarser; about the ends of its axes alone there is nothing coarse to mirror.
    pub(super) fn is_alone(self, u: f64, v: f64) -> bool {
        match self {
            NoiseShape::White => u.hypot(v) >= CORNERS_FROM,
            NoiseShape::FilledIn => u.abs().max(v.abs()) >= AXES_FROM && u.abs().min(v.abs()) <= AXES_TO,
        }
    }
}

/// Finer than half a cycle a pixel there are only the corners of the spectrum.
const CORNERS_FROM: f64 = 0.58;
const AXES_FROM: f64 = 0.42;
const AXES_TO: f64 = 0.08;

/// One spot's pixels at 1:1, with as much about it as it may have moved.
#[derive(Debug, Clone, PartialEq)]
pub struct Crop {
    pub width: usize,
    pub height: usize,
    /// Linear light on any scale, row by row.
    pub light: Vec<f32>,
    /// Pixels that say nothing of the light: burnt out, or black.
    pub clipped: Vec<bool>,
    /// The light is the sensor's own: there is no curve that may be off.
    pub is_exact: bool,
    pub noise: NoiseShape,
    /// The spot itself, in pixels of this piece.
    pub spot: Rectangle,
    /// Width and height of the upright frame that it was cut from.
    pub frame: [usize; 2],
}

/// At full resolution a code at the scale's end is clipped; the coding of a JPEG spreads it by a code.
const BURNT: u8 = 254;
const BLACK: u8 = 1;
const SATURATED: f32 = 0.995;

/// Where a spot is to be cut out: `most` of a larger one, in pixels, and `margin` about it, in which it may lie.
pub fn cut_place(spot: Area, most: usize, margin: usize) -> CutPlace {
    let Area { left, top, right, bottom } = spot;
    CutPlace { left, top, right, bottom, most, margin }
}

impl Crop {
    /// A spot that was cut out, by the curve of its frame.
    pub fn of_cut(cut: &Cut, response: &Response) -> Crop {
        Crop::of(&cut.picture, response, cut.spot, cut.frame)
    }

    /// By the curve that the picture's codes are read by.
    pub fn of(picture: &Picture, response: &Response, spot: Rectangle, frame: [usize; 2]) -> Crop {
        let stops = Tones::new(|code| response.light(code).0);
        let tone = |luminance: f32| match picture.linear {
            Some(_) => luminance,
            None => Stops(f64::from(stops.of(luminance))).ratio() as f32,
        };
        let light: Vec<f32> = picture.luminance().map(tone).collect();
        let clipped = match &picture.linear {
            Some(linear) => linear.iter().map(|light| *light >= SATURATED || *light <= 0.0).collect(),
            // Of warm skin red alone often stands at the end, and the light is told by the others.
            None => picture.proxy.rgb.iter().map(is_clipped).collect(),
        };
        let (width, height) = (picture.proxy.width, picture.proxy.height);
        let is_exact = picture.linear.is_some();
        let noise = if is_exact { NoiseShape::FilledIn } else { NoiseShape::White };
        Crop { width, height, light, clipped, is_exact, noise, spot, frame }
    }

    /// Mean light of the spot.
    pub(super) fn level(&self) -> f64 {
        let Rectangle { left, top, width, height } = self.spot;
        let rows = (top..top + height).map(|row| &self.light[row * self.width + left..][..width]);
        rows.flatten().map(|light| f64::from(*light)).sum::<f64>() / (width * height).max(1) as f64
    }
}

fn is_clipped(rgb: &[u8; 3]) -> bool {
    rgb.iter().filter(|code| **code >= BURNT).count() > 1 || rgb.iter().all(|code| *code <= BLACK)
}
