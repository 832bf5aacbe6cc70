//! Metering: readings of the spots of a frame, in stops of light.
//!
//! Pure functions on pixels. Does not know where the picture came from, what the reference was or
//! which lights were on.

mod histogram;
mod light_map;
mod reading;
mod reread;
mod shares;
mod spot;
mod tones;

pub use histogram::Histogram;
pub use light_map::{LightMap, PATCHES, light_map};
pub use reading::{GRID, Metered, Reading, meter};
pub use shares::{Shares, shares};
pub use spot::{Area, CENTRE, GREY, Place, Spot, WHOLE, Weighting};
