//! What metering a frame needs to know, and which curve its readings go by.

use crate::advice::Subject;
use crate::config::{Config, Curves};
use crate::frame::{Frame, Settings};
use crate::meter::{Metered, Spot, meter};
use crate::photometry::Series;
use crate::response::{Response, ResponseChoice};

/// Shared by the workers and the engine; replaced when the configuration changes.
#[derive(Debug, Clone)]
pub struct Metering {
    pub curves: Curves,
    pub choice: ResponseChoice,
    /// The picture look that the camera is set to.
    pub look: Option<String>,
    pub spots: Vec<Spot>,
    pub marks: Series,
}

/// A frame, metered.
#[derive(Debug, Clone)]
pub struct FrameOutcome {
    pub subject: Subject,
    pub notes: Vec<String>,
}

impl Metering {
    pub fn of(config: &Config, curves: Curves) -> Metering {
        Metering {
            curves,
            choice: config.response,
            look: config.picture_look.clone(),
            spots: config.spots.clone(),
            marks: config.marks,
        }
    }

    /// The curve for pictures of this camera in this colour space.
    pub fn response_for(&self, settings: &Settings, colour: &str) -> Response {
        self.curves.pick(self.choice, settings.camera.as_deref(), colour, self.look.as_deref())
    }

    /// Meters a frame that was read: what the blocking workers do.
    pub fn subject(&self, frame: Frame) -> FrameOutcome {
        let metered = frame.picture.as_ref().map(|picture| {
            let response = match picture.linear {
                Some(_) => Response::raw(),
                None => self.response_for(&frame.settings, &picture.colour.space.to_string()),
            };
            meter(picture, &response, &self.spots)
        });
        FrameOutcome { subject: Subject { settings: frame.settings, metered }, notes: frame.notes }
    }
}

/// A subject as another curve reads it. What was read by a curve that `named` doesn't know stays as
/// it is, and won't compare.
pub fn reread(subject: &Subject, to: &Response, named: impl Fn(&str) -> Option<Response>) -> Subject {
    let again = |metered: &Metered| match named(&metered.response) {
        Some(from) if from.name != to.name => metered.reread(&from, to),
        _ => metered.clone(),
    };
    Subject { settings: subject.settings.clone(), metered: subject.metered.as_ref().map(again) }
}
