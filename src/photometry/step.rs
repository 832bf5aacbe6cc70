//! The step of a power dial.

use serde::{Deserialize, Serialize};

use super::stops::Stops;

/// The smallest move of a dial.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Step {
    #[serde(rename = "1")]
    Whole,
    #[serde(rename = "1/2")]
    Half,
    #[serde(rename = "1/3")]
    Third,
    #[serde(rename = "1/10")]
    Tenth,
}

impl Step {
    pub fn per_stop(self) -> f64 {
        match self {
            Step::Whole => 1.0,
            Step::Half => 2.0,
            Step::Third => 3.0,
            Step::Tenth => 10.0,
        }
    }

    pub fn stops(self) -> Stops {
        Stops(1.0 / self.per_stop())
    }

    /// The nearest click to so many stops from full power; of two that are as near the brighter.
    pub(super) fn nearest(self, stops: f64) -> f64 {
        (stops * self.per_stop() + 0.5).floor() / self.per_stop()
    }
}
