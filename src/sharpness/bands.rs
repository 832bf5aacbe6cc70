//! Power by fineness and direction, of two pieces that lie over each other.

use std::f64::consts::PI;

use rustfft::num_complex::Complex;

use super::crop::NoiseShape;
use super::fourier::{Fourier, Spectrum};

/// Directions that are told apart, over half a turn.
pub const DIRECTIONS: usize = 8;
/// Bands are so much wider than the one before, and one frequency of the transform at least.
const WIDER: f64 = 1.12;
/// Below this multiple of the transform's first frequency the window leaks, and the piece's own edges count.
const FIRST: f64 = 2.5;
const FINEST: f64 = 0.5;
/// Hann's window spreads each frequency over 1.5 of them in either direction; half of all are the others' mirror images.
const MODES_APART: f64 = 2.0 * 1.5 * 1.5;
/// Tiles overlap by half, and share some of what they show.
const TILES_APART: f64 = 0.8;

/// What two pieces show at one fineness.
#[derive(Debug, Clone, Copy, Default)]
pub struct Band {
    /// Mean power of the reference and of the frame.
    pub power: [f64; 2],
    /// Mean power of noise of both, as a part of its variance.
    noise: [f64; 2],
    cross: Complex<f64>,
    /// Mean square of the frequency, in cycles a pixel, where the reference's power lies.
    pub square: f64,
    /// Independent values that it is the mean of.
    pub modes: f64,
    count: f64,
}

/// All of them, the coarsest first.
#[derive(Debug, Clone)]
pub struct Bands {
    pub all: Vec<Band>,
    /// By direction of the frequency, within each band.
    pub directed: Vec<[Band; DIRECTIONS]>,
    /// Variance of the noise of both.
    pub noise: [f64; 2],
}

impl Band {
    fn add(&mut self, [reference, frame]: [Complex<f32>; 2], noise: [f64; 2], square: f64) {
        let power = f64::from(reference.norm_sqr());
        let cross = reference.conj() * frame;
        self.power = [self.power[0] + power, self.power[1] + f64::from(frame.norm_sqr())];
        self.noise = [self.noise[0] + noise[0], self.noise[1] + noise[1]];
        self.cross += Complex::new(f64::from(cross.re), f64::from(cross.im));
        self.square += square * power;
        self.count += 1.0;
    }

    fn finished(self, tiles: usize) -> Band {
        let count = self.count.max(1.0);
        Band {
            power: self.power.map(|power| power / count),
            noise: self.noise.map(|noise| noise / count),
            cross: self.cross / count,
            square: if self.power[0] > 0.0 { self.square / self.power[0] } else { 0.0 },
            modes: self.count / MODES_APART / (tiles.max(1) as f64).powf(1.0 - TILES_APART),
            count,
        }
    }

    /// Share of the power that both have in common: coherence, with what chance gives to few values taken off (Carter, Proceedings of
    /// the IEEE 75, 1987, from memory).
    pub fn common(&self) -> f64 {
        let coherence = self.cross.norm_sqr() / (self.power[0] * self.power[1]).max(f64::MIN_POSITIVE);
        let chance = 1.0 / self.modes.max(1.0);
        if chance < 1.0 { ((coherence - chance) / (1.0 - chance)).clamp(0.0, 1.0) } else { 0.0 }
    }
}

/// Adds up tiles.
pub struct Adding<'a> {
    fourier: &'a Fourier,
    /// Upper ends of the bands.
    ends: Vec<f64>,
    shapes: [NoiseShape; 2],
    bands: Vec<[Band; DIRECTIONS]>,
    noise: [f64; 2],
    tiles: usize,
}

impl<'a> Adding<'a> {
    pub fn new(fourier: &'a Fourier, shapes: [NoiseShape; 2]) -> Adding<'a> {
        let step = 1.0 / fourier.side as f64;
        let mut ends = vec![FIRST * step];
        while let Some(last) = ends.last().copied().filter(|last| *last < FINEST) {
            ends.push((last * WIDER).max(last + step).min(FINEST));
        }
        let bands = vec![Default::default(); ends.len() - 1];
        Adding { fourier, ends, shapes, bands, noise: [0.0; 2], tiles: 0 }
    }

    pub fn add(&mut self, reference: &Spectrum, frame: &Spectrum) {
        let side = self.fourier.side;
        let mut beyond = [Vec::new(), Vec::new()];
        for (at, (here, there)) in reference.iter().zip(frame).enumerate() {
            let [u, v] = [at % side, at / side].map(|at| f64::from(self.fourier.frequency(at)));
            let fineness = u.hypot(v);
            let shapes = self.shapes.map(|shape| shape.power(u, v));
            for (of, value) in [here, there].into_iter().enumerate() {
                if self.shapes[of].is_alone(u, v) {
                    beyond[of].push(f64::from(value.norm_sqr()) / shapes[of]);
                }
            }
            let band = self.ends.partition_point(|end| *end <= fineness);
            if let Some(band) = band.checked_sub(1).and_then(|band| self.bands.get_mut(band)) {
                band[direction(u, v)].add([*here, *there], shapes, fineness * fineness);
            }
        }
        for (noise, beyond) in self.noise.iter_mut().zip(&mut beyond) {
            *noise += middle(beyond);
        }
        self.tiles += 1;
    }

    pub fn finished(self) -> Bands {
        let tiles = self.tiles;
        let summed = |directed: &[Band; DIRECTIONS]| {
            let mut all = Band::default();
            for band in directed {
                all.power = [all.power[0] + band.power[0], all.power[1] + band.power[1]];
                all.noise = [all.noise[0] + band.noise[0], all.noise[1] + band.noise[1]];
                all.cross += band.cross;
                all.square += band.square;
                all.count += band.count;
            }
            all.finished(tiles)
        };
        Bands {
            all: self.bands.iter().map(summed).collect(),
            directed: self.bands.iter().map(|directed| directed.map(|band| band.finished(tiles))).collect(),
            noise: self.noise.map(|noise| noise / tiles.max(1) as f64),
        }
    }
}

impl Bands {
    /// Power above the noise.
    pub fn signal(&self, band: &Band) -> [f64; 2] {
        let noise = self.noise_of(band);
        [band.power[0] - noise[0], band.power[1] - noise[1]]
    }

    /// Mean power of the noise within a band.
    pub fn noise_of(&self, band: &Band) -> [f64; 2] {
        [band.noise[0] * self.noise[0], band.noise[1] * self.noise[1]]
    }

    /// How many bands from the coarsest on show more than so many times the noise, in one of the two.
    pub fn clear(&self, of: usize, times: f64) -> usize {
        self.all.iter().take_while(|band| self.signal(band)[of] > times * self.noise_of(band)[of]).count()
    }
}

/// The direction of a frequency, of eight over half a turn; the first lies about the horizontal.
fn direction(u: f64, v: f64) -> usize {
    let turn = v.atan2(u).rem_euclid(PI) / PI * DIRECTIONS as f64;
    turn.round() as usize % DIRECTIONS
}

/// Mean power of noise by its median, which a few strong frequencies don't move: powers of noise are exponentially spread, and their
/// median is the logarithm of 2 of their mean.
fn middle(powers: &mut [f64]) -> f64 {
    crate::statistics::median(powers).unwrap_or(0.0) / std::f64::consts::LN_2
}
