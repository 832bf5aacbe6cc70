//! Turns that were asked for, and what became of them.

use jiff::Timestamp;

use crate::advice::Correction;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::Stops;
use crate::session::{How, Purpose};

/// A correction, from when it was asked to its end.
#[derive(Debug, Clone, PartialEq)]
pub struct AskedTurn {
    pub number: RecordNumber,
    pub at: Timestamp,
    /// The last frame when it was asked.
    pub after: FrameNumber,
    pub purpose: AskedFor,
    /// The change of light that was wanted; brighter is positive.
    pub wanted: Stops,
    /// What each light was to be turned to, a phrase each; lights that stay are left out.
    pub turns: Vec<String>,
    /// `None` where it was still open when the sitting ended.
    pub end: Option<TurnEnd>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum AskedFor {
    /// A frame was off.
    Frame(FrameNumber),
    /// Settings that were not shot yet.
    Settings(String),
    /// A look that was gone back to.
    Look(String),
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TurnEnd {
    pub how: How,
    pub at: Timestamp,
}

impl AskedTurn {
    pub(super) fn new(
        number: RecordNumber,
        at: Timestamp,
        after: FrameNumber,
        purpose: AskedFor,
        correction: &Correction,
    ) -> AskedTurn {
        let turned = correction.dial_changes.iter().filter(|change| change.clicks != 0);
        AskedTurn {
            number,
            at,
            after,
            purpose,
            wanted: correction.wanted,
            turns: turned.map(|change| change.in_words()).collect(),
            end: None,
        }
    }

    /// What became of it.
    pub fn end_in_words(&self) -> &'static str {
        match self.end.map(|end| end.how) {
            Some(How::Observed) => "done: a frame shows it",
            Some(How::Confirmed) => "told to be done",
            Some(How::Withdrawn) => "overtaken",
            None => "still open at the end",
        }
    }
}

impl From<&Purpose> for AskedFor {
    fn from(purpose: &Purpose) -> AskedFor {
        match purpose {
            Purpose::Drift { frame } => AskedFor::Frame(*frame),
            Purpose::Next { settings } => AskedFor::Settings(settings.in_short()),
            Purpose::Look { look } => AskedFor::Look(look.clone()),
        }
    }
}
