//! The spot that a verdict is about: which it is, what it stands in for, and how it is clipped.

use serde::{Deserialize, Serialize};

use crate::photometry::Stops;

/// The spot that a verdict rests on: every finding, clipping and colour of the verdict is this spot's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct JudgedSpot {
    pub spot: String,
    /// It stands in for the spot that frames are judged by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instead_of: Option<InsteadOf>,
    /// It can't be compared because too much of it is clipped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clipped: Option<ClippedSpot>,
}

/// The spot that frames are judged by, where it is not to be had.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct InsteadOf {
    pub spot: String,
    pub why: NoSuchSpot,
}

/// Why a spot can't be compared at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NoSuchSpot {
    /// It lies elsewhere in the frame than in the reference, and so shows other things.
    Moved,
    NotInReference,
    NotInFrame,
    /// The part of the scene where it lies could not be found in the frame.
    NotFound,
}

/// A spot of which too much is clipped to say how far its light is off.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClippedSpot {
    pub end: ScaleEnd,
    #[serde(alias = "in")]
    pub lies_in: ClippedIn,
    /// The frame is brighter than the reference by at least this, or, where it is negative, darker; `None` when not even the
    /// direction is known.
    pub at_least: Option<Stops>,
}

/// An end of the scale of tones.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ScaleEnd {
    BurntOut,
    Black,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ClippedIn {
    Frame,
    Reference,
    Both,
}
