//! Why a frame is softer, or sharper, than its reference: depth of field, a focus that lies elsewhere, a motion, diffraction.
//!
//! Spots alone don't tell where they lie in depth, so it goes by which of them changed and by what the aperture did.

use serde::Serialize;

use super::{Pixels, Softness, Streak, Untold};
use crate::photometry::{FNumber, Stops};
use crate::wording::listed;

/// What was measured of one spot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpotSoftness {
    pub spot: String,
    pub measured: Result<Softness, Untold>,
}

/// What the spots of a frame come to, against those of its reference. Names of spots, in their order.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Cause {
    /// Nothing could be measured.
    Untold,
    /// No spot is softer or sharper, of those that aren't `untold`.
    AsSharp { untold: Vec<String> },
    /// The frame was moved, or the sitter, while it was exposed: `spots` show it. The others that changed did so in another way.
    MovedWhileExposed { spots: Vec<String>, streak: Streak, softer: Vec<String>, sharper: Vec<String> },
    /// Some spots are sharper and others softer: the focus lies elsewhere.
    FocusElsewhere { sharper: Vec<String>, softer: Vec<String> },
    /// A wider aperture holds some spots and lets others go.
    LessDepth { kept: Vec<String>, lost: Vec<String> },
    /// A narrower aperture brings spots in.
    MoreDepth { gained: Vec<String> },
    /// All are softer at a wider aperture, of those that aren't `untold`: none of them lies in focus.
    NoneInFocus { untold: Vec<String> },
    /// All are softer, of those that aren't `untold`, and the aperture isn't wider.
    FocusMissed { untold: Vec<String> },
    /// Some are softer, and the aperture isn't wider: they lie farther from the focus than they did.
    LeftTheFocus { spots: Vec<String>, kept: Vec<String> },
    /// All are sharper, and the aperture isn't narrower: it is the reference that is soft.
    ReferenceSoft { spots: Vec<String> },
    /// All are a little softer at a much narrower aperture, of those that aren't `untold`.
    Diffraction { untold: Vec<String> },
    /// Softer, and the aperture of one of the two isn't known.
    ApertureUnknown { softer: Vec<String>, sharper: Vec<String> },
}

/// A change of the aperture by less is none: Exif's own rounding.
const SAME_APERTURE: Stops = Stops(0.17);
/// From so many stops narrower on, diffraction may soften all. An Airy disc's Gaussian equivalent has a deviation of about 0.42 of wavelength
/// times f-number (any textbook on optics, from memory): 5 micrometres at f/22, a pixel or so.
const NARROWER_BY: Stops = Stops(0.6);
const DIFFRACTED: Pixels = Pixels(1.5);
/// Nothing is concluded from a smaller loss: a third of a pixel, which codings and curves may make.
const WORTH_SAYING: f64 = 0.75;
/// Streaks of one motion lie along one line to so many degrees.
const ALIKE: f64 = 30.0;

/// Judges a frame by its spots and by the apertures of both. A spot that is too blurred for a width is softer, too; of the others that have
/// no width nothing is said but that.
pub fn judge(spots: &[SpotSoftness], reference: Option<FNumber>, frame: Option<FNumber>) -> Cause {
    let named = |is: &dyn Fn(&SpotSoftness) -> bool| -> Vec<String> {
        spots.iter().filter(|spot| is(spot)).map(|spot| spot.spot.clone()).collect()
    };
    let softer = named(&is_lost);
    let sharper = named(&is_gained);
    let untold = named(&is_untold);
    let kept = named(&|spot| !is_lost(spot) && !is_untold(spot));
    if softer.is_empty() && kept.is_empty() {
        return Cause::Untold;
    }
    if softer.is_empty() && sharper.is_empty() {
        return Cause::AsSharp { untold };
    }
    if let Some((spots, streak)) = common_streak(spots, softer.len()) {
        let softer = softer.into_iter().filter(|spot| !spots.contains(spot)).collect();
        return Cause::MovedWhileExposed { spots, streak, softer, sharper };
    }
    if !softer.is_empty() && !sharper.is_empty() {
        return Cause::FocusElsewhere { sharper, softer };
    }
    let Some(wider) = reference.zip(frame).map(|(reference, frame)| reference.av() - frame.av()) else {
        return Cause::ApertureUnknown { softer, sharper };
    };
    match (softer.is_empty(), kept.is_empty()) {
        (true, _) if wider < Stops(-SAME_APERTURE.0) => Cause::MoreDepth { gained: sharper },
        (true, _) => Cause::ReferenceSoft { spots: sharper },
        (false, true) if wider > SAME_APERTURE => Cause::NoneInFocus { untold },
        (false, false) if wider > SAME_APERTURE => Cause::LessDepth { kept, lost: softer },
        (false, true) if wider <= Stops(-NARROWER_BY.0) && is_slight(spots) => Cause::Diffraction { untold },
        (false, true) => Cause::FocusMissed { untold },
        (false, false) => Cause::LeftTheFocus { spots: softer, kept },
    }
}

fn is_lost(spot: &SpotSoftness) -> bool {
    match &spot.measured {
        Ok(softness) => softness.is_softer() && softness.detail.share < WORTH_SAYING,
        Err(why) => *why == Untold::TooBlurred,
    }
}

fn is_gained(spot: &SpotSoftness) -> bool {
    match &spot.measured {
        Ok(softness) => softness.is_sharper() && softness.detail.share > 1.0 / WORTH_SAYING,
        Err(why) => *why == Untold::ReferenceTooBlurred,
    }
}

fn is_untold(spot: &SpotSoftness) -> bool {
    spot.measured.is_err() && !is_lost(spot) && !is_gained(spot)
}

/// Every blur is one that diffraction can make.
fn is_slight(spots: &[SpotSoftness]) -> bool {
    spots
        .iter()
        .filter(|spot| !is_untold(spot))
        .all(|spot| spot.measured.is_ok_and(|softness| softness.blur.0 <= DIFFRACTED.0))
}

/// The motion that most of the softer spots show alike, and which do.
fn common_streak(spots: &[SpotSoftness], softer: usize) -> Option<(Vec<String>, Streak)> {
    let streak = |spot: &SpotSoftness| Some((spot.spot.clone(), spot.measured.ok()?.streak?));
    let streaks: Vec<(String, Streak)> = spots.iter().filter(|spot| is_lost(spot)).filter_map(streak).collect();
    let alike = |a: &Streak, b: &Streak| a.along.apart(b.along) <= ALIKE;
    let agreeing = |streak: &Streak| -> Vec<String> {
        streaks.iter().filter(|(_, other)| alike(streak, other)).map(|(spot, _)| spot.clone()).collect()
    };
    let (most, streak) =
        streaks.iter().map(|(_, streak)| (agreeing(streak), *streak)).max_by_key(|(spots, _)| spots.len())?;
    // One spot alone may have no texture across its edges.
    (most.len() > 1 && most.len() * 2 > softer).then_some((most, streak))
}

impl Cause {
    /// The sentence for a person.
    pub fn sentence(&self) -> String {
        match self {
            Cause::Untold => "sharpness can't be told of any spot".to_owned(),
            Cause::AsSharp { untold } if untold.is_empty() => "as sharp as the reference".to_owned(),
            Cause::AsSharp { untold } => {
                format!("as sharp as the reference where that can be told{}", not_told(untold))
            }
            Cause::MovedWhileExposed { spots, streak, softer, sharper } => format!(
                "seems to have moved while it was exposed, by about {} {streak}: {} {} soft in that direction alone{}",
                streak.length,
                listed(spots),
                is_or_are(spots),
                [(softer, "softer in another way"), (sharper, "sharper")]
                    .map(|(spots, how)| if spots.is_empty() {
                        String::new()
                    } else {
                        format!("; {} {how}", listed(spots))
                    })
                    .concat()
            ),
            Cause::FocusElsewhere { sharper, softer } => {
                format!("the focus lies elsewhere: {} sharper, {} softer", listed(sharper), listed(softer))
            }
            Cause::LessDepth { kept, lost } => {
                format!("less depth of field: {} kept, {} softer", listed(kept), listed(lost))
            }
            Cause::MoreDepth { gained } => format!("more depth of field: {} sharper", listed(gained)),
            Cause::NoneInFocus { untold } => format!(
                "{} softer: the focus lies on none of them, or the lens itself is softer this wide open{}",
                all_spots_are(untold),
                not_told(untold)
            ),
            Cause::FocusMissed { untold } => format!(
                "{} softer, and the aperture is not wider: the focus was missed, or it shook{}",
                all_spots_are(untold),
                not_told(untold)
            ),
            Cause::LeftTheFocus { spots, kept } => format!(
                "{} softer though the aperture is not wider, {} kept: the focus or the sitter moved in depth",
                listed(spots),
                listed(kept)
            ),
            Cause::ReferenceSoft { spots } => format!(
                "{} sharper though the aperture is not narrower: the frame that it is held against is soft there",
                listed(spots)
            ),
            Cause::Diffraction { untold } => format!(
                "{} a little softer, as diffraction does at a narrow aperture{}",
                all_spots_are(untold),
                not_told(untold)
            ),
            Cause::ApertureUnknown { softer, sharper } => {
                let parts = [(softer, "softer"), (sharper, "sharper")];
                let said = parts.iter().filter(|(spots, _)| !spots.is_empty());
                let said: Vec<String> = said.map(|(spots, word)| format!("{} {word}", listed(spots))).collect();
                format!("{}; why can't be told without both apertures", said.join(", "))
            }
        }
    }
}

fn is_or_are(spots: &[String]) -> &'static str {
    if spots.len() == 1 { "is" } else { "are" }
}

fn all_spots_are(untold: &[String]) -> &'static str {
    if untold.is_empty() { "all spots are" } else { "all spots that were measured are" }
}

fn not_told(untold: &[String]) -> String {
    if untold.is_empty() { String::new() } else { format!("; of {} it can't be told", listed(untold)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photometry::Series;
    use crate::sharpness::{Direction, Fineness, Share};

    fn spot(name: &str, blur: f64) -> SpotSoftness {
        let share = (-2.0 * std::f64::consts::PI.powi(2) * blur * blur.abs() / 9.0).exp();
        let softness = Softness {
            blur: Pixels(blur),
            least: Pixels(blur - 0.15),
            most: Pixels(blur + 0.15),
            detail: Share { share, least: share * 0.9, most: share * 1.1 },
            finest: Fineness(1.0 / 3.0),
            streak: None,
            shift: [Pixels(0.0); 2],
            tiles: [9, 9],
        };
        SpotSoftness { spot: name.to_owned(), measured: Ok(softness) }
    }

    fn streaked(name: &str, blur: f64, along: f64) -> SpotSoftness {
        let mut spot = spot(name, blur);
        spot.measured.as_mut().unwrap().streak = Some(Streak { along: Direction(along), length: Pixels(9.0) });
        spot
    }

    fn f(n: f64) -> Option<FNumber> {
        FNumber::new(n, None, Series::Thirds)
    }

    fn names(names: &[&str]) -> Vec<String> {
        names.iter().map(|name| (*name).to_owned()).collect()
    }

    #[test]
    fn depth_of_field_focus_and_motion_are_told_apart() {
        let (eyes, ear) = ("eyes", "ear");
        let both = |a: f64, b: f64| [spot(eyes, a), spot(ear, b)];
        let cases = [
            (both(0.0, 0.0), (14.0, 4.0), Cause::AsSharp { untold: Vec::new() }),
            (both(0.05, 2.0), (14.0, 4.0), Cause::LessDepth { kept: names(&[eyes]), lost: names(&[ear]) }),
            (both(1.5, 3.0), (14.0, 4.0), Cause::NoneInFocus { untold: Vec::new() }),
            (both(1.8, 3.0), (8.0, 8.0), Cause::FocusMissed { untold: Vec::new() }),
            (both(1.8, 3.0), (8.0, 11.0), Cause::FocusMissed { untold: Vec::new() }),
            (both(0.7, 0.9), (8.0, 22.0), Cause::Diffraction { untold: Vec::new() }),
            (both(0.0, 2.0), (8.0, 8.0), Cause::LeftTheFocus { spots: names(&[ear]), kept: names(&[eyes]) }),
            (both(2.0, -1.0), (8.0, 8.0), Cause::FocusElsewhere { sharper: names(&[ear]), softer: names(&[eyes]) }),
            (both(0.0, -1.0), (4.0, 14.0), Cause::MoreDepth { gained: names(&[ear]) }),
            (both(0.0, -1.0), (4.0, 4.0), Cause::ReferenceSoft { spots: names(&[ear]) }),
        ];
        for (spots, (reference, frame), cause) in cases {
            assert_eq!(judge(&spots, f(reference), f(frame)), cause);
        }
        let unknown = judge(&both(0.0, 2.0), None, f(4.0));
        assert_eq!(unknown.sentence(), "ear softer; why can't be told without both apertures");
    }

    #[test]
    fn a_motion_is_one_where_most_that_is_soft_is_soft_along_one_line() {
        let moved = |spots: &[SpotSoftness]| matches!(judge(spots, f(8.0), f(4.0)), Cause::MovedWhileExposed { .. });
        assert!(moved(&[streaked("eyes", 2.0, 175.0), streaked("ear", 2.0, 3.0), spot("lips", 2.0)]));
        assert!(!moved(&[streaked("eyes", 2.0, 175.0)]), "one spot may have no texture across its edges");
        assert!(!moved(&[streaked("eyes", 2.0, 175.0), spot("ear", 2.0)]), "half is not most");
        assert!(!moved(&[streaked("eyes", 2.0, 175.0), streaked("ear", 2.0, 80.0)]), "two directions are none");
    }

    #[test]
    fn what_moved_is_named_and_what_changed_otherwise_is_not_passed_over() {
        let spots = [streaked("eyes", 2.0, 3.0), streaked("lips", 2.0, 175.0), spot("ear", 2.0), spot("chin", -1.0)];
        let sentence = "seems to have moved while it was exposed, by about 9.0 px sideways: eyes and lips are soft in that direction alone; \
                        ear softer in another way; chin sharper";
        assert_eq!(judge(&spots, f(8.0), f(4.0)).sentence(), sentence);
    }

    #[test]
    fn a_spot_too_blurred_for_a_width_is_softer_and_one_that_was_not_measured_is_neither() {
        let untold = |name: &str, why: Untold| SpotSoftness { spot: name.to_owned(), measured: Err(why) };
        let told = |spots: &[SpotSoftness]| judge(spots, f(14.0), f(1.4)).sentence();
        let blurred = [spot("eyes", 0.0), untold("ear", Untold::TooBlurred)];
        assert_eq!(told(&blurred), "less depth of field: eyes kept, ear softer");
        let reference = [spot("eyes", 0.0), untold("ear", Untold::ReferenceTooBlurred)];
        assert_eq!(judge(&reference, f(1.4), f(14.0)).sentence(), "more depth of field: ear sharper");
        let plain = [untold("eyes", Untold::NoTexture), spot("ear", 2.0)];
        assert!(told(&plain).starts_with("all spots that were measured are softer"), "{}", told(&plain));
        assert!(told(&plain).ends_with("; of eyes it can't be told"), "{}", told(&plain));
        let same = [untold("eyes", Untold::NoTexture), spot("ear", 0.0)];
        assert_eq!(told(&same), "as sharp as the reference where that can be told; of eyes it can't be told");
    }

    #[test]
    fn where_nothing_is_measured_nothing_is_judged() {
        let spots = [SpotSoftness { spot: "ear".to_owned(), measured: Err(Untold::NoTexture) }];
        assert_eq!(judge(&spots, f(8.0), f(4.0)), Cause::Untold);
    }
}
