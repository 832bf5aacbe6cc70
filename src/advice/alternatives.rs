//! The other ways to the same exposure when a light's range ends, with their numbers.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::frame::Settings;
use crate::photometry::{Density, FNumber, IsoSpeed, SAME_SETTING, Stops, distance_factor};
use crate::rig::GroupName;
use crate::wording::listed;

/// What the camera and the bag offer besides the lights.
#[derive(Debug, Clone, PartialEq)]
pub struct AtHand {
    /// The camera's lowest speed; `None` where nobody told it.
    pub lowest_iso: Option<IsoSpeed>,
    /// The highest speed that the photographer wants of it; `None` where nobody told it.
    pub highest_iso: Option<IsoSpeed>,
    /// Neutral density filters for the lens, each as often as it is there.
    pub filters: Vec<Density>,
    /// Neutral density gels for the lights, as many of each as are needed.
    pub gels: Vec<Density>,
}

/// 'camera from ISO 100 to ISO 800, filters ND 0.3 and ND 0.6, gels ND 0.3'.
impl fmt::Display for AtHand {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let names = |densities: &[Density]| listed(&densities.iter().map(Density::to_string).collect::<Vec<_>>());
        match (self.lowest_iso, self.highest_iso) {
            (Some(lowest), Some(highest)) => write!(f, "camera from {lowest} to {highest}, ")?,
            (Some(lowest), None) => write!(f, "camera from {lowest}, ")?,
            (None, Some(highest)) => write!(f, "camera's lowest ISO not known, at most {highest}, ")?,
            (None, None) => f.write_str("camera's lowest ISO not known, ")?,
        }
        match self.filters.as_slice() {
            [] => f.write_str("no filters")?,
            several => write!(f, "filters {}", names(several))?,
        }
        match self.gels.as_slice() {
            [] => Ok(()),
            several => write!(f, ", gels {}", names(several)),
        }
    }
}

/// A camera of which nothing is known, and the filters that are usually sold: in whole stops (common practice, no source).
impl Default for AtHand {
    fn default() -> AtHand {
        AtHand {
            lowest_iso: None,
            highest_iso: None,
            filters: [0.3, 0.6, 0.9, 1.2, 1.5, 1.8].map(Density).to_vec(),
            gels: Vec::new(),
        }
    }
}

/// What else would supply, or take away, the light that one group can't.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OtherWays {
    pub group: GroupName,
    /// Light still missing (positive) or still too much (negative).
    pub missing: Stops,
    /// By this factor the light's distance would have to change. Point source: a large near
    /// modifier falls off slower.
    pub distance_factor: f64,
    /// ISO that supplies it for all groups; each group then needs its power worked out anew.
    pub iso: Option<f64>,
    /// f-number that supplies it for all groups, at the price of sharpness in depth.
    pub f_number: Option<f64>,
    /// Density over the lens that is needed, with what is on it, for too much light, where filters at hand are enough.
    pub filter_density: Option<Density>,
    /// The weakest filters at hand that are enough for it, at most two. Records of earlier days don't tell them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub filters: Vec<Density>,
}

/// The other ways for one group. `settings` are those that the lights were to fit.
pub fn other_ways(group: &GroupName, missing: Stops, settings: &Settings, at_hand: &AtHand) -> OtherWays {
    let needed = Density(Density::losing(-missing).0 + settings.filter.0);
    let filters = if missing < Stops::ZERO { weakest_enough(&at_hand.filters, needed) } else { Vec::new() };
    OtherWays {
        group: group.clone(),
        missing,
        distance_factor: distance_factor(missing),
        iso: settings.iso.and_then(|iso| at_hand.iso(iso.sv() + missing)).map(IsoSpeed::marked),
        f_number: settings.f_number.and_then(|n| FNumber::nearest_third(n.av() - missing)).map(FNumber::marked),
        filter_density: (!filters.is_empty()).then_some(needed),
        filters,
    }
}

/// A filter that lacks less than this will do: a tenth of a stop.
const NEARLY: f64 = 0.03;

impl AtHand {
    /// The lowest and the highest speed, where they leave none between.
    pub fn iso_upside_down(&self) -> Option<(IsoSpeed, IsoSpeed)> {
        self.lowest_iso.zip(self.highest_iso).filter(|(lowest, highest)| highest.sv() < lowest.sv())
    }

    /// Why a speed that is asked for is none of this camera's, or none that is wanted of it, in words.
    pub fn refuses(&self, iso: IsoSpeed) -> Option<String> {
        let below = self.lowest_iso.filter(|lowest| iso.sv() < lowest.sv() - SAME_SETTING);
        let above = self.highest_iso.filter(|highest| iso.sv() > highest.sv() + SAME_SETTING);
        let below = below.map(|lowest| format!("{iso} is below the camera's lowest speed, {lowest}"));
        below.or_else(|| above.map(|highest| format!("{iso} is above the highest speed that is wanted, {highest}")))
    }

    /// The camera's mark nearest to a place on the speed scale; `None` where it has none so low or so high.
    fn iso(&self, sv: Stops) -> Option<IsoSpeed> {
        let is_low_enough = |iso: &IsoSpeed| self.highest_iso.is_none_or(|most| iso.sv() <= most.sv() + SAME_SETTING);
        let is_high_enough = |iso: &IsoSpeed| self.lowest_iso.is_none_or(|least| iso.sv() >= least.sv() - SAME_SETTING);
        IsoSpeed::nearest_third(sv).filter(is_low_enough).filter(is_high_enough)
    }
}

/// The weakest filter that is enough; else the weakest two; else none.
pub fn weakest_enough(filters: &[Density], needed: Density) -> Vec<Density> {
    filters_to_try(filters).into_iter().find(|some| together(some).0 >= needed.0 - NEARLY).unwrap_or_default()
}

/// Where to a light is moved that gives this much too little (positive) or too much: 'farther away, at 1.41 times its distance'.
/// For a point source: [`LESS_SURE`] is said with it.
pub fn moved_in_words(missing: Stops) -> String {
    let nearer = if missing > Stops::ZERO { "nearer" } else { "farther away" };
    format!("{nearer}, at {:.2} times its distance", distance_factor(missing))
}

/// A modifier that is large against its distance falls off more slowly than a point.
pub const LESS_SURE: &str = "(less sure for a large modifier)";

/// What several filters before one lens come to.
pub fn together(filters: &[Density]) -> Density {
    filters.iter().copied().sum()
}

/// Each filter, then each two of them, the denser first; the weakest come first, and of pairs that are as dense the one with the
/// densest filter.
pub fn filters_to_try(filters: &[Density]) -> Vec<Vec<Density>> {
    let others = |at: usize| filters[at + 1..].iter();
    let with = |(at, one): (usize, &Density)| others(at).map(|other| vec![one.max(*other), one.min(*other)]).collect();
    let mut pairs: Vec<Vec<Density>> =
        filters.iter().enumerate().flat_map(|each| -> Vec<Vec<Density>> { with(each) }).collect();
    let mut singly: Vec<Vec<Density>> = filters.iter().map(|one| vec![*one]).collect();
    // Sums of tenths differ in their last digits.
    let key = |some: &Vec<Density>| ((together(some).0 * 1000.0).round(), -some[0].0);
    let order = |a: &Vec<Density>, b: &Vec<Density>| {
        let (a, b) = (key(a), key(b));
        a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1))
    };
    singly.sort_by(order);
    pairs.sort_by(order);
    singly.into_iter().chain(pairs).collect()
}

/// 'an ND 0.6 filter on the lens', 'ND 0.9 and ND 0.6 filters on the lens'; `None` without any.
pub fn filters_in_words(filters: &[Density]) -> Option<String> {
    match filters {
        [] => None,
        [one] => Some(format!("an {one} filter on the lens")),
        several => {
            let several: Vec<String> = several.iter().map(Density::to_string).collect();
            Some(format!("{} filters on the lens", listed(&several)))
        }
    }
}

impl OtherWays {
    /// This aperture is no way.
    pub fn leave_out(&mut self, f_number: FNumber) {
        self.f_number = self.f_number.filter(|offered| *offered != f_number.marked());
    }

    pub fn in_words(&self) -> String {
        let at_the_camera = self.at_the_camera().map_or_else(String::new, |ways| format!("{ways}; or "));
        format!(
            "{0} is at the end of its range, {1}. Instead: {at_the_camera}{0} {2} {LESS_SURE}.",
            self.group,
            self.missing.too_weak_or_strong(),
            moved_in_words(self.missing)
        )
    }

    /// Those at hand; for records of earlier days the one that is usually sold, or that was needed.
    fn filters_told(&self) -> Vec<Density> {
        match self.filter_density.filter(|_| self.filters.is_empty()) {
            Some(needed) => {
                let sold = AtHand::default().filters.into_iter().find(|sold| sold.0 >= needed.0 - NEARLY);
                vec![sold.unwrap_or(needed)]
            }
            None => self.filters.clone(),
        }
    }

    /// What changes all lights alike; the powers then have to be asked for.
    fn at_the_camera(&self) -> Option<String> {
        let filter = filters_in_words(&self.filters_told());
        let ways = [self.iso.map(|iso| format!("ISO {iso}")), self.f_number.map(|n| format!("f/{n}")), filter];
        let ways: Vec<String> = ways.into_iter().flatten().collect();
        (!ways.is_empty()).then(|| format!("{} (for every light: ask for the powers then)", ways.join(", or ")))
    }
}

/// The ways for all groups that are at an end: of several on one side, the one way that is enough for each.
pub fn ways_in_words(all: &[OtherWays]) -> Vec<String> {
    let (weak, strong): (Vec<&OtherWays>, Vec<&OtherWays>) = all.iter().partition(|ways| ways.missing > Stops::ZERO);
    [weak, strong].iter().filter_map(|side| of_one_side(side)).collect()
}

fn of_one_side(ways: &[&OtherWays]) -> Option<String> {
    let farthest = ways.iter().max_by(|a, b| a.missing.abs().0.total_cmp(&b.missing.abs().0))?;
    if ways.len() == 1 {
        return Some(farthest.in_words());
    }
    let names: Vec<&str> = ways.iter().map(|ways| ways.group.as_str()).collect();
    let instead = farthest.at_the_camera().map_or_else(String::new, |ways| format!(" For the whole set: {ways}."));
    Some(format!(
        "{} are at the end of their ranges, {} the farthest, {}.{instead}",
        listed(&names),
        farthest.group,
        farthest.missing.too_weak_or_strong()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: inverse square (Hecht, Optics) and density (ISO 5-2, from memory).
    #[test]
    fn too_much_light_can_be_filtered_or_moved_away() {
        let settings = Settings { f_number: "f/2.8".parse().ok(), iso: "100".parse().ok(), ..Settings::default() };
        let ways = other_ways(&"key".into(), Stops(-1.0), &settings, &AtHand::default());
        assert_eq!((ways.iso, ways.f_number), (Some(50.0), Some(4.0)));
        assert!((ways.distance_factor - 2_f64.sqrt()).abs() < 1e-9);
        assert!((ways.filter_density.unwrap().0 - 0.3).abs() < 2e-3);
        let rim = other_ways(&"rim".into(), Stops(-2.0 / 3.0), &settings, &AtHand::default());
        let both = ways_in_words(&[ways.clone(), rim]);
        assert_eq!(both.len(), 1);
        assert!(both[0].contains("key and rim") && both[0].contains("key the farthest, 1 stop too strong"), "{both:?}");
        assert!(both[0].contains("For the whole set: ISO 50, or f/4, or an ND 0.3 filter"), "{both:?}");
        assert!(
            ways.in_words().contains("1 stop too strong") && ways.in_words().contains("an ND 0.3 filter on the lens")
        );
    }

    fn too_strong(by: f64, lowest_iso: Option<&str>, filters: &[f64]) -> OtherWays {
        let settings = Settings { f_number: "f/2.8".parse().ok(), iso: "200".parse().ok(), ..Settings::default() };
        let lowest_iso = lowest_iso.map(|iso| iso.parse().unwrap());
        let filters = filters.iter().copied().map(Density).collect();
        let at_hand = AtHand { lowest_iso, filters, ..AtHand::default() };
        other_ways(&"key".into(), Stops(-by), &settings, &at_hand)
    }

    #[test]
    fn no_speed_below_the_cameras_lowest_is_offered() {
        assert_eq!(too_strong(1.0, Some("100"), &[]).iso, Some(100.0), "the lowest itself is there");
        assert_eq!(too_strong(4.0 / 3.0, Some("100"), &[]).iso, None);
        assert_eq!(too_strong(4.0 / 3.0, None, &[]).iso, Some(80.0));
        let words = too_strong(2.0, Some("100"), &[]).in_words();
        assert!(!words.contains("ISO") && words.contains("f/5.6 (for every light"), "{words}");
    }

    #[test]
    fn no_speed_above_what_is_wanted_of_the_camera_is_offered() {
        let settings = Settings { f_number: "f/16".parse().ok(), iso: "400".parse().ok(), ..Settings::default() };
        let at_hand = AtHand { highest_iso: "800".parse().ok(), ..AtHand::default() };
        let iso = |missing: f64| other_ways(&"key".into(), Stops(missing), &settings, &at_hand).iso;
        assert_eq!((iso(1.0), iso(4.0 / 3.0)), (Some(800.0), None));
    }

    /// CHECK: densities of filters on top of each other add up (ISO 5-2, from memory).
    #[test]
    fn only_filters_at_hand_are_offered_and_two_where_one_is_not_enough() {
        let bag = [0.6, 0.3, 0.9];
        for (by, filters, said) in [
            (1.0, vec![0.3], "an ND 0.3 filter on the lens"),
            (1.2, vec![0.6], "an ND 0.6 filter on the lens"),
            (3.0, vec![0.9], "an ND 0.9 filter on the lens"),
            (10.0 / 3.0, vec![0.9, 0.3], "ND 0.9 and ND 0.3 filters on the lens"),
            (5.0, vec![0.9, 0.6], "ND 0.9 and ND 0.6 filters on the lens"),
        ] {
            let ways = too_strong(by, None, &bag);
            assert_eq!(ways.filters, filters.into_iter().map(Density).collect::<Vec<_>>(), "{by}");
            assert!(ways.in_words().contains(said), "{}", ways.in_words());
        }
        for (by, bag) in [(6.0, &bag[..]), (1.0, &[])] {
            let words = too_strong(by, None, bag).in_words();
            assert!(!words.contains("filter") && !words.contains("ND"), "{words}");
        }
        let one = too_strong(4.0, None, &[0.6]);
        assert!(one.filters.is_empty() && one.filter_density.is_none(), "one filter is not there twice");
        let of_earlier_days = OtherWays { filters: Vec::new(), ..too_strong(2.0, None, &bag) };
        assert!(of_earlier_days.in_words().contains("an ND 0.6 filter"), "{}", of_earlier_days.in_words());
        assert_eq!(too_strong(4.0, None, &[0.6, 0.6]).filters, [Density(0.6), Density(0.6)]);
    }
}
