//! Readings by one curve, read again by another: their codes are what a file says, and stay.

use super::reading::{Metered, Reading};
use crate::photometry::Stops;
use crate::response::{RAW, Response};

impl Metered {
    /// Whether this is the linear light of a raw file.
    pub fn is_raw(&self) -> bool {
        self.response == RAW
    }

    /// The same picture through another curve than the one it was metered by.
    pub fn reread(&self, from: &Response, to: &Response) -> Metered {
        let light = |light: &Stops| to.light(from.code(*light));
        Metered {
            response: to.name.clone(),
            colour: self.colour.clone(),
            readings: self.readings.iter().map(|r| r.reread(light)).collect(),
            cells: self.cells.iter().map(light).collect(),
        }
    }
}

impl Reading {
    fn reread(&self, light: impl Fn(&Stops) -> Stops) -> Reading {
        let quantiles: Vec<Stops> = self.quantiles.iter().map(&light).collect();
        let mean = |values: &[Stops]| values.iter().fold(Stops::ZERO, |sum, v| sum + *v) / values.len().max(1) as f64;
        Reading {
            level: self.level + mean(&quantiles) - mean(&self.quantiles),
            quantiles,
            histogram: self.histogram.moved(&light),
            ..self.clone()
        }
    }
}
