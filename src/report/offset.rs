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
    #[error("not all of its lights are known to have changed alike, so that no one offset levels it")]
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
    /// What a verdict gives. `tolerance` is the one that it was judged by; a suspicion counts where the frame after it bears it out.
    pub(super) fn of(verdict: &Verdict, tolerance: Stops, is_borne_out: bool) -> Result<Offset, NoOffset> {
        may_be_levelled(verdict)?;
        let drift = verdict.drift.ok_or(NoOffset::TooVague)?;
        if drift.abs() <= tolerance {
            return Err(NoOffset::Within);
        }
        if verdict.suspicion && !is_borne_out {
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
        Finding::FilterUnchanged => Err(NoOffset::NotCompared),
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::drift::{Assumption, Observed, Prediction, weigh};

    fn verdict(finding: &str) -> Verdict {
        let text = format!(r#"{{"finding":"{finding}","sentence":"","lighting":"flash","spots":[]}}"#);
        serde_json::from_str(&text).unwrap()
    }

    /// What is made of a picture and a prediction, as a verdict tells it.
    fn weighed(prediction: Prediction, seen: &Observed) -> Verdict {
        let weighed = weigh(&[prediction], Some(seen)).unwrap();
        Verdict {
            observed: Some(seen.drift),
            observed_uncertainty: Some(seen.half_width),
            drift: Some(weighed.drift),
            uncertainty: Some(weighed.half_width),
            evidence_used: Some(weighed.evidence_used),
            assumption: weighed.assumption,
            ..verdict("lights_changed")
        }
    }

    proptest! {
        /// Whatever was assumed of the lights, right or wrong: where the picture is off by no more than its own interval, the
        /// levelled frame is off by no more than the offset's, and that is within the tolerance.
        #[test]
        fn an_offset_levels_its_frame(
            truth in -4.0_f64..4.0,
            half_width in 0.01_f64..0.6,
            error in -1.0_f64..1.0,
            assumed in -4.0_f64..4.0,
            assumed_half_width in 0.01_f64..0.2,
            near in any::<bool>(),
        ) {
            let seen = Observed {
                spot: "whole".into(),
                drift: Stops(truth + error * half_width),
                half_width: Stops(half_width),
                spread: Stops::ZERO,
                usable: 1.0,
                area: None,
            };
            let assumed = if near { truth + assumed * half_width / 4.0 } else { assumed };
            let assumption = Assumption::LightsUntouched;
            let prediction = Prediction { drift: Stops(assumed), half_width: Stops(assumed_half_width), assumption };
            let tolerance = Stops(0.15);
            match Offset::of(&weighed(prediction, &seen), tolerance, false) {
                Ok(offset) => {
                    let left = (Stops(truth) + offset.stops).abs();
                    prop_assert!(left.0 <= offset.uncertainty.0 + 1e-9, "{left} is left of {truth}, {offset:?}");
                    prop_assert!(offset.uncertainty <= tolerance);
                }
                Err(NoOffset::TooVague) => prop_assert!(half_width > 0.15 / 2.5, "±{half_width} was too vague"),
                Err(why) => prop_assert_eq!(why, NoOffset::Within),
            }
        }
    }

    #[test]
    fn what_one_offset_does_not_level_gets_none() {
        let off = |finding: &str| Verdict {
            drift: Some(Stops(-0.8)),
            uncertainty: Some(Stops(0.05)),
            observed: Some(Stops(-0.8)),
            observed_uncertainty: Some(Stops(0.05)),
            ..verdict(finding)
        };
        let of = |verdict: &Verdict| Offset::of(verdict, Stops(0.15), false);
        assert_eq!(of(&off("lights_changed")), Ok(Offset { stops: Stops(0.8), uncertainty: Stops(0.05) }));
        for finding in ["uneven", "group_changed", "group_not_fired", "group_weak", "recycle", "burning_light"] {
            assert_eq!(of(&off(finding)), Err(NoOffset::NotAlike), "{finding}");
        }
        assert_eq!(of(&off("clipped")), Err(NoOffset::Clipped));
        assert_eq!(of(&off("building")), Err(NoOffset::NotCompared));
        let suspected = Verdict { suspicion: true, ..off("lights_changed") };
        assert_eq!(of(&suspected), Err(NoOffset::OneFrame));
        assert!(Offset::of(&suspected, Stops(0.15), true).is_ok());
        // What only the settings tell.
        let settings = Verdict { observed: None, observed_uncertainty: None, ..off("settings_changed") };
        assert_eq!(of(&settings), Err(NoOffset::TooVague));
    }
}
