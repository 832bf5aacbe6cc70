//! The sources' light as the survey shows it, moved to where the sitter is in another frame.

use crate::meter::{Area, PATCHES};
use crate::photometry::Stops;
use crate::rig::PatchLight;

/// How the scene of a frame lies against the survey's: in patches, and in powers of two.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Shift {
    pub right: f64,
    pub down: f64,
    pub larger: f64,
}

impl Shift {
    /// Its three numbers.
    pub fn parts(self) -> [f64; 3] {
        [self.right, self.down, self.larger]
    }

    pub fn of(parts: [f64; 3]) -> Shift {
        Shift { right: parts[0], down: parts[1], larger: parts[2] }
    }
}

/// Linear light of one source, patch by patch; NaN where the survey can't tell.
#[derive(Debug, Clone)]
pub(super) struct Field {
    columns: usize,
    rows: usize,
    pub light: Vec<f64>,
}

impl Field {
    /// The map's light times a change.
    pub fn of(map: &PatchLight, change: Stops) -> Field {
        let light = map.patches().map(|v| v.map_or(f64::NAN, |v| (v + change).ratio()));
        Field { columns: map.columns, rows: map.rows, light: light.collect() }
    }

    /// The light of several together, which lie on one grid.
    pub fn sum<'a>(fields: impl Iterator<Item = &'a Field>) -> Field {
        let added = fields.cloned().reduce(|mut sum, next| {
            sum.light.iter_mut().zip(&next.light).for_each(|(a, b)| *a += b);
            sum
        });
        added.unwrap_or(Field { columns: 0, rows: 0, light: Vec::new() })
    }

    /// All known light of an area.
    pub fn light_in(&self, area: Area) -> f64 {
        let (columns, rows) = area.pixels(self.columns, self.rows);
        let patches = rows.flat_map(|y| columns.clone().map(move |x| (x, y)));
        patches.map(|(x, y)| self.light[y * self.columns + x]).filter(|l| l.is_finite()).sum()
    }

    /// With all light times a factor.
    pub fn times(&self, factor: f64) -> Field {
        Field { light: self.light.iter().map(|l| l * factor).collect(), ..*self }
    }

    /// Its patches where the scene lies at `shift`, times a factor.
    pub fn moved(&self, shift: Shift, factor: f64) -> Field {
        let mut light = vec![0.0; self.light.len()];
        self.each_patch(shift, |column, row, value| light[row * self.columns + column] = value * factor);
        Field { light, ..*self }
    }

    /// Light of every cell of the frame where the scene lies at `shift`.
    pub fn cells(&self, shift: Shift) -> Vec<f64> {
        let (across, down) = (self.columns / PATCHES, self.rows / PATCHES);
        let mut cells = vec![0.0; across * down];
        self.each_patch(shift, |column, row, value| cells[row / PATCHES * across + column / PATCHES] += value);
        cells.iter_mut().for_each(|sum| *sum /= (PATCHES * PATCHES) as f64);
        cells
    }

    /// Every patch of the frame and the light that is there when the scene lies at `shift`.
    fn each_patch(&self, shift: Shift, mut each: impl FnMut(usize, usize, f64)) {
        let scale = (-shift.larger).exp2();
        let at = |patch: usize, size: usize, shift: f64| {
            let middle = (size as f64 - 1.0) / 2.0;
            middle + (patch as f64 - middle - shift) * scale
        };
        let xs: Vec<(usize, f64)> =
            (0..self.columns).map(|x| split(at(x, self.columns, shift.right), self.columns)).collect();
        let ys: Vec<(usize, f64)> = (0..self.rows).map(|y| split(at(y, self.rows, shift.down), self.rows)).collect();
        for (row, (y, below)) in ys.iter().enumerate() {
            for (column, (x, beside)) in xs.iter().enumerate() {
                each(column, row, self.between(*x, *beside, *y, *below));
            }
        }
    }

    /// Between four patches, by their distance.
    fn between(&self, x: usize, beside: f64, y: usize, below: f64) -> f64 {
        let line = |y: usize| {
            let (left, right) = (self.light[y * self.columns + x], self.light[y * self.columns + x + 1]);
            left + (right - left) * beside
        };
        let (upper, lower) = (line(y), line(y + 1));
        upper + (lower - upper) * below
    }
}

/// The patch before a place, and how far it is on to the next.
fn split(at: f64, size: usize) -> (usize, f64) {
    let at = at.clamp(0.0, size as f64 - 1.0);
    let before = (at.floor() as usize).min(size - 2);
    (before, at - before as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A soft spot of light on 24 x 16 patches.
    fn spot(right: f64, down: f64) -> Field {
        let (columns, rows) = (24, 16);
        let light = (0..columns * rows).map(|at| {
            let (x, y) = ((at % columns) as f64 - 11.5 - right, (at / columns) as f64 - 7.5 - down);
            (-(x * x + y * y) / 18.0).exp()
        });
        Field { columns, rows, light: light.collect() }
    }

    proptest! {
        /// A scene that moved is the scene looked at from where it was: within what lies between patches.
        #[test]
        fn a_moved_field_is_the_field_of_a_moved_scene(right in -3.0_f64..3.0, down in -2.0_f64..2.0) {
            let shift = Shift { right, down, larger: 0.0 };
            let (moved, truth) = (spot(0.0, 0.0).cells(shift), spot(right, down).cells(Shift::default()));
            for (a, b) in moved.iter().zip(&truth) {
                prop_assert!((a - b).abs() < 0.02, "{a} {b}");
            }
        }
    }

    #[test]
    fn where_it_lies_nothing_changes_and_light_adds() {
        let field = spot(1.0, 0.5);
        let twice = Field::sum([&field, &field].into_iter());
        for (one, two) in field.cells(Shift::default()).iter().zip(twice.cells(Shift::default())) {
            assert!((2.0 * one - two).abs() < 1e-12);
        }
        assert!((field.light_in(Area::WHOLE) * 2.0 - twice.light_in(Area::WHOLE)).abs() < 1e-9);
    }
}
