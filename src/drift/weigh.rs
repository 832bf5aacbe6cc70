//! Weighs what settings and known light changes predict against what the picture shows.
//!
//! When the lights were not touched, the settings tell the size of a drift better than any JPEG;
//! when the picture contradicts every prediction, somebody touched the light and the picture counts.

use serde::{Deserialize, Serialize};

use super::observed::Observed;
use crate::photometry::{SAME_SETTING, Stops};

/// A drift that would follow from something known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    pub drift: Stops,
    /// Half-width of the 95 % interval, given that what it rests on is so.
    pub half_width: Stops,
    pub assumption: Assumption,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Assumption {
    /// Nobody touched the lights since they were last known.
    LightsUntouched,
    /// The suggested correction was carried out.
    CorrectionFollowed,
}

/// What a light's dial leaves open of a turn by clicks, half-width at 95 % (common practice, no source).
const DIAL: Stops = Stops(0.08);

impl Prediction {
    /// What follows when the settings change the exposure by `expected` and all lights were turned by `turned`.
    pub fn of((expected, half_width): (Stops, Stops), turned: Stops, assumption: Assumption) -> Prediction {
        let dial = if turned.abs() < SAME_SETTING { Stops::ZERO } else { DIAL };
        Prediction { drift: expected + turned, half_width: half_width.in_quadrature(dial), assumption }
    }
}

/// Which evidence the drift went by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EvidenceUsed {
    /// The settings alone: the picture can't tell.
    Settings,
    /// The picture agrees with what was predicted, and both count by their uncertainties.
    Both,
    /// The picture contradicts every prediction, or there is none.
    Light,
}

/// The drift after weighing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Weighed {
    pub drift: Stops,
    /// Half-width of the 95 % interval.
    pub half_width: Stops,
    pub evidence_used: EvidenceUsed,
    /// The prediction that held, if one did.
    #[serde(alias = "basis")]
    pub assumption: Option<Assumption>,
}

/// Weighs predictions against the observation. `None` when there is neither.
///
/// The nearest prediction holds when it and the picture are no farther apart than both intervals together allow; then both
/// count by one over their variances. The interval that comes out is that of the drift *if* the prediction's assumption is so: it
/// doesn't hold what the drift would be had somebody turned a light by less than the picture can tell.
pub fn weigh(predictions: &[Prediction], observed: Option<&Observed>) -> Option<Weighed> {
    let Some(observed) = observed else {
        let untouched = predictions.iter().find(|p| p.assumption == Assumption::LightsUntouched)?;
        return Some(Weighed {
            drift: untouched.drift,
            half_width: untouched.half_width,
            evidence_used: EvidenceUsed::Settings,
            assumption: Some(untouched.assumption),
        });
    };
    let nearest = predictions
        .iter()
        .min_by(|a, b| (a.drift - observed.drift).abs().0.total_cmp(&(b.drift - observed.drift).abs().0));
    match nearest {
        Some(p) if (p.drift - observed.drift).abs() <= observed.half_width.in_quadrature(p.half_width) => {
            let (a, b) = (1.0 / p.half_width.0.powi(2), 1.0 / observed.half_width.0.powi(2));
            Some(Weighed {
                drift: Stops((p.drift.0 * a + observed.drift.0 * b) / (a + b)),
                half_width: Stops((1.0 / (a + b)).sqrt()),
                evidence_used: EvidenceUsed::Both,
                assumption: Some(p.assumption),
            })
        }
        _ => Some(Weighed {
            drift: observed.drift,
            half_width: observed.half_width,
            evidence_used: EvidenceUsed::Light,
            assumption: None,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::super::expected::{Lighting, uncertainty_of_expected};
    use super::*;
    use crate::frame::Settings;
    use crate::response::{Curve, Response};
    use proptest::prelude::*;

    fn observed(drift: f64, half_width: f64) -> Observed {
        Observed {
            spot: "whole".into(),
            drift: Stops(drift),
            half_width: Stops(half_width),
            spread: Stops::ZERO,
            usable: 1.0,
            area: None,
        }
    }

    fn untouched(drift: f64) -> Prediction {
        Prediction { drift: Stops(drift), half_width: Stops(0.1), assumption: Assumption::LightsUntouched }
    }

    /// At equal settings the settings' error cancels: a small change is a change.
    #[test]
    fn a_fifth_of_a_stop_at_equal_settings_is_a_change() {
        let same = Settings::shot_at("f/8", "1/160", "100");
        let of_camera = Response::new("own".into(), Curve::vague(), None, Stops(0.06)).scatter_of_two();
        let half_width = uncertainty_of_expected(&same, &same, Lighting::Flash, of_camera);
        let nothing = Prediction::of((Stops::ZERO, half_width), Stops::ZERO, Assumption::LightsUntouched);
        let weighed = weigh(&[nothing], Some(&observed(0.22, 0.07))).unwrap();
        assert_eq!((weighed.drift, weighed.evidence_used), (Stops(0.22), EvidenceUsed::Light));
        // A turn of a dial that was told is less sure than no turn at all.
        let turned = Prediction::of((Stops::ZERO, half_width), Stops(1.0), Assumption::CorrectionFollowed);
        assert_eq!(weigh(&[turned], Some(&observed(1.09, 0.06))).unwrap().evidence_used, EvidenceUsed::Both);
    }

    #[test]
    fn settings_count_more_than_a_vague_picture_that_agrees() {
        let weighed = weigh(&[untouched(2.0)], Some(&observed(2.25, 0.4))).unwrap();
        assert!((weighed.drift.0 - 2.0).abs() < 0.03, "{}", weighed.drift);
        assert_eq!(weighed.evidence_used, EvidenceUsed::Both);
    }

    #[test]
    fn a_picture_that_contradicts_every_prediction_counts_alone() {
        let followed = Prediction { assumption: Assumption::CorrectionFollowed, ..untouched(0.0) };
        let weighed = weigh(&[untouched(0.67), followed], Some(&observed(-0.33, 0.1))).unwrap();
        assert_eq!(weighed.drift, Stops(-0.33));
        assert_eq!((weighed.evidence_used, weighed.assumption), (EvidenceUsed::Light, None));
    }

    #[test]
    fn without_a_picture_the_settings_are_all_there_is() {
        assert_eq!(weigh(&[untouched(1.0)], None).unwrap().evidence_used, EvidenceUsed::Settings);
        assert_eq!(weigh(&[], None), None);
    }

    proptest! {
        #[test]
        fn the_weighed_drift_lies_between_its_evidence(p in -4.0_f64..4.0, o in -4.0_f64..4.0, u in 0.05_f64..1.0) {
            let weighed = weigh(&[untouched(p)], Some(&observed(o, u))).unwrap();
            prop_assert!(weighed.drift.0 >= p.min(o) - 1e-12 && weighed.drift.0 <= p.max(o) + 1e-12);
            prop_assert!(weighed.half_width.0 <= u + 1e-12);
        }
    }
}
