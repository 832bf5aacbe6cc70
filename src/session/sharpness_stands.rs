//! What was measured last of each spot, as `status` answers it to programs.

use serde::Serialize;

use super::measured_sharpness::{MeasuredSharpness, Sharpest, SpotSharpness, aperture};
use crate::numbers::FrameNumber;
use crate::photometry::FNumber;
use crate::sharpness::{Pixels, Untold};

/// The last frame that was measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SharpnessStands<'a> {
    frame: FrameNumber,
    file: &'a str,
    #[serde(with = "aperture")]
    f_number: Option<FNumber>,
    /// The frame that it was held against.
    against: &'a Sharpest,
    spots: Vec<SpotStands<'a>>,
    /// Why it is softer or sharper, where that is told.
    cause: Option<&'a str>,
    /// Why there are no spots.
    fault: Option<&'a str>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct SpotStands<'a> {
    spot: &'a str,
    /// The share that it keeps of the finest detail, as people are told: 1 where a difference may be chance, 0 where it is too blurred for a
    /// width.
    kept: Option<f64>,
    /// The blur that explains the loss, and half of its 95 % interval: the longer half, for it isn't even. Below 0 where the frame is
    /// the sharper one.
    blur: Option<Pixels>,
    half_width: Option<Pixels>,
    /// Why there is no width, as a word and as a sentence.
    untold: Option<Untold>,
    why: Option<String>,
}

impl SharpnessStands<'_> {
    pub fn of(measured: &MeasuredSharpness) -> SharpnessStands<'_> {
        SharpnessStands {
            frame: measured.frame,
            file: &measured.file,
            f_number: measured.f_number,
            against: &measured.against,
            spots: measured.spots.iter().map(SpotStands::of).collect(),
            cause: measured.cause.as_deref(),
            fault: measured.fault.as_deref(),
        }
    }
}

impl SpotStands<'_> {
    fn of(of: &SpotSharpness) -> SpotStands<'_> {
        SpotStands {
            spot: &of.spot,
            kept: of.kept().map(|kept| kept.min(1.0)),
            blur: of.told.map(|told| told.blur),
            half_width: of.told.map(|told| told.half_width()),
            untold: of.untold,
            why: of.untold.map(|why| why.to_string()),
        }
    }
}
