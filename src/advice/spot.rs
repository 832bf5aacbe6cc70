//! The one spot that a verdict rests on.
//!
//! Owns which spot that is, what stands in for it where it is not to be had, and what a clipped one still tells. A spot that
//! is there and clipped is never replaced: another place may be lit quite differently, and its 'matches' would be said of a cheek
//! that is burnt out.

use super::judged_spot::{ClippedIn, ClippedSpot, InsteadOf, JudgedSpot, NoSuchSpot, ScaleEnd};
use super::verdict::Evidence;
use crate::align::Alignment;
use crate::drift::{
    Anchor, AnchorSpot, Observed, SpotPlace, UNKNOWN_FRAMING, codes_of_patches, observe, observe_patches,
    uncertainty_of_rendering,
};
use crate::meter::{CENTRE, FrameReadings, GREY, Reading, WHOLE, Weighting};
use crate::photometry::Stops;
use crate::response::{Response, TRUSTED};

/// A prediction that falls short of a bound by no more than this still explains it: settings are not exact (common
/// practice, no source).
const NEARLY: Stops = Stops(0.10);
/// A frame with this share of a spot at the end of the scale has nothing else there.
const ALL_CLIPPED: f64 = 0.95;
/// Which of the bounds on a drift is taken, in their order.
const MIDDLE: f64 = 0.5;
const ALL_BUT_THE_LAST: f64 = 0.9;
/// Where the scene moved by more than this part of the frame, a spot's readings in both are those of two places.
const STILL: f64 = 0.03;

/// One spot's readings in the reference and in the frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pair<'a> {
    pub reference: &'a Reading,
    pub frame: &'a Reading,
}

/// The spot that a verdict rests on, with both of its readings.
#[derive(Debug, Clone)]
pub(super) struct Chosen<'a> {
    pub pair: Pair<'a>,
    pub observed: Option<Observed>,
    pub judged: JudgedSpot,
}

/// What one spot shows.
enum Shown {
    Light(Observed),
    /// It is clipped, as far as is known.
    Clipped(Option<ClippedSpot>),
}

/// The spot that frames are judged by, or the frame as a whole where that spot is not in both of them. `None` when the two
/// have no spot in common.
pub(super) fn choose<'a>(evidence: &Evidence<'a>) -> Option<Chosen<'a>> {
    let metered = comparable(evidence)?;
    let ((pair, shown), instead_of) = match look_at(evidence, metered, evidence.judged_spot) {
        Ok(looked) => (looked, None),
        Err(why) => {
            let names = [WHOLE].into_iter().chain(metered.1.readings.iter().map(|r| r.spot.as_str()));
            let looked = names.filter_map(|spot| look_at(evidence, metered, spot).ok()).next()?;
            (looked, Some(InsteadOf { spot: evidence.judged_spot.to_owned(), why }))
        }
    };
    let (observed, clipped) = match shown {
        Shown::Light(observed) => (Some(observed), None),
        Shown::Clipped(clipped) => (None, clipped),
    };
    let judged = JudgedSpot { spot: pair.reference.spot.clone(), instead_of, clipped };
    Some(Chosen { pair, observed, judged })
}

/// Every spot that the reference and the frame have in common, as far as its light can be compared.
pub(super) fn observed(evidence: &Evidence) -> Vec<Observed> {
    let Some(metered) = comparable(evidence) else { return Vec::new() };
    let look = |reading: &Reading| match look_at(evidence, metered, &reading.spot) {
        Ok((_, Shown::Light(observed))) => Some(observed),
        _ => None,
    };
    metered.0.readings.iter().filter_map(look).collect()
}

/// The two readings, where they are of one kind of file: a raw file's codes and a picture's don't compare.
fn comparable<'a>(evidence: &Evidence<'a>) -> Option<(&'a FrameReadings, &'a FrameReadings)> {
    evidence.metered_pair().filter(|(reference, frame)| reference.is_raw() == frame.is_raw())
}

/// What a spot shows: of a frame that was laid over another by its patches, else by its tones.
fn look_at<'a>(
    evidence: &Evidence<'a>,
    metered: (&'a FrameReadings, &'a FrameReadings),
    spot: &str,
) -> Result<(Pair<'a>, Shown), NoSuchSpot> {
    let settings = evidence.reference.map(|reference| (&reference.settings, &evidence.frame.settings));
    let rendering = settings.map_or(Stops::ZERO, |(a, b)| uncertainty_of_rendering(a, b));
    let pair = pair_at(metered, spot, evidence.alignment().is_some())?;
    let shown = match evidence.alignment() {
        Some((alignment, anchor)) => by_patches(pair, alignment, anchor, evidence.response, rendering)?,
        None => by_tones(pair, evidence.response, rendering.in_quadrature(UNKNOWN_FRAMING)),
    };
    Ok((pair, shown))
}

fn pair_at<'a>(
    (reference, frame): (&'a FrameReadings, &'a FrameReadings),
    spot: &str,
    is_followed: bool,
) -> Result<Pair<'a>, NoSuchSpot> {
    // The grey patch is looked for in each frame. Where it is followed from the reference it need not be found again.
    let own = frame.reading(spot).or_else(|| frame.reading(WHOLE).filter(|_| is_followed && spot == GREY));
    let frame = own.ok_or(NoSuchSpot::NotInFrame)?;
    let reference = reference.reading(spot).ok_or(NoSuchSpot::NotInReference)?;
    // It may lie anywhere, and is the same card all the same.
    if reference.area != frame.area && spot != GREY {
        return Err(NoSuchSpot::Moved);
    }
    Ok(Pair { reference, frame })
}

fn by_tones(pair: Pair, response: &Response, uncertainty: Stops) -> Shown {
    match observe(pair.reference, pair.frame, response) {
        Some(observed) => {
            Shown::Light(Observed { half_width: observed.half_width.in_quadrature(uncertainty), ..observed })
        }
        None => Shown::Clipped(clipped(tones(pair), response, uncertainty)),
    }
}

/// The codes at the same shares of a spot in both frames.
fn tones(pair: Pair) -> impl Iterator<Item = [f64; 2]> {
    pair.reference.quantiles.iter().zip(&pair.frame.quantiles).map(|(r, f)| [*r, *f])
}

fn by_patches(
    pair: Pair,
    alignment: &Alignment,
    anchor: Option<&Anchor>,
    response: &Response,
    uncertainty: Stops,
) -> Result<Shown, NoSuchSpot> {
    let (place, known) = place_of(pair.reference, anchor).ok_or(NoSuchSpot::NotFound)?;
    if let Some(observed) = observe_patches(place, alignment, response) {
        let anchored = known.map_or((Stops::ZERO, Stops::ZERO), |known| (known.drift, known.half_width));
        let half_width = observed.half_width.in_quadrature(uncertainty).in_quadrature(anchored.1);
        return Ok(Shown::Light(Observed { drift: observed.drift + anchored.0, half_width, ..observed }));
    }
    let is_still = alignment.moved.right.abs().max(alignment.moved.down.abs()) <= STILL;
    let found = codes_of_patches(place, alignment).filter(|_| anchor.is_none());
    match found.and_then(|codes| clipped(codes.into_iter(), response, uncertainty)) {
        Some(clipped) => Ok(Shown::Clipped(Some(clipped))),
        // What is burnt out all over shows nothing that could be followed.
        None if observe(pair.reference, pair.frame, response).is_none() => {
            let clipped = clipped(tones(pair), response, uncertainty);
            let bounded =
                |clipped: ClippedSpot| ClippedSpot { at_least: clipped.at_least.filter(|_| is_still), ..clipped };
            Ok(Shown::Clipped(clipped.map(bounded)))
        }
        None => Err(NoSuchSpot::NotFound),
    }
}

/// Where a spot lies in what the frame was laid over, and what is known of its light there.
pub(super) fn place_of<'a>(
    reference: &'a Reading,
    anchor: Option<&'a Anchor>,
) -> Option<(SpotPlace<'a>, Option<&'a Observed>)> {
    let spot = reference.spot.as_str();
    let weighting = if spot == CENTRE { Weighting::Centre } else { Weighting::Even };
    let known = match anchor {
        Some(anchor) => {
            let known = |s: &&AnchorSpot| s.seen.spot == spot && s.in_reference == reference.area;
            Some(&anchor.spots.iter().find(known)?.seen)
        }
        None => None,
    };
    let area = known.map_or(Some(reference.area), |known| known.area)?;
    Some((SpotPlace { spot, area, weighting }, known))
}

/// What a spot tells that can't be compared: which end of the scale it ran into, and how far the light is off at least.
///
/// A tone that is burnt out had at least the light of the scale's top, a black one at most that of its bottom. So each part
/// of the spot, a quantile or a patch, bounds the drift from one side, and the middle one of the bounds holds for at least half of the spot; where
/// nothing else is left of the spot in the frame, its darkest parts (or brightest) bound it as well as any, but for the last tenth. What
/// is not known of the curve and of two cameras is taken off the bound.
fn clipped(codes: impl Iterator<Item = [f64; 2]>, response: &Response, uncertainty: Stops) -> Option<ClippedSpot> {
    let (bottom, top) = (response.light(TRUSTED.start), response.light(TRUSTED.end));
    let range = |code: f64| match response.light(code).0 {
        _ if code >= TRUSTED.end => (top.0, f64::INFINITY),
        _ if code < TRUSTED.start => (f64::NEG_INFINITY, bottom.0),
        light => (light, light),
    };
    let parts: Vec<_> = codes.map(|[reference, frame]| (range(reference), range(frame))).collect();
    let count = |is: &dyn Fn((f64, f64), (f64, f64)) -> bool| parts.iter().filter(|(r, f)| is(*r, *f)).count();
    let (high, low) = (|range: (f64, f64)| range.1 == f64::INFINITY, |range: (f64, f64)| range.0 == f64::NEG_INFINITY);
    let ways = [
        (ScaleEnd::BurntOut, count(&|_, f| high(f)), count(&|r, _| high(r))),
        (ScaleEnd::Black, count(&|_, f| low(f)), count(&|r, _| low(r))),
    ];
    let (end, in_frame, in_reference) = ways.into_iter().max_by_key(|(_, f, r)| *f.max(r))?;
    let lies_in = match (in_frame * 2 > parts.len(), in_reference * 2 > parts.len()) {
        (true, true) => ClippedIn::Both,
        (false, true) => ClippedIn::Reference,
        (true, false) => ClippedIn::Frame,
        (false, false) if in_reference > in_frame => ClippedIn::Reference,
        (false, false) => ClippedIn::Frame,
    };
    let is_all_clipped = in_frame as f64 >= ALL_CLIPPED * parts.len() as f64;
    let at = if is_all_clipped { ALL_BUT_THE_LAST } else { MIDDLE };
    let at_least = bound(parts.iter().map(|(r, f)| f.0 - r.1), at)
        .filter(|least| *least > 0.0)
        .or_else(|| bound(parts.iter().map(|(r, f)| r.0 - f.1), at).filter(|least| *least > 0.0).map(|least| -least))
        .map(Stops)
        .and_then(|bound| surely(bound, response.uncertainty_between(Stops::ZERO, bound).in_quadrature(uncertainty)));
    (in_frame.max(in_reference) > 0).then_some(ClippedSpot { end, lies_in, at_least })
}

/// The bound that this share of them lies below, where there is one.
fn bound(bounds: impl Iterator<Item = f64>, share: f64) -> Option<f64> {
    let mut bounds: Vec<f64> = bounds.collect();
    bounds.sort_by(f64::total_cmp);
    let at = (bounds.len().checked_sub(1)? as f64 * share) as usize;
    bounds.get(at).copied().filter(|bound| bound.is_finite())
}

/// What is left of a bound, less its uncertainty; `None` when that leaves nothing.
fn surely(bound: Stops, uncertainty: Stops) -> Option<Stops> {
    let left = bound.0.abs() - uncertainty.0;
    (left > 0.0).then(|| Stops(left * bound.0.signum()))
}

impl ClippedSpot {
    /// What is predicted explains that the spot is clipped: it lies beyond the least that the picture shows.
    pub(super) fn bears_out(&self, predicted: Stops) -> bool {
        self.at_least.is_some_and(|least| {
            let short = if least > Stops::ZERO { least - predicted } else { predicted - least };
            short <= NEARLY
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advice::{Finding, Observation, judge};
    use crate::drift::Lighting;
    use crate::frame::{Colour, Picture, Proxy, Settings};
    use crate::meter::{Area, Spot, meter};

    const CHEEK: Area = Area { left: 0.4, top: 0.4, right: 0.6, bottom: 0.6 };

    /// A frame of one code with another one on the cheek, at f/8 and ISO 100.
    fn observation(all: u8, cheek: u8, cheek_at: Option<Area>) -> Observation {
        let (width, height) = (120, 80);
        let in_cheek = |i: usize| {
            let (x, y) = (i % width, i / width);
            (48..72).contains(&x) && (32..48).contains(&y)
        };
        let rgb = (0..width * height).map(|i| [if in_cheek(i) { cheek } else { all }; 3]).collect();
        let picture = Picture { proxy: Proxy { width, height, rgb }, colour: Colour::of(None, None), linear: None };
        let spots: Vec<Spot> = Spot::ready().into_iter().chain(cheek_at.map(|a| Spot::even("cheek", a))).collect();
        let settings = Settings::shot_at("f/8", "1/160", "100");
        Observation { settings, metered: Some(meter(&picture, &spots)), second: None }
    }

    fn judged(reference: &Observation, frame: &Observation) -> crate::advice::Verdict {
        judge(&Evidence {
            reference: Some(reference),
            frame,
            previous: None,
            response: &Response::srgb(),
            judged_spot: "cheek",
            lighting: Lighting::Flash,
            tolerance: Stops(0.15),
            recycle_seconds: 2.0,
            moved: Some(Stops::ZERO),
            told: None,
            building: false,
            followed: None,
            filter_before: None,
            light_alone: false,
            lights: None,
            passive: None,
            colour_limit: Stops(0.25),
            laid: None,
        })
    }

    /// CHECK: sRGB code 118 is 18 % and code 255 is 100 % (IEC 61966-2-1): 2.47 stops apart, and code 250 is 2.40. What is left
    /// open by a framing that nobody looked at is taken off.
    #[test]
    fn a_burnt_out_spot_is_brighter_by_at_least_the_rest_of_the_scale() {
        let reference = observation(118, 118, Some(CHEEK));
        let verdict = judged(&reference, &observation(118, 255, Some(CHEEK)));
        assert_eq!(verdict.finding, Finding::Clipped, "{}", verdict.sentence);
        let clipped = verdict.judged.unwrap().clipped.unwrap();
        assert_eq!((clipped.end, clipped.lies_in), (ScaleEnd::BurntOut, ClippedIn::Frame));
        let least = clipped.at_least.unwrap();
        assert!(least > Stops(2.0) && least <= Stops(2.40) - UNKNOWN_FRAMING * 0.9, "{least}");
        assert!(clipped.bears_out(Stops(3.0)) && !clipped.bears_out(Stops(1.0)) && !clipped.bears_out(Stops(-3.0)));
    }

    #[test]
    fn a_reference_that_is_burnt_out_says_darker_by_at_least() {
        let reference = observation(118, 255, Some(CHEEK));
        let clipped = judged(&reference, &observation(118, 118, Some(CHEEK))).judged.unwrap().clipped.unwrap();
        assert_eq!((clipped.end, clipped.lies_in), (ScaleEnd::BurntOut, ClippedIn::Reference));
        assert!(clipped.at_least.unwrap() < Stops(-2.0), "{clipped:?}");
        let both = judged(&reference, &observation(118, 255, Some(CHEEK)));
        let clipped = both.judged.unwrap().clipped.unwrap();
        assert_eq!((clipped.lies_in, clipped.at_least), (ClippedIn::Both, None));
        assert_eq!((both.finding, both.drift), (Finding::Clipped, None), "{}", both.sentence);
    }

    #[test]
    fn a_spot_that_is_not_in_both_gives_way_to_the_whole_frame() {
        let elsewhere = Area { left: 0.1, right: 0.3, ..CHEEK };
        for (reference, frame, why) in [
            (Some(CHEEK), Some(elsewhere), NoSuchSpot::Moved),
            (None, Some(CHEEK), NoSuchSpot::NotInReference),
            (Some(CHEEK), None, NoSuchSpot::NotInFrame),
        ] {
            let verdict = judged(&observation(118, 118, reference), &observation(118, 118, frame));
            let spot = verdict.judged.unwrap();
            assert_eq!((spot.spot.as_str(), verdict.finding), (WHOLE, Finding::Matched));
            assert_eq!(spot.instead_of.unwrap(), InsteadOf { spot: "cheek".into(), why });
            assert!(verdict.sentence.contains("'cheek'"), "{}", verdict.sentence);
        }
    }

    /// Light of a scene's darkest tenth that is burnt out, too, was over by more than that of its middle.
    #[test]
    fn what_is_burnt_out_all_over_is_bounded_by_its_dark_parts() {
        let of = |white: usize| {
            let codes = (0..100_u8)
                .map(|at| [f64::from(20 + 2 * at), if usize::from(at) >= 100 - white { 255.0 } else { 240.0 }]);
            clipped(codes, &Response::srgb(), Stops::ZERO).unwrap().at_least.unwrap()
        };
        let light = |code: f64| Response::srgb().light(code);
        let most = light(250.0) - light(40.0);
        assert!(of(100) > light(250.0) - light(60.0) && of(100) <= most, "{:?} of {most}", of(100));
        assert!(of(60) < light(250.0) - light(100.0), "{:?}", of(60));
    }
}
