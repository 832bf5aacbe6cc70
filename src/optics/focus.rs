//! A lens focused at a distance: the scale of its picture, and the light that closeness costs.

use super::OpticsError;
use super::length::FocalLength;
use super::length::length_in_words;
use crate::photometry::{FNumber, Metres, Stops};

/// A thin lens, focused on something nearer than infinity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Focus {
    focal_length: FocalLength,
    distance: Metres,
}

/// Size of the picture on the sensor over the size of the subject.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Magnification(pub f64);

impl Focus {
    /// `distance` is from the lens (its front principal plane, which for a thin lens is its entrance pupil) to what is in focus.
    ///
    /// # Errors
    /// Nothing as near as the focal length, or nearer, has a picture behind a lens.
    pub fn new(focal_length: FocalLength, distance: Metres) -> Result<Focus, OpticsError> {
        if distance.get() > focal_length.metres() * (1.0 + 1e-9) {
            return Ok(Focus { focal_length, distance });
        }
        Err(OpticsError::TooNear { focal_length, distance: length_in_words(distance.get()) })
    }

    pub fn focal_length(self) -> FocalLength {
        self.focal_length
    }

    pub fn distance(self) -> Metres {
        self.distance
    }

    /// `m = f / (u - f)`. Source: thin lens equation, e.g. Hecht, *Optics* (from memory).
    pub fn magnification(self) -> Magnification {
        let f = self.focal_length.metres();
        Magnification(f / (self.distance.get() - f))
    }

    /// Light that the lens loses against infinity because it stands farther from the sensor, negative: `-2 log2(1 + m/p)`,
    /// with a pupil ratio `p` of 1. Source: Ray, *Applied Photographic Optics* (from memory).
    pub fn light_lost(self) -> Stops {
        Stops(-2.0 * (1.0 + self.magnification().0).log2())
    }

    /// The f-number that light and diffraction go by at this distance: `N (1 + m/p)`, with a pupil ratio `p` of 1.
    /// Source: Ray, *Applied Photographic Optics* (from memory).
    pub fn effective(self, n: FNumber) -> f64 {
        n.exact() * (1.0 + self.magnification().0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn focus(mm: f64, metres: f64) -> Focus {
        Focus::new(FocalLength::new(mm).unwrap(), Metres::new(metres).unwrap()).unwrap()
    }

    /// CHECK: at life size the lens stands two focal lengths off both ways and loses two stops: f/8 is f/16 (any handbook of
    /// close-up photography, from memory).
    #[test]
    fn life_size_costs_two_stops() {
        let life_size = focus(100.0, 0.2);
        assert!((life_size.magnification().0 - 1.0).abs() < 1e-12);
        assert!((life_size.light_lost().0 + 2.0).abs() < 1e-12);
        assert!((life_size.effective("f/8".parse().unwrap()) - 16.0).abs() < 1e-9);
        assert!(focus(85.0, 1000.0).light_lost().abs() < Stops(1e-3));
    }

    #[test]
    fn nothing_is_focused_within_the_focal_length() {
        for metres in [0.05, 0.085] {
            let wrong = Focus::new(FocalLength::new(85.0).unwrap(), Metres::new(metres).unwrap()).unwrap_err();
            assert!(wrong.to_string().contains("longer than the focal length"), "{wrong}");
        }
    }
}
