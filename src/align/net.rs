//! A net of places over a picture.

use super::motion::Place;

/// Pixels between two patches, which is a patch's side as well.
pub(super) const PATCHES_APART: f32 = 8.0;

/// Places in rows from the top left, a number of pixels apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Net {
    pub columns: usize,
    pub rows: usize,
    apart: f32,
}

impl Net {
    pub fn over([width, height]: [f32; 2], apart: f32) -> Net {
        let count = |side: f32| (side / apart).floor() as usize;
        Net::of(count(width), count(height), apart)
    }

    pub fn of(columns: usize, rows: usize, apart: f32) -> Net {
        Net { columns, rows, apart }
    }

    pub fn len(&self) -> usize {
        self.columns * self.rows
    }

    pub fn place(&self, at: usize) -> Place {
        [(at % self.columns) as f32 + 0.5, (at / self.columns) as f32 + 0.5].map(|v| v * self.apart)
    }

    pub fn places(self) -> impl Iterator<Item = Place> {
        (0..self.len()).map(move |at| self.place(at))
    }

    /// The nodes about a place: the nearest, and the next ones across and down.
    pub fn about(&self, [x, y]: Place) -> impl Iterator<Item = usize> + use<> {
        let columns = self.columns;
        let near = |at: f32, count: usize| {
            let at = at / self.apart - 0.5;
            let first = at.round().clamp(0.0, (count.max(1) - 1) as f32) as usize;
            let beside = if at >= first as f32 { first + 1 } else { first.saturating_sub(1) };
            [first, beside.min(count.saturating_sub(1))]
        };
        let ([x, beside], [y, below]) = (near(x, columns), near(y, self.rows));
        let is_empty = self.len() == 0;
        let nodes = [(x, y), (beside, y), (x, below), (beside, below)];
        nodes.into_iter().filter(move |_| !is_empty).map(move |(x, y)| y * columns + x)
    }

    /// The nodes side by side with one.
    pub fn beside(&self, at: usize) -> impl Iterator<Item = usize> + use<> {
        let (column, columns, all) = (at % self.columns, self.columns, self.len());
        let sides = [
            (column > 0).then(|| at - 1),
            (column + 1 < columns).then_some(at + 1),
            at.checked_sub(columns),
            (at + columns < all).then_some(at + columns),
        ];
        sides.into_iter().flatten()
    }

    /// The nodes no more than so many away from one, itself among them.
    pub fn around(&self, at: usize, far: usize) -> impl Iterator<Item = usize> + use<> {
        let (column, row, columns) = (at % self.columns, at / self.columns, self.columns);
        let rows = row.saturating_sub(far)..=(row + far).min(self.rows.saturating_sub(1));
        let across = column.saturating_sub(far)..=(column + far).min(columns.saturating_sub(1));
        rows.flat_map(move |y| across.clone().map(move |x| y * columns + x))
    }
}
