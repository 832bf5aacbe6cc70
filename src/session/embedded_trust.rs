//! Whether the picture that a camera puts into its raw files tells how the light changed as the raw light does.
//!
//! That is proved anew in every sitting, by comparing, and one outlier ends it: a camera may render by what it sees.

use serde::{Deserialize, Serialize};

use crate::advice::Verdict;
use crate::photometry::Stops;

/// So many frames that agree prove a camera.
const PROOF: u32 = 3;
/// Nearer than this nobody would act on the difference.
const NEAR: Stops = Stops(0.1);

/// What one frame says of it: its change of light by the embedded picture, less that by the raw light.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EmbeddedCheck {
    pub apart: Stops,
    /// They are no farther apart than both are unsure.
    pub agrees: bool,
}

impl EmbeddedCheck {
    /// `None` where one of them tells no change.
    pub fn of(by_embedded: &Verdict, by_light: &Verdict) -> Option<EmbeddedCheck> {
        let apart = by_embedded.drift? - by_light.drift?;
        let unsure = by_embedded.uncertainty?.0.hypot(by_light.uncertainty?.0);
        Some(EmbeddedCheck { apart: apart.rounded(), agrees: apart.abs().0 <= unsure.max(NEAR.0) })
    }
}

/// What a sitting knows of one camera's embedded pictures.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EmbeddedTrust {
    agreed: u32,
    has_ended: bool,
}

impl EmbeddedTrust {
    pub(super) fn take(&mut self, check: &EmbeddedCheck) {
        // What agrees only because both are unsure is no outlier, and proves nothing.
        self.agreed += u32::from(check.apart.abs() <= NEAR);
        self.has_ended |= !check.agrees;
    }

    pub fn is_proved(self) -> bool {
        self.agreed >= PROOF && !self.has_ended
    }

    pub fn has_ended(self) -> bool {
        self.has_ended
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(apart: f64, unsure: f64) -> EmbeddedCheck {
        let verdict = |drift: f64| -> Verdict {
            let text = serde_json::json!({
                "finding": "matched", "sentence": "", "expected": 0.0, "lighting": "flash", "observed": 0.0,
                "observed_uncertainty": 0.1, "drift": drift, "uncertainty": unsure, "evidence_used": "both",
                "assumption": null, "light_change": 0.0, "spots": [], "uneven": null
            });
            serde_json::from_value(text).unwrap()
        };
        EmbeddedCheck::of(&verdict(apart), &verdict(0.0)).unwrap()
    }

    #[test]
    fn three_that_agree_prove_a_camera_and_one_outlier_ends_it_for_the_sitting() {
        let mut trust = EmbeddedTrust::default();
        for n in 0..PROOF {
            assert!(!trust.is_proved(), "after {n}");
            trust.take(&check(0.05, 0.02));
        }
        assert!(trust.is_proved());
        trust.take(&check(0.3, 0.1));
        assert!(!trust.is_proved() && trust.has_ended());
        (0..10).for_each(|_| trust.take(&check(0.0, 0.1)));
        assert!(!trust.is_proved());
    }

    #[test]
    fn what_is_unsure_is_no_outlier_within_what_it_says_itself() {
        assert!(check(0.3, 0.25).agrees && !check(0.4, 0.25).agrees);
    }
}
