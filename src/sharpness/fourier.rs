//! A square tile's spectrum.

use std::f32::consts::PI;
use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

/// What turns tiles of one size into spectra and back.
pub struct Fourier {
    pub side: usize,
    there: Arc<dyn Fft<f32>>,
    back: Arc<dyn Fft<f32>>,
    /// Hann's window, one side of it.
    window: Vec<f32>,
}

/// Of a tile, row by row; frequencies in the order of the discrete transform.
pub type Spectrum = Vec<Complex<f32>>;

impl Fourier {
    pub fn new(side: usize) -> Fourier {
        let mut planner = FftPlanner::new();
        let window = (0..side).map(|at| (PI * (at as f32 + 0.5) / side as f32).sin().powi(2)).collect();
        Fourier { side, there: planner.plan_fft_forward(side), back: planner.plan_fft_inverse(side), window }
    }

    /// Cycles a pixel along one side.
    pub fn frequency(&self, at: usize) -> f32 {
        let at = if at * 2 > self.side { at as f32 - self.side as f32 } else { at as f32 };
        at / self.side as f32
    }

    /// Of a tile's light relative to its own mean, within the window. White noise of variance `v` has the power `v` at each
    /// frequency. `None` where there is no light.
    pub fn spectrum(&self, light: impl Iterator<Item = f32> + Clone) -> Option<Spectrum> {
        let side = self.side;
        let windowed = |at: usize| self.window[at / side] * self.window[at % side];
        let (mut sum, mut weights, mut squares) = (0.0_f64, 0.0_f64, 0.0_f64);
        for (at, light) in light.clone().enumerate() {
            let weight = f64::from(windowed(at));
            sum += f64::from(light) * weight;
            weights += weight;
            squares += weight * weight;
        }
        let mean = (sum / weights) as f32;
        if !(mean.is_finite() && mean > 0.0) {
            return None;
        }
        let scale = (squares.sqrt() as f32).recip();
        let relative = |(at, light): (usize, f32)| Complex::new((light / mean - 1.0) * windowed(at) * scale, 0.0);
        let mut spectrum: Spectrum = light.enumerate().map(relative).collect();
        self.both_ways(&mut spectrum, &self.there);
        Some(spectrum)
    }

    /// The real part of what has this spectrum.
    pub fn picture(&self, mut spectrum: Spectrum) -> Vec<f32> {
        self.both_ways(&mut spectrum, &self.back);
        spectrum.iter().map(|value| value.re).collect()
    }

    fn both_ways(&self, tile: &mut Spectrum, transform: &Arc<dyn Fft<f32>>) {
        transform.process(tile);
        transpose(tile, self.side);
        transform.process(tile);
        transpose(tile, self.side);
    }
}

fn transpose(tile: &mut Spectrum, side: usize) {
    for row in 0..side {
        for column in row + 1..side {
            tile.swap(row * side + column, column * side + row);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: Parseval's theorem (any textbook, from memory), with the window's own power taken out.
    #[test]
    fn white_noise_has_its_variance_at_each_frequency() {
        let fourier = Fourier::new(128);
        let mut state = 7_u32;
        let mut noise = || {
            let mut sum = 0.0;
            for _ in 0..12 {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                sum += (state >> 8) as f32 / (1_u32 << 24) as f32;
            }
            1.0 + 0.1 * (sum - 6.0)
        };
        let tile: Vec<f32> = (0..128 * 128).map(|_| noise()).collect();
        let spectrum = fourier.spectrum(tile.iter().copied()).unwrap();
        let power = spectrum.iter().map(|v| v.norm_sqr()).sum::<f32>() / spectrum.len() as f32;
        assert!((power / 0.01 - 1.0).abs() < 0.05, "{power}");
    }

    #[test]
    fn there_and_back_is_the_same_picture() {
        let fourier = Fourier::new(64);
        let tile: Vec<f32> = (0..64 * 64).map(|at| 2.0 + (at as f32 * 0.37).sin()).collect();
        let back = fourier.picture(fourier.spectrum(tile.iter().copied()).unwrap());
        let again = fourier.picture(fourier.spectrum(tile.iter().map(|v| v * 8.0)).unwrap());
        assert!(back.iter().zip(&again).all(|(a, b)| (a - b).abs() < 1e-3), "exposure drops out");
        assert!(fourier.spectrum(std::iter::repeat_n(0.0, 64 * 64)).is_none());
    }
}
