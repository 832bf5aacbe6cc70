//! What is wanted of the reference itself: frames are held against it, whether it is right or not.

use std::fmt;

use super::grey_card::GreyCard;
use super::hand_meter::HandMeter;

/// By what a reference is said to be too dark or too bright.
#[derive(Debug, Clone, PartialEq)]
pub enum Target {
    /// A grey card that stands in it.
    Card(GreyCard),
    /// What a hand meter showed before it was shot.
    Meter(HandMeter),
}

/// 'the reference is wanted at mid-grey on 'card''.
impl fmt::Display for Target {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Target::Card(card) => card.fmt(f),
            Target::Meter(meter) => write!(f, "the reference is wanted at what a hand meter showed: {meter}"),
        }
    }
}
