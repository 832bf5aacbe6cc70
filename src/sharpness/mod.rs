//! How sharp the same piece of a scene is in two frames: measured at full resolution in the spots alone. Pure arithmetic.
//!
//! Both pieces are brought to light and divided by their own mean, so that exposure drops out; laid over each other tile by
//! tile; and compared by their power at each fineness, the noise of each taken off. A blur by a Gaussian of deviation `s` leaves
//! `exp(-4 pi^2 s^2 f^2)` of the power at `f` cycles a pixel (the Fourier transform of a Gaussian: any textbook, from memory), so the
//! logarithm of the ratio falls as a straight line over the square of `f`, and its slope is the width of the blur. What was done to both
//! frames alike (the lens at its best, the sensor's filter, sharpening in the camera) cancels in the ratio.
//!
//! The files use each other in this order: `crop`, `fourier`, `placing`, `bands`, `fit`, `streak`, `spot`, `cause`, `keeping`.
//! `texture` stands by itself: it says where there is anything to measure.

mod bands;
mod cause;
mod crop;
mod fit;
mod fourier;
mod keeping;
mod placing;
mod spot;
#[cfg(test)]
mod spot_tests;
mod streak;
mod texture;

use std::fmt;

use serde::{Deserialize, Serialize};
use thiserror::Error;

pub use cause::{Cause, SpotSoftness, judge};
pub use crop::{Crop, NoiseShape, cut_place};
pub use keeping::{KeptAt, kept};
pub use spot::{ReferenceSpot, compare_spot, finest_first};
pub use streak::Streak;
pub use texture::most_textured;

/// A length in the picture, in pixels of the full-size frame.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct Pixels(pub f64);

/// How fine a pattern is, in cycles a pixel: 0.5 is the finest that pixels show.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
pub struct Fineness(pub f64);

/// A direction in the picture, in degrees from the horizontal, 0 to 180; 90 is straight down, 45 falls to the right.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
pub struct Direction(pub f64);

impl Direction {
    /// How far two lines are turned against each other, 0 to 90 degrees.
    fn apart(self, other: Direction) -> f64 {
        let apart = (self.0 - other.0).abs();
        apart.min(180.0 - apart)
    }
}

/// With two digits: more is not known.
impl fmt::Display for Pixels {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.abs() < 9.95 { write!(f, "{:.1} px", self.0) } else { write!(f, "{:.0} px", self.0) }
    }
}

/// How much softer a piece of the scene is in a frame than in the reference.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Softness {
    /// The blur that makes the sharper of the two as soft as the other, as a Gaussian's standard deviation; negative where the
    /// frame is the sharper one.
    pub blur: Pixels,
    /// The ends of its 95 % interval.
    pub least: Pixels,
    pub most: Pixels,
    /// What that blur leaves of the finest detail: the amplitude in the frame over that in the reference, at [`finest`](Self::finest).
    /// Above 1 where the frame is the sharper one.
    pub detail: Share,
    /// The finest detail that the sharper of the two shows above its noise.
    pub finest: Fineness,
    /// The blur is that of a motion, in one direction only.
    pub streak: Option<Streak>,
    /// How far the piece lies from where it was looked for: right and down.
    pub shift: [Pixels; 2],
    /// Tiles that were compared, of those that there are.
    pub tiles: [usize; 2],
}

/// A share of detail for people: '41 %', '< 1 %'; none is more than all.
pub fn per_cent(share: f64) -> String {
    let share = (share * 100.0).round().min(100.0);
    if share < 1.0 { "< 1 %".to_owned() } else { format!("{share:.0} %") }
}

/// A share with the ends of its 95 % interval; 1 is all.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Share {
    pub share: f64,
    pub least: f64,
    pub most: f64,
}

impl Softness {
    /// Diameter of the blur disc with the same second moment: that of an even disc is a 16th of its diameter squared in each
    /// direction, so it is four deviations across. Negative where the frame is the sharper one.
    pub fn disc(&self) -> Pixels {
        Pixels(self.blur.0 * 4.0)
    }

    /// Softer than the reference, and not by chance.
    pub fn is_softer(&self) -> bool {
        self.least.0 > 0.0
    }

    /// The share of the finest detail that the frame keeps; what may be chance is no loss.
    pub fn kept(&self) -> f64 {
        if self.is_softer() { self.detail.share } else { 1.0 }
    }

    /// Sharper than the reference, and not by chance.
    pub fn is_sharper(&self) -> bool {
        self.most.0 < 0.0
    }
}

/// The share of the finest detail that a frame keeps in a spot; `None` where that isn't known. What is too blurred for a width keeps
/// next to nothing.
pub fn kept_of(measured: &Result<Softness, Untold>) -> Option<f64> {
    match measured {
        Ok(softness) => Some(softness.kept()),
        Err(why) => why.kept(),
    }
}

/// Why it can't be told of a spot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Untold {
    #[error("it covers too few pixels")]
    TooSmall,
    #[error("the frames have different numbers of pixels")]
    OtherSize,
    #[error("it is burnt out or black in one of the two")]
    Clipped,
    #[error("it has no texture")]
    NoTexture,
    #[error("it is not found in the frame: it moved away, or is blurred too far")]
    Moved,
    #[error("its noise hides the difference")]
    TooNoisy,
    #[error("its exposure is so far from the other frame's that a curve that is off may hide the difference")]
    OtherExposure,
    #[error("it is too blurred for a width to be told")]
    TooBlurred,
    #[error("the frame that it is held against is too blurred there for a width to be told")]
    ReferenceTooBlurred,
}

impl Untold {
    /// See [`kept_of`].
    pub fn kept(self) -> Option<f64> {
        (self == Untold::TooBlurred).then_some(0.0)
    }
}
