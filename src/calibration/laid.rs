//! The same places of the scene in all frames of a bracket, wherever the camera stood.
//!
//! The frame in the middle of the exposures is a base: frames of like exposure are laid over it, patch by patch. Frames
//! farther off share too few tones with it to be found there; they lie over another base, a frame that lies over the one
//! before. A place is a patch of a base. Nothing is followed from frame to frame: that would add up errors.

use std::cmp::Reverse;

use super::SeriesFrame;
use super::refusal::Refusal;
use crate::align::{Alignment, MatchedPatch, Overlay, Prepared};
use crate::photometry::Stops;
use crate::response::{TONES, TRUSTED, tone};

/// The codes of a bracket's frames, each at the same places.
#[derive(Debug, Clone)]
pub(super) struct Laid {
    pub frames: Vec<PlaceCodes>,
    /// Frames that show too little to be found in others, with those that they were looked for in.
    pub left_out: Vec<(usize, usize)>,
    /// How far the frame that moved farthest was shifted, in parts of its sides.
    pub moved: f64,
}

/// One frame's codes of luminance, red, green and blue; `None` where a place isn't found in it, or is clipped.
pub(super) type PlaceCodes = [Vec<Option<f64>>; PLANES];
const PLANES: usize = 4;

/// Frames within this are laid over a base.
const REACH: Stops = Stops(2.01);
/// Frames farther apart share too few tones for one to be found in the other, or not to be.
const FARTHEST: Stops = Stops(3.5);
/// So many places of a base and a tone are as good as more, and quicker.
const PLACES_OF_A_TONE: usize = 8;
/// Patches about a flat one differ from it by so many codes at the most. Of one that isn't flat, the mean of its codes is not
/// the code of its light, and a pixel beside the right one shows something else.
const FLAT: u32 = 16;
/// A patch of which other pixels were measured, as some are clipped, has another code in the base.
const SAME_PIXELS: f32 = 1.0;

/// A frame that others are laid over.
struct Base {
    frame: usize,
    prepared: Prepared,
    /// Over itself; `None` where it is too plain.
    own: Option<Alignment>,
    /// Frames that lie over it, it among them, and their codes at its patches.
    seen: Vec<(usize, Vec<PatchCodes>)>,
}

type PatchCodes = [Option<f64>; PLANES];

impl Base {
    fn of(frame: usize, frames: &[&SeriesFrame]) -> Base {
        let prepared = Prepared::of(&frames[frame].codes);
        let own = Overlay::of(&prepared, &prepared).alignment().cloned();
        let seen = own.iter().map(|own| (frame, codes(own, own))).collect();
        Base { frame, prepared, own, seen }
    }

    fn lay(&mut self, frame: usize, frames: &[&SeriesFrame]) -> Overlay {
        let overlay = Overlay::of(&self.prepared, &Prepared::of(&frames[frame].codes));
        if let (Some(own), Overlay::Matched(found)) = (&self.own, &overlay) {
            self.seen.push((frame, codes(own, found)));
        }
        overlay
    }
}

impl Laid {
    pub fn of(frames: &[&SeriesFrame], exposures: &[Stops]) -> Result<Laid, Refusal> {
        let apart = |a: usize, b: usize| (exposures[a] - exposures[b]).abs();
        let mut order: Vec<usize> = (0..exposures.len()).collect();
        order.sort_by(|a, b| exposures[*a].0.total_cmp(&exposures[*b].0));
        let (darker, from_middle) = order.split_at(order.len() / 2);
        let mut laid = Laid { frames: vec![PlaceCodes::default(); frames.len()], left_out: Vec::new(), moved: 0.0 };
        let mut bases = vec![Base::of(from_middle[0], frames)];
        laid.outwards(from_middle[1..].iter().copied(), frames, &apart, &mut bases)?;
        laid.outwards(darker.iter().rev().copied(), frames, &apart, &mut bases)?;
        for base in &mut bases {
            let is_new = |frame: &usize| base.seen.iter().all(|(seen, _)| seen != frame);
            let near: Vec<usize> =
                order.iter().copied().filter(|at| apart(*at, base.frame) <= REACH).filter(is_new).collect();
            for frame in near {
                base.lay(frame, frames);
            }
            laid.add(base);
        }
        Ok(laid)
    }

    /// Lays frames over bases, from the middle of the exposures to one end. Where the base is too far off, the frame that
    /// was laid last is the next.
    fn outwards(
        &mut self,
        outwards: impl Iterator<Item = usize>,
        frames: &[&SeriesFrame],
        apart: &impl Fn(usize, usize) -> Stops,
        bases: &mut Vec<Base>,
    ) -> Result<(), Refusal> {
        let (mut at, mut before) = (0, bases[0].frame);
        for frame in outwards {
            if apart(frame, before) > FARTHEST {
                bases.push(Base::of(frame, frames));
                (at, before) = (bases.len() - 1, frame);
                continue;
            }
            let is_near = apart(frame, bases[at].frame) <= REACH;
            let found = is_near.then(|| bases[at].lay(frame, frames)).filter(|found| found.alignment().is_some());
            let found = found.unwrap_or_else(|| {
                if bases[at].frame != before {
                    bases.push(Base::of(before, frames));
                    at = bases.len() - 1;
                }
                bases[at].lay(frame, frames)
            });
            match found {
                Overlay::Matched(found) => {
                    self.moved = self.moved.max(found.moved.right.hypot(found.moved.down));
                    before = frame;
                }
                Overlay::TooPlain => self.left_out.push((frame, before)),
                Overlay::OtherScene => {
                    let (file, neighbour) = (frames[frame].file.clone(), frames[before].file.clone());
                    return Err(Refusal::OtherScene { file, neighbour });
                }
            }
        }
        Ok(())
    }

    /// Adds a base's places.
    fn add(&mut self, base: &Base) {
        let Some(own) = &base.own else { return };
        for plane in 0..PLANES {
            let places = places(base, own, plane);
            for (frame, codes) in self.frames.iter_mut().enumerate() {
                let seen = base.seen.iter().find(|(seen, _)| *seen == frame).map(|(_, seen)| seen);
                codes[plane].extend(places.iter().map(|at| seen.and_then(|seen| seen[*at][plane])));
            }
        }
    }
}

/// A frame's codes at each patch of a base. Where fewer pixels are clipped in neither, a patch shows only part of what it
/// shows in the base.
fn codes(own: &Alignment, found: &Alignment) -> Vec<PatchCodes> {
    let of = |(own, found): (&Option<MatchedPatch>, &Option<MatchedPatch>)| {
        let (Some(own), Some(found)) = (own, found) else { return PatchCodes::default() };
        let planes = |patch: &MatchedPatch, side: usize| {
            let [red, green, blue] = patch.colours[side].map(f64::from);
            [f64::from(patch.codes[side]), red, green, blue]
        };
        let (here, there) = (planes(own, 0), planes(found, 1));
        let is_same = found.is_followed
            && (own.codes[0] - found.codes[0]).abs() <= SAME_PIXELS
            && TRUSTED.contains(&here[0])
            && TRUSTED.contains(&there[0]);
        std::array::from_fn(|plane| {
            let is_sound = is_same && TRUSTED.contains(&here[plane]) && TRUSTED.contains(&there[plane]);
            is_sound.then_some(there[plane])
        })
    };
    own.patches.iter().zip(&found.patches).map(of).collect()
}

/// The patches of a base that tell most: of the flat ones of each tone those that most frames show, the flattest first. No tone
/// has more of them than any other may have, so that a large backdrop doesn't outvote the rest.
fn places(base: &Base, own: &Alignment, plane: usize) -> Vec<usize> {
    let mut by_tone: Vec<Vec<usize>> = vec![Vec::new(); TONES];
    for (at, codes) in base.seen[0].1.iter().enumerate() {
        if let Some(code) = codes[plane].filter(|_| unevenness(own, at) <= FLAT) {
            by_tone[tone(code)].push(at);
        }
    }
    let times = |at: usize| base.seen.iter().filter(|(_, codes)| codes[at][plane].is_some()).count();
    for patches in &mut by_tone {
        patches.sort_by_cached_key(|at| (Reverse(times(*at)), unevenness(own, *at)));
        patches.truncate(PLACES_OF_A_TONE);
    }
    by_tone.into_iter().flatten().collect()
}

/// How many codes the patches about one differ from its own, at the most.
fn unevenness(own: &Alignment, at: usize) -> u32 {
    let code = |at: usize| own.patches[at].map(|patch| patch.codes[0]);
    let apart = own.around(at, 1).filter_map(|other| Some((code(other)? - code(at)?).abs()));
    apart.fold(0.0, f32::max).round() as u32
}
