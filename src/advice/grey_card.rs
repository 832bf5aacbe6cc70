//! Whether a reference is itself as bright as is wanted of a grey card that stands in it.

use std::fmt;

use crate::meter::{FrameReadings, Reading};
use crate::photometry::Stops;
use crate::response::{Response, TRUSTED};

/// How bright a grey card is to be rendered.
#[derive(Debug, Clone, PartialEq)]
pub struct GreyCard {
    /// The spot that lies on the card.
    pub spot: String,
    /// From mid-grey, code 118 of the sRGB encoding (IEC 61966-2-1; ISO 12232); brighter is positive.
    pub at: Stops,
}

/// The tones of a grey card lie within this, but for a twentieth at each end (common practice, no source).
const MOST_SPREAD: Stops = Stops(0.6);
/// Red and blue of a grey card are within this of green, whatever the white balance; skin is not (common practice, no source).
const MOST_TINT: Stops = Stops(0.6);

impl GreyCard {
    /// What is to be said of a reference that is off by more than the tolerance, or of which that can't be told.
    /// `picture` are the readings of the picture that the camera rendered, `response` is its curve.
    pub fn told_of(
        &self,
        file: &str,
        picture: &FrameReadings,
        response: &Response,
        tolerance: Stops,
    ) -> Option<String> {
        let spot = &self.spot;
        let untold = |why: &str| {
            Some(format!(
                "whether the reference {file} is on target can't be told: the spot '{spot}' {why}; lay it on an even grey card"
            ))
        };
        let Some(reading) = picture.reading(spot) else { return untold("was not metered") };
        if let Some(why) = not_a_card(reading, response) {
            return untold(why);
        }
        let level = reading.level_by(response);
        let (off, half_width) = (level - self.at, response.uncertainty_between(level, self.at));
        if off.abs() <= tolerance {
            return None;
        }
        let side = if off > Stops::ZERO { "over" } else { "under" };
        if off.abs() <= half_width {
            return Some(format!(
                "the reference {file} may itself be {} {side} {} on '{spot}', which is known to ±{:.1} stop only",
                off.size_in_words(),
                self.in_words(),
                half_width.0
            ));
        }
        let sure = if half_width.is_worth_saying() { format!(" (±{:.1} stop)", half_width.0) } else { String::new() };
        Some(format!(
            "the reference {file} is itself {} {side} {} on '{spot}'{sure}: every frame will be held to that",
            off.size_in_words(),
            self.in_words()
        ))
    }

    /// 'mid-grey', 'the target (1/3 stop over mid-grey)'.
    fn in_words(&self) -> String {
        match self.at {
            at if !at.is_worth_saying() => "mid-grey".to_owned(),
            at if at > Stops::ZERO => format!("the target ({} over mid-grey)", at.size_in_words()),
            at => format!("the target ({} under mid-grey)", at.size_in_words()),
        }
    }
}

/// 'the reference is wanted at 1/3 stop over mid-grey on 'card''.
impl fmt::Display for GreyCard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let wanted = match self.at {
            at if !at.is_worth_saying() => String::new(),
            at => format!("{} {} ", at.size_in_words(), if at > Stops::ZERO { "over" } else { "under" }),
        };
        write!(f, "the reference is wanted at {wanted}mid-grey on '{}'", self.spot)
    }
}

/// Why a spot shows no grey card.
fn not_a_card(reading: &Reading, response: &Response) -> Option<&'static str> {
    let at = |share: f64| {
        let last = reading.quantiles.len().saturating_sub(1);
        reading.quantiles.get((share * last as f64).round() as usize).copied()
    };
    let (low, middle, high) = (at(0.05)?, at(0.5)?, at(0.95)?);
    if middle >= TRUSTED.end {
        return Some("is burnt out");
    }
    if middle < TRUSTED.start {
        return Some("is black");
    }
    if response.light(high) - response.light(low) > MOST_SPREAD {
        return Some("shows no even surface");
    }
    reading.tints_by(response).iter().any(|tint| tint.abs() > MOST_TINT).then_some("shows a colour")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Picture, Proxy};
    use crate::meter::{Area, Spot, meter};

    fn told(at: f64, code: impl Fn(usize) -> [u8; 3]) -> Option<String> {
        let (width, height) = (120, 80);
        let rgb = (0..width * height).map(code).collect();
        let picture = Picture { proxy: Proxy { width, height, rgb }, colour: Colour::of(None, None), linear: None };
        let readings = meter(&picture, &[Spot::even("card", Area { left: 0.2, top: 0.2, right: 0.8, bottom: 0.8 })]);
        let target = GreyCard { spot: "card".to_owned(), at: Stops(at) };
        target.told_of("1.jpg", &readings, &Response::srgb(), Stops(0.15))
    }

    /// CHECK: mid-grey, 18 % of white, is code 118 of the sRGB encoding; codes 94, 134 and 84 are 0.112, 0.238 and 0.089 of white,
    /// which are 2/3 stop under, 0.4 stop over and 1 stop under it (IEC 61966-2-1).
    #[test]
    fn a_reference_off_target_is_told_and_one_on_target_is_not() {
        assert_eq!(told(0.0, |_| [118; 3]), None);
        assert_eq!(told(0.0, |_| [114; 3]), None, "0.1 stop is within the tolerance");
        let under = told(0.0, |_| [94; 3]).unwrap();
        assert!(under.starts_with("the reference 1.jpg is itself 2/3 stop under mid-grey on 'card'"), "{under}");
        assert!(under.ends_with(": every frame will be held to that"));
        let over = told(0.0, |_| [134; 3]).unwrap();
        assert!(over.contains("0.4 stop over mid-grey"), "{over}");
        let wanted_brighter = told(1.0 / 3.0, |_| [118; 3]).unwrap();
        assert!(wanted_brighter.contains("1/3 stop under the target (1/3 stop over mid-grey)"), "{wanted_brighter}");
        assert_eq!(told(-1.0, |_| [84; 3]), None);
    }

    #[test]
    fn what_is_no_grey_card_is_no_measure() {
        let stripes = |i: usize| [if i.is_multiple_of(2) { 90 } else { 140 }; 3];
        for (said, why) in [
            (told(0.0, stripes), "shows no even surface"),
            (told(0.0, |_| [200, 150, 125]), "shows a colour"),
            (told(0.0, |_| [255; 3]), "is burnt out"),
            (told(0.0, |_| [1; 3]), "is black"),
        ] {
            let said = said.unwrap();
            assert!(said.contains("can't be told") && said.contains(why), "{said}");
        }
        // A white balance that is off makes no colour of a card.
        assert_eq!(told(0.0, |_| [122, 118, 108]), None);
    }
}
