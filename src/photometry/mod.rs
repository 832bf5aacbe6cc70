//! Pure arithmetic on light: stops, camera settings, power dials, distance and filters.
//!
//! Knows nothing of files, clocks or cameras. Marked numbers are names: every type here keeps
//! the mark it was given for display and the exact place on its scale for arithmetic.

mod aperture;
mod falloff;
mod flash_time;
mod power;
mod power_text;
mod sensitivity;
mod series;
mod shutter;
mod step;
mod stops;

pub use aperture::FNumber;
pub use falloff::{Density, GuideNumber, LightingRatio, Metres, distance_factor, inverse_square};
pub use flash_time::FlashTime;
pub use power::{Dial, DialError, DialLimit, Placed, PowerSetting, Scale};
pub use sensitivity::IsoSpeed;
pub use series::Series;
pub use shutter::ExposureTime;
pub use step::Step;
pub use stops::{SAME_SETTING, Stops};
