//! Powers for apertures that are not shot yet: what every light must be set to at each, and, where a light's range ends, the
//! one way round that is enough for all lights.

use serde::Serialize;

use super::alternatives::AtHand;
use super::correction::Correction;
use super::lights_now::LightsNow;
use super::room::{RoomLight, RoomShare};
use super::ways_round::{Means, WayRound, is_within, way_round};
use crate::frame::Settings;
use crate::photometry::{FNumber, FlashTime, IsoSpeed, Series};
use crate::rig::{GroupName, LightGroup};

/// Of a camera of which nothing is told: every camera that is tethered has these (common practice, no source).
const USUAL_LOWEST_ISO: f64 = 100.0;
const USUAL_HIGHEST_ISO: f64 = 6400.0;

/// The powers for one aperture.
#[derive(Debug, Clone, PartialEq)]
pub struct Powers {
    pub settings: Settings,
    /// From where the lights stand now; ends of ranges are in it.
    pub correction: Correction,
    /// Where a light's range ends. `None` also where nothing is enough for all lights.
    pub way_round: Option<WayRound>,
    /// What room light is to it, where that is known; at the way round, if there is one.
    pub room: Option<RoomShare>,
    /// The light that is ready last, where the lights' times are known; at the way round, if there is one.
    pub recycling: Option<Recycling>,
}

/// The light of several that is ready last after a flash.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recycling {
    pub group: GroupName,
    pub seconds: FlashTime,
}

impl Powers {
    /// A light can't be set as it would have to be.
    pub fn is_out_of_range(&self) -> bool {
        !is_within(&self.correction)
    }
}

impl Means {
    /// What is told, and what is usual for what isn't. A speed that is planned is one that the camera has.
    pub fn of(at_hand: &AtHand, planned: IsoSpeed, steps: Series) -> Means {
        let usual = |iso: f64| IsoSpeed::new(iso).unwrap_or(planned);
        let lower = |a: IsoSpeed, b: IsoSpeed| if a.sv() < b.sv() { a } else { b };
        let higher = |a: IsoSpeed, b: IsoSpeed| if a.sv() > b.sv() { a } else { b };
        Means {
            lowest_iso: at_hand.lowest_iso.unwrap_or_else(|| lower(usual(USUAL_LOWEST_ISO), planned)),
            highest_iso: at_hand.highest_iso.unwrap_or_else(|| higher(usual(USUAL_HIGHEST_ISO), planned)),
            filters: at_hand.filters.clone(),
            gels: at_hand.gels.clone(),
            steps,
        }
    }
}

/// The powers for each of the apertures at an ISO speed; whatever else `base` has stays. `None` where the settings that the lights
/// are right for are not known.
pub fn plan(
    lights: &LightsNow,
    base: &Settings,
    apertures: &[FNumber],
    iso: IsoSpeed,
    means: &Means,
    room: Option<&RoomLight>,
) -> Option<Vec<Powers>> {
    let at = |f_number: &FNumber| {
        let settings = Settings { captured: None, f_number: Some(*f_number), iso: Some(iso), ..base.clone() };
        powers_at(lights, settings, base.f_number, means, room)
    };
    apertures.iter().map(at).collect()
}

/// The powers for settings. `now` is the aperture that the sitting stands at. `None` as for [`plan`].
fn powers_at(
    lights: &LightsNow,
    settings: Settings,
    now: Option<FNumber>,
    means: &Means,
    room: Option<&RoomLight>,
) -> Option<Powers> {
    // Where a light's range ends the one way for all is looked for here, and no other is told.
    let correction = lights.powers_for(&settings)?;
    Some(at_its_ends(lights, correction, settings, now, means, room))
}

/// What a correction for settings comes to where lights' ranges end. `now` is the aperture that is left, to which nobody is sent back.
pub fn at_its_ends(
    lights: &LightsNow,
    correction: Correction,
    settings: Settings,
    now: Option<FNumber>,
    means: &Means,
    room: Option<&RoomLight>,
) -> Powers {
    let way_round = if is_within(&correction) { None } else { way_round(lights, &correction, (&settings, now), means) };
    let shot = way_round.as_ref().map_or(&settings, |way| &way.settings);
    let room = room.and_then(|room| room.at(shot));
    let recycling = slowest(lights.groups, way_round.as_ref().map_or(&correction, |way| &way.correction));
    Powers { settings, correction, way_round, room, recycling }
}

/// Makers give the time for full power; below, it goes about with the energy (common practice, no source).
fn slowest(groups: &[LightGroup], correction: &Correction) -> Option<Recycling> {
    let times = correction.dial_changes.iter().filter_map(|change| {
        let group = groups.iter().find(|group| group.name == change.group)?;
        let seconds = group.facts.recycle_time?.times_energy(change.setting?.below_full())?;
        Some(Recycling { group: group.name.clone(), seconds })
    });
    times.max_by(|a, b| a.seconds.seconds().total_cmp(&b.seconds.seconds()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advice::lights_now::Moved;
    use crate::advice::ways_round::Deed;
    use crate::drift::{Lighting, expected};
    use crate::photometry::{Density, Dial, DialLimit, PowerSetting, Scale, Step, Stops};
    use crate::rig::{FrontKind, InFront, LightFacts, Role};
    use proptest::prelude::*;

    fn light(name: &str, least: &str, power: f64) -> LightGroup {
        let dial = Dial::new(Scale::Fraction, Step::Third, least, "1/1").unwrap();
        let power = Some(PowerSetting::from_full(Stops(power)));
        LightGroup {
            name: name.into(),
            role: Role::Other,
            dial: Some(dial),
            power,
            heads: 1,
            facts: LightFacts::default(),
        }
    }

    fn settings(f_number: &str) -> Settings {
        Settings { f_number: f_number.parse().ok(), iso: "100".parse().ok(), ..Settings::default() }
    }

    fn camera(lowest: &str, filters: &[f64]) -> Means {
        Means {
            lowest_iso: lowest.parse().unwrap(),
            highest_iso: "6400".parse().unwrap(),
            filters: filters.iter().map(|d| Density(*d)).collect(),
            gels: Vec::new(),
            steps: Series::Thirds,
        }
    }

    fn planned(
        groups: &[LightGroup],
        from: &Settings,
        apertures: &[FNumber],
        iso: IsoSpeed,
        means: &Means,
    ) -> Vec<Powers> {
        let (moved, lighting) = (Moved::Alike(Stops::ZERO), Lighting::Flash);
        let lights = LightsNow { groups, positions: &[], from, moved, lighting };
        plan(&lights, from, apertures, iso, means, None).unwrap()
    }

    fn one(groups: &[LightGroup], from: &str, to: &str, iso: &str, means: &Means) -> Powers {
        planned(groups, &settings(from), &[to.parse().unwrap()], iso.parse().unwrap(), means).remove(0)
    }

    fn shown(correction: &Correction) -> Vec<String> {
        correction.dial_changes.iter().map(|change| change.to.clone().unwrap()).collect()
    }

    /// CHECK: f/14, f/7.1, f/5.6, f/2.8 are 0, 2, 2 2/3 and 4 2/3 stops apart (Exif 2.32, annex on APEX).
    #[test]
    fn each_aperture_has_its_powers() {
        let lights = [light("key", "1/128", -1.0), light("fill", "1/128", -2.0)];
        let apertures = ["f/14", "f/7.1", "f/5.6", "f/2.8"].map(|n| n.parse().unwrap());
        let planned = planned(&lights, &settings("f/14"), &apertures, "100".parse().unwrap(), &camera("100", &[0.3]));
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
        // Three stops are more than a light is moved for.
        let neither = one(&lights, "f/8", "f/2", "100", &camera("100", &[])).way_round.unwrap();
        assert_eq!((neither.settings.f_number, neither.filters.as_slice()), ("f/5.6".parse().ok(), &[][..]));
        assert_eq!(shown(&neither.correction), ["1/128"]);
        let nearest = one(&lights, "f/8", "f/1.4", "100", &camera("50", &[])).way_round.unwrap();
        assert_eq!((nearest.settings.f_number, nearest.settings.iso), ("f/4".parse().ok(), "50".parse().ok()));
    }

    #[test]
    fn who_leaves_an_aperture_is_not_sent_back_to_it() {
        // At f/8 the key is at its end: every wider aperture is too bright by all that it is wider.
        let lights = [light("key", "1/128", -7.0)];
        assert_eq!(one(&lights, "f/8", "f/2.5", "100", &camera("100", &[])).way_round, None);
        assert_eq!(one(&lights, "f/8", "f/1.4", "100", &camera("100", &[])).way_round, None);
        // A third below its end it stays in its range up to f/7.1.
        let lights = [light("key", "1/128", -7.0 + 1.0 / 3.0)];
        let way = one(&lights, "f/8", "f/2", "100", &camera("100", &[])).way_round.unwrap();
        assert_eq!(way.settings.f_number, "f/7.1".parse().ok());
    }

    #[test]
    fn lights_that_are_too_weak_get_more_speed() {
        let lights = [light("key", "1/128", -1.0), light("fill", "1/128", -1.0 / 3.0)];
        let way = one(&lights, "f/8", "f/16", "100", &camera("100", &[0.3])).way_round.unwrap();
        assert_eq!(way.settings.iso.unwrap().marked(), 320.0, "fill lacks 1 2/3 stops");
        assert_eq!(shown(&way.correction), ["1/2 +0.3", "1/1"]);
    }

    fn with(mut group: LightGroup, facts: LightFacts) -> LightGroup {
        group.facts = facts;
        group
    }

    fn grid(loss: f64) -> LightFacts {
        LightFacts { in_front: vec![InFront { kind: FrontKind::Grid, loss: Stops(loss) }], ..LightFacts::default() }
    }

    /// CHECK: a gel of density 0.3 takes a stop (ISO 5-2, from memory): the rim, a stop below its end, is at the end again; the key,
    /// which was in its range, stays where it would have been.
    #[test]
    fn a_gel_goes_on_the_light_that_is_too_strong_and_on_no_other() {
        let lights = [light("key", "1/128", -1.0), light("rim", "1/128", -6.0)];
        let means = Means { gels: vec![Density(0.6), Density(0.3)], ..camera("100", &[0.3]) };
        let powers = one(&lights, "f/8", "f/4", "100", &means);
        let way = powers.way_round.unwrap();
        assert_eq!(way.in_words(&powers.settings), "an ND 0.3 gel on rim");
        assert_eq!((shown(&way.correction), way.filters), (vec!["1/8".into(), "1/128".into()], vec![]));
        // Gels that are not enough leave it to the lens.
        let weak = Means { gels: vec![Density(0.3)], ..camera("100", &[0.6]) };
        let way = one(&lights, "f/8", "f/2.8", "100", &weak).way_round.unwrap();
        assert_eq!((way.at_lights, way.filters), (vec![], vec![Density(0.6)]));
    }

    #[test]
    fn what_stands_before_a_weak_light_is_taken_off() {
        let lights = [light("key", "1/128", -4.0), with(light("rim", "1/128", -1.0), grid(4.0 / 3.0))];
        let means = Means { highest_iso: "100".parse().unwrap(), ..camera("100", &[]) };
        let powers = one(&lights, "f/8", "f/16", "100", &means);
        let way = powers.way_round.unwrap();
        assert_eq!(way.in_words(&powers.settings), "rim without its grid (the light spreads wider without it)");
        // It lacked a stop, and the grid gives 1 1/3.
        assert_eq!(shown(&way.correction), ["1/4", "1/2 +0.7"]);
        // Where ISO speed does, nobody climbs a ladder.
        let by_iso = one(&lights, "f/8", "f/16", "100", &camera("100", &[])).way_round.unwrap();
        assert_eq!((by_iso.settings.iso, by_iso.at_lights.len()), ("200".parse().ok(), 0));
    }

    /// CHECK: inverse square (Hecht, Optics): a stop too strong is brought back at 1.41 times the distance, a stop too weak at 0.71.
    #[test]
    fn a_light_that_nothing_else_helps_is_moved_and_each_for_itself() {
        let lights = [light("key", "1/128", -6.0), light("rim", "1/32", -4.0), light("hair", "1/128", -1.0)];
        let powers = one(&lights, "f/8", "f/4", "100", &camera("100", &[]));
        let way = powers.way_round.unwrap();
        assert_eq!(
            way.in_words(&powers.settings),
            "key farther away, at 1.41 times its distance and rim farther away, at 1.41 times its distance (less sure for a large \
             modifier)"
        );
        assert_eq!(shown(&way.correction), ["1/128", "1/32", "1/8"]);
        let factors: Vec<&Deed> = way.at_lights.iter().map(|at| &at.deed).collect();
        assert!(
            factors.iter().all(
                |deed| matches!(deed, Deed::Moved { distance_factor } if (distance_factor - 2_f64.sqrt()).abs() < 1e-9)
            ),
            "{factors:?}"
        );
        let weak = Means { highest_iso: "100".parse().unwrap(), ..camera("100", &[]) };
        let way = one(&lights[2..], "f/8", "f/16", "100", &weak).way_round.unwrap();
        assert!(way.in_words(&settings("f/16")).contains("hair nearer, at 0.71 times its distance"));
    }

    #[test]
    fn the_light_that_takes_longest_is_told() {
        let timed = |seconds: &str| LightFacts { recycle_time: seconds.parse().ok(), ..LightFacts::default() };
        let lights = [with(light("key", "1/128", -1.0), timed("1 s")), with(light("rim", "1/128", -3.0), timed("6 s"))];
        let at = |to: &str| one(&lights, "f/8", to, "100", &camera("100", &[])).recycling.unwrap();
        assert_eq!((at("f/8").group.as_str(), at("f/8").seconds.seconds()), ("rim", 0.75));
        assert_eq!(at("f/5.6").seconds.seconds(), 0.375);
    }

    #[test]
    fn what_changes_all_alike_never_helps_lights_that_part() {
        let mut weak = light("key", "1/4", -1.0);
        weak.dial = Dial::new(Scale::Fraction, Step::Third, "1/256", "1/2").ok();
        let strong = light("rim", "1/2", -1.0);
        let lights = [weak, strong];
        let narrower = one(&lights, "f/8", "f/11", "100", &camera("100", &[0.3]));
        assert!(narrower.is_out_of_range() && narrower.way_round.is_some(), "ISO 200 brings both back");
        // Each for itself: the key is moved away, the rim nearer.
        let apart = [light("key", "1/2", -2.0), light("rim", "1/128", 1.0)];
        let powers = one(&apart, "f/8", "f/8", "100", &camera("50", &[0.3, 0.6]));
        let way = powers.way_round.unwrap();
        assert_eq!((way.settings, way.filters.len()), (powers.settings, 0));
        let changes: Vec<f64> = way.at_lights.iter().map(|at| at.change.0).collect();
        assert_eq!(changes, [-1.0, 1.0]);
        // By more than its double a distance makes another light of it.
        let far_apart = [light("key", "1/2", -4.0), light("rim", "1/128", 1.0)];
        let powers = one(&far_apart, "f/8", "f/8", "100", &camera("50", &[0.3, 0.6]));
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
            let powers = planned(&lights, &from, &[n], iso, &camera).remove(0);
            prop_assert!(powers.is_out_of_range() || powers.way_round.is_none());
            if let Some(way) = powers.way_round {
                let change = expected(&from, &way.settings, Lighting::Flash).unwrap();
                for turned in &way.correction.dial_changes {
                    prop_assert_eq!(turned.limit, DialLimit::Within);
                    let at_light = way.at_lights.iter().find(|at| at.group == turned.group).map_or(Stops::ZERO, |at| at.change);
                    prop_assert!((change + at_light + turned.change).abs() <= Stops(1.0 / 6.0 + 1e-9));
                }
            }
        }
    }
}
