//! The lights: groups, what each is set to, and what a turn of the dial does.
//!
//! Pure values. Which turn is wanted, and why, is for [`advice`](crate::advice).

mod group;
mod turn;

pub use group::{LightGroup, Role, Standing};
pub use turn::Turn;
