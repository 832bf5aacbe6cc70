//! Drift of a frame from its reference: expected from the settings, observed in the light, weighed.
//!
//! Pure functions on values. Knows no lights and gives no advice.

mod alike;
mod burning;
mod expected;
mod observed;
mod patches;
mod weigh;

pub use alike::{Disparity, disparity, farthest_part};
pub use burning::{BurningLight, burning_light};
pub use expected::{Lighting, expected, fitting_light, uncertainty_of_expected};
pub use observed::{
    GridComparison, Observed, UNKNOWN_FRAMING, Unevenness, compare_grids, observe, place_of, take_patch,
    uncertainty_of_rendering,
};
pub use patches::{
    Anchor, AnchorSpot, ChangedPatch, SpotPlace, area_in_frame, change_map, codes_of_patches, observe_patches,
    tints_of_patches,
};
pub use weigh::{Assumption, EvidenceUsed, Prediction, Weighed, weigh};
