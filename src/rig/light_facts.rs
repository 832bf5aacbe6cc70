//! What is told of a group's lights besides their dial: what shapes them, where they stand, and how fast they are.

use serde::Serialize;

use super::stands::Stands;
use crate::photometry::{FlashTime, Stops};

/// What somebody told of the lights of a group; nothing of it is needed to know their powers.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LightFacts {
    /// What may be taken off them. The powers are those with it on.
    pub in_front: Vec<InFront>,
    /// From a flash at full power until it is ready again, as its maker gives it.
    pub recycle_time: Option<FlashTime>,
    /// How long a flash at full power is brighter than half its peak (t0.5; IEC 60491, from memory), as its maker gives it.
    pub flash_duration: Option<FlashTime>,
    /// In the words of the trade: 'softbox 60 x 90 cm'.
    pub modifier: Option<String>,
    /// The colour of a gel that is on them, in words; the light that it takes stands in `in_front`.
    pub gel_colour: Option<String>,
    pub stands: Stands,
    pub note: Option<String>,
}

impl LightFacts {
    /// What was typed of the set-up, each a part: 'softbox 60 x 90 cm', '2.1 m high'.
    pub fn set_up_in_words(&self) -> Vec<String> {
        let gel = self.gel_colour.as_ref().map(|colour| format!("gel {colour}"));
        self.modifier.iter().cloned().chain(self.stands.in_words()).chain(gel).chain(self.note.clone()).collect()
    }
}

/// Something in front of a light, and what it takes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct InFront {
    pub kind: FrontKind,
    /// Light that it takes, 0.1 to 10 stops.
    pub loss: Stops,
}

impl InFront {
    /// What takes so much as people write it: '1 1/3 stops'.
    ///
    /// # Errors
    /// A size without its unit, which may be a density; or nothing that stands in front of a light.
    pub fn read(kind: FrontKind, loss: &str) -> Result<InFront, String> {
        if !loss.contains("stop") {
            return Err(format!("'{loss}' has no unit: write it in stops, such as 1 stop, which an ND 0.3 takes"));
        }
        let loss: Stops = loss.parse()?;
        let is_likely = (0.1..=10.0).contains(&loss.0);
        is_likely
            .then_some(InFront { kind, loss })
            .ok_or_else(|| "it takes between 0.1 stop and 10 stops of light".to_owned())
    }
}

/// What may stand in front of a light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FrontKind {
    Gel,
    Grid,
}

impl FrontKind {
    /// What else changes when it is taken off (common practice, no source).
    pub fn cost(self) -> &'static str {
        match self {
            FrontKind::Gel => "the light has another colour without it, if it is no grey one",
            FrontKind::Grid => "the light spreads wider without it",
        }
    }
}

impl std::fmt::Display for FrontKind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            FrontKind::Gel => "gel",
            FrontKind::Grid => "grid",
        })
    }
}
