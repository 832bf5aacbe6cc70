//! Which curve a frame's codes are read by: the one place where that is decided.
//!
//! Readings hold codes and name no curve. So the answer may change from one judgement to the next, as a camera is
//! calibrated or taught, and nothing that was kept is the worse for it.

use super::record::Rendered;
use super::sitting::Sitting;
use crate::config::{Config, Curves};
use crate::frame::Settings;
use crate::meter::FrameReadings;
use crate::response::{Response, ResponseChoice};

/// The curve for a file of a frame with these settings. A raw file's linear light has its own. A picture goes by the
/// curve that the configuration names; by the camera's calibrated one; by what this log taught of the camera; or, where
/// nothing is known of it, by the curve of no camera: the stock curve, or that of a HEIF picture.
pub fn response_for(
    settings: &Settings,
    metered: &FrameReadings,
    config: &Config,
    curves: &Curves,
    sitting: &Sitting,
) -> Response {
    if metered.is_raw() {
        return Response::raw();
    }
    let of = rendered(settings, metered, config);
    let picked = curves.pick(config.response_curve, of.camera.as_deref(), &of.colour, of.profile.as_deref());
    let teachable =
        config.response_curve == ResponseChoice::Camera && picked.name == curves.of_no_camera(&of.colour).name;
    let learned = sitting.learned(&of).filter(|_| teachable).and_then(|l| sitting.curve(&l.name));
    learned.cloned().unwrap_or(picked)
}

/// What a picture's curve belongs to.
pub(super) fn rendered(settings: &Settings, metered: &FrameReadings, config: &Config) -> Rendered {
    Rendered {
        camera: settings.camera.clone(),
        colour: metered.colour.clone(),
        profile: config.picture_profile.clone(),
    }
}
