//! The light of a file's parts, as it is kept beside the log: what single lights do to an exposure is read out of it, and a
//! further file of that exposure may land after a restart.
//!
//! The log never holds it. What of it is believed after a restart is decided here; where it is kept is for others.

use serde::{Deserialize, Serialize};

use super::sealed::{check_seal, seal};
use super::state::State;
use crate::container::Fingerprint;
use crate::meter::LightMap;
use crate::numbers::FrameNumber;

/// Every line begins so, whatever its version.
pub const HEAD: &str = "{\"light\":";
/// Version of the lines' format. Lines of another one are passed over.
const VERSION: u32 = 1;

/// The light of one file's parts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LightOfFile {
    pub frame: FrameNumber,
    pub file: String,
    /// With the file's name it ties the map to the log that took this very picture up as this frame.
    pub fingerprint: Fingerprint,
    pub map: LightMap,
}

#[derive(Serialize)]
struct Written<'a> {
    light: u32,
    #[serde(flatten)]
    of: &'a LightOfFile,
}

impl LightOfFile {
    /// As a line without its end, of a version and sealed by a checksum.
    pub fn to_line(&self) -> serde_json::Result<String> {
        serde_json::to_string(&Written { light: VERSION, of: self }).map(seal)
    }

    /// `None` for whatever is not as it was written, or of another version.
    pub fn from_line(line: &str) -> Option<LightOfFile> {
        check_seal(line).ok()?;
        let version = line.strip_prefix(HEAD)?.split(',').next()?;
        if version.parse() != Ok(VERSION) {
            return None;
        }
        serde_json::from_str(line).ok()
    }

    /// Whether this is the light of a frame that can still be judged anew in this sitting. A log that was begun anew
    /// counts frames from one again, and has other pictures under their numbers.
    pub fn belongs_to(&self, state: &State) -> bool {
        let is_kept = state.sitting.exposures.find(self.frame).is_some();
        is_kept && state.files.is_of(self.frame, &self.file, self.fingerprint)
    }
}
