//! The exposure offset that would level a frame: minus its drift, told only where that is sure enough.
//!
//! A wrong offset costs more than none. So the interval that is told takes in what the picture alone shows, and holds whatever
//! anybody did to the lights; and an offset is told only where it is no wider than the tolerance: then the frame, once it is
//! levelled, lies within the tolerance of its reference, as surely as the interval holds (95 %).

use thiserror::Error;

use crate::advice::{Finding, Verdict};
use crate::photometry::Stops;

/// What levels a frame, in stops of light; brighter is positive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Offset {
    pub stops: Stops,
    /// Half-width of its 95 % interval, whatever anybody did to the lights.
    pub uncertainty: Stops,
}

/// Why no offset is told of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum NoOffset {
    #[error("it was not compared with an accepted reference")]
    NotCompared,
    #[error("it is within the tolerance")]
    Within,
    #[error("it is a reference itself")]
    Reference,
    #[error("its files are gone from the folder")]
    Gone,
    #[error("no flash lit it")]
    Unlit,
    #[error("its lights did not change alike, so that no one offset levels it")]
    NotAlike,
    #[error("too much of it is clipped")]
    Clipped,
    #[error("the camera maps the tones of each frame anew")]
    TonesMapped,
    #[error("one frame alone is no proof of it")]
    OneFrame,
    #[error("only the picture embedded in its raw file was read")]
    EmbeddedAlone,
    #[error("how far it is off is not known well enough from the picture")]
    TooVague,
}

impl NoOffset {
    /// The frame is as it should be, or nobody compared it: nothing is missing.
    pub fn is_nothing_to_level(self) -> bool {
        matches!(self, NoOffset::NotCompared | NoOffset::Within | NoOffset::Reference | NoOffset::Gone)
    }
}

impl Offset {
    /// What a verdict gives. `tolerance` is the one that it was judged by.
    pub(super) fn of(verdict: &Verdict, tolerance: Stops) -> Result<Offset, NoOffset> {
        may_be_levelled(verdict)?;
        let drift = verdict.drift.ok_or(NoOffset::TooVague)?;
        if drift.abs() <= tolerance {
            return Err(NoOffset::Within);
        }
        if verdict.suspicion {
            return Err(NoOffset::OneFrame);
        }
        let sure = verdict.observed.is_some().then(|| verdict.unconditional_half_width()).flatten();
        match sure.filter(|half_width| *half_width <= tolerance) {
            Some(uncertainty) => Ok(Offset { stops: -drift, uncertainty }),
            None => Err(NoOffset::TooVague),
        }
    }
}

/// Whether one offset of the whole frame is what it lacks.
fn may_be_levelled(verdict: &Verdict) -> Result<(), NoOffset> {
    match verdict.finding {
        Finding::SettingsChanged | Finding::LightsChanged | Finding::BothChanged | Finding::SettingsUnknown => {
            verdict.changed_alike().then_some(()).ok_or(NoOffset::NotAlike)
        }
        // All flashes may be short of charge alike; that must be seen, not merely not contradicted.
        Finding::Recycle if verdict.disparity.is_some() && verdict.changed_alike() => Ok(()),
        Finding::Matched | Finding::ColourShifted => Err(NoOffset::Within),
        Finding::NoReference | Finding::NotMetered | Finding::NewScene | Finding::Building | Finding::Survey => {
            Err(NoOffset::NotCompared)
        }
        Finding::Misfire => Err(NoOffset::Unlit),
        Finding::Clipped => Err(NoOffset::Clipped),
        Finding::NotTrustworthy => Err(NoOffset::TonesMapped),
        Finding::Uncertain => Err(NoOffset::TooVague),
        Finding::Recycle
        | Finding::Uneven
        | Finding::GroupChanged
        | Finding::GroupNotFired
        | Finding::GroupWeak
        | Finding::AmbientRisen
        | Finding::ModifierMoved
        | Finding::SyncBand
        | Finding::BurningLight => Err(NoOffset::NotAlike),
    }
}
