//! Advice: the cause of a drift in one sentence, the correction in dial steps, the other ways.
//!
//! Pure functions on values. A wrong correction costs more than none: when the picture can't tell,
//! the verdict says so and nothing is corrected.

mod alternatives;
mod cause;
mod correction;
mod lights;
mod sentence;

pub use alternatives::{OtherWays, other_ways};
pub use cause::{Cause, Evidence, Judged, Previous, Subject, Verdict, is_soon_after, judge};
pub use correction::{Correction, common_turn, correct, correct_each};
pub use lights::{Beyond, GroupSeen, GroupsBefore, LightsSeen, moved_with_the_frame};
