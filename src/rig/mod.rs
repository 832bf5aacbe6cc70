//! The lights: groups, what each is set to, and what a turn of the dial does.
//!
//! Pure values. Which turn is wanted, and why, is for [`advice`](crate::advice).

mod group;
mod position;
pub mod solve;
mod survey;
mod turn;

pub use group::{LightGroup, Role};
pub use position::{Known, Position};
pub use survey::{BesideReference, Lights, Lit, Ratio, SpotShares, Survey, SurveyFrame, SurveyRefusal, SurveyReport};
pub use turn::Turn;
