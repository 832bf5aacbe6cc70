//! What a picture shows whatever its exposure and its response are: log light, less its local mean, over its local spread.

use super::code_picture::CodePicture;
use super::plane::Plane;

/// A picture's structure at one size, ready to be matched.
#[derive(Debug, Clone)]
pub(super) struct Structure {
    /// Its pixels for one of the picture's full size.
    pub scale: f32,
    /// About zero, and about one where there is something to see.
    pub plane: Plane,
    /// How it rises to the right, and downwards.
    pub slopes: [Plane; 2],
}

/// Means and spreads are those of about so many pixels about each.
const RADIUS: usize = 6;
/// Spreads of less than this, in stops, are noise and the grain of a coding; they are not made larger.
const NOISE: f32 = 0.06;
/// A step of light may be as high as it likes.
const MOST: f32 = 3.0;

impl Structure {
    pub fn of(log_light: &Plane, scale: f32) -> Structure {
        let off = log_light.zip(&log_light.smoothed(RADIUS), |own, mean| own - mean);
        let squares = off.map(|off| off * off).smoothed(RADIUS);
        let plane = off.zip(&squares, |off, square| (off / (square.max(0.0).sqrt() + NOISE)).clamp(-MOST, MOST));
        let slopes = plane.slopes();
        Structure { scale, plane, slopes }
    }

    /// How much the square about each pixel shows of where it lies: the mean of its slopes squared, in the direction in
    /// which that is least (Shi and Tomasi, CVPR 1994). An edge shows nothing of where along it one is.
    pub fn texture(&self, radius: usize) -> Plane {
        let [across, down] = &self.slopes;
        let (xx, yy) = (across.map(|s| s * s).boxed(radius), down.map(|s| s * s).boxed(radius));
        let xy = across.zip(down, |a, b| a * b).boxed(radius);
        let both = xx.values.iter().zip(&xy.values).zip(&yy.values);
        Plane { values: both.map(|((xx, xy), yy)| least([*xx, *xy, *yy])).collect(), ..xx }
    }

    /// The texture about one pixel alone.
    pub fn texture_about(&self, x: usize, y: usize, radius: usize) -> f32 {
        least(self.slopes_about(x, y, radius))
    }

    /// The mean of the slopes squared about a pixel, in both directions: an edge shows as well.
    pub fn steepness_about(&self, x: usize, y: usize, radius: usize) -> f32 {
        let [xx, _, yy] = self.slopes_about(x, y, radius);
        xx + yy
    }

    /// The means of the products of the slopes to the right and downwards about a pixel.
    fn slopes_about(&self, x: usize, y: usize, radius: usize) -> [f32; 3] {
        let [across, down] = &self.slopes;
        let columns = x.saturating_sub(radius)..(x + radius + 1).min(across.width);
        let rows = y.saturating_sub(radius)..(y + radius + 1).min(across.height);
        let count = (columns.len() * rows.len()) as f32;
        let mut sums = [0.0; 3];
        for row in rows {
            let line = row * across.width + columns.start..row * across.width + columns.end;
            for (right, below) in across.values[line.clone()].iter().zip(&down.values[line]) {
                sums[0] += right * right;
                sums[1] += right * below;
                sums[2] += below * below;
            }
        }
        sums.map(|sum| sum / count)
    }
}

/// The lesser characteristic value of a symmetric matrix of two by two.
fn least([xx, xy, yy]: [f32; 3]) -> f32 {
    let (half, mean) = ((xx - yy) / 2.0, (xx + yy) / 2.0);
    mean - (half * half + xy * xy).sqrt()
}

/// A picture's structures at several sizes, each `factor` times the one before it; the full size first.
pub(super) fn structures(picture: &CodePicture, factor: f32, count: usize) -> Vec<Structure> {
    let full = picture.log_light();
    let at_size = |level: usize| {
        let scale = factor.powi(level as i32);
        let side = |pixels: usize| ((pixels as f32 * scale).round() as usize).max(1);
        match level {
            0 => Structure::of(&full, 1.0),
            _ => Structure::of(&full.shrunk(side(full.width), side(full.height)), scale),
        }
    };
    (0..count).map(at_size).collect()
}
