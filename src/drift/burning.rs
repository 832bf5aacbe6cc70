//! Light that burns all the time beside flash: a lamp, a window. It is known by what a change of the exposure time does, which
//! flash doesn't heed.

use super::expected::{Lighting, expected};
use crate::frame::Settings;
use crate::photometry::Stops;
use crate::statistics::Z95;

/// Light that burns all the time, as far as a change of the exposure time shows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BurningLight {
    /// Its share of all light in the reference, 0 to 1.
    pub share: f64,
    /// All of the light may be of this kind.
    pub may_be_all: bool,
}

/// A change of the exposure time smaller than this shows nothing.
const LEAST_CHANGE: Stops = Stops(0.3);

/// The light that burns all the time and would explain what flash alone doesn't: `observed` is the frame's drift with its 95 %
/// half-width, `turned` how far all lights are known to have been turned. `None` where the exposure time stayed, where it
/// moved the other way, or by less than what is to be explained.
///
/// Light adds: with a share `s` of such light in the reference and an exposure time longer by `t` stops, the frame is brighter by
/// `log2(1 - s + s 2^t)` stops than flash alone would make it.
pub fn burning_light(
    from: &Settings,
    to: &Settings,
    (observed, half_width): (Stops, Stops),
    turned: Stops,
) -> Option<BurningLight> {
    let flash = expected(from, to, Lighting::Flash)?;
    let longer = expected(from, to, Lighting::Continuous)? - flash;
    let unexplained = observed - flash - turned;
    let is_beyond = unexplained.abs() > longer.abs() + half_width;
    let is_noise = unexplained.abs() <= half_width;
    if longer.abs() < LEAST_CHANGE || unexplained.0.signum() != longer.0.signum() || is_beyond || is_noise {
        return None;
    }
    let share = (unexplained.ratio() - 1.0) / (longer.ratio() - 1.0);
    Some(BurningLight {
        share: share.clamp(0.0, 1.0),
        may_be_all: (unexplained - longer).abs() <= half_width.in_quadrature(half_width / Z95),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn settings(time: &str) -> Settings {
        Settings::shot_at("f/8", time, "100")
    }

    proptest! {
        /// CHECK: light adds (superposition of incoherent light), so that the share which is put in is found again.
        #[test]
        fn a_share_that_is_put_in_is_found(share in 0.1..1.0_f64, longer in 1..4_i32) {
            let time = ["1/160", "1/80", "1/40", "1/20"][longer as usize];
            let brighter = Stops((1.0 - share + share * f64::from(longer).exp2()).log2());
            let found = burning_light(&settings("1/160"), &settings(time), (brighter, Stops(0.05)), Stops::ZERO).unwrap();
            prop_assert!((found.share - share).abs() < 0.02, "{found:?}");
            prop_assert!(share < 0.99 || found.may_be_all);
            let back = burning_light(&settings(time), &settings("1/160"), (-brighter, Stops(0.05)), Stops::ZERO);
            prop_assert!(back.is_some());
        }
    }

    #[test]
    fn what_moves_the_other_way_or_farther_is_no_burning_light() {
        let [short, long] = ["1/160", "1/80"].map(settings);
        let of = |drift| burning_light(&short, &long, (Stops(drift), Stops(0.1)), Stops::ZERO);
        assert_eq!(of(-0.5), None);
        assert_eq!(of(2.0), None, "a stop longer makes no two stops");
        assert_eq!(of(0.05), None);
        assert!(of(0.97).unwrap().may_be_all && !of(0.5).unwrap().may_be_all);
        assert_eq!(burning_light(&short, &short, (Stops(1.0), Stops(0.1)), Stops::ZERO), None);
    }
}
