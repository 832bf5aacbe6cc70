//! The colours of a map of change: blue where the light fell, orange where it rose, nearly white where it stayed.
//!
//! Blue and orange are told apart by those who don't tell red from green, and both darken alike away from the middle.

use crate::drift::ChangedPatch;
use crate::photometry::Stops;

pub type Colour = [u8; 3];

const DARKER: Colour = [44, 128, 220];
const SAME: Colour = [236, 236, 236];
const BRIGHTER: Colour = [196, 98, 20];

/// Few ranges, so that maps of one sitting mostly share one.
const RANGES: [Stops; 6] = [Stops(0.5), Stops(1.0), Stops(1.5), Stops(2.0), Stops(3.0), Stops(4.0)];
/// Single patches beyond a range, as of a glint, don't widen it.
const SHARE_WITHIN: f64 = 0.98;

/// How far the colours of a map go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChangeScale {
    /// The change at either end. What changed more has the end's colour.
    pub range: Stops,
}

impl ChangeScale {
    pub fn of(patches: &[ChangedPatch]) -> ChangeScale {
        let enough = (patches.len() as f64 * SHARE_WITHIN).ceil() as usize;
        let holds = |range: &Stops| patches.iter().filter(|patch| patch.change.abs() <= *range).count() >= enough;
        let widest = RANGES[RANGES.len() - 1];
        ChangeScale { range: RANGES.into_iter().find(holds).unwrap_or(widest) }
    }

    /// Where on the scale a change stands, from -1 to 1.
    pub fn place(self, change: Stops) -> f64 {
        (change.0 / self.range.0).clamp(-1.0, 1.0)
    }

    pub fn colour(self, change: Stops) -> Colour {
        let far = self.place(change);
        let end = if far < 0.0 { DARKER } else { BRIGHTER };
        let mixed = |channel: usize| {
            let (same, end) = (f64::from(SAME[channel]), f64::from(end[channel]));
            (same + (end - same) * far.abs()).round() as u8
        };
        [mixed(0), mixed(1), mixed(2)]
    }

    /// Where the scale has its numbers.
    pub fn ticks(self) -> [Stops; 5] {
        [-1.0, -0.5, 0.0, 0.5, 1.0].map(|far| Stops(self.range.0 * far))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::Area;
    use crate::response::srgb_decode;
    use proptest::prelude::*;

    /// CHECK: the weights of red, green and blue are those of ITU-R BT.709, from memory.
    fn luminance(colour: Colour) -> f64 {
        let [r, g, b] = colour.map(|code| srgb_decode(f64::from(code) / 255.0));
        0.2126 * r + 0.7152 * g + 0.0722 * b
    }

    fn patches(changes: &[f64]) -> Vec<ChangedPatch> {
        changes.iter().map(|change| ChangedPatch { area: Area::WHOLE, change: Stops(*change) }).collect()
    }

    proptest! {
        #[test]
        fn both_sides_darken_alike_and_more_with_more_change(change in 0.1_f64..0.9) {
            let scale = ChangeScale { range: Stops(1.0) };
            let of = |change: f64| luminance(scale.colour(Stops(change)));
            prop_assert!((of(change) - of(-change)).abs() < 0.05, "{} {}", of(change), of(-change));
            for sign in [-1.0, 1.0] {
                prop_assert!(of(sign * (change + 0.1)) < of(sign * change));
            }
            let [red, _, blue] = scale.colour(Stops(change));
            prop_assert!(red > blue, "brighter is orange");
            let [red, _, blue] = scale.colour(Stops(-change));
            prop_assert!(blue > red, "darker is blue");
        }
    }

    #[test]
    fn a_scale_holds_nearly_all_changes_and_its_ends_all_others() {
        assert_eq!(ChangeScale::of(&[]).range, Stops(0.5));
        assert_eq!(ChangeScale::of(&patches(&[0.02, -0.3])).range, Stops(0.5));
        assert_eq!(ChangeScale::of(&patches(&[0.02, -1.3])).range, Stops(1.5));
        let mut changes = vec![0.1; 99];
        changes.push(3.0);
        let scale = ChangeScale::of(&patches(&changes));
        assert_eq!(scale.range, Stops(0.5), "one glint");
        assert_eq!(scale.colour(Stops(3.0)), scale.colour(Stops(0.5)));
        assert_eq!(ChangeScale::of(&patches(&[9.0])).range, Stops(4.0));
    }
}
