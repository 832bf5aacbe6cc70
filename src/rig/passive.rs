//! Things of the set that shape light and give none: reflectors, flags, scrims.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::stands::Stands;

/// What a passive thing does to the light that falls on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PassiveKind {
    /// Throws it back.
    Reflector,
    /// Keeps it off.
    Flag,
    /// Lets a part of it through.
    Scrim,
}

/// Where a passive thing stands, as the camera sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    Left,
    Right,
    Above,
    Below,
}

/// A passive thing as the configuration describes it. It has no power: nobody is asked to turn it, and no survey has it.
#[derive(Debug, Clone, PartialEq)]
pub struct Passive {
    pub name: String,
    pub kind: PassiveKind,
    pub side: Option<Side>,
    pub stands: Stands,
    pub note: Option<String>,
}

impl Passive {
    /// Whether a part of the frame, as 'the bottom, right of the middle', may be lit or shaded by it. A reflector lights its own side;
    /// what shades may stand beside its light, and shade the other.
    pub fn may_reach(&self, part: &str) -> bool {
        let side = self.side.filter(|_| self.kind == PassiveKind::Reflector);
        let other = side.map(|side| match side {
            Side::Left => "right",
            Side::Right => "left",
            Side::Above => "bottom",
            Side::Below => "top",
        });
        other.is_none_or(|other| !part.contains(other))
    }
}

impl fmt::Display for PassiveKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            PassiveKind::Reflector => "reflector",
            PassiveKind::Flag => "flag",
            PassiveKind::Scrim => "scrim",
        })
    }
}

impl fmt::Display for Side {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Side::Left => "left",
            Side::Right => "right",
            Side::Above => "above",
            Side::Below => "below",
        })
    }
}

/// 'the reflector silver card'; its kind is not said twice where the name has it.
impl fmt::Display for Passive {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = self.kind.to_string();
        if self.name.to_lowercase().contains(&kind) {
            write!(f, "the {}", self.name)
        } else {
            write!(f, "the {kind} {}", self.name)
        }
    }
}
