//! How a scene lies in one picture against another: a shift, a zoom and a turn, and how these are found from features.

/// Where a place of one picture is found in another: turned, made larger and shifted. Places are in pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Motion {
    /// The zoom times the turn's cosine, and its sine.
    pub along: f32,
    pub across: f32,
    pub right: f32,
    pub down: f32,
}

/// A place in a picture of full size, in pixels from its top left corner: the middle of the first pixel lies at a half.
pub(super) type Place = [f32; 2];

/// A place of one picture and the place of the other that looks like it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Match {
    pub from: Place,
    pub to: Place,
}

/// How far a scene may have moved for it to be looked for: zooms, the turn's sine, and a shift in parts of the long side.
const ZOOMS: std::ops::Range<f32> = 0.68..1.47;
const MOST_TURN: f32 = 0.2;
const MOST_SHIFT: f32 = 0.38;
/// Features that a motion explains lie this near to where it puts them, in pixels.
const NEAR: f32 = 4.0;
/// Two features closer than this tell neither a turn nor a zoom.
const LEAST_BASE: f32 = 24.0;
/// A motion that fewer features bear out is chance.
const FEWEST: usize = 7;
/// What is looked for: the backdrop's motion, the sitter's, and one more.
const MOST_MOTIONS: usize = 3;
const TRIES: usize = 700;

impl Motion {
    pub const NONE: Motion = Motion { along: 1.0, across: 0.0, right: 0.0, down: 0.0 };

    pub fn of(&self, [x, y]: Place) -> Place {
        let turned = self.turned([x, y]);
        [turned[0] + self.right, turned[1] + self.down]
    }

    /// What becomes of a way from one place to another.
    pub fn turned(&self, [x, y]: Place) -> Place {
        [self.along * x - self.across * y, self.across * x + self.along * y]
    }

    pub fn zoom(&self) -> f32 {
        self.along.hypot(self.across)
    }

    pub fn inverse(&self) -> Motion {
        let square = self.along * self.along + self.across * self.across;
        let back = Motion { along: self.along / square, across: -self.across / square, right: 0.0, down: 0.0 };
        let [right, down] = back.turned([-self.right, -self.down]);
        Motion { right, down, ..back }
    }

    /// With the same turn and zoom, so that a place comes to another.
    pub fn through(&self, from: Place, to: Place) -> Motion {
        let [x, y] = self.turned(from);
        Motion { right: to[0] - x, down: to[1] - y, ..*self }
    }

    /// The one that brings two places to two others; `None` where they are one.
    fn of_two(a: Match, b: Match) -> Option<Motion> {
        let ([x, y], [u, v]) = (way(a.from, b.from), way(a.to, b.to));
        let square = x * x + y * y;
        let turn = Motion { along: (x * u + y * v) / square, across: (x * v - y * u) / square, ..Motion::NONE };
        (square > 0.0).then(|| turn.through(a.from, a.to))
    }

    /// The one that is nearest to all matches together, by least squares (Umeyama, PAMI 1991, for two dimensions).
    fn of_all(matches: &[Match]) -> Option<Motion> {
        let middle = |of: &dyn Fn(&Match) -> Place| {
            let sum = matches.iter().map(of).fold([0.0; 2], |sum, p| [sum[0] + p[0], sum[1] + p[1]]);
            sum.map(|v| v / matches.len() as f32)
        };
        let (from, to) = (middle(&|m| m.from), middle(&|m| m.to));
        let (mut along, mut across, mut square) = (0.0, 0.0, 0.0);
        for m in matches {
            let ([x, y], [u, v]) = (way(from, m.from), way(to, m.to));
            along += x * u + y * v;
            across += x * v - y * u;
            square += x * x + y * y;
        }
        let turn = Motion { along: along / square, across: across / square, ..Motion::NONE };
        (square > 0.0).then(|| turn.through(from, to))
    }

    /// It is one that a camera or a sitter makes between two frames of a scene, about the middle of the picture.
    fn is_likely(&self, middle: Place, long_side: f32) -> bool {
        let [right, down] = way(middle, self.of(middle));
        let zoom = self.zoom();
        ZOOMS.contains(&zoom) && (self.across / zoom).abs() <= MOST_TURN && right.hypot(down) <= MOST_SHIFT * long_side
    }
}

fn way(from: Place, to: Place) -> Place {
    [to[0] - from[0], to[1] - from[1]]
}

/// Whether two places lie no farther apart than so many pixels. Squares are quicker than a root.
pub(super) fn within(far: f32, a: Place, b: Place) -> bool {
    let [right, down] = way(a, b);
    right * right + down * down <= far * far
}

impl Match {
    /// A motion puts it where it is.
    fn bears_out(&self, motion: &Motion) -> bool {
        within(NEAR, motion.of(self.from), self.to)
    }
}

/// The motions that the matches show, the best borne out first: each of those that an earlier one does not explain. The
/// matches' picture has its middle at `middle`, and a long side of `long_side` pixels.
pub(super) fn motions(matches: &[Match], middle: Place, long_side: f32) -> Vec<Motion> {
    let mut left = matches.to_vec();
    let mut found = Vec::new();
    while found.len() < MOST_MOTIONS
        && let Some(motion) = best_motion(&left, middle, long_side)
    {
        left.retain(|m| !m.bears_out(&motion));
        found.push(motion);
    }
    found
}

/// The motion that most matches bear out: by random pairs of them (Fischler and Bolles 1981), then by all that bear the
/// best one out.
pub(super) fn best_motion(matches: &[Match], middle: Place, long_side: f32) -> Option<Motion> {
    let mut draw = Draw(0x9E37_79B9);
    let mut best: Option<(usize, Motion)> = None;
    for _ in 0..TRIES {
        let (a, b) = (draw.one_of(matches)?, draw.one_of(matches)?);
        if within(LEAST_BASE, a.from, b.from) {
            continue;
        }
        let Some(motion) = Motion::of_two(a, b).filter(|m| m.is_likely(middle, long_side)) else { continue };
        let borne_out = matches.iter().filter(|m| m.bears_out(&motion)).count();
        if best.is_none_or(|(most, _)| borne_out > most) {
            best = Some((borne_out, motion));
        }
    }
    let (_, mut motion) = best.filter(|(borne_out, _)| *borne_out >= FEWEST)?;
    for _ in 0..2 {
        let near: Vec<Match> = matches.iter().filter(|m| m.bears_out(&motion)).copied().collect();
        motion = Motion::of_all(&near).filter(|m| m.is_likely(middle, long_side)).unwrap_or(motion);
    }
    Some(motion)
}

/// The same pairs for the same matches, always.
struct Draw(u32);

impl Draw {
    fn one_of(&mut self, matches: &[Match]) -> Option<Match> {
        // Xorshift (Marsaglia 2003).
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 17;
        self.0 ^= self.0 << 5;
        matches.get(self.0 as usize % matches.len().max(1)).copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn motion() -> impl Strategy<Value = Motion> {
        (0.75_f32..1.33, -0.14_f32..0.14, -90.0_f32..90.0, -60.0_f32..60.0).prop_map(|(zoom, turn, right, down)| {
            Motion { along: zoom * turn.cos(), across: zoom * turn.sin(), right, down }
        })
    }

    proptest! {
        #[test]
        fn there_and_back_is_where_it_was(motion in motion(), x in 0.0_f32..384.0, y in 0.0_f32..256.0) {
            let [u, v] = motion.inverse().of(motion.of([x, y]));
            prop_assert!((u - x).abs() < 0.01 && (v - y).abs() < 0.01);
        }

        /// Two motions, and a third of the matches by chance: both are found.
        #[test]
        fn two_motions_are_found_among_chance(first in motion(), second in motion(), seed in 1_u32..100_000) {
            let mut draw = Draw(seed);
            let mut place = || {
                let places: Vec<Match> = (0..97).map(|i| Match { from: [i as f32 * 3.95, (i * 31 % 97) as f32 * 2.6], to: [0.0; 2] }).collect();
                draw.one_of(&places).unwrap().from
            };
            let apart = [[60.0_f32, 60.0], [320.0, 200.0]].iter().all(|p| {
                let [right, down] = way(first.of(*p), second.of(*p));
                right.hypot(down) > 25.0
            });
            prop_assume!(apart);
            let moved = |by: Option<Motion>, from: Place, other: Place| Match { from, to: by.map_or(other, |by| by.of(from)) };
            let mut matches: Vec<Match> = (0..60).map(|_| moved(Some(first), place(), [0.0; 2])).collect();
            matches.extend((0..36).map(|_| moved(Some(second), place(), [0.0; 2])));
            matches.extend((0..40).map(|_| moved(None, place(), place())));
            let found = motions(&matches, [192.0, 128.0], 384.0);
            for wanted in [first, second].iter().filter(|m| m.is_likely([192.0, 128.0], 384.0)) {
                let near = found.iter().any(|m| {
                    let [right, down] = way(m.of([192.0, 128.0]), wanted.of([192.0, 128.0]));
                    right.hypot(down) < 2.0
                });
                prop_assert!(near, "{wanted:?} {found:?}");
            }
        }
    }

    #[test]
    fn nothing_is_found_among_none_or_few() {
        assert!(motions(&[], [0.0; 2], 384.0).is_empty());
        let one = Match { from: [1.0, 1.0], to: [2.0, 2.0] };
        assert!(motions(&[one; 40], [192.0, 128.0], 384.0).is_empty(), "they are one place");
    }
}
