//! Powers for apertures that are not shot yet: what every light must be set to at each, and, where a light's range ends, the
//! one way round that is enough for all lights.

use super::alternatives::{AtHand, filters_to_try, together};
use super::correction::{Correction, correct};
use crate::drift::{Lighting, expected};
use crate::frame::Settings;
use crate::photometry::{Density, DialLimit, FNumber, IsoSpeed, Series};
use crate::rig::{DialChange, LightGroup};

/// What can be changed at the camera.
#[derive(Debug, Clone, PartialEq)]
pub struct AtTheCamera {
    pub lowest_iso: IsoSpeed,
    pub highest_iso: IsoSpeed,
    /// The filters that are at hand; one of them, or two, are put on the lens.
    pub filters: Vec<Density>,
    /// The marks of its apertures.
    pub steps: Series,
}

/// The powers for one aperture.
#[derive(Debug, Clone, PartialEq)]
pub struct Powers {
    pub settings: Settings,
    /// From the powers that hold at first; ends of ranges are in it.
    pub correction: Correction,
    /// Where a light's range ends. `None` also where nothing at the camera is enough for all lights.
    pub way_round: Option<WayRound>,
}

/// Other settings, or a filter, with which every light is within its range.
#[derive(Debug, Clone, PartialEq)]
pub struct WayRound {
    pub settings: Settings,
    pub filters: Vec<Density>,
    /// From the powers that hold at first.
    pub correction: Correction,
}

impl Powers {
    /// A light can't be set as it would have to be.
    pub fn is_out_of_range(&self) -> bool {
        !is_within(&self.correction)
    }
}

/// The powers for each of the apertures, at an ISO speed. `groups` have the powers that hold for the settings `from`; the
/// exposure time stays, so it doesn't matter what kind of light it is. `None` if f-number or ISO speed of `from` are unknown.
pub fn plan(
    groups: &[LightGroup],
    from: &Settings,
    apertures: &[FNumber],
    iso: IsoSpeed,
    camera: &AtTheCamera,
) -> Option<Vec<Powers>> {
    let at = |f_number: &FNumber| {
        let settings = Settings { f_number: Some(*f_number), iso: Some(iso), ..from.clone() };
        let correction = powers_for(groups, from, &settings, &[])?;
        let way_round = ways_round(&correction, *f_number, iso, camera)
            .into_iter()
            .map(|(f_number, iso, filters)| {
                (Settings { f_number: Some(f_number), iso: Some(iso), ..from.clone() }, filters)
            })
            .filter_map(|(settings, filters)| {
                let correction = powers_for(groups, from, &settings, &filters)?;
                Some(WayRound { settings, filters, correction })
            })
            .find(|way| is_within(&way.correction));
        Some(Powers { settings, correction, way_round })
    };
    apertures.iter().map(at).collect()
}

/// As the next frame's powers are worked out, with what filters take away.
fn powers_for(groups: &[LightGroup], from: &Settings, to: &Settings, filters: &[Density]) -> Option<Correction> {
    let lost = together(filters).loss();
    // Where a light's range ends the one way for all is looked for here, and no other is told.
    Some(correct(groups, &[], lost - expected(from, to, Lighting::Flash)?, to, &AtHand::default()))
}

/// What an end of a range lacks and nobody would see is none.
fn is_within(correction: &Correction) -> bool {
    correction.dial_changes.iter().all(|change| !is_out(change))
}

/// The end of the light's range lies short of what is wanted of it.
pub fn is_out(change: &DialChange) -> bool {
    change.limit != DialLimit::Within && change.remainder.is_worth_saying()
}

/// What may be tried where ranges end, what changes least first: ISO speed alone, a filter or two alone, the same at the lowest ISO
/// speed, another aperture, if need be at the lowest ISO speed, too. Of lights that are too weak beside others that are too strong nothing helps that changes all alike.
fn ways_round(
    correction: &Correction,
    f_number: FNumber,
    iso: IsoSpeed,
    camera: &AtTheCamera,
) -> Vec<(FNumber, IsoSpeed, Vec<Density>)> {
    let ends = |limit: DialLimit| correction.dial_changes.iter().any(|change| is_out(change) && change.limit == limit);
    let (speeds, marks) = (IsoSpeed::all(), FNumber::all(camera.steps));
    match (ends(DialLimit::Minimum), ends(DialLimit::Maximum)) {
        (true, false) => {
            let lower = speeds.rev().filter(|s| s.sv() < iso.sv() && s.sv() >= camera.lowest_iso.sv());
            let filters = filters_to_try(&camera.filters);
            let lowest = Some(camera.lowest_iso).filter(|lowest| lowest.sv() < iso.sv());
            let both_speeds = || [Some(iso), lowest].into_iter().flatten();
            let with_filter =
                both_speeds().flat_map(|iso| filters.iter().map(move |some| (f_number, iso, some.clone())));
            let narrower = marks.filter(|n| n.av() > f_number.av());
            lower
                .map(|speed| (f_number, speed, Vec::new()))
                .chain(with_filter)
                .chain(narrower.flat_map(|n| both_speeds().map(move |iso| (n, iso, Vec::new()))))
                .collect()
        }
        (false, true) => {
            let higher = speeds.filter(|s| s.sv() > iso.sv() && s.sv() <= camera.highest_iso.sv());
            let wider = marks.rev().filter(|n| n.av() < f_number.av());
            higher.map(|speed| (f_number, speed, Vec::new())).chain(wider.map(|n| (n, iso, Vec::new()))).collect()
        }
        _ => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photometry::{Dial, PowerSetting, Scale, Step, Stops};
    use crate::rig::Role;
    use proptest::prelude::*;

    fn light(name: &str, least: &str, power: f64) -> LightGroup {
        let dial = Dial::new(Scale::Fraction, Step::Third, least, "1/1").unwrap();
        let power = Some(PowerSetting::from_full(Stops(power)));
        LightGroup { name: name.into(), role: Role::Other, dial: Some(dial), power, heads: 1 }
    }

    fn settings(f_number: &str) -> Settings {
        Settings { f_number: f_number.parse().ok(), iso: "100".parse().ok(), ..Settings::default() }
    }

    fn camera(lowest: &str, filters: &[f64]) -> AtTheCamera {
        AtTheCamera {
            lowest_iso: lowest.parse().unwrap(),
            highest_iso: "6400".parse().unwrap(),
            filters: filters.iter().map(|d| Density(*d)).collect(),
            steps: Series::Thirds,
        }
    }

    fn one(groups: &[LightGroup], from: &str, to: &str, iso: &str, camera: &AtTheCamera) -> Powers {
        plan(groups, &settings(from), &[to.parse().unwrap()], iso.parse().unwrap(), camera).unwrap().remove(0)
    }

    fn shown(correction: &Correction) -> Vec<String> {
        correction.dial_changes.iter().map(|change| change.to.clone().unwrap()).collect()
    }

    /// CHECK: f/14, f/7.1, f/5.6, f/2.8 are 0, 2, 2 2/3 and 4 2/3 stops apart (Exif 2.32, annex on APEX).
    #[test]
    fn each_aperture_has_its_powers() {
        let lights = [light("key", "1/128", -1.0), light("fill", "1/128", -2.0)];
        let apertures = ["f/14", "f/7.1", "f/5.6", "f/2.8"].map(|n| n.parse().unwrap());
        let planned =
            plan(&lights, &settings("f/14"), &apertures, "100".parse().unwrap(), &camera("100", &[0.3])).unwrap();
        let powers: Vec<Vec<String>> = planned.iter().map(|p| shown(&p.correction)).collect();
        assert_eq!(powers, [["1/2", "1/4"], ["1/8", "1/16"], ["1/16 +0.3", "1/32 +0.3"], ["1/64 +0.3", "1/128 +0.3"]]);
        assert!(planned.iter().all(|p| !p.is_out_of_range() && p.way_round.is_none()));
    }

    /// CHECK: a filter of density 0.3 takes a stop (density is the decadic logarithm of what is lost: ISO 5-2, from memory), so
    /// that lights 1 and 1/3 stop below the ends of their ranges are at the end and 2/3 stop above it.
    #[test]
    fn one_filter_is_enough_for_all_lights_and_their_powers_follow_it() {
        let lights = [light("key", "1/128", -6.0), light("rim", "1/16", -2.0 - 1.0 / 3.0)];
        let powers = one(&lights, "f/8", "f/4", "100", &camera("100", &[0.9, 0.3, 0.6]));
        let missing: Vec<String> =
            powers.correction.dial_changes.iter().map(|c| c.remainder.too_weak_or_strong()).collect();
        assert_eq!(missing, ["1 stop too strong", "1/3 stop too strong"]);
        let way = powers.way_round.unwrap();
        assert_eq!(
            (way.filters.clone(), shown(&way.correction)),
            (vec![Density(0.3)], vec!["1/128".into(), "1/16 +0.7".into()])
        );
    }

    #[test]
    fn iso_is_lowered_before_a_filter_is_bought_and_an_aperture_is_the_last_way() {
        let lights = [light("key", "1/128", -6.0)];
        let by_iso = one(&lights, "f/8", "f/4", "100", &camera("50", &[0.3])).way_round.unwrap();
        assert_eq!((by_iso.settings.iso, by_iso.filters.as_slice()), ("50".parse().ok(), &[][..]));
        let both = one(&lights, "f/8", "f/2.8", "100", &camera("50", &[0.3])).way_round.unwrap();
        assert_eq!((both.settings.iso, both.filters.as_slice()), ("50".parse().ok(), &[Density(0.3)][..]));
        // Two filters before one lens: 5 stops too many, of which 0.6 and 0.9 take just as many.
        let two = one(&lights, "f/8", "f/1.4", "100", &camera("100", &[0.6, 0.9])).way_round.unwrap();
        assert_eq!((two.settings.f_number, two.filters), ("f/1.4".parse().ok(), vec![Density(0.9), Density(0.6)]));
        let neither = one(&lights, "f/8", "f/4", "100", &camera("100", &[])).way_round.unwrap();
        assert_eq!((neither.settings.f_number, neither.filters.as_slice()), ("f/5.6".parse().ok(), &[][..]));
        assert_eq!(shown(&neither.correction), ["1/128"]);
        let nearest = one(&lights, "f/8", "f/2.8", "100", &camera("50", &[])).way_round.unwrap();
        assert_eq!((nearest.settings.f_number, nearest.settings.iso), ("f/4".parse().ok(), "50".parse().ok()));
    }

    #[test]
    fn lights_that_are_too_weak_get_more_speed() {
        let lights = [light("key", "1/128", -1.0), light("fill", "1/128", -1.0 / 3.0)];
        let way = one(&lights, "f/8", "f/16", "100", &camera("100", &[0.3])).way_round.unwrap();
        assert_eq!(way.settings.iso.unwrap().marked(), 320.0, "fill lacks 1 2/3 stops");
        assert_eq!(shown(&way.correction), ["1/2 +0.3", "1/1"]);
    }

    #[test]
    fn nothing_at_the_camera_helps_lights_that_part() {
        let mut weak = light("key", "1/4", -1.0);
        weak.dial = Dial::new(Scale::Fraction, Step::Third, "1/256", "1/2").ok();
        let strong = light("rim", "1/2", -1.0);
        let lights = [weak, strong];
        let narrower = one(&lights, "f/8", "f/11", "100", &camera("100", &[0.3]));
        assert!(narrower.is_out_of_range() && narrower.way_round.is_some(), "ISO 200 brings both back");
        let apart = [light("key", "1/2", -3.0), light("rim", "1/128", 1.0)];
        let powers = one(&apart, "f/8", "f/8", "100", &camera("50", &[0.3, 0.6]));
        assert!(powers.is_out_of_range() && powers.way_round.is_none());
    }

    proptest! {
        #[test]
        fn a_way_round_brings_every_light_into_its_range_and_keeps_the_exposure(
            key in -7.0_f64..0.0, fill in -7.0_f64..0.0, to in 0_usize..37, iso in 4_usize..12,
        ) {
            let lights = [light("key", "1/128", (key * 3.0).round() / 3.0), light("fill", "1/128", (fill * 3.0).round() / 3.0)];
            let n = FNumber::new(FNumber::marks(Series::Thirds)[to], None, Series::Thirds).unwrap();
            let from = settings("f/8");
            let camera = camera("64", &[0.3, 0.6, 0.9, 1.2, 1.5, 1.8]);
            let iso = IsoSpeed::new(IsoSpeed::marks()[iso]).unwrap();
            let powers = plan(&lights, &from, &[n], iso, &camera).unwrap().remove(0);
            prop_assert!(powers.is_out_of_range() || powers.way_round.is_none());
            if let Some(way) = powers.way_round {
                let change = expected(&from, &way.settings, Lighting::Flash).unwrap();
                let lost = together(&way.filters).loss();
                for turned in &way.correction.dial_changes {
                    prop_assert_eq!(turned.limit, DialLimit::Within);
                    prop_assert!((change - lost + turned.change).abs() <= Stops(1.0 / 6.0 + 1e-9));
                }
            }
        }
    }
}
