//! Learning a camera's response while it is used: from raw files beside pictures, and from frames
//! whose settings changed while the lights provably did not.

use super::bracket::uncertainty_about_mid_grey;
use crate::numbers::FrameNumber;
use crate::photometry::{SAME_SETTING, Stops};
use crate::response::{Curve, Exposed, Response, Superposition, TONES, TRUSTED, fit, fit_to_light, fit_to_sum, tone};
use crate::statistics::{Z95, median};

/// Frames of one scene under one light, as far as anybody knows.
#[derive(Debug, Clone, Default)]
pub struct ExposureRun {
    frames: Vec<Exposed>,
    numbers: Vec<FrameNumber>,
}

/// A curve that frames made better.
#[derive(Debug, Clone)]
pub struct Learned {
    pub curve: Curve,
    /// The frames that taught it.
    pub frames: Vec<FrameNumber>,
    /// Median difference of the tones from the curve.
    pub residual: Stops,
    /// 95 % half-width of two stops about mid-grey, before and after.
    pub uncertainty: [Stops; 2],
}

/// Frames of a run that are kept in mind.
const LONGEST: usize = 10;
/// There, back, and there again.
const FEWEST_STEPS: usize = 3;
/// A smaller step than this teaches nothing.
const LEAST_STEP: Stops = Stops(0.3);
/// Frames farther off one curve than this were not lit alike.
const MOST_OFFSET: Stops = Stops(0.03);
/// Two frames of one exposure that read as equal as this were lit alike.
const SAME: Stops = Stops(0.03);
/// A curve is not pulled farther than this many standard deviations from what was likely.
const FARTHEST: f64 = 2.0;
/// Nothing is learned beyond this: the reading's own floor is higher.
const SURE_ENOUGH: Stops = Stops(0.06);
/// A pair whose tones scatter more about one curve than this shows two renderings.
const MOST_RESIDUAL: Stops = Stops(0.06);
/// A curve agrees with a pair when at most one tone in five is farther off than this.
const MOST_OFF_TONE: Stops = Stops(0.08);
/// Fewer tones tell nothing of a curve.
const FEWEST_TONES: usize = 5;
/// How far a frame's light is off what its settings and powers say, standard deviation: flashes repeat to a hundredth or two
/// of a stop (common practice, no source).
const GAIN: Stops = Stops(0.025);
/// And where somebody may have turned it.
const TURN: Stops = Stops(0.3);
/// A light that looks turned by more than this, half a click, teaches nothing: chosen so that
/// `a_survey_makes_the_curve_known_within_what_is_stated` learns from next to no survey in which a light was turned by a click.
const MOST_GAIN: Stops = Stops(0.15);
/// A survey pulls a curve no farther than this many standard deviations from what was likely, between these codes.
const FARTHEST_BY_SUM: f64 = 2.5;
const TOLD_TONES: [[f64; 2]; 4] = [[40.0, 118.0], [80.0, 160.0], [118.0, 200.0], [160.0, 230.0]];
/// Flashes and frames leave over as much as this by any curve: then a half bears a lesson out, whatever it left over before.
const GOOD_FIT: Stops = Stops(0.02);
const FEWEST_QUANTILES: usize = 12;

impl ExposureRun {
    /// Forgets all: a light may have moved, or the scene is another.
    pub fn break_off(&mut self) {
        *self = ExposureRun::default();
    }

    /// Takes the next frame: its number, its codes at the places of the run, and its exposure from any common origin.
    pub fn push(&mut self, number: FrameNumber, codes: Vec<Option<f64>>, exposure: Stops) {
        if self.frames.len() == LONGEST {
            self.frames.remove(0);
            self.numbers.remove(0);
        }
        self.frames.push(Exposed::new(codes.into_iter(), exposure));
        self.numbers.push(number);
    }

    /// What is learned from the run, if it proves that no light moved: the settings went to and fro, every
    /// exposure was visited twice, with another one between, and read alike both times, which needs no
    /// curve to see; and one curve near what was likely explains every frame.
    pub fn learn(&self, known: &Curve) -> Option<Learned> {
        let response = Response::unnamed(known);
        let frames = self.revisited(&response);
        let steps = frames.windows(2).filter(|w| (w[1].exposure - w[0].exposure).abs() >= LEAST_STEP).count();
        if steps < FEWEST_STEPS || !frames.windows(2).all(|w| is_likely(&w[0], &w[1], &response)) {
            return None;
        }
        let found = fit(frames, known)?;
        let one_light = found.offsets.iter().all(|o| o.abs() <= MOST_OFFSET);
        let numbers = self.numbers[self.numbers.len() - frames.len()..].to_vec();
        learned(known, found.curve, found.residual, numbers).filter(|_| one_light)
    }

    /// The longest end of the run in which every exposure was visited twice and read alike.
    fn revisited(&self, response: &Response) -> &[Exposed] {
        let sound = |frames: &&[Exposed]| (0..frames.len()).all(|at| is_revisited(frames, at, response));
        (0..self.frames.len()).map(|from| &self.frames[from..]).find(sound).unwrap_or_default()
    }
}

/// Whether a frame's exposure was visited another time, after or before a different one, and all its
/// frames read alike.
fn is_revisited(frames: &[Exposed], at: usize, response: &Response) -> bool {
    let is_same = |f: &Exposed| (f.exposure - frames[at].exposure).abs() < SAME_SETTING;
    let alike =
        frames.iter().filter(|f| is_same(f)).all(|f| change(&frames[at], f, response).is_some_and(|c| c.abs() <= SAME));
    let visits = frames.iter().enumerate().filter(|(i, f)| is_same(f) && (*i == 0 || !is_same(&frames[i - 1])));
    alike && visits.count() >= 2
}

/// Median change of light between two frames.
fn change(a: &Exposed, b: &Exposed, response: &Response) -> Option<Stops> {
    let mut changes: Vec<f64> = a.shared_with(b).map(|(_, [x, y])| (response.light(y) - response.light(x)).0).collect();
    median(&mut changes).filter(|_| changes.len() >= FEWEST_QUANTILES).map(Stops)
}

/// Whether a step reads about as its settings say, by what is known of the curve.
fn is_likely(a: &Exposed, b: &Exposed, response: &Response) -> bool {
    let both: Vec<[f64; 2]> = a.shared_with(b).map(|(_, codes)| codes).collect();
    let Some(seen) = change(a, b, response) else { return false };
    let each = 1.0 / both.len() as f64;
    let half_width = response.uncertainty_of(both.iter().map(|[x, y]| (*x, *y, each)));
    (seen - (b.exposure - a.exposure)).abs() <= half_width * (FARTHEST / Z95)
}

fn learned(known: &Curve, curve: Curve, residual: Stops, frames: Vec<FrameNumber>) -> Option<Learned> {
    let uncertainty = [uncertainty_about_mid_grey(known), uncertainty_about_mid_grey(&curve)];
    // What is not learned by a good part is not worth another curve.
    let better = uncertainty[0] > SURE_ENOUGH && uncertainty[1] < uncertainty[0] * 0.9;
    better.then_some(Learned { curve, frames, residual, uncertainty })
}

/// The codes of one part of the scene in a picture, and in the raw file beside it.
pub type RawPair = [f64; 2];

/// What a raw file says of the curve of the picture beside it.
pub fn teach_by_raw(number: FrameNumber, parts: &[RawPair], known: &Curve) -> Option<Learned> {
    let (codes, light) = with_light(parts)?;
    let (curve, residual) = fit_to_light(&codes, &light, known)?;
    learned(known, curve, residual, vec![number]).filter(|l| l.residual <= MOST_RESIDUAL)
}

/// What light that adds says of the curve. Each half of the scene must bear out what the other teaches, no frame's light may
/// have been far off, and the curve stays near what was likely.
pub fn teach_by_sum(frames: Vec<FrameNumber>, light: &Superposition, known: &Curve) -> Option<Learned> {
    let found = fit_to_sum(light, known, GAIN)?;
    let is_likely = TOLD_TONES.iter().all(|[dark, bright]| {
        let change = |curve: &Curve| Response::unnamed(curve).light(*bright) - Response::unnamed(curve).light(*dark);
        let doubt = known.deviation(std::iter::once((*dark, *bright, 1.0)));
        (change(&found.curve) - change(known)).abs() <= doubt * FARTHEST_BY_SUM
    });
    let lesson = learned(known, found.curve, found.residual, frames).filter(|l| l.residual <= MOST_RESIDUAL)?;
    // What costs a fit more is asked last.
    let was_turned = || fit_to_sum(light, known, TURN).is_none_or(|fit| fit.gains.iter().any(|g| g.abs() > MOST_GAIN));
    let bears_out = |odd: bool| is_borne_out(&light.half(odd), &light.half(!odd), known);
    (is_likely && !was_turned() && bears_out(true) && bears_out(false)).then_some(lesson)
}

/// Whether what one half of the scene teaches leaves less over of the other half than what was known before.
fn is_borne_out(taught: &Superposition, other: &Superposition, known: &Curve) -> bool {
    let Some(found) = fit_to_sum(taught, known, GAIN) else { return false };
    let untaught = vec![Stops::ZERO; found.gains.len()];
    let misfits = other.misfit(&found.curve, &found.gains).zip(other.misfit(known, &untaught));
    misfits.is_some_and(|(after, before)| after <= before || after <= GOOD_FIT)
}

/// Whether a curve agrees with a pair that it was not made from.
pub fn agrees_with(parts: &[RawPair], curve: &Curve) -> bool {
    let Some((codes, light)) = with_light(parts) else { return false };
    let response = Response::unnamed(curve);
    // Tone by tone, or a large backdrop would hide all others.
    let mut by_tone = vec![Vec::new(); TONES];
    for (code, light) in codes.iter().zip(&light) {
        by_tone[tone(*code)].push((response.light(*code) - *light).0);
    }
    let off: Vec<f64> = by_tone.iter_mut().filter_map(|tone| median(tone)).collect();
    let Some(level) = median(&mut off.clone()) else { return false };
    let far = off.iter().filter(|o| (*o - level).abs() > MOST_OFF_TONE.0).count();
    off.len() >= FEWEST_TONES && far * 5 <= off.len()
}

/// The picture's codes and the raw file's light of the parts that neither clips.
fn with_light(parts: &[RawPair]) -> Option<(Vec<f64>, Vec<Stops>)> {
    let linear = Response::raw();
    let sound = parts.iter().filter(|codes| codes.iter().all(|code| TRUSTED.contains(code)));
    let (codes, light): (Vec<f64>, Vec<Stops>) = sound.map(|[code, raw]| (*code, linear.light(*raw))).unzip();
    (codes.len() >= FEWEST_QUANTILES).then_some((codes, light))
}
