//! What was made of an exposure, as a record holds it.

use serde::{Deserialize, Serialize};

use super::embedded_trust::EmbeddedCheck;
use crate::advice::{Correction, Finding, Verdict};
use crate::drift::Anchor;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::Stops;
use crate::rig::{GroupName, Known};

/// What was made of an exposure, and what that did to the positions of the dials and to the open correction: all
/// worked out from what was known before its first file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Judgement {
    pub frame: FrameNumber,
    /// The exposure's first file, where the judgement doesn't follow on its record: it takes the place of another, or a start made up
    /// for one that an end had cut off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub file: Option<String>,
    /// The record of the judgement that this one takes the place of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supersedes: Option<RecordNumber>,
    #[serde(default, skip_serializing_if = "Occasion::is_first")]
    pub occasion: Occasion,
    pub verdict: Verdict,
    /// It goes by the picture embedded in a raw file alone. It changes nothing and asks for nothing: that is for the light.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub by_embedded: bool,
    /// How the embedded picture would have judged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub embedded: Option<EmbeddedCheck>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// Dials that the exposure shows elsewhere than they were known to be.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub positions: Vec<PositionRead>,
    /// What became of the correction that was open before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ended: Option<Ended>,
    /// The correction that the superseded judgement asked for, and this one doesn't.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub withdraws: Option<RecordNumber>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction: Option<Asked>,
    /// It matches, and shows the look in a way that none before it did: further frames are measured by it as well.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub anchor: Option<Box<Anchor>>,
}

impl Judgement {
    /// A judgement that leaves all dials and corrections as they are.
    pub fn without_effect(frame: FrameNumber, occasion: Occasion, verdict: Verdict) -> Judgement {
        Judgement {
            frame,
            file: None,
            supersedes: None,
            occasion,
            verdict,
            by_embedded: false,
            embedded: None,
            notes: Vec::new(),
            positions: Vec::new(),
            ended: None,
            withdraws: None,
            correction: None,
            anchor: None,
        }
    }

    /// It takes the place of another only because a curve is known better, which a frame without a reference doesn't show.
    pub fn says_nothing_new(&self) -> bool {
        let by_curve = self.supersedes.is_some() && self.occasion == Occasion::BetterCurve;
        by_curve && self.verdict.finding == Finding::NoReference
    }
}

/// What made it necessary to judge.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Occasion {
    /// The exposure's first file.
    #[default]
    FirstFile,
    /// A further file of it, or of one before it.
    FurtherFile,
    /// The light of its raw file, of which the embedded picture was read before.
    Light,
    /// The camera's response is known better.
    BetterCurve,
    /// Spots were moved.
    OtherSpots,
    /// It was said that the set-up still is the one of before.
    SameSetUp,
}

impl Occasion {
    fn is_first(&self) -> bool {
        *self == Occasion::FirstFile
    }
}

/// Where an exposure shows a group's dial to be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PositionRead {
    pub group: GroupName,
    /// Since the reference; brighter is positive.
    #[serde(alias = "moved")]
    pub since_reference: Stops,
    /// As the light shows it; absent when nobody told a power.
    pub shown: Option<String>,
    pub known: Known,
}

/// How a correction came to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum How {
    /// The next frame shows it.
    #[serde(alias = "seen")]
    Observed,
    /// Somebody said so.
    #[serde(alias = "told")]
    Confirmed,
    /// Overtaken by events.
    Withdrawn,
}

/// The end of a correction.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ended {
    pub correction: RecordNumber,
    pub how: How,
}

/// A correction that an exposure asks for. Its number is its judgement's, or that of the correction that the
/// superseded judgement asked for, if it is still the same.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Asked {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub still: Option<RecordNumber>,
    pub correction: Box<Correction>,
}

impl Asked {
    /// The correction's number, when record `n` bears it.
    pub fn number(&self, n: RecordNumber) -> RecordNumber {
        self.still.unwrap_or(n)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As logs of format 5 had it before its keys were settled.
    #[test]
    fn a_position_of_an_earlier_day_is_read() {
        let line = r#"{"group":"key","moved":-1.0,"shown":"1/8","known":"deduced"}"#;
        let read: PositionRead = serde_json::from_str(line).unwrap();
        assert_eq!((read.since_reference, read.known), (Stops(-1.0), Known::Deduced));
    }
}
