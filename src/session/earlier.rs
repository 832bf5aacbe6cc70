//! What records hold of readings: codes; or, up to format 4, light by a curve that they name.
//!
//! A record stays what was written. The state takes it up in codes, for which it knows the curves that every program
//! knows and those that the same log taught before. What went through any other curve (a calibrated camera's own) has
//! no codes: the frame is then one without that reading, and what is compared with it is told to be unlike.

use serde::{Deserialize, Serialize};

use crate::advice::Observation;
use crate::align::PictureId;
use crate::frame::Settings;
use crate::meter::{Logged, LoggedMap};
use crate::numbers::FrameNumber;
use crate::response::Response;
use crate::rig::{Firing, SurveyFrame};

/// A frame as it takes part in a comparison, as a record holds it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LoggedObservation {
    pub settings: Settings,
    /// The reading that counts.
    pub metered: Option<Logged>,
    /// The picture's reading, where the raw file's counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second: Option<Logged>,
}

/// One frame of a survey, as a record holds it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LoggedSurveyFrame {
    #[serde(alias = "lit")]
    pub firing: Firing,
    pub settings: Settings,
    pub light: LoggedMap,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub laid_over: Option<PictureId>,
}

impl From<Observation> for LoggedObservation {
    fn from(observation: Observation) -> LoggedObservation {
        let Observation { settings, metered, second } = observation;
        LoggedObservation { settings, metered: metered.map(Logged::from), second: second.map(Logged::from) }
    }
}

impl LoggedObservation {
    /// The observation in codes, with those of its readings whose curve is known.
    pub fn in_codes(&self, named: impl Fn(&str) -> Option<Response>) -> Observation {
        let [first, second] =
            [&self.metered, &self.second].map(|reading| reading.as_ref().and_then(|r| r.in_codes(&named)));
        let (metered, second) = if first.is_some() { (first, second) } else { (second, None) };
        Observation { settings: self.settings.clone(), metered, second }
    }
}

impl From<SurveyFrame> for LoggedSurveyFrame {
    fn from(frame: SurveyFrame) -> LoggedSurveyFrame {
        LoggedSurveyFrame {
            firing: frame.firing,
            settings: frame.settings,
            light: frame.light.into(),
            laid_over: frame.laid_over,
        }
    }
}

impl LoggedSurveyFrame {
    /// The frame in codes, with its number.
    pub(super) fn taken_as(&self, frame: FrameNumber) -> Option<SurveyFrame> {
        self.in_codes(|_| None).map(|taken| SurveyFrame { frame: Some(frame), ..taken })
    }

    /// The frame in codes; `None` when nobody knows the curve that it went through.
    pub fn in_codes(&self, named: impl Fn(&str) -> Option<Response>) -> Option<SurveyFrame> {
        let light = self.light.in_codes(named)?;
        Some(SurveyFrame {
            firing: self.firing.clone(),
            settings: self.settings.clone(),
            light,
            laid_over: self.laid_over,
            frame: None,
        })
    }
}
