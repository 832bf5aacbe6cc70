//! Depth of field: from where to where blur stays below the circle of confusion, and how large it is elsewhere.

use super::focus::Focus;
use super::length::Micrometres;
use super::sensor::CircleOfConfusion;
use crate::photometry::{FNumber, Metres, Series};

/// From where to where a scene is sharp, from the lens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DepthOfField {
    pub near: Metres,
    /// `None`: to infinity.
    pub far: Option<Metres>,
}

/// The diameter, on the sensor, of the disk that a point at a distance from the lens is drawn as.
///
/// `b = f² / (N (u - f)) * |d - u| / d`, with the lens focused at `u` and the point at `d`; 0 in focus. Source: thin lens,
/// e.g. Ray, *Applied Photographic Optics* (from memory).
pub fn blur_disk(focus: Focus, n: FNumber, at: Metres) -> Micrometres {
    let (u, d) = (focus.distance().get(), at.get());
    Micrometres(blur_of_infinity(focus, n.exact()) * (d - u).abs() / d * 1e6)
}

/// What a point at infinity is drawn as, in metres: `f² / (N (u - f))`.
fn blur_of_infinity(focus: Focus, n: f64) -> f64 {
    let f = focus.focal_length().metres();
    f * f / (n * (focus.distance().get() - f))
}

/// Where the blur disk grows past the circle of confusion `c`, before and behind the distance `u` in focus.
///
/// `near = u A / (A + c)`, `far = u A / (A - c)`, with `A` the blur of a point at infinity; to infinity where that passes for
/// sharp itself. The same as the usual form by the hyperfocal distance `H`: `u (H - f) / (H + u - 2f)` and `u (H - f) / (H - u)`.
/// Source: Ray, *Applied Photographic Optics* (from memory).
pub fn depth_of_field(focus: Focus, n: FNumber, circle: CircleOfConfusion) -> DepthOfField {
    let (u, c) = (focus.distance(), circle.metres());
    let at_infinity = blur_of_infinity(focus, n.exact());
    let limit = |beyond: f64| Metres::new(u.get() * at_infinity / beyond).filter(|_| beyond > 0.0);
    // The blur of infinity is above zero, so the near limit is a distance.
    DepthOfField { near: limit(at_infinity + c).unwrap_or(u), far: limit(at_infinity - c) }
}

/// The widest aperture, of the marks of a camera's series, at which points at these distances from the lens are all sharp.
/// `None` if there is none down to f/64.
pub fn widest_sharp(focus: Focus, circle: CircleOfConfusion, at: &[Metres], series: Series) -> Option<FNumber> {
    FNumber::all(series).find(|n| at.iter().all(|at| is_sharp(blur_disk(focus, *n, *at), circle)))
}

/// Whether a blur passes for a point; arithmetic's last digits never decide.
fn is_sharp(blur: Micrometres, circle: CircleOfConfusion) -> bool {
    blur.times(circle.diameter()) <= 1.0 + 1e-9
}

impl CircleOfConfusion {
    /// Whether a blur passes for a point.
    pub fn holds(self, blur: Micrometres) -> bool {
        is_sharp(blur, self)
    }
}

#[cfg(test)]
mod tests {
    use super::super::length::FocalLength;
    use super::*;
    use proptest::prelude::*;

    /// `None`: without end.
    fn total(sharp: DepthOfField) -> Option<f64> {
        Some(sharp.far?.get() - sharp.near.get())
    }

    /// The nearest distance in focus at which all beyond is sharp: `H = f² / (N c) + f`.
    /// Source: Ray, *Applied Photographic Optics* (from memory). `None` where that is no length (it never is for lenses that exist).
    fn hyperfocal(focal_length: FocalLength, n: FNumber, circle: CircleOfConfusion) -> Option<Metres> {
        let f = focal_length.metres();
        Metres::new(f * f / (n.exact() * circle.metres()) + f)
    }

    fn n(text: &str) -> FNumber {
        text.parse().unwrap()
    }

    fn metres(m: f64) -> Metres {
        Metres::new(m).unwrap()
    }

    fn focus(mm: f64, m: f64) -> Focus {
        Focus::new(FocalLength::new(mm).unwrap(), metres(m)).unwrap()
    }

    /// CHECK: 50 mm at f/8 with a circle of 0.03 mm has its hyperfocal distance at 10.47 m; focused there, all from half
    /// that, 5.2 m, to infinity is sharp (the worked example of encyclopaedias, from memory).
    #[test]
    fn a_standard_lens_has_the_published_hyperfocal_distance() {
        let circle = CircleOfConfusion::new(0.03).unwrap();
        let h = hyperfocal(FocalLength::new(50.0).unwrap(), n("f/8"), circle).unwrap();
        assert!((h.get() - 10.467).abs() < 1e-3, "{h:?}");
        let sharp = depth_of_field(focus(50.0, h.get() + 1e-6), n("f/8"), circle);
        assert!((sharp.near.get() - 5.23).abs() < 0.01, "{sharp:?}");
        assert_eq!(total(depth_of_field(focus(50.0, 10.5), n("f/8"), circle)), None);
    }

    /// CHECK: from a rougher handbook rule that knows no hyperfocal distance: for close subjects the whole depth is
    /// `2 N c (1 + m) / m²` (Ray, Applied Photographic Optics, from memory).
    #[test]
    fn close_by_the_depth_goes_by_magnification_alone() {
        let circle = CircleOfConfusion::new(0.03).unwrap();
        for (mm, m) in [(50.0, 0.3), (100.0, 0.5), (200.0, 1.0)] {
            let at = focus(mm, m);
            let scale = at.magnification().0;
            let by_rule = 2.0 * 8.0 * 0.03e-3 * (1.0 + scale) / (scale * scale);
            let total = total(depth_of_field(at, n("f/8"), circle)).unwrap();
            assert!((total / by_rule - 1.0).abs() < 0.01, "{mm} mm at {m} m: {total} is not {by_rule}");
        }
    }

    /// CHECK: the cone of light drawn ray by ray, `1/f = 1/u + 1/v` twice, and cut where the sensor is (Hecht, Optics; from memory).
    fn by_rays(mm: f64, u: f64, d: f64, n: f64) -> f64 {
        let f = mm / 1000.0;
        let behind = |at: f64| 1.0 / (1.0 / f - 1.0 / at);
        let (sensor, image) = (behind(u), behind(d));
        f / n * (sensor - image).abs() / image * 1e6
    }

    #[test]
    fn the_widest_aperture_is_the_first_mark_that_is_narrow_enough() {
        let (at, circle) = (focus(85.0, 1.8), CircleOfConfusion::new(0.03).unwrap());
        let (nose, ears) = (metres(1.77), metres(1.9));
        let widest = widest_sharp(at, circle, &[nose, ears], Series::Thirds).unwrap();
        assert!(circle.holds(blur_disk(at, widest, ears)) && circle.holds(blur_disk(at, widest, nose)));
        let wider = FNumber::nearest_third(widest.av() - crate::photometry::Stops(1.0 / 3.0)).unwrap();
        assert!(!circle.holds(blur_disk(at, wider, ears)), "{wider} would do, too");
        assert_eq!(widest_sharp(at, circle, &[metres(900.0)], Series::Thirds), None);
    }

    fn apertures() -> impl Strategy<Value = FNumber> {
        (0_usize..37).prop_map(|i| FNumber::new(FNumber::marks(Series::Thirds)[i], None, Series::Thirds).unwrap())
    }

    proptest! {
        #[test]
        fn blur_is_what_rays_give(mm in 14.0_f64..400.0, far in 2.0_f64..80.0, d in 1.5_f64..200.0, n in apertures()) {
            let (u, d) = (mm / 1000.0 * far, mm / 1000.0 * d);
            let blur = blur_disk(focus(mm, u), n, metres(d)).0;
            let rays = by_rays(mm, u, d, n.exact());
            prop_assert!((blur - rays).abs() <= 1e-6 * rays.max(1.0), "{blur} is not {rays}");
        }

        #[test]
        fn sharpness_ends_where_blur_is_the_circle_of_confusion(mm in 14.0_f64..400.0, far in 2.0_f64..80.0, n in apertures()) {
            let (at, circle) = (focus(mm, mm / 1000.0 * far), CircleOfConfusion::new(0.03).unwrap());
            let sharp = depth_of_field(at, n, circle);
            prop_assert!(sharp.near < at.distance());
            prop_assert!((blur_disk(at, n, sharp.near).0 - 30.0).abs() < 1e-6);
            if let Some(end) = sharp.far {
                prop_assert!(end > at.distance());
                prop_assert!((blur_disk(at, n, end).0 - 30.0).abs() < 1e-4, "{}", blur_disk(at, n, end).0);
            }
        }

        #[test]
        fn the_limits_are_those_of_the_hyperfocal_distance(mm in 14.0_f64..400.0, far in 2.0_f64..80.0, n in apertures()) {
            let (at, circle) = (focus(mm, mm / 1000.0 * far), CircleOfConfusion::new(0.03).unwrap());
            let (f, u) = (mm / 1000.0, at.distance().get());
            let h = hyperfocal(at.focal_length(), n, circle).unwrap().get();
            let sharp = depth_of_field(at, n, circle);
            prop_assert!((sharp.near.get() / (u * (h - f) / (h + u - 2.0 * f)) - 1.0).abs() < 1e-9);
            prop_assert_eq!(sharp.far.is_some(), u < h);
            if let Some(end) = sharp.far.filter(|end| end.get() < 1e3) {
                prop_assert!((end.get() / (u * (h - f) / (h - u)) - 1.0).abs() < 1e-6);
            }
        }

        #[test]
        fn a_narrower_aperture_has_more_depth(mm in 14.0_f64..400.0, far in 2.0_f64..80.0, i in 0_usize..36) {
            let marks = FNumber::marks(Series::Thirds);
            let of = |i: usize| {
                let n = FNumber::new(marks[i], None, Series::Thirds).unwrap();
                depth_of_field(focus(mm, mm / 1000.0 * far), n, CircleOfConfusion::new(0.03).unwrap())
            };
            let total = |i: usize| total(of(i)).unwrap_or(f64::INFINITY);
            prop_assert!(total(i + 1) > total(i) || total(i) == f64::INFINITY);
            prop_assert!(of(i + 1).near < of(i).near);
        }
    }
}
