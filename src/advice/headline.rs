//! A drift as it is shown: with its 95 % interval, and with what that interval holds under.
//!
//! Every screen takes its words from here. Settings narrow an interval only if nobody did anything else to the lights; what the
//! picture alone shows is often wider. A narrow interval without its condition would say that a light which somebody
//! turned is where it was.

use super::verdict::Verdict;
use crate::drift::Assumption;
use crate::photometry::Stops;

/// A drift and how surely it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Headline {
    pub drift: Stops,
    /// Half-width of its 95 % interval.
    pub half_width: Option<Stops>,
    /// The interval holds only under this condition; `None` when it holds whatever anybody did.
    pub condition: Option<&'static str>,
}

impl Headline {
    /// '+1.32 ±0.10 stop, if nobody touched a light'.
    pub fn in_words(&self) -> String {
        let within = self.half_width.map_or_else(String::new, |within| format!(" ±{:.2}", within.0));
        let provided = self.condition.map_or_else(String::new, |condition| format!(", {condition}"));
        format!("{}{within} stop{provided}", self.drift)
    }
}

impl Verdict {
    /// The drift as every screen shows it; `None` when none is told.
    pub fn headline(&self) -> Option<Headline> {
        Some(Headline { drift: self.drift?, half_width: self.uncertainty, condition: self.condition() })
    }

    /// What the drift's interval holds under.
    fn condition(&self) -> Option<&'static str> {
        let shown = |half_width: Stops| (half_width.0 * 100.0).round();
        let narrower = match (self.uncertainty, self.observed_uncertainty) {
            (Some(told), Some(own)) => shown(own) > shown(told),
            _ => true,
        };
        match self.assumption.filter(|_| narrower)? {
            Assumption::LightsUntouched => Some("if nobody touched a light"),
            Assumption::CorrectionFollowed => Some("if the correction was carried out"),
        }
    }

    /// Half-width about the drift that holds whatever anybody did to the lights: it takes in the picture's own interval. `None`
    /// when the picture tells none.
    pub fn unconditional_half_width(&self) -> Option<Stops> {
        if self.assumption.is_none() {
            return self.uncertainty;
        }
        let (drift, observed) = self.drift.zip(self.observed)?;
        Some((drift - observed).abs() + self.observed_uncertainty?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn headline(condition: Option<&'static str>) -> Headline {
        Headline { drift: Stops(1.32), half_width: Some(Stops(0.1)), condition }
    }

    #[test]
    fn it_says_the_condition_beside_the_interval() {
        assert_eq!(headline(None).in_words(), "+1.32 ±0.10 stop");
        let said = headline(Some("if nobody touched a light"));
        assert_eq!(said.in_words(), "+1.32 ±0.10 stop, if nobody touched a light");
        assert_eq!(Headline { half_width: None, ..headline(None) }.in_words(), "+1.32 stop");
    }

    fn verdict(assumption: Option<Assumption>, observed: f64, own: f64, drift: f64, told: f64) -> Verdict {
        let text = serde_json::json!({
            "finding": "matched", "sentence": "", "expected": 0.0, "lighting": "flash", "observed": observed,
            "observed_uncertainty": own, "drift": drift, "uncertainty": told, "evidence_used": "both", "assumption": assumption,
            "lights": 0.0, "spots": [], "uneven": null
        });
        serde_json::from_value(text).unwrap()
    }

    proptest! {
        #[test]
        fn an_interval_without_a_condition_is_the_pictures_own_or_takes_it_in(
            observed in -3.0_f64..3.0, own in 0.05_f64..1.0, off in -0.5_f64..0.5, told in 0.03_f64..0.2, with in any::<bool>(),
        ) {
            let assumption = with.then_some(Assumption::LightsUntouched);
            let (drift, told) = if with { (observed + off * own, told.min(own)) } else { (observed, own) };
            let verdict = verdict(assumption, observed, own, drift, told);
            let said = verdict.headline().unwrap();
            if said.condition.is_none() {
                prop_assert!((said.half_width.unwrap().0 - own).abs() <= 0.011);
            }
            let whatever = verdict.unconditional_half_width().unwrap().0 + 2e-6;
            prop_assert!(drift - whatever <= observed - own && drift + whatever >= observed + own);
        }
    }
}
