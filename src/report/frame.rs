//! One exposure, as it was left when the sitting ended.

use jiff::Timestamp;

use super::mark::Mark;
use super::offset::{NoOffset, Offset};
use crate::advice::Verdict;
use crate::frame::Settings;
use crate::numbers::FrameNumber;
use crate::photometry::Stops;

/// An exposure and its last judgement.
#[derive(Debug, Clone, PartialEq)]
pub struct ReportFrame {
    pub number: FrameNumber,
    /// Its files by the names that they had last, the first one first.
    pub files: Vec<String>,
    /// When it was logged; the camera's own clock is in the settings.
    pub at: Timestamp,
    pub settings: Settings,
    /// The look that it was held against, and the file of that look's reference.
    pub look: Option<String>,
    pub reference: Option<String>,
    /// It became a reference that was not merely the frame before, while the light was built.
    pub is_reference: bool,
    /// All its files are gone from the folder.
    pub is_gone: bool,
    /// Its last verdict was of the picture embedded in its raw file.
    pub by_embedded: bool,
    pub verdict: Option<Verdict>,
    /// The tolerance that it was judged by.
    pub tolerance: Stops,
}

impl ReportFrame {
    /// The file that it is known by.
    pub fn file(&self) -> &str {
        self.files.first().map_or("", String::as_str)
    }

    pub fn mark(&self) -> Mark {
        Mark::of(self.verdict.as_ref())
    }

    /// How far it is off, where that is told.
    pub fn drift(&self) -> Option<Stops> {
        self.verdict.as_ref()?.drift
    }

    /// What would level it, or why that is not told.
    pub fn offset(&self) -> Result<Offset, NoOffset> {
        let verdict = self.verdict.as_ref().ok_or(NoOffset::NotCompared)?;
        if self.is_reference {
            return Err(NoOffset::Reference);
        }
        if self.is_gone {
            return Err(NoOffset::Gone);
        }
        let offset = Offset::of(verdict, self.tolerance)?;
        if self.by_embedded { Err(NoOffset::EmbeddedAlone) } else { Ok(offset) }
    }

    /// Somebody should look at it: it can be levelled, or should be and can't.
    pub fn is_out(&self) -> bool {
        self.offset().map_or_else(|why| !why.is_nothing_to_level(), |_| true)
    }
}
