//! Where a place of the reference lies in a frame, and whether that shows it.

use super::alignment::{Alignment, MatchedPatch};
use super::net::{Net, PATCHES_APART};

/// A place lies as those do that were found no more than this many patches away.
const NEAR_BY: usize = 3;
/// How far from where the whole puts it a part lies that moved by itself, in parts of the frame's long side; and how large a share of
/// the parts may do so before something is taken to be covered. Chosen on sitters who left their place by up to a quarter of the frame, as `lights_of_real_faces_are_read_one_by_one` plays it: what
/// they then covered was told as something new in 14 of 24 frames of unchanged light, and is in 4.
const BY_ITSELF: f64 = 0.05;
const FEW_BY_THEMSELVES: f64 = 0.1;

impl Alignment {
    /// Where a place of the reference lies in the frame, both in fractions of width and height: as the patches about it do, or
    /// the scene as a whole where none near by was found.
    pub fn place_in_frame(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let at = self.patch_at([x, y]);
        for far in 0..=NEAR_BY {
            let found: Vec<&MatchedPatch> = self.around(at, far).filter_map(|at| self.patches[at].as_ref()).collect();
            if !found.is_empty() {
                let away = |side: usize| found.iter().map(|p| f64::from(p.to[side] - p.at[side])).sum::<f64>();
                let [right, down] = [away(0), away(1)].map(|sum| sum / found.len() as f64);
                return [x + right, y + down];
            }
        }
        self.place_by_the_whole([x, y])
    }

    fn place_by_the_whole(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let x = if self.is_mirrored { 1.0 - x } else { x };
        let [right, down] = [x, y].map(|at| at - 0.5);
        let (sine, cosine) = self.moved.turn.to_radians().sin_cos();
        let [[width_across, width_down], [height_across, height_down]] = [0, 1].map(|of| self.scaled(of));
        [
            0.5 + self.moved.right + cosine * right * width_across - sine * down * height_across,
            0.5 + self.moved.down + sine * right * width_down + cosine * down * height_down,
        ]
    }

    /// The patch that a place of the reference lies in.
    fn patch_at(&self, [x, y]: [f64; 2]) -> usize {
        let cell = |at: f64, count: usize| ((at * count as f64) as usize).min(count.saturating_sub(1));
        cell(y, self.rows) * self.columns + cell(x, self.columns)
    }

    /// Nothing moved far from the rest, as a sitter does before a still backdrop, who then covers a part of it that the reference
    /// shows.
    pub fn moved_as_one(&self) -> bool {
        let followed: Vec<&MatchedPatch> = self.found().filter(|patch| patch.is_followed).collect();
        let [width, height] = self.sides[1].map(f64::from);
        let is_apart = |patch: &&&MatchedPatch| {
            let [x, y] = self.place_by_the_whole(patch.at.map(f64::from));
            let (right, down) = ((f64::from(patch.to[0]) - x) * width, (f64::from(patch.to[1]) - y) * height);
            right.hypot(down) > BY_ITSELF * width.max(height)
        };
        followed.iter().filter(is_apart).count() as f64 <= FEW_BY_THEMSELVES * followed.len() as f64
    }

    /// A patch at this place of the reference, or beside it, was followed: the frame shows what lies there.
    pub fn followed_beside(&self, place: [f64; 2]) -> bool {
        self.around(self.patch_at(place), 1).any(|at| self.patches[at].is_some_and(|patch| patch.is_followed))
    }

    /// The patches no more than so many away from one, itself among them.
    pub fn around(&self, at: usize, far: usize) -> impl Iterator<Item = usize> + use<> {
        Net::of(self.columns, self.rows, PATCHES_APART).around(at, far)
    }

    /// How large the reference's width (0) or height (1) is in the frame, as a part of the frame's.
    pub fn size_in_frame(&self, side: usize) -> f64 {
        self.scaled(side)[side]
    }

    /// How long a side of the reference, its width (0) or height (1), is in the frame: in widths and in heights of that.
    fn scaled(&self, side: usize) -> [f64; 2] {
        self.sides[1].map(|of| self.moved.zoom * f64::from(self.sides[0][side]) / f64::from(of).max(1.0))
    }
}
