//! What a state remembers: looks, the open correction, the frames of late, a finished survey. How they come about is
//! the state's own matter.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::record::Purpose;
use crate::advice::{Cause, Correction, Subject, Verdict};
use crate::drift::{Lighting, expected};
use crate::frame::{Captured, Settings};
use crate::photometry::{PowerSetting, Stops};
use crate::response::{Curve, Response};
use crate::rig::{Survey, SurveyReport};

/// A named reference with the powers that belong to it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Look {
    pub frame: Option<u64>,
    pub file: String,
    #[serde(skip)]
    pub subject: Subject,
    pub powers: BTreeMap<String, Option<PowerSetting>>,
}

/// A correction that is neither seen nor told yet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pending {
    pub record: u64,
    pub purpose: Purpose,
    pub correction: Correction,
    /// Groups that were told to be set.
    pub told: Vec<String>,
}

impl Pending {
    /// The settings that it prepares, unless these are such.
    pub fn prepares_beyond(&self, shot: &Settings, lighting: Lighting) -> Option<&Settings> {
        let Purpose::Next { settings } = &self.purpose else { return None };
        let apart = expected(shot, settings, lighting.planned());
        apart.is_none_or(|e| e.abs() > Stops(0.01)).then_some(settings)
    }
}

/// The last frame that is one to go by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Last {
    pub frame: u64,
    pub file: String,
    pub subject: Subject,
    pub verdict: Verdict,
}

/// A frame as the trend shows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrendPoint {
    pub frame: u64,
    pub drift: Option<Stops>,
    /// Half-width about the drift that holds whatever anybody did to the lights: a chart has no room for a condition.
    pub uncertainty: Option<Stops>,
    pub cause: Cause,
}

impl TrendPoint {
    pub(super) fn of(frame: u64, verdict: &Verdict) -> TrendPoint {
        TrendPoint {
            frame,
            drift: verdict.drift,
            uncertainty: verdict.unconditional_half_width().map(Stops::rounded),
            cause: verdict.cause,
        }
    }
}

/// The first file of an exposure, to which others may belong.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stem {
    pub frame: u64,
    pub captured: Option<Captured>,
    /// It has a picture that is no raw file.
    pub picture: bool,
}

/// A curve that was learned on the job.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct LearnedCurve {
    pub name: String,
    /// How often it was made better.
    pub lessons: u32,
}

/// A learned curve, as readings go by it.
pub(super) fn learned_response(name: &str, curve: Curve) -> Response {
    Response::new(name.to_owned(), curve, None, Stops::ZERO)
}

/// A finished survey.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Surveyed {
    /// The record that finished it.
    pub record: u64,
    pub survey: Survey,
    pub report: SurveyReport,
    /// The look that it was made for; `None` when there was none yet.
    pub look: Option<String>,
    /// How far each group was turned since; `None` when that isn't known.
    pub since: BTreeMap<String, Option<Stops>>,
}

/// A frame of late.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Recent {
    pub frame: u64,
    pub subject: Subject,
    pub of_survey: bool,
}
