//! Histograms over stops of light.

use serde::{Deserialize, Serialize};

use crate::photometry::Stops;

/// Counts in sixths of a stop, over 14 stops from 10 below mid-grey to 4 above; what lies outside
/// is counted in the end bins.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Histogram(Vec<u32>);

const LOWEST: Stops = Stops(-10.0);
/// Bins of the kept histogram in one stop.
const KEPT_PER_STOP: usize = 6;
/// Bins of the working histogram in one stop; a multiple of the kept ones.
const FINE_PER_STOP: usize = 96;
const STOPS: usize = 14;

impl Histogram {
    /// Bins with the light at their lower edge.
    pub fn bins(&self) -> impl Iterator<Item = (Stops, u32)> + '_ {
        self.0.iter().enumerate().map(|(i, count)| (LOWEST + Stops(i as f64 / KEPT_PER_STOP as f64), *count))
    }

    /// Every bin's count where its middle has moved to.
    pub(super) fn moved(&self, to: impl Fn(&Stops) -> Stops) -> Histogram {
        let mut moved = vec![0; self.0.len()];
        for (low, count) in self.bins().filter(|(_, count)| *count > 0) {
            let place = (to(&(low + Stops(0.5 / KEPT_PER_STOP as f64))) - LOWEST).0 * KEPT_PER_STOP as f64;
            moved[(place.max(0.0) as usize).min(self.0.len() - 1)] += count;
        }
        Histogram(moved)
    }
}

/// The working histogram that quantiles are read from.
pub(super) struct Fine {
    weights: Vec<f32>,
    total: f64,
}

impl Fine {
    pub fn new() -> Fine {
        Fine { weights: vec![0.0; STOPS * FINE_PER_STOP], total: 0.0 }
    }

    pub fn add(&mut self, light: f32, weight: f32) {
        let place = (light - LOWEST.0 as f32) * FINE_PER_STOP as f32;
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
                quantiles.push(LOWEST + Stops((bin as f64 + part) / FINE_PER_STOP as f64));
            }
            below += weight;
        }
        quantiles
    }

    pub fn kept(&self) -> Histogram {
        let fold = self.weights.chunks(FINE_PER_STOP / KEPT_PER_STOP);
        Histogram(fold.map(|bins| bins.iter().sum::<f32>().round() as u32).collect())
    }
}
