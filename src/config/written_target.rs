//! What is wanted of the reference, as the configuration writes it: by a grey card in it, or by a hand meter.

use serde::Deserialize;

use super::values::Scalar;
use super::wrong::Wrong;
use crate::advice::{GreyCard, HandMeter, Target};
use crate::photometry::{ExposureTime, FNumber, Series, Stops};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenTarget {
    spot: Option<Scalar>,
    at: Option<Scalar>,
    meter: Option<Scalar>,
}

/// Nobody renders a card farther from mid-grey.
const FARTHEST: Stops = Stops(4.0);

impl WrittenTarget {
    /// The marks of `camera_steps`. A spot may be drawn later, on the page: whether it has a place is another question.
    pub fn checked(&self, camera_steps: Series) -> Result<Target, Wrong> {
        match (&self.spot, &self.meter) {
            (Some(spot), None) => Ok(Target::Card(GreyCard { spot: spot.0.clone(), at: self.at()? })),
            (None, Some(meter)) => {
                if let Some(at) = &self.at {
                    return Err(Wrong::new(
                        "at",
                        &at.0,
                        "'at' goes with a spot on a grey card, not with a hand meter's value",
                    ));
                }
                let wrong =
                    |fault: String| Wrong::new("meter", &meter.0, format!("'{}' can't be used: {fault}", meter.0));
                metered(&meter.0, camera_steps).map(Target::Meter).map_err(wrong)
            }
            _ => {
                let fault = "write {spot: card, at: mid-grey} for a grey card, or {meter: f/8 iso100} for what a hand meter showed";
                Err(Wrong::new("target", "", fault))
            }
        }
    }

    fn at(&self) -> Result<Stops, Wrong> {
        let Some(at) = self.at.as_ref().filter(|at| at.0 != "mid-grey") else { return Ok(Stops::ZERO) };
        from_mid_grey(&at.0).ok_or_else(|| {
            let fault = format!("'{}' can't be used: write mid-grey, or how far from it, such as +1/3 stop", at.0);
            Wrong::new("at", &at.0, fault)
        })
    }
}

/// `f/8 iso100`, `f/8 1/60 iso100`.
fn metered(text: &str, camera_steps: Series) -> Result<HandMeter, String> {
    const NEEDED: &str =
        "write f-number and ISO, and the exposure time where lights burn all the time, such as f/8 1/60 iso100";
    let (mut f_number, mut iso, mut exposure_time) = (None, None, None);
    for word in text.to_ascii_lowercase().replace("iso ", "iso").split_whitespace() {
        // Tenths of a stop, as a hand meter may show them, would be read as a time.
        if word.starts_with(['+', '-']) {
            return Err(NEEDED.to_owned());
        }
        let is_second = if word.starts_with("iso") {
            iso.replace(word.parse().map_err(|_| NEEDED)?).is_some()
        } else if word.starts_with('f') {
            f_number.replace(FNumber::read(word, camera_steps).map_err(|_| NEEDED)?).is_some()
        } else {
            exposure_time.replace(ExposureTime::read(word, camera_steps).map_err(|_| NEEDED)?).is_some()
        };
        if is_second {
            return Err(NEEDED.to_owned());
        }
    }
    let (f_number, iso) = f_number.zip(iso).ok_or(NEEDED)?;
    Ok(HandMeter { f_number, iso, exposure_time })
}

/// `+1/3 stop`, `-1 1/3 stops`, `0.5 stop`.
fn from_mid_grey(text: &str) -> Option<Stops> {
    if !text.ends_with("stop") && !text.ends_with("stops") {
        return None;
    }
    let (is_below, size) = match text.strip_prefix('-') {
        Some(size) => (true, size),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    };
    let size: Stops = size.parse().ok().filter(|size| *size <= FARTHEST)?;
    Some(if is_below { -size } else { size })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;

    const CARD: &str = "spots:\n  - {name: card, left: 10 %, top: 10 %, right: 20 %, bottom: 20 %}\n";

    #[test]
    fn a_target_is_a_spot_and_how_far_it_is_from_mid_grey() {
        let at = |text: &str| match Config::parse(&format!("{CARD}target: {{spot: card{text}}}\n"), "x").unwrap().target
        {
            Some(Target::Card(card)) => card.at,
            other => panic!("{other:?}"),
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
            ("target: {at: mid-grey}\n", "or {meter: f/8 iso100}"),
            ("target: {spot: grey, meter: f/8 iso100}\n", "or {meter: f/8 iso100}"),
            ("target: {meter: f/8 iso100, at: +1/3 stop}\n", "goes with a spot"),
            ("target: {meter: f/8}\n", "write f-number and ISO"),
            ("target: {meter: iso100}\n", "write f-number and ISO"),
            ("target: {meter: f/8 iso100 soon}\n", "write f-number and ISO"),
            ("target: {meter: 'f/5,6 iso100'}\n", "write f-number and ISO"),
            ("target: {meter: f/8 +3/10 iso100}\n", "write f-number and ISO"),
            ("target: {meter: f/8 f/5.6 iso100}\n", "write f-number and ISO"),
            ("target: {spot: grey, at: 1/3}\n", "such as +1/3 stop"),
            ("target: {spot: grey, at: 1/0 stop}\n", "such as +1/3 stop"),
            ("target: {spot: grey, at: 9 stops}\n", "such as +1/3 stop"),
            ("target: {spot: grey, at: '- stop'}\n", "such as +1/3 stop"),
            ("target: {spot: grey, card: 1}\n", "unknown key 'card'"),
            ("target: grey\n", "keys with values, not 'grey'"),
        ] {
            let said = Config::parse(text, "x").unwrap_err().to_string();
            assert!(said.contains(part), "{text}: {said}");
        }
    }

    #[test]
    fn a_target_may_be_what_a_hand_meter_showed() {
        let shown = |text: &str| {
            Config::parse(&format!("target: {{meter: {text}}}\n"), "x").unwrap().target.unwrap().to_string()
        };
        for text in ["f/8 iso100", "F8 ISO 100", "iso100 f/8"] {
            assert_eq!(shown(text), "the reference is wanted at what a hand meter showed: f/8, ISO 100");
        }
        assert_eq!(
            shown("f/8 1/60 iso100"),
            "the reference is wanted at what a hand meter showed: f/8, 1/60 s, ISO 100"
        );
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
