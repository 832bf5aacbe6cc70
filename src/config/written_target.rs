//! What is wanted of a grey card in the reference, as the configuration writes it.

use serde::Deserialize;

use super::values::Scalar;
use super::wrong::Wrong;
use crate::advice::Target;
use crate::photometry::Stops;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenTarget {
    spot: Scalar,
    at: Option<Scalar>,
}

/// Nobody renders a card farther from mid-grey.
const FARTHEST: f64 = 4.0;

impl WrittenTarget {
    /// The spot may be drawn later, on the page: whether it has a place is another question.
    pub fn checked(&self) -> Result<Target, Wrong> {
        let spot = &self.spot.0;
        let at = match self.at.as_ref().filter(|at| at.0 != "mid-grey") {
            None => Stops::ZERO,
            Some(at) => from_mid_grey(&at.0).ok_or_else(|| {
                let fault = format!("'{}' can't be used: write mid-grey, or how far from it, such as +1/3 stop", at.0);
                Wrong::new("at", &at.0, fault)
            })?,
        };
        Ok(Target { spot: spot.clone(), at })
    }
}

/// `+1/3 stop`, `-1 1/3 stops`, `0.5 stop`.
fn from_mid_grey(text: &str) -> Option<Stops> {
    let number = text.strip_suffix("stops").or_else(|| text.strip_suffix("stop"))?.trim();
    let (sign, size) = match number.strip_prefix('-') {
        Some(size) => (-1.0, size),
        None => (1.0, number.strip_prefix('+').unwrap_or(number)),
    };
    let parts: Vec<f64> = size.split_whitespace().map(part).collect::<Option<_>>()?;
    let stops = sign * parts.iter().sum::<f64>();
    (!parts.is_empty() && stops.abs() <= FARTHEST).then_some(Stops(stops))
}

fn part(text: &str) -> Option<f64> {
    let number = |text: &str| text.parse::<f64>().ok().filter(|n| n.is_finite() && *n >= 0.0);
    match text.split_once('/') {
        Some((above, below)) => Some(number(above)? / number(below).filter(|n| *n > 0.0)?),
        None => number(text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;

    const CARD: &str = "spots:\n  - {name: card, left: 10 %, top: 10 %, right: 20 %, bottom: 20 %}\n";

    #[test]
    fn a_target_is_a_spot_and_how_far_it_is_from_mid_grey() {
        let at = |text: &str| {
            Config::parse(&format!("{CARD}target: {{spot: card{text}}}\n"), "x").unwrap().target.unwrap().at
        };
        for (text, stops) in [
            ("", 0.0),
            (", at: mid-grey", 0.0),
            (", at: +1/3 stop", 1.0 / 3.0),
            (", at: -1 1/3 stops", -4.0 / 3.0),
            (", at: 0.5 stop", 0.5),
            (", at: 0 stop", 0.0),
        ] {
            assert!((at(text) - Stops(stops)).abs() < Stops(1e-12), "{text}");
        }
        assert_eq!(Config::default().target, None);
        for (text, part) in [
            ("target: {at: mid-grey}\n", "'spot' is missing"),
            ("target: {spot: grey, at: 1/3}\n", "such as +1/3 stop"),
            ("target: {spot: grey, at: 1/0 stop}\n", "such as +1/3 stop"),
            ("target: {spot: grey, at: 9 stops}\n", "such as +1/3 stop"),
            ("target: {spot: grey, at: '- stop'}\n", "such as +1/3 stop"),
            ("target: {spot: grey, meter: f/8}\n", "unknown key 'meter'"),
            ("target: grey\n", "keys with values, not 'grey'"),
        ] {
            let said = Config::parse(text, "x").unwrap_err().to_string();
            assert!(said.contains(part), "{text}: {said}");
        }
    }

    /// The grey patch that is looked for may be anything grey, and no card.
    #[test]
    fn a_target_needs_a_spot_with_a_place() {
        let why = |text: &str| Config::parse(text, "x").unwrap().target_without_a_place();
        assert!(why("target: {spot: grey}\n").is_some_and(|why| why.contains("'grey' has no place")));
        assert!(why("target: {spot: card}\n").is_some_and(|why| why.contains("draw it on the page")));
        assert_eq!(why(&format!("{CARD}target: {{spot: card}}\n")), None);
        assert_eq!(why(&CARD.replace("card", "grey").replace("spots:", "target: {spot: grey}\nspots:")), None);
        assert_eq!(why(""), None);
    }
}
