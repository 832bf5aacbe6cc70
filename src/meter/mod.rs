//! Metering: readings of the spots of a frame, in the codes of its file.
//!
//! Pure functions on pixels. Does not know where the picture came from, what the reference was, which
//! lights were on, or what light the camera's codes stand for: a response curve says that, where a frame is judged.

mod earlier;
mod histogram;
mod light_map;
mod reading;
mod rendering;
mod spot;

pub use earlier::{EarlierLightMap, EarlierReadings, Logged, LoggedMap};
pub use histogram::Histogram;
pub use light_map::{LightMap, PATCHES, light_map};
pub use reading::{FrameReadings, GRID, Reading, Scale, meter};
pub use spot::{Area, CENTRE, GREY, Place, Spot, WHOLE, Weighting};
