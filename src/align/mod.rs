//! Alignment: the same points of a scene in two frames of it, whatever the framing, the exposure and the response.
//!
//! Pure functions on the codes of two pictures. A frame and its reference are brought to their structure, which exposure and
//! response change little. Features that look alike tell how the scene as a whole was shifted, zoomed and turned; there may
//! be two such motions, a backdrop's and a sitter's. From these each patch of the reference is followed into the frame, and
//! back again. What comes out are pairs of codes of the same parts of the scene; what light they stand for is for others.
//!
//! The files use each other in this order: `plane`, `code_picture`, `stored`, `structure`, `glance`, `motion`, `features`,
//! `window`, `net`, `patches`, `prepared`, and `alignment` on top.

mod alignment;
#[cfg(test)]
mod alignment_tests;
mod code_picture;
mod features;
mod glance;
mod motion;
mod net;
mod patches;
mod places;
mod plane;
mod prepared;
mod side_by_side;
mod stored;
mod structure;
mod window;

pub use alignment::{Alignment, MatchedPatch, Moved, Overlay};
pub use code_picture::CodePicture;
pub use glance::Glance;
pub use prepared::Prepared;
pub use side_by_side::side_by_side;
pub use stored::PictureId;
