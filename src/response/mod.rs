//! Response curves: what a camera's code values say about light, how surely, and how that is
//! recovered from frames whose light is known. Pure arithmetic.

mod adding;
mod basis;
mod curve;
mod fit;
mod gaussian;
mod rising;
mod srgb;
mod tones;

pub use adding::{Added, Addend, Superposition, fit_to_sum};
pub use basis::{ANCHOR, SPLINES};
pub use curve::{RAW, Response, ResponseChoice};
pub use fit::{Exposed, Fit, INDEPENDENT_QUANTILES, TONES, TRUSTED, fit, fit_to_light, tone};
pub use gaussian::{Curve, CurveFault};
pub use srgb::{srgb_decode, srgb_encode};
pub use tones::Tones;
