//! What metering a frame needs to know, and which curve its readings go by.

use crate::advice::Subject;
use crate::config::{Config, Curves};
use crate::frame::{Frame, Settings};
use crate::meter::{LightMap, Metered, Spot, light_map, meter};
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
    /// There are groups of lights that a survey could tell apart.
    pub several_groups: bool,
}

/// A frame, metered.
#[derive(Debug, Clone)]
pub struct FrameOutcome {
    pub subject: Subject,
    /// The light of its parts, for reading single lights out of it; not logged.
    pub light: Option<LightMap>,
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
            several_groups: config.groups.len() > 1,
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
            (meter(picture, &response, &self.spots), self.several_groups.then(|| light_map(picture, &response)))
        });
        let (metered, light) = metered.unzip();
        let subject = Subject { settings: frame.settings, metered, second: None };
        FrameOutcome { subject, light: light.flatten(), notes: frame.notes }
    }
}

/// Two subjects by one kind of reading and one curve, ready to be compared.
#[derive(Debug, Clone)]
pub struct Compared {
    pub reference: Option<Subject>,
    pub frame: Subject,
    pub response: Response,
    /// They have no kind of reading in common, or the reference's curve is known no more.
    pub unlike: bool,
}

/// Brings two subjects to one curve: the raw files' light where both have it, else the pictures'.
///
/// `curve` gives the curve to read a picture by. What was read by a curve that `named` doesn't know
/// can't be compared.
pub fn alike(
    reference: Option<&Subject>,
    frame: &Subject,
    curve: impl Fn(&Metered) -> Response,
    named: impl Fn(&str) -> Option<Response>,
) -> Compared {
    let known = |subject: &Subject, raw| subject.reading_of(raw).is_some_and(|m| named(&m.response).is_some());
    let raw = |raw: &bool| reference.is_none_or(|r| known(r, *raw)) && frame.reading_of(*raw).is_some();
    let common = [true, false].into_iter().find(raw);
    let reading = common.and_then(|raw| frame.reading_of(raw));
    let response = reading.map_or_else(Response::srgb, &curve);
    let by_one = |subject: &Subject| {
        let reading = common.and_then(|raw| subject.reading_of(raw));
        let again = reading.map(|metered| match named(&metered.response) {
            Some(from) if from.name != response.name => metered.reread(&from, &response),
            _ => metered.clone(),
        });
        Subject { settings: subject.settings.clone(), metered: again, second: None }
    };
    Compared {
        reference: reference.map(by_one),
        frame: by_one(frame),
        unlike: common.is_none() && frame.metered.is_some(),
        response,
    }
}
