//! The light of a frame's patches by one curve: what lights are told apart by.
//!
//! Made anew from the codes of a map whenever a frame is read, so that nothing kept depends on a curve.

use crate::meter::{LightMap, PATCHES};
use crate::photometry::Stops;
use crate::response::Response;

/// Light of the patches of a frame, row by row from the top left.
#[derive(Debug, Clone, PartialEq)]
pub struct PatchLight {
    pub columns: usize,
    pub rows: usize,
    /// `None` where a patch is clipped.
    light: Vec<Option<Stops>>,
}

/// Light that adds nothing to any other.
const BLACK: Stops = Stops(-20.0);

impl PatchLight {
    pub fn of(map: &LightMap, response: &Response) -> PatchLight {
        let light = map.codes().map(|code| code.map(|code| response.light(code))).collect();
        PatchLight { columns: map.columns, rows: map.rows, light }
    }

    /// Light of a patch; `None` where it is clipped.
    pub fn at(&self, column: usize, row: usize) -> Option<Stops> {
        self.light[row * self.columns + column]
    }

    /// All patches, row by row.
    pub fn patches(&self) -> impl Iterator<Item = Option<Stops>> + '_ {
        self.light.iter().copied()
    }

    /// Coarse cells along both sides.
    pub fn cells(&self) -> (usize, usize) {
        (self.columns / PATCHES, self.rows / PATCHES)
    }

    /// With other light taken off, patch by patch. What is left of a patch is at least a thousandth of it.
    pub fn without(&self, other: &PatchLight, change: Stops) -> PatchLight {
        let less = |(own, other): (&Option<Stops>, &Option<Stops>)| {
            let (own, other) = ((*own)?.ratio(), (*other)? + change);
            Stops::from_ratio((own - other.ratio()).max(own * 1e-3))
        };
        PatchLight { light: self.light.iter().zip(&other.light).map(less).collect(), ..*self }
    }

    /// With patches darker than `least` as black: what a curve says of them is not to be believed.
    pub fn above(&self, least: Stops) -> PatchLight {
        let believed = |v: &Option<Stops>| v.map(|v| if v < least { BLACK } else { v });
        PatchLight { light: self.light.iter().map(believed).collect(), ..*self }
    }
}
