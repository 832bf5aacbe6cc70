//! A drift as it is shown: with its 95 % interval, and with what that interval holds under.
//!
//! Every screen takes its words from here. Settings narrow an interval only if nobody did anything else to the lights; what the
//! picture alone shows is often wider. A narrow interval without its condition would say that a light which somebody
//! turned is where it was.

use super::verdict::{Finding, Verdict};
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

/// Half a click of the usual dial.
const VAGUE: Stops = Stops(1.0 / 6.0);

impl Verdict {
    /// Beside its sentence: how surely the drift is known, where that is less than what anybody would take it for, and what it holds
    /// under. 'known to ±1.0 stop, if nobody touched a light'.
    pub fn proviso(&self) -> Option<String> {
        // What is said of one light, or of none, doesn't rest on what all of them together did.
        let is_of_the_whole = !self.finding.is_of_single_lights() && !self.finding.is_hold();
        let is_told = is_of_the_whole && !matches!(self.finding, Finding::Survey | Finding::Uncertain);
        let headline = self.headline().filter(|_| is_told)?;
        let within =
            headline.half_width.filter(|within| *within >= VAGUE).map(|w| format!("known to ±{:.1} stop", w.0));
        let said: Vec<String> = within.into_iter().chain(headline.condition.map(str::to_owned)).collect();
        (!said.is_empty()).then(|| said.join(", "))
    }

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
            // They were turned, and what is said tells so.
            Assumption::LightsUntouched if self.turned.is_some() => Some("if nothing else was turned"),
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

    /// 'Nobody touched a light' would deny the turn that the sentence beside it tells.
    #[test]
    fn a_turn_that_is_counted_in_is_not_denied() {
        let untouched = verdict(Some(Assumption::LightsUntouched), 0.0, 0.5, 0.0, 0.1);
        assert_eq!(untouched.proviso().as_deref(), Some("if nobody touched a light"));
        let turned = Verdict { turned: Some(Stops(-1.0)), ..untouched };
        assert_eq!(turned.proviso().as_deref(), Some("if nothing else was turned"));
        let vague = Verdict { uncertainty: Some(Stops(1.0)), observed_uncertainty: Some(Stops(1.5)), ..turned };
        assert_eq!(vague.proviso().as_deref(), Some("known to ±1.0 stop, if nothing else was turned"));
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
