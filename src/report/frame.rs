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
    /// The frame after it shows the same, so that it is no mere suspicion.
    pub is_borne_out: bool,
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

    /// The same, but of single lights, of which no one number tells.
    pub fn drift_of_all_light(&self) -> Option<Stops> {
        self.drift().filter(|_| self.mark() != Mark::OneLight)
    }

    /// Whether the frame after it shows what this one alone left a suspicion.
    pub(super) fn is_borne_out_by(&self, after: &ReportFrame) -> bool {
        let (Some(own), Some(other)) = (&self.verdict, &after.verdict) else { return false };
        let drifts = own.drift.zip(other.drift).map(|(own, other)| (own - other).abs());
        let reach = own.uncertainty.zip(other.uncertainty).map(|(own, other)| own.in_quadrature(other));
        let is_alike = drifts.zip(reach).is_some_and(|(apart, reach)| apart <= reach);
        is_alike && !other.suspicion && self.reference == after.reference && self.look == after.look
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
        let offset = Offset::of(verdict, self.tolerance, self.is_borne_out)?;
        if self.by_embedded { Err(NoOffset::EmbeddedAlone) } else { Ok(offset) }
    }

    /// Somebody should look at it: it can be levelled, or should be and can't.
    pub fn is_out(&self) -> bool {
        self.offset().map_or_else(|why| !why.is_nothing_to_level(), |_| true)
    }
}
