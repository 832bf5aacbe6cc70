//! The numbers by which a log tells its frames apart.
//!
//! They are names and no amounts: two of them are not added, and nobody takes one for a count, a ticket or a length.

use std::fmt;

use serde::{Deserialize, Serialize};

/// Number of a frame in a log, from 1. Nought, the default, stands before the first.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct FrameNumber(u64);

impl FrameNumber {
    pub const fn new(number: u64) -> FrameNumber {
        FrameNumber(number)
    }

    pub const fn get(self) -> u64 {
        self.0
    }

    /// The one after it.
    pub const fn next(self) -> FrameNumber {
        FrameNumber(self.0 + 1)
    }

    /// How far it is behind an earlier one; nought behind itself and later ones.
    pub const fn since(self, earlier: FrameNumber) -> u64 {
        self.0.saturating_sub(earlier.0)
    }
}

impl fmt::Display for FrameNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}
