//! Diffraction: the disk that a perfect lens draws of a point, and from which aperture on it is the larger blur.

use super::focus::Focus;
use super::length::Micrometres;
use crate::photometry::{FNumber, Series};

/// Green light, where the eye and most sensors see best: 550 nm.
const WAVELENGTH: Micrometres = Micrometres(0.55);
/// Diameter of the Airy disk, first dark ring to first dark ring, in wavelengths times f-number: twice the first zero of
/// the Bessel function J1 over pi. Source: Hecht, *Optics* (from memory).
const AIRY: f64 = 2.44;

/// Diameter of the Airy disk on the sensor: `2.44 λ N (1 + m)`, for 550 nm and the f-number that holds at the distance in
/// focus. Source: Hecht, *Optics* (from memory).
pub fn airy_disk(focus: Focus, n: FNumber) -> Micrometres {
    Micrometres(AIRY * WAVELENGTH.0 * focus.effective(n))
}

/// The widest aperture, of the marks of a camera's series, whose Airy disk is wider than `limit`. `None` if none down to f/64 is.
pub fn overtaken_from(focus: Focus, limit: Micrometres, series: Series) -> Option<FNumber> {
    FNumber::all(series).find(|n| airy_disk(focus, *n) > limit)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::FocalLength;
    use crate::photometry::Metres;

    fn focus(mm: f64, m: f64) -> Focus {
        Focus::new(FocalLength::new(mm).unwrap(), Metres::new(m).unwrap()).unwrap()
    }

    /// CHECK: at f/8 the Airy disk of green light (550 nm) is 10.7 µm wide, at f/16 21.5 µm (Hecht, Optics, by its formula;
    /// from memory).
    #[test]
    fn an_airy_disk_is_as_wide_as_published() {
        for (n, width) in [("f/8", 10.74), ("f/16", 21.47), ("f/2", 2.68)] {
            let airy = airy_disk(focus(50.0, 1000.0), n.parse().unwrap());
            assert!((airy.0 - width).abs() < 0.01, "{n}: {airy:?}");
        }
        let life_size = airy_disk(focus(100.0, 0.2), "f/8".parse().unwrap());
        assert!((life_size.0 - 2.0 * 10.736).abs() < 0.01, "twice as wide at life size");
    }

    /// CHECK: 2.44 is twice 1.21967, the first zero of J1, 3.8317, over pi (Abramowitz and Stegun, table 9.5, from memory). J1
    /// by its integral, so that the zero is found and not assumed.
    #[test]
    fn the_first_dark_ring_is_the_first_zero_of_j1() {
        let j1 = |x: f64| {
            let steps = 2000;
            let at = |i: i32| std::f64::consts::PI * (f64::from(i) + 0.5) / f64::from(steps);
            (0..steps).map(|i| (at(i) - x * at(i).sin()).cos()).sum::<f64>() / f64::from(steps)
        };
        let (mut low, mut high) = (3.0, 4.5);
        assert!(j1(low) > 0.0 && j1(high) < 0.0);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if j1(middle) > 0.0 { low = middle } else { high = middle }
        }
        assert!((2.0 * low / std::f64::consts::PI - AIRY).abs() < 1e-3, "{low}");
    }

    #[test]
    fn diffraction_overtakes_at_the_first_wider_disk() {
        let at = focus(85.0, 1.8);
        let from = overtaken_from(at, Micrometres(28.84), Series::Thirds).unwrap();
        assert_eq!(from.to_string(), "f/22", "2.44 x 0.55 x 20.16 x 1.05 = 28.4, the next is 31.9");
        assert!(airy_disk(at, from) > Micrometres(28.84));
        assert_eq!(overtaken_from(at, Micrometres(1e6), Series::Thirds), None);
    }
}
