//! When a frame was shot.

use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};

/// When the shutter went, by the camera's own clock. Without an offset the time has no zone.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Captured {
    pub local: DateTime,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub offset: Option<String>,
    /// Without sub-seconds, intervals are known to one second only.
    pub sub_seconds: bool,
}

impl Captured {
    /// Seconds from `earlier` to this, by the camera's clock.
    pub fn seconds_since(&self, earlier: &Captured) -> f64 {
        self.local.duration_since(earlier.local).as_secs_f64()
    }

    /// As people read it: '2026-11-26 18:40'.
    pub fn in_words(&self) -> String {
        self.local.strftime("%Y-%m-%d %H:%M").to_string()
    }
}
