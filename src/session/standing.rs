//! What the frame that others are compared with is to the sitting, and how it became that.

use serde::{Deserialize, Serialize};

/// How a frame became what others are compared with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ReferenceBy {
    /// Somebody named it; in earlier logs also the first frame.
    #[default]
    Told,
    FirstFrame,
    /// The light is being built: until the next frame only.
    Building,
    /// Somebody accepted it: how it differs from the reference before was meant.
    Accepted,
    /// It matched the frame before, and then the aperture changed.
    BeforeAperture,
    /// The first of another person.
    NewSitter,
}

impl ReferenceBy {
    pub(super) fn is_told(&self) -> bool {
        *self == ReferenceBy::Told
    }
}

/// What holds of the frame that others are compared with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    #[default]
    Accepted,
    /// The light is being built: it is the frame before.
    Building,
    /// Another person sits now: the next frame takes its place.
    AwaitsSitter,
}

/// Name of the look that the first frame begins.
pub const FIRST_LOOK: &str = "main";
