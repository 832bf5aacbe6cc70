//! Whether a blur is that of a motion: detail is lost in one direction and not across it.

use std::f64::consts::PI;
use std::fmt;

use nalgebra::{Matrix3, Vector3};
use serde::Serialize;

use super::bands::{Bands, DIRECTIONS};
use super::fit::{Fitted, Point};
use super::{Direction, Pixels};

/// A blur along one line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Streak {
    pub along: Direction,
    /// How far it moved while it was exposed, if evenly: an even line's second moment is a 12th of its length squared.
    pub length: Pixels,
}

/// The blur across is no more than this part of that along, in squares.
const ACROSS: f64 = 0.35;
/// A shorter one is not told from the shape of a lens's blur, in pixels squared.
const SHORTEST: f64 = 0.25;
/// So many deviations of the difference.
const SURE: f64 = 4.0;
const FEWEST_DIRECTIONS: usize = 6;

impl Streak {
    /// `None` where the blur is alike in all directions, or that isn't clear.
    pub fn of(bands: &Bands, fitted: &Fitted) -> Option<Streak> {
        let blurs: Vec<(usize, f64, f64)> =
            (0..DIRECTIONS).filter_map(|towards| blur_towards(bands, fitted, towards)).collect();
        if blurs.len() < FEWEST_DIRECTIONS {
            return None;
        }
        // Second moments turn with twice the angle.
        let mut normal = Matrix3::zeros();
        let mut right = Vector3::zeros();
        for (towards, variance, error) in &blurs {
            let turn = 2.0 * PI * *towards as f64 / DIRECTIONS as f64;
            let row = Vector3::new(1.0, turn.cos(), turn.sin());
            normal += row * row.transpose() / error.powi(2);
            right += row * *variance / error.powi(2);
        }
        let inverse = normal.try_inverse()?;
        let found = inverse * right;
        // Where the frame is the sharper one, it is the reference that moved: what it lost counts.
        let found = found * fitted.variance.signum();
        let differs = found[1].hypot(found[2]);
        let error = inverse[(1, 1)].max(inverse[(2, 2)]).sqrt();
        let (along, across) = (found[0] + differs, found[0] - differs);
        let is_one = along >= SHORTEST && across <= ACROSS * along && differs >= SURE * error;
        is_one.then(|| Streak {
            along: Direction(found[2].atan2(found[1]).to_degrees().rem_euclid(360.0) / 2.0),
            length: Pixels((12.0 * (along - across.max(0.0))).sqrt()),
        })
    }
}

/// The square of the blur in one direction and its error, at the level that all directions share.
fn blur_towards(bands: &Bands, fitted: &Fitted, towards: usize) -> Option<(usize, f64, f64)> {
    let (mut sum, mut weights) = (0.0, 0.0);
    for directed in &bands.directed[..fitted.bands] {
        let band = &directed[towards];
        let [here, there] = bands.signal(band);
        if here <= 0.0 || there <= 0.0 || band.modes < 0.5 {
            continue;
        }
        let point = Point::of(bands, band);
        sum += (point.ratio - fitted.level) * point.lever / point.error.powi(2);
        weights += (point.lever / point.error).powi(2);
    }
    (weights > 0.0).then(|| (towards, sum / weights, weights.powf(-0.5)))
}

/// Its direction in a word or two, for a sentence.
impl fmt::Display for Streak {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.along.0 {
            along if !(22.5..157.5).contains(&along) => "sideways",
            along if along < 67.5 => "aslant, down to the right",
            along if along < 112.5 => "up or down",
            _ => "aslant, down to the left",
        })
    }
}
