//! Advice: the cause of a drift in one sentence, the correction in dial steps, the other ways.
//!
//! Pure functions on values. A wrong correction costs more than none: when the picture can't tell,
//! the verdict says so and nothing is corrected.
//!
//! The files use each other one way, in this order: `lights` (what single lights did), `verdict` (what a verdict is), `headline` and
//! `spot`, `facts` (all numbers of one frame), `light_words`, `remarks` and `sentence`, `building`, `judge`, and `patience` on top. `planning` goes by
//! `correction` alone, over `lights_now` and `ways_round`; `target` by `grey_card` and `hand_meter`.

mod alternatives;
mod building;
mod correction;
mod facts;
mod filter_seen;
mod filter_words;
mod grey_card;
mod hand_meter;
mod headline;
mod judge;
mod judged_spot;
mod light_words;
mod lights;
mod lights_now;
mod patience;
mod planning;
mod remarks;
mod room;
mod sentence;
mod spot;
mod target;
mod verdict;
mod ways_round;

pub use alternatives::{AtHand, OtherWays, filters_in_words, filters_to_try, other_ways, together};
pub use building::{FirstReference, nothing_to_go_by};
pub use correction::{Correction, common_change, correct, correct_each};
pub use filter_seen::FilterSeen;
pub use grey_card::GreyCard;
pub use hand_meter::HandMeter;
pub use headline::Headline;
pub use judge::judge;
pub use judged_spot::{ClippedIn, ClippedSpot, InsteadOf, JudgedSpot, NoSuchSpot, ScaleEnd};
pub use lights::{GroupPrior, GroupReading, LightEvidence, Unexplained, moved_with_the_frame};
pub use lights_now::{LightsNow, Moved};
pub use patience::{Patience, SinceLast, is_soon_after};
pub use planning::{Powers, Recycling, at_its_ends, plan};
pub use room::{RoomError, RoomLight, RoomShare};
pub use target::Target;
pub use verdict::{Evidence, Finding, Framing, Laid, Observation, Previous, Verdict};
pub use ways_round::{AtLight, Deed, Means, WayRound, is_out};
