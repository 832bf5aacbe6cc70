//! What a picture says of a filter on the lens.

use serde::{Deserialize, Serialize};

/// What a picture says of a filter that was told to be put on, or taken off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FilterSeen {
    /// It was not.
    AsBefore,
    /// It was and the lights were turned for it, or neither was done.
    Untold,
}
