//! Calibration: a camera's own response, recovered from frames, and how true readings are by it.
//!
//! Pure functions on frames that were read and metered before.

mod accuracy;
mod bracket;
mod laid;
mod learning;
mod refusal;

pub use accuracy::{Accuracy, Column, ComparedPair, Errors, accuracy};
pub use bracket::{Bracket, Calibration, calibrate};
pub use learning::{ExposureRun, Learned, RawPair, agrees_with, teach_by_raw, teach_by_sum};
pub use refusal::Refusal;

use std::sync::Arc;

use crate::align::CodePicture;
use crate::drift::{Lighting, expected, uncertainty_of_expected};
use crate::frame::Settings;
use crate::meter::FrameReadings;
use crate::photometry::Stops;

/// One frame of a series.
#[derive(Debug, Clone)]
pub struct SeriesFrame {
    /// Name to show.
    pub file: String,
    pub settings: Settings,
    /// Told by hand, from any common origin; counts before the settings.
    pub exposure: Option<Stops>,
    /// What it is laid over others by: small, so that dozens of frames fit into memory.
    pub codes: Arc<CodePicture>,
    /// Its codes are linear light, encoded: a raw file.
    pub is_raw: bool,
    pub metered: FrameReadings,
}

/// Exposure of one frame from another's.
fn difference(from: &SeriesFrame, to: &SeriesFrame, lighting: Lighting) -> Option<Stops> {
    match (from.exposure, to.exposure) {
        (Some(a), Some(b)) => Some(b - a),
        _ => expected(&from.settings, &to.settings, lighting),
    }
}

/// Half-width of the 95 % interval of that difference: marks told by hand are no exacter than those the camera tells.
/// `of_camera` is how far its exposures were seen to be off their settings.
fn uncertainty_of_difference(from: &SeriesFrame, to: &SeriesFrame, lighting: Lighting, of_camera: Stops) -> Stops {
    uncertainty_of_expected(&from.settings, &to.settings, lighting, of_camera)
}
