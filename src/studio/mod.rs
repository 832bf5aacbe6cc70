//! A studio of numbers: a rendered sitter under groups of lights, and a camera of our own.
//!
//! For the demo, the tests and the benchmark, where the truth has to be known. The tone curve is
//! deliberately not the stock one, so that nothing here reads better than a real camera would.

mod camera;
mod scene;

pub use camera::{CameraSettings, codes, exif_block, expose, with_exif};
pub use scene::{Light, Pose, Scene};
