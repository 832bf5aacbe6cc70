//! A picture at a glance: which of several pictures another one is likeliest to lie over, for a small part of what laying it costs.

use super::code_picture::CodePicture;
use super::plane::{Plane, dot};
use super::structure::Structure;

/// A picture's structure at the size of a stamp.
#[derive(Debug, Clone)]
pub struct Glance(Plane);

/// The long side of such a picture.
const LONG_SIDE: usize = 40;
/// Shifts that are tried, in its pixels, to the side and up or down: sitters walk more than they jump.
const FAR: [isize; 2] = [16, 8];

impl Glance {
    pub fn of(picture: &CodePicture) -> Glance {
        let (width, height) = (picture.width(), picture.height());
        let side = |pixels: usize| (pixels * LONG_SIDE / width.max(height)).clamp(1, pixels);
        Glance(Structure::of(&picture.log_light().shrunk(side(width), side(height)), 1.0).plane)
    }

    /// How alike two pictures are where one is shifted over the other as it fits best; the more the likelier, on no scale that
    /// means anything else.
    pub fn likeness(&self, other: &Glance) -> f32 {
        let [aside, down] = FAR.map(|far| -far..=far);
        let all = down.flat_map(|down| aside.clone().map(move |right| (right, down)));
        all.filter_map(|(right, down)| self.likeness_at(other, right, down)).fold(-1.0, f32::max)
    }

    /// Their correlation over what both show; `None` where that is less than half of this one.
    fn likeness_at(&self, other: &Glance, right: isize, down: isize) -> Option<f32> {
        let (own, other) = (&self.0, &other.0);
        // Columns or rows of this one that the other has, too, and where they begin in both.
        let shared = |own: usize, other: usize, shift: isize| {
            let (begin, other_begin) = (shift.max(0) as usize, (-shift).max(0) as usize);
            let count = own.saturating_sub(begin).min(other.saturating_sub(other_begin));
            (2 * count >= own).then_some((begin, other_begin, count))
        };
        let (left, other_left, width) = shared(own.width, other.width, right)?;
        let (top, other_top, height) = shared(own.height, other.height, down)?;
        let (mut both, mut here, mut there) = (0.0, 0.0, 0.0);
        for row in 0..height {
            let line = |plane: &Plane, top: usize, left: usize| (top + row) * plane.width + left;
            let a = &own.values[line(own, top, left)..][..width];
            let b = &other.values[line(other, other_top, other_left)..][..width];
            both += dot(a, b);
            here += dot(a, a);
            there += dot(b, b);
        }
        let sizes = (here * there).sqrt();
        (sizes > 0.0).then_some(both / sizes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Picture, Proxy};

    const SIZE: (usize, usize) = (240, 160);

    /// Squares of many tones, shifted, at an exposure.
    fn things(seed: u32, right: usize, exposure: f64) -> Glance {
        let mut rgb = vec![[90; 3]; SIZE.0 * SIZE.1];
        let mut seed = seed;
        let mut next = |below: usize| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as usize % below
        };
        for _ in 0..60 {
            let (left, top, side) = (right + next(160), next(110), 12 + next(36));
            let tone = [(f64::from(20 + next(160) as u32) * exposure) as u8; 3];
            (top..top + side).for_each(|y| rgb[y * SIZE.0 + left..y * SIZE.0 + left + side].fill(tone));
        }
        let proxy = Proxy { width: SIZE.0, height: SIZE.1, rgb };
        Glance::of(&CodePicture::of(&Picture { proxy, colour: Colour::of(None, None), linear: None }))
    }

    #[test]
    fn what_shows_the_same_things_is_likelier_wherever_they_lie_and_however_bright() {
        for seed in 0..20 {
            let frame = things(seed, 10, 1.0);
            let moved = frame.likeness(&things(seed, 30, 0.7));
            for other in 100..110 {
                assert!(moved > frame.likeness(&things(seed + other, 10, 1.0)), "{seed} and {other}");
            }
        }
    }

    #[test]
    fn a_picture_of_one_pixel_is_like_nothing() {
        let nothing = CodePicture { width: 1, height: 1, is_raw: false, luminance: vec![0], colour: vec![[0; 3]] };
        let (nothing, things) = (Glance::of(&nothing), things(1, 0, 1.0));
        assert!(things.likeness(&nothing) <= 0.0 && nothing.likeness(&things) <= 0.0);
    }
}
