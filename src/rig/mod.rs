//! The lights: groups, what each is set to, and what a turn of the dial does.
//!
//! Pure values. Which turn is wanted, and why, is for [`advice`](crate::advice).

mod group;
mod patches;
pub mod solve;
mod survey;
mod turn;

pub use group::{LightGroup, Role, Standing};
pub use patches::PatchLight;
pub use survey::{BesideReference, Lights, Lit, Ratio, SpotShares, Survey, SurveyFrame, SurveyRefusal, SurveyReport};
pub use turn::Turn;
