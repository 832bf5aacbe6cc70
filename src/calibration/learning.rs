//! Learning a camera's response while it is used: from raw files beside pictures, and from frames
//! whose settings changed while the lights provably did not.

use super::bracket::doubt_about_mid_grey;
use crate::meter::{Metered, WHOLE};
use crate::photometry::Stops;
use crate::response::{Curve, Exposed, Response, TRUSTED, fit, fit_to_light};

/// Frames of one scene under one light, as far as anybody knows.
#[derive(Debug, Clone, Default)]
pub struct Chain(Vec<Exposed>);

/// A curve that frames made better.
#[derive(Debug, Clone)]
pub struct Learned {
    pub curve: Curve,
    /// How many of the last frames taught it.
    pub frames: usize,
    /// Median difference of the tones from the curve.
    pub residual: Stops,
    /// 95 % half-width of two stops about mid-grey, before and after.
    pub doubt: [Stops; 2],
}

/// Frames of a chain that are kept in mind.
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
const FEWEST_SHARES: usize = 12;

impl Chain {
    /// Forgets all: a light may have moved, or the scene is another.
    pub fn break_off(&mut self) {
        self.0.clear();
    }

    /// Takes the next frame: codes of its shares, and its exposure from the first one's.
    pub fn push(&mut self, codes: Vec<f64>, exposure: Stops) {
        if self.0.len() == LONGEST {
            self.0.remove(0);
        }
        self.0.push(Exposed { codes, exposure });
    }

    /// What the chain teaches, if it proves that no light moved: the settings went to and fro, every
    /// exposure was visited twice, with another one between, and read alike both times, which needs no
    /// curve to see; and one curve near what was likely explains every frame.
    pub fn teaches(&self, known: &Curve) -> Option<Learned> {
        let response = Response::new(String::new(), known.clone(), None, Stops::ZERO);
        let frames = self.proved(&response);
        let steps = frames.windows(2).filter(|w| (w[1].exposure - w[0].exposure).abs() >= LEAST_STEP).count();
        if steps < FEWEST_STEPS || !frames.windows(2).all(|w| is_likely(&w[0], &w[1], &response)) {
            return None;
        }
        let found = fit(frames, known)?;
        let one_light = found.offsets.iter().all(|o| o.abs() <= MOST_OFFSET);
        learned(known, found.curve, found.residual, frames.len()).filter(|_| one_light)
    }

    /// The longest end of the chain in which every exposure bears itself out.
    fn proved(&self, by: &Response) -> &[Exposed] {
        let sound = |frames: &&[Exposed]| (0..frames.len()).all(|at| bears_itself_out(frames, at, by));
        (0..self.0.len()).map(|from| &self.0[from..]).find(sound).unwrap_or_default()
    }
}

/// Whether a frame's exposure was visited another time, after or before a different one, and all its
/// frames read alike.
fn bears_itself_out(frames: &[Exposed], at: usize, by: &Response) -> bool {
    let is_same = |f: &Exposed| (f.exposure - frames[at].exposure).abs() < Stops(0.01);
    let alike =
        frames.iter().filter(|f| is_same(f)).all(|f| change(&frames[at], f, by).is_some_and(|c| c.abs() <= SAME));
    let visits = frames.iter().enumerate().filter(|(i, f)| is_same(f) && (*i == 0 || !is_same(&frames[i - 1])));
    alike && visits.count() >= 2
}

/// Median change of light between two frames.
fn change(a: &Exposed, b: &Exposed, by: &Response) -> Option<Stops> {
    let both = a.codes.iter().zip(&b.codes).filter(|(x, y)| TRUSTED.contains(x) && TRUSTED.contains(y));
    let mut changes: Vec<f64> = both.map(|(x, y)| (by.light(*y) - by.light(*x)).0).collect();
    changes.sort_by(f64::total_cmp);
    (changes.len() >= FEWEST_SHARES).then(|| Stops(changes[changes.len() / 2]))
}

/// Whether a step reads about as its settings say, by what is known of the curve.
fn is_likely(a: &Exposed, b: &Exposed, by: &Response) -> bool {
    let both: Vec<(f64, f64)> = a
        .codes
        .iter()
        .copied()
        .zip(b.codes.iter().copied())
        .filter(|(x, y)| TRUSTED.contains(x) && TRUSTED.contains(y))
        .collect();
    let Some(seen) = change(a, b, by) else { return false };
    let each = 1.0 / both.len() as f64;
    let half_width = by.uncertainty_of(both.iter().map(|(x, y)| (*x, *y, each)));
    (seen - (b.exposure - a.exposure)).abs() <= half_width * (FARTHEST / 1.96)
}

fn learned(known: &Curve, curve: Curve, residual: Stops, frames: usize) -> Option<Learned> {
    let doubt = [doubt_about_mid_grey(known), doubt_about_mid_grey(&curve)];
    // What is not learned by a good part is not worth another curve.
    let better = doubt[0] > SURE_ENOUGH && doubt[1] < doubt[0] * 0.9;
    better.then_some(Learned { curve, frames, residual, doubt })
}

/// Codes of a picture's shares, by the curve it was metered by.
pub fn codes_of(metered: &Metered, by: &Response) -> Option<Vec<f64>> {
    Some(metered.reading(WHOLE)?.quantiles.iter().map(|q| by.code(*q)).collect())
}

/// What a raw file says of the curve of the picture beside it: the picture's codes, and the light.
pub fn teach_by_raw(codes: &[f64], raw: &Metered, known: &Curve) -> Option<Learned> {
    let (codes, light) = paired(codes, raw)?;
    let (curve, residual) = fit_to_light(&codes, &light, known)?;
    learned(known, curve, residual, 1).filter(|l| l.residual <= MOST_RESIDUAL)
}

/// Whether a curve holds on a pair that it was not made from.
pub fn holds_on(codes: &[f64], raw: &Metered, curve: &Curve) -> bool {
    let Some((codes, light)) = paired(codes, raw) else { return false };
    let response = Response::new(String::new(), curve.clone(), None, Stops::ZERO);
    let mut off: Vec<f64> = codes.iter().zip(&light).map(|(c, l)| (response.light(*c) - *l).0).collect();
    off.sort_by(f64::total_cmp);
    let level = off[off.len() / 2];
    let mut spread: Vec<f64> = off.iter().map(|o| (o - level).abs()).collect();
    spread.sort_by(f64::total_cmp);
    Stops(spread[spread.len() / 2]) <= MOST_RESIDUAL
}

/// Shares that neither file clips.
fn paired(codes: &[f64], raw: &Metered) -> Option<(Vec<f64>, Vec<Stops>)> {
    let linear = Response::raw();
    let light = &raw.reading(WHOLE)?.quantiles;
    let sound = |(code, light): &(&f64, &Stops)| TRUSTED.contains(code) && TRUSTED.contains(&linear.code(**light));
    let (codes, light): (Vec<f64>, Vec<Stops>) = codes.iter().zip(light).filter(sound).map(|(c, l)| (*c, *l)).unzip();
    (codes.len() >= FEWEST_SHARES).then_some((codes, light))
}
