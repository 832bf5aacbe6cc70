//! Spots: the named places of a frame that are metered.

use serde::{Deserialize, Serialize};

/// A rectangle in fractions of the upright frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Area {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

impl Area {
    pub const WHOLE: Area = Area { left: 0.0, top: 0.0, right: 1.0, bottom: 1.0 };

    /// `None` unless it lies within the frame and covers some of it.
    pub fn new(left: f64, top: f64, right: f64, bottom: f64) -> Option<Area> {
        let inside = [left, top, right, bottom].iter().all(|v| (0.0..=1.0).contains(v));
        (inside && left < right && top < bottom).then_some(Area { left, top, right, bottom })
    }

    /// About the middle of another, and of its own size.
    pub fn about_middle_of(self, to: Area) -> Area {
        let right = (to.left + to.right - self.left - self.right) / 2.0;
        let down = (to.top + to.bottom - self.top - self.bottom) / 2.0;
        Area { left: self.left + right, top: self.top + down, right: self.right + right, bottom: self.bottom + down }
    }

    /// The pixel columns and rows that it covers, at least one of each.
    pub fn pixels(self, width: usize, height: usize) -> (std::ops::Range<usize>, std::ops::Range<usize>) {
        let span = |from: f64, to: f64, size: usize| {
            let first = ((from * size as f64).round() as usize).min(size.saturating_sub(1));
            let last = ((to * size as f64).round() as usize).clamp(first + 1, size.max(first + 1));
            first..last
        };
        (span(self.left, self.right, width), span(self.top, self.bottom, height))
    }
}

/// How the pixels of a spot count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Weighting {
    Even,
    /// Most in the middle of the spot, falling off to its edges.
    Centre,
}

impl Weighting {
    /// How much a place counts so far from the spot's middle, along one side whose length is 1.
    pub fn at(self, from_centre: f64) -> f64 {
        match self {
            Weighting::Even => 1.0,
            Weighting::Centre => (-(from_centre / 0.25).powi(2) / 2.0).exp(),
        }
    }
}

/// A place to meter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Spot {
    pub name: String,
    pub place: Place,
    pub weighting: Weighting,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    At(Area),
    /// The flattest neutral patch of the frame, found anew in each frame.
    FoundGrey,
}

/// Name of the ready spot that covers the frame.
pub const WHOLE: &str = "whole";
/// Name of the ready centre-weighted spot.
pub const CENTRE: &str = "centre";
/// Name of the ready grey-patch spot.
pub const GREY: &str = "grey";

impl Spot {
    pub fn even(name: &str, area: Area) -> Spot {
        Spot { name: name.to_owned(), place: Place::At(area), weighting: Weighting::Even }
    }

    /// Where it lies, unless that is looked for in each frame.
    pub fn area(&self) -> Option<Area> {
        match self.place {
            Place::At(area) => Some(area),
            Place::FoundGrey => None,
        }
    }

    /// The three spots that need no configuration.
    pub fn ready() -> Vec<Spot> {
        vec![
            Spot::even(WHOLE, Area::WHOLE),
            Spot { name: CENTRE.to_owned(), place: Place::At(Area::WHOLE), weighting: Weighting::Centre },
            Spot { name: GREY.to_owned(), place: Place::FoundGrey, weighting: Weighting::Even },
        ]
    }
}
