//! The lights: groups, what each is set to, and what a turn of the dial does.
//!
//! Pure values. Which turn is wanted, and why, is for [`advice`](crate::advice).

mod dial_change;
mod group;
mod group_name;
mod light_facts;
mod lights;
mod passive;
mod patches;
mod position;
mod report;
mod share;
pub mod solve;
mod stands;
mod survey;

pub use dial_change::DialChange;
pub use group::{LightGroup, Role};
pub use group_name::GroupName;
pub use light_facts::{FrontKind, InFront, LightFacts};
pub use lights::Lights;
pub use passive::{Passive, PassiveKind, Side};
pub use patches::PatchLight;
pub use position::{Known, Position};
pub use report::{Ratio, SpotShares, SurveyReport};
pub use share::LightShare;
pub use stands::{Angle, CameraFacts, FloorPlace, Stands};
pub use survey::{BesideReference, Firing, Survey, SurveyFrame, SurveyRefusal};
