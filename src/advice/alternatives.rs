//! The other ways to the same exposure when a light's range ends, with their numbers.

use serde::{Deserialize, Serialize};

use crate::frame::Settings;
use crate::photometry::{Density, FNumber, IsoSpeed, Stops, distance_factor};
use crate::rig::GroupName;

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
    /// Density of a filter over the lens, for too much light.
    pub filter_density: Option<Density>,
}

/// The other ways for one group. `settings` are those that the lights were to fit.
pub fn other_ways(group: &GroupName, missing: Stops, settings: &Settings) -> OtherWays {
    OtherWays {
        group: group.clone(),
        missing,
        distance_factor: distance_factor(missing),
        iso: settings.iso.and_then(|iso| IsoSpeed::nearest_third(iso.sv() + missing)).map(IsoSpeed::marked),
        f_number: settings.f_number.and_then(|n| FNumber::nearest_third(n.av() - missing)).map(FNumber::marked),
        filter_density: (missing < Stops::ZERO).then(|| Density::losing(-missing)),
    }
}

/// Filters are sold in whole stops (common practice, no source).
const DENSITIES_SOLD: [f64; 6] = [0.3, 0.6, 0.9, 1.2, 1.5, 1.8];
/// A filter that lacks less than this will do: a tenth of a stop.
const NEARLY: f64 = 0.03;

impl OtherWays {
    pub fn in_words(&self) -> String {
        let nearer = if self.missing > Stops::ZERO { "nearer" } else { "farther away" };
        let at_the_camera = self.at_the_camera().map_or_else(String::new, |ways| format!("{ways}; or "));
        format!(
            "{0} is at the end of its range, {1}. Instead: {at_the_camera}{0} {nearer}, at {2:.2} times its distance (less sure for a \
             large modifier).",
            self.group,
            self.missing.too_weak_or_strong(),
            self.distance_factor
        )
    }

    /// What changes all lights alike; the powers then have to be asked for.
    fn at_the_camera(&self) -> Option<String> {
        let filter = self.filter_density.map(|Density(d)| {
            let sold = DENSITIES_SOLD.into_iter().find(|sold| *sold >= d - NEARLY).unwrap_or(d);
            format!("an ND {sold:.1} filter on the lens")
        });
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
        names.join(" and "),
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
        let ways = other_ways(&"key".into(), Stops(-1.0), &settings);
        assert_eq!((ways.iso, ways.f_number), (Some(50.0), Some(4.0)));
        assert!((ways.distance_factor - 2_f64.sqrt()).abs() < 1e-9);
        assert!((ways.filter_density.unwrap().0 - 0.3).abs() < 2e-3);
        let rim = other_ways(&"rim".into(), Stops(-2.0 / 3.0), &settings);
        let both = ways_in_words(&[ways.clone(), rim]);
        assert_eq!(both.len(), 1);
        assert!(both[0].contains("key and rim") && both[0].contains("key the farthest, 1 stop too strong"), "{both:?}");
        assert!(both[0].contains("For the whole set: ISO 50, or f/4, or an ND 0.3 filter"), "{both:?}");
        assert!(
            ways.in_words().contains("1 stop too strong") && ways.in_words().contains("an ND 0.3 filter on the lens")
        );
    }
}
