//! Pure arithmetic on lenses: how much of a scene is sharp at an aperture, and where diffraction takes over.
//!
//! A thin lens without faults, whose entrance pupil is as large as its exit pupil, focused exactly where it is said to be. Real
//! lenses differ in all three; whatever shows these numbers to a person says so.

mod depth_of_field;
mod diffraction;
mod focus;
mod length;
mod sensor;
mod subject;

use thiserror::Error;

pub use depth_of_field::{DepthOfField, blur_disk, depth_of_field, widest_sharp};
pub use diffraction::{airy_disk, overtaken_from};
pub use focus::{Focus, Magnification};
pub use length::{Depth, FocalLength, Micrometres, Millimetres, distance_in_words, read_distance};
pub use sensor::{CircleOfConfusion, PixelsAcross, Sensor};
pub use subject::{Part, Sharpness, Subject};

/// A length or a sensor that can't be used: one sentence with what would be right.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum OpticsError {
    #[error("'{text}' is no length: write a number with its unit (mm, cm, m, in or ft), such as {such_as}")]
    Unreadable { text: String, such_as: &'static str },
    #[error("{what} '{text}' is out of range: it lies between {least} and {most}")]
    OutOfRange { what: &'static str, text: String, least: &'static str, most: &'static str },
    #[error(
        "a lens of {focal_length} can't be focused at {distance}: the distance must be longer than the focal length"
    )]
    TooNear { focal_length: FocalLength, distance: String },
    #[error("'{0}' is no sensor: write its width and height such as 36x24mm, or full-frame, aps-c, 4/3 or 1-inch")]
    NoSensor(String),
    #[error("'{0}' is no number of pixels: write how many there are across the sensor's width, such as 6000")]
    NoPixels(String),
    #[error(
        "'{0}' is no depth: write a name and a length from the eyes, such as 'ears 10cm' behind or 'nose -3cm' before them"
    )]
    NoPart(String),
    #[error("'{0}' is named twice among the depths: give each its own name")]
    TwiceNamed(String),
    #[error("there are more than {0} depths: leave some out")]
    TooManyParts(usize),
    #[error(
        "'{name}' at {depth} the eyes would lie at the camera or behind it: write a depth shorter than the distance"
    )]
    BehindCamera { name: String, depth: Depth },
}
