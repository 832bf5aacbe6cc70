//! A small window of one picture, found in another one near to where it is thought to be.
//!
//! By inverse-compositional steps (Lucas and Kanade 1981; Baker and Matthews, IJCV 2004) for the shift alone: the turn and
//! the zoom of what the window shows are those of the motion that it starts from. All places are in pixels of the full size.
//! Most of an alignment's time is spent here.

use super::motion::{Motion, Place, within};
use super::plane::{Plane, dot};
use super::structure::Structure;

/// Pixels from a window's middle to its edge.
const RADIUS: usize = 5;
const SIDE: usize = 2 * RADIUS + 1;
const PIXELS: usize = SIDE * SIDE;
/// What one picture shows at each pixel of a window, row by row.
type Values = [f32; PIXELS];

/// A window about a place of a picture, ready to be looked for.
pub(super) struct Window {
    place: Place,
    /// From the window's place to the middle of its first pixel, in pixels of the structure.
    first: Place,
    scale: f32,
    values: Values,
    /// How the values rise to the right, and downwards.
    slopes: [Values; 2],
    mean: f32,
    /// Root of the summed squares about the mean.
    size: f32,
    /// The inverse of the slopes' squares, summed.
    inverse: [f32; 3],
}

/// Added to the mean squared slopes: a window that shows nothing of where it lies stays where it is thought to be.
const HOLD: f32 = 0.004;
/// A step shorter than this, in pixels of the structure, is the last.
const SHORT: f32 = 0.03;

/// Where a window was found.
#[derive(Debug, Clone, Copy)]
pub(super) struct Found {
    pub motion: Motion,
    /// Correlation of what it shows in both pictures: 1 where it is the same, at whatever contrast.
    pub likeness: f32,
}

impl Window {
    /// All of a window about the place does.
    pub fn lies_in(structure: &Structure, place: Place) -> bool {
        let [x, y] = place.map(|v| (v * structure.scale) as usize);
        let Plane { width, height, .. } = structure.plane;
        x >= RADIUS && y >= RADIUS && x + RADIUS < width && y + RADIUS < height
    }

    /// `None` where it doesn't lie within the picture.
    pub fn about(structure: &Structure, place: Place) -> Option<Window> {
        if !Window::lies_in(structure, place) {
            return None;
        }
        let Structure { scale, plane, slopes } = structure;
        let [x, y] = place.map(|v| (v * scale) as usize);
        let (left, top) = (x - RADIUS, y - RADIUS);
        let cut = |plane: &Plane| {
            let mut values = [0.0; PIXELS];
            for (row, out) in values.chunks_exact_mut(SIDE).enumerate() {
                let at = (top + row) * plane.width + left;
                out.copy_from_slice(&plane.values[at..at + SIDE]);
            }
            values
        };
        let (values, slopes) = (cut(plane), [cut(&slopes[0]), cut(&slopes[1])]);
        let held = HOLD * PIXELS as f32;
        let (xx, yy) = (dot(&slopes[0], &slopes[0]) + held, dot(&slopes[1], &slopes[1]) + held);
        let xy = dot(&slopes[0], &slopes[1]);
        let share = 1.0 / (xx * yy - xy * xy);
        let (mean, size) = mean_and_size(&values);
        let first = [left as f32 + 0.5 - place[0] * scale, top as f32 + 0.5 - place[1] * scale];
        let inverse = [yy * share, -xy * share, xx * share];
        Some(Window { place, first, scale: *scale, values, slopes, mean, size, inverse })
    }

    pub fn place(&self) -> Place {
        self.place
    }

    /// Correlation with what the other picture shows where a motion puts the window; `None` where that lies outside.
    pub fn likeness(&self, other: &Structure, motion: &Motion) -> Option<f32> {
        self.seen(other, motion).map(|seen| self.correlation(&seen))
    }

    /// Looks for the window from where a motion puts it, in so many steps at most. `None` where it leaves the picture, or
    /// goes farther than its own radius.
    pub fn find(&self, other: &Structure, start: Motion, steps: usize) -> Option<Found> {
        let mut motion = start;
        let begin = start.of(self.place);
        let mut seen = self.seen(other, &motion)?;
        for _ in 0..steps {
            let [right, down] = self.step(&seen);
            let [x, y] = motion.turned([right / self.scale, down / self.scale]);
            motion = Motion { right: motion.right - x, down: motion.down - y, ..motion };
            if !within(RADIUS as f32 / self.scale, motion.of(self.place), begin) {
                return None;
            }
            // What is seen from a hair's breadth away is the same.
            if within(SHORT, [right, down], [0.0; 2]) {
                break;
            }
            seen = self.seen(other, &motion)?;
        }
        Some(Found { motion, likeness: self.correlation(&seen) })
    }

    /// What the other picture shows at each pixel of the window: the four pixels about each place, by their distance.
    fn seen(&self, other: &Structure, motion: &Motion) -> Option<Values> {
        let Plane { width, height, values } = &other.plane;
        let middle = motion.of(self.place).map(|v| v * other.scale - 0.5);
        let zoom = other.scale / self.scale;
        let Motion { along, across, .. } = *motion;
        let (along, across) = (along * zoom, across * zoom);
        // All of it lies inside where its corners do; written so that what is no number lies outside.
        let reach = (along.abs() + across.abs()) * (RADIUS as f32 + 1.0);
        let inside = |at: f32, size: usize| at - reach >= 0.0 && at + reach < size as f32 - 1.0;
        if !(inside(middle[0], *width) && inside(middle[1], *height)) {
            return None;
        }
        // Places of a whole row at once, and whole parts by i32, as processors do them side by side.
        let mut seen = [0.0; PIXELS];
        for (row, out) in seen.chunks_exact_mut(SIDE).enumerate() {
            let down = self.first[1] + row as f32;
            let (left, top) = (middle[0] - across * down, middle[1] + along * down);
            let rights: [f32; SIDE] = std::array::from_fn(|column| self.first[0] + column as f32);
            let (xs, ys) = (rights.map(|right| left + along * right), rights.map(|right| top + across * right));
            let (columns, rows) = (xs.map(|x| x as i32), ys.map(|y| y as i32));
            let corners: [[f32; 4]; SIDE] = std::array::from_fn(|at| {
                let at = rows[at] as usize * width + columns[at] as usize;
                let (upper, lower) = (&values[at..at + 2], &values[at + width..at + width + 2]);
                [upper[0], upper[1], lower[0], lower[1]]
            });
            for (at, out) in out.iter_mut().enumerate() {
                let (beside, below) = (xs[at] - columns[at] as f32, ys[at] - rows[at] as f32);
                let [a, b, c, d] = corners[at];
                let (up, low) = (a + (b - a) * beside, c + (d - c) * beside);
                *out = up + (low - up) * below;
            }
        }
        Some(seen)
    }

    fn step(&self, seen: &Values) -> Place {
        let mut off = *seen;
        off.iter_mut().zip(&self.values).for_each(|(seen, own)| *seen -= own);
        let (right, down) = (dot(&self.slopes[0], &off), dot(&self.slopes[1], &off));
        let [xx, xy, yy] = self.inverse;
        [xx * right + xy * down, xy * right + yy * down]
    }

    fn correlation(&self, seen: &Values) -> f32 {
        let (mean, size) = mean_and_size(seen);
        let both = dot(&self.values, seen) - self.mean * mean * PIXELS as f32;
        let sizes = self.size * size;
        if sizes > 1e-6 { both / sizes } else { 0.0 }
    }
}

fn mean_and_size(values: &Values) -> (f32, f32) {
    let mean = values.iter().sum::<f32>() / PIXELS as f32;
    (mean, (dot(values, values) - mean * mean * PIXELS as f32).max(0.0).sqrt())
}
