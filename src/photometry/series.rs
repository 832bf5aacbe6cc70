//! Marked series: which exact place on a scale of stops a printed mark stands for.
//!
//! A mark that stands on both the third- and the half-stop series is settled by the file's own
//! APEX value where that agrees with one of them, else by the preferred series.

use serde::{Deserialize, Serialize};

/// The step a camera is set to move by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Series {
    #[default]
    Thirds,
    Halves,
}

/// Marks of one scale. Entry `i` of `thirds` stands at `first + i/3` stops, of `halves` at
/// `first + i/2`. `also` holds marks that differ from the list's, with their places.
pub(super) struct ScaleMarks {
    pub first: f64,
    pub thirds: &'static [f64],
    pub halves: &'static [f64],
    pub also: &'static [(f64, Series, f64)],
    /// Stops from a number on this scale, exactly (for numbers off every series).
    pub stops_of: fn(f64) -> f64,
}

/// How far a written number may lie from a mark, in stops, and still be that mark.
const MARK_TOLERANCE: f64 = 0.018;
/// How far it may lie from a series member's exact value. Tighter: the exact value is no rounding.
const EXACT_TOLERANCE: f64 = 0.012;
/// Cameras round APEX values to eighths, so a third is written up to 1/24 off.
const APEX_TOLERANCE: f64 = 0.05;

impl ScaleMarks {
    /// The exact place of a written number, or the number's own place when it is on no series.
    pub fn place(&self, number: f64, apex: Option<f64>, preferred: Series) -> f64 {
        let raw = (self.stops_of)(number);
        let third = self.on(Series::Thirds, raw);
        let half = self.on(Series::Halves, raw);
        match (third, half) {
            (Some(t), Some(h)) if t == h => t,
            (Some(t), Some(h)) => settle(t, h, apex, preferred),
            (Some(only), None) | (None, Some(only)) => only,
            (None, None) => raw,
        }
    }

    pub fn of(&self, series: Series) -> &'static [f64] {
        match series {
            Series::Thirds => self.thirds,
            Series::Halves => self.halves,
        }
    }

    fn on(&self, series: Series, raw: f64) -> Option<f64> {
        let (marks, per_stop) = match series {
            Series::Thirds => (self.thirds, 3.0),
            Series::Halves => (self.halves, 2.0),
        };
        let listed = marks.iter().enumerate().map(|(i, mark)| (*mark, self.first + i as f64 / per_stop));
        let also = self.also.iter().filter(|(_, on, _)| *on == series).map(|(mark, _, place)| (*mark, *place));
        let by_mark = listed
            .chain(also)
            .map(|(mark, place)| (((self.stops_of)(mark) - raw).abs(), place))
            .filter(|(off, _)| *off <= MARK_TOLERANCE)
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, place)| place);
        let exact = (raw * per_stop).round() / per_stop;
        by_mark.or_else(|| ((exact - raw).abs() <= EXACT_TOLERANCE).then_some(exact))
    }
}

fn settle(third: f64, half: f64, apex: Option<f64>, preferred: Series) -> f64 {
    let near = |place: f64| apex.is_some_and(|apex| (apex - place).abs() <= APEX_TOLERANCE);
    match (near(third), near(half)) {
        (true, false) => third,
        (false, true) => half,
        _ if preferred == Series::Halves => half,
        _ => third,
    }
}
