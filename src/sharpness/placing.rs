//! Where a piece of the reference lies in the frame's piece: roughly for the spot, to a part of a pixel for each tile.

use std::f32::consts::TAU;

use rustfft::num_complex::Complex;

use super::crop::Crop;
use super::fourier::{Fourier, Spectrum};
use crate::frame::Rectangle;

/// Below this correlation it is not the same piece. Pieces of other places of a scene correlate by 0.3 at most, the same piece blurred
/// by 8 pixels at ISO 3200 by 0.8 at least.
const ALIKE: f32 = 0.5;
/// For the rough search the picture is reduced so that its side has about so many pixels.
const ROUGH_SIDE: usize = 96;
/// What is wider than so many reduced pixels is shading, not texture.
const SHADING: usize = 6;
/// Frequencies, in cycles a pixel, by which a tile is laid: what a blur of several pixels leaves, up to what noise leaves.
const LAID_BY: f32 = 0.15;
const TOLD_BY: f32 = 0.06;
/// The transform's first frequencies are those of the window itself.
pub const FIRST_MODES: f32 = 1.5;
const MOST_STEPS: usize = 4;

/// By how many whole pixels the spot lies off its place in the frame's piece; `None` where it isn't found.
pub fn rough_shift(reference: &Crop, frame: &Crop) -> Option<[isize; 2]> {
    let spot = reference.spot;
    let by = (spot.width.min(spot.height) / ROUGH_SIDE).clamp(2, 8);
    let whole = Rectangle { left: 0, top: 0, width: frame.width, height: frame.height };
    let (pattern, ground) = (Reduced::of(reference, spot, by), Reduced::of(frame, whole, by));
    if pattern.width > ground.width || pattern.height > ground.height {
        return None;
    }
    let places = (0..=ground.height - pattern.height)
        .flat_map(|top| (0..=ground.width - pattern.width).map(move |left| (left, top)));
    let (left, top, likeness) = places
        .map(|(left, top)| (left, top, pattern.likeness(&ground, left, top)))
        .max_by(|a, b| a.2.total_cmp(&b.2))?;
    let off = |at: usize, from: usize| (at * by) as isize - from as isize;
    (likeness >= ALIKE).then(|| [off(left, frame.spot.left), off(top, frame.spot.top)])
}

/// A piece at reduced size, without its shading.
struct Reduced {
    width: usize,
    height: usize,
    values: Vec<f32>,
}

impl Reduced {
    fn of(crop: &Crop, part: Rectangle, by: usize) -> Reduced {
        let (width, height) = (part.width / by, part.height / by);
        let cell = |x: usize, y: usize| {
            let rows = part.top + y * by..part.top + (y + 1) * by;
            let sum: f32 =
                rows.map(|row| crop.light[row * crop.width + part.left + x * by..][..by].iter().sum::<f32>()).sum();
            // The root keeps a lamp's glint from being all that counts.
            sum.max(0.0).sqrt()
        };
        let cells: Vec<f32> =
            (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| cell(x, y)).collect();
        let shading = averaged(&averaged(&cells, width, height, false), width, height, true);
        let values = cells.iter().zip(&shading).map(|(cell, shading)| cell - shading).collect();
        Reduced { width, height, values }
    }

    /// Correlation with as large a part of another.
    fn likeness(&self, ground: &Reduced, left: usize, top: usize) -> f32 {
        let (mut both, mut own, mut other) = (0.0_f32, 0.0_f32, 0.0_f32);
        for (row, line) in self.values.chunks_exact(self.width).enumerate() {
            let there = &ground.values[(top + row) * ground.width + left..][..self.width];
            for (a, b) in line.iter().zip(there) {
                both += a * b;
                own += a * a;
                other += b * b;
            }
        }
        if own > 0.0 && other > 0.0 { both / (own * other).sqrt() } else { 0.0 }
    }
}

/// Means over what lies about each value in one direction.
fn averaged(values: &[f32], width: usize, height: usize, down: bool) -> Vec<f32> {
    let (length, step) = if down { (height, width) } else { (width, 1) };
    let mean = |at: usize| {
        let place = if down { at / width } else { at % width };
        let (first, last) = (place.saturating_sub(SHADING), (place + SHADING).min(length - 1));
        let from = at - (place - first) * step;
        (0..=last - first).map(|i| values[from + i * step]).sum::<f32>() / (last - first + 1) as f32
    };
    (0..values.len()).map(mean).collect()
}

/// A frame's tile, laid over the reference's.
pub struct Placed {
    /// Turned in phase by the part of a pixel that is left, so that both lie over each other wholly.
    pub spectrum: Spectrum,
    /// Its first pixel in the frame's piece.
    pub at: [usize; 2],
    /// How far the reference's tile lies from there.
    pub part: [f32; 2],
}

/// Follows a tile from where it is looked for; `None` where it lies beyond the piece, or nothing like it is found.
pub fn follow(fourier: &Fourier, reference: &Spectrum, frame: &Crop, from: [isize; 2]) -> Option<Placed> {
    let side = fourier.side;
    let mut at = from;
    for _ in 0..MOST_STEPS {
        let within = |at: isize, length: usize| usize::try_from(at).ok().filter(|at| at + side <= length);
        let corner = [within(at[0], frame.width)?, within(at[1], frame.height)?];
        let spectrum = fourier.spectrum(tile(frame, corner, side))?;
        let peak = peak(fourier, reference, &spectrum);
        let steps = peak.map(|shift| shift.round());
        if steps == [0.0; 2] {
            return laid(fourier, reference, spectrum, corner, peak);
        }
        at = [at[0] + steps[0] as isize, at[1] + steps[1] as isize];
    }
    None
}

pub fn tile(crop: &Crop, corner: [usize; 2], side: usize) -> impl Iterator<Item = f32> + Clone {
    let rows = corner[1]..corner[1] + side;
    rows.flat_map(move |row| crop.light[row * crop.width + corner[0]..][..side].iter().copied())
}

/// The shift of the frame's tile against the reference's, where their correlation is highest.
fn peak(fourier: &Fourier, reference: &Spectrum, frame: &Spectrum) -> [f32; 2] {
    let side = fourier.side;
    let first = FIRST_MODES / side as f32;
    let weighted = |(at, (a, b)): (usize, (&Complex<f32>, &Complex<f32>))| {
        let fineness = fourier.frequency(at % side).hypot(fourier.frequency(at / side));
        if (first..LAID_BY).contains(&fineness) { a.conj() * b * fineness } else { Complex::default() }
    };
    let surface = fourier.picture(reference.iter().zip(frame).enumerate().map(weighted).collect());
    let highest = (0..surface.len()).max_by(|a, b| surface[*a].total_cmp(&surface[*b])).unwrap_or(0);
    let (x, y) = (highest % side, highest / side);
    let value = |x: usize, y: usize| surface[(y % side) * side + x % side];
    // The top of a parabola through three values.
    let top = |before: f32, here: f32, after: f32| {
        let bend = before - 2.0 * here + after;
        if bend < 0.0 { 0.5 * (before - after) / bend } else { 0.0 }
    };
    let signed = |at: usize| if at * 2 > side { at as f32 - side as f32 } else { at as f32 };
    let across = top(value(x + side - 1, y), value(x, y), value(x + 1, y));
    let down = top(value(x, y + side - 1), value(x, y), value(x, y + 1));
    [signed(x) + across, signed(y) + down]
}

fn laid(
    fourier: &Fourier,
    reference: &Spectrum,
    mut spectrum: Spectrum,
    at: [usize; 2],
    part: [f32; 2],
) -> Option<Placed> {
    let side = fourier.side;
    let first = FIRST_MODES / side as f32;
    let (mut both, mut own, mut other) = (0.0, 0.0, 0.0);
    for (place, (value, reference)) in spectrum.iter_mut().zip(reference).enumerate() {
        let (u, v) = (fourier.frequency(place % side), fourier.frequency(place / side));
        *value *= Complex::from_polar(1.0, TAU * (u * part[0] + v * part[1]));
        if (first..TOLD_BY).contains(&u.hypot(v)) {
            both += (reference.conj() * *value).re;
            own += reference.norm_sqr();
            other += value.norm_sqr();
        }
    }
    (both > ALIKE * (own * other).sqrt()).then_some(Placed { spectrum, at, part })
}
