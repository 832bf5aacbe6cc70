//! Histograms of a spot's pixels.

use serde::{Deserialize, Serialize};

use crate::photometry::Stops;

/// How a spot's pixels lie on the scale of codes: thousandths of them in steps of eight codes, dark to bright.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Histogram(Vec<u16>);

/// Codes in one bin of the kept histogram.
const CODES: usize = 8;

impl Histogram {
    /// Of the weight at codes.
    pub(super) fn of(weights: impl Iterator<Item = (f64, f64)>) -> Histogram {
        let mut sums = [0.0; 256 / CODES];
        for (code, weight) in weights {
            sums[code.clamp(0.0, 255.0) as usize / CODES] += weight;
        }
        let all: f64 = sums.iter().sum();
        Histogram(sums.iter().map(|s| if all > 0.0 { (s / all * 1e3).round() as u16 } else { 0 }).collect())
    }

    /// Bins with the code at their lower edge and their share in thousandths.
    pub fn bins(&self) -> impl Iterator<Item = (usize, u16)> + '_ {
        self.0.iter().enumerate().map(|(i, share)| (i * CODES, *share))
    }
}

/// The working histogram that quantiles are read from: weights over stops of light by the standard curve.
pub(super) struct Fine {
    weights: Vec<f32>,
    total: f64,
}

const LOWEST: Stops = Stops(-10.0);
/// Fine enough that a bin is less than half a code nearly up to white.
const PER_STOP: usize = 192;
const STOPS: usize = 14;

impl Fine {
    pub fn new() -> Fine {
        Fine { weights: vec![0.0; STOPS * PER_STOP], total: 0.0 }
    }

    pub fn add(&mut self, light: f32, weight: f32) {
        let place = (light - LOWEST.0 as f32) * PER_STOP as f32;
        let bin = (place.max(0.0) as usize).min(self.weights.len() - 1);
        self.weights[bin] += weight;
        self.total += f64::from(weight);
    }

    /// `count` quantiles at the middles of equal shares, rising. Empty without pixels.
    pub fn quantiles(&self, count: usize) -> Vec<Stops> {
        let mut wanted = (0..count).map(|i| (i as f64 + 0.5) / count as f64 * self.total).peekable();
        let mut quantiles = Vec::with_capacity(count);
        let mut below = 0.0;
        for (bin, weight) in self.weights.iter().enumerate() {
            let weight = f64::from(*weight);
            while weight > 0.0
                && let Some(target) = wanted.next_if(|t| *t <= below + weight)
            {
                let part = (target - below) / weight;
                quantiles.push(LOWEST + Stops((bin as f64 + part) / PER_STOP as f64));
            }
            below += weight;
        }
        quantiles
    }

    /// Bins that hold something: the light at their middle, and its weight.
    pub fn bins(&self) -> impl Iterator<Item = (Stops, f64)> + '_ {
        let middle = |bin: usize| LOWEST + Stops((bin as f64 + 0.5) / PER_STOP as f64);
        let filled = self.weights.iter().enumerate().filter(|(_, weight)| **weight > 0.0);
        filled.map(move |(bin, weight)| (middle(bin), f64::from(*weight)))
    }
}
