//! What may be tried where lights' ranges end, and the one way that is enough for all of them.

use serde::Serialize;

use super::alternatives::{LESS_SURE, filters_in_words, filters_to_try, moved_in_words, together, weakest_enough};
use super::correction::Correction;
use super::lights_now::LightsNow;
use crate::frame::Settings;
use crate::photometry::{Density, DialLimit, FNumber, IsoSpeed, SAME_SETTING, Series, Stops, distance_factor};
use crate::rig::{DialChange, GroupName, InFront, LightGroup};
use crate::wording::listed;

/// What can be changed besides the lights' dials.
#[derive(Debug, Clone, PartialEq)]
pub struct Means {
    pub lowest_iso: IsoSpeed,
    pub highest_iso: IsoSpeed,
    /// The filters that are at hand; one of them, or two, are put on the lens.
    pub filters: Vec<Density>,
    /// Neutral density gels for the lights.
    pub gels: Vec<Density>,
    /// The marks of its apertures.
    pub steps: Series,
}

/// Other settings, a filter, or something done at the lights, with which every light is within its range.
#[derive(Debug, Clone, PartialEq)]
pub struct WayRound {
    pub settings: Settings,
    /// The filters that are put on the lens, in the place of what is on it.
    pub filters: Vec<Density>,
    pub at_lights: Vec<AtLight>,
    /// From the powers that hold at first.
    pub correction: Correction,
}

/// What is done at one group of lights besides its dial.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AtLight {
    pub group: GroupName,
    /// Change of its light; brighter is positive.
    pub change: Stops,
    #[serde(flatten)]
    pub deed: Deed,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Deed {
    /// Neutral density gels of these densities are put on.
    GelOn(Vec<Density>),
    TakenOff(Vec<InFront>),
    /// Its distance changes by this factor; for a point source.
    Moved {
        distance_factor: f64,
    },
}

/// A light is moved by no more than its double, or half of its distance: beyond, it is another light, harder or softer, and falls off
/// otherwise (common practice, no source).
const MOST_MOVED: Stops = Stops(2.0);
/// What lacks less than this will do.
const NEARLY: Stops = Stops(0.1);

/// The end of the light's range lies short of what is wanted of it.
pub fn is_out(change: &DialChange) -> bool {
    change.limit != DialLimit::Within && change.remainder.is_worth_saying()
}

/// What an end of a range lacks and nobody would see is none.
pub fn is_within(correction: &Correction) -> bool {
    correction.dial_changes.iter().all(|change| !is_out(change))
}

/// The first way that brings every light into its range. `now` is the aperture that the sitting stands at: who leaves it is not sent
/// back to it, nor beyond it.
pub fn way_round(
    lights: &LightsNow,
    correction: &Correction,
    (asked, now): (&Settings, Option<FNumber>),
    means: &Means,
) -> Option<WayRound> {
    let (f_number, iso) = (asked.f_number?, asked.iso?);
    let is_way_back = |n: FNumber| {
        now.is_some_and(|now| {
            let (to, back) = (n.av() - f_number.av(), now.av() - f_number.av());
            to.0 * back.0 > 0.0 && to.abs() >= back.abs() - SAME_SETTING
        })
    };
    let mut tried = to_try(correction, (f_number, iso, asked.filter), means)
        .into_iter()
        .filter(|trial| !is_way_back(trial.f_number));
    tried.find_map(|trial| {
        let filter = trial.filters.as_deref().map_or(asked.filter, together);
        let settings = Settings { f_number: Some(trial.f_number), iso: Some(trial.iso), filter, ..asked.clone() };
        let correction = lights.powers_for(&settings)?;
        let (at_lights, correction) = match trial.at_lights {
            None => (Vec::new(), correction),
            Some(allowed) => at_the_lights(lights, correction, means, allowed)?,
        };
        let filters = trial.filters.unwrap_or_default();
        let way = WayRound { settings, filters, at_lights, correction };
        is_within(&way.correction).then_some(way)
    })
}

struct Trial {
    f_number: FNumber,
    iso: IsoSpeed,
    /// Put on the lens in the place of what is on it; `None` leaves that.
    filters: Option<Vec<Density>>,
    at_lights: Option<Allowed>,
}

/// What may be done at the lights.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Allowed {
    /// What stands in front of them changes.
    Fronts,
    /// They are moved as well.
    Moves,
}

/// What changes least comes first: for lights that are too weak the lens without its filter; ISO speed alone; what stands in front of the lights that are out of their range; a filter or two on
/// the lens, if need be at the lowest ISO speed; those lights moved; another aperture. Of lights that are too weak beside others
/// that are too strong nothing helps that changes all alike.
fn to_try(correction: &Correction, (f_number, iso, filter): (FNumber, IsoSpeed, Density), means: &Means) -> Vec<Trial> {
    let ends = |limit: DialLimit| correction.dial_changes.iter().any(|change| is_out(change) && change.limit == limit);
    let at_camera = |f_number, iso| Trial { f_number, iso, filters: None, at_lights: None };
    let behind = |iso, filters| Trial { filters: Some(filters), ..at_camera(f_number, iso) };
    let at_lights = |iso, allowed| Trial { at_lights: Some(allowed), ..at_camera(f_number, iso) };
    let marks = FNumber::all(means.steps);
    match (ends(DialLimit::Minimum), ends(DialLimit::Maximum)) {
        (true, false) => {
            let lower = IsoSpeed::all().rev().filter(|s| s.sv() < iso.sv() && s.sv() >= means.lowest_iso.sv());
            let lowest = Some(means.lowest_iso).filter(|lowest| lowest.sv() < iso.sv());
            let both_speeds = || [Some(iso), lowest].into_iter().flatten();
            let mut filters = filters_to_try(&means.filters);
            filters.retain(|some| together(some) > filter);
            let with_filter = both_speeds().flat_map(|iso| filters.iter().map(move |some| behind(iso, some.clone())));
            let narrower = marks.filter(|n| n.av() > f_number.av());
            lower
                .map(|speed| at_camera(f_number, speed))
                .chain(both_speeds().map(|iso| at_lights(iso, Allowed::Fronts)))
                .chain(with_filter)
                .chain(both_speeds().map(|iso| at_lights(iso, Allowed::Moves)))
                .chain(narrower.flat_map(|n| both_speeds().map(move |iso| at_camera(n, iso))))
                .collect()
        }
        (false, true) => {
            let higher = IsoSpeed::all().filter(|s| s.sv() > iso.sv() && s.sv() <= means.highest_iso.sv());
            let highest = Some(means.highest_iso).filter(|highest| highest.sv() > iso.sv());
            let both_speeds = || [Some(iso), highest].into_iter().flatten();
            let wider = marks.rev().filter(|n| n.av() < f_number.av());
            let without = (!filter.is_none()).then(|| behind(iso, Vec::new()));
            without
                .into_iter()
                .chain(higher.map(|speed| at_camera(f_number, speed)))
                .chain(both_speeds().map(|iso| at_lights(iso, Allowed::Fronts)))
                .chain(both_speeds().map(|iso| at_lights(iso, Allowed::Moves)))
                .chain(wider.flat_map(|n| both_speeds().map(move |iso| at_camera(n, iso))))
                .collect()
        }
        (true, true) => vec![at_lights(iso, Allowed::Fronts), at_lights(iso, Allowed::Moves)],
        (false, false) => Vec::new(),
    }
}

/// Each light that is out of its range for itself; the others stand as they would. `None` where one can't be helped.
fn at_the_lights(
    lights: &LightsNow,
    mut correction: Correction,
    means: &Means,
    allowed: Allowed,
) -> Option<(Vec<AtLight>, Correction)> {
    let mut deeds = Vec::new();
    for change in correction.dial_changes.iter_mut().filter(|change| is_out(change)) {
        let group = lights.group(&change.group)?;
        let (deed, gives) = deed_for(group, change.remainder, means, allowed)?;
        *change = DialChange::towards(group, lights.power_of(group), change.change + change.remainder - gives);
        deeds.push(AtLight { group: group.name.clone(), change: gives, deed });
    }
    let off = || correction.dial_changes.iter().map(|change| change.remainder.0);
    let spread = off().fold(f64::NEG_INFINITY, f64::max) - off().fold(f64::INFINITY, f64::min);
    Some((deeds, Correction { ratio_error: Stops(spread.max(0.0)), other_ways: Vec::new(), ..correction }))
}

/// What gives a light the rest, or takes it, and how much that is.
fn deed_for(group: &LightGroup, missing: Stops, means: &Means, allowed: Allowed) -> Option<(Deed, Stops)> {
    let in_front = if missing < Stops::ZERO {
        let gels = weakest_enough(&means.gels, Density::losing(-missing));
        let taken = -together(&gels).loss();
        (!gels.is_empty()).then_some((Deed::GelOn(gels), taken))
    } else {
        taken_off(&group.facts.in_front, missing).map(|some| {
            let gives = Stops(some.iter().map(|front| front.loss.0).sum());
            (Deed::TakenOff(some), gives)
        })
    };
    let is_movable = allowed == Allowed::Moves && missing.abs() <= MOST_MOVED;
    in_front.or_else(|| is_movable.then(|| (Deed::Moved { distance_factor: distance_factor(missing) }, missing)))
}

/// The one thing in front of a light that takes enough, and least; else all of them.
fn taken_off(in_front: &[InFront], missing: Stops) -> Option<Vec<InFront>> {
    let is_enough = |loss: f64| loss > 0.0 && loss >= (missing - NEARLY).0;
    let one = in_front.iter().filter(|front| is_enough(front.loss.0)).min_by(|a, b| a.loss.0.total_cmp(&b.loss.0));
    match one {
        Some(one) => Some(vec![*one]),
        None => is_enough(in_front.iter().map(|front| front.loss.0).sum()).then(|| in_front.to_vec()),
    }
}

impl WayRound {
    /// What is done, to a plan for these settings: 'ISO 50', 'an ND 0.6 gel on rim', 'key farther away, at 1.41 times its distance'.
    pub fn in_words(&self, asked: &Settings) -> String {
        let iso = self.settings.iso.filter(|iso| asked.iso != Some(*iso)).map(|iso| iso.to_string());
        // What the lens has is for the photographer to know.
        let f_number = self.settings.f_number.filter(|n| asked.f_number != Some(*n));
        let f_number = f_number.map(|n| format!("{n} (if the lens has it)"));
        let is_taken_off = self.settings.filter.is_none() && !asked.filter.is_none();
        let without = is_taken_off.then(|| "no filter on the lens".to_owned());
        let at_camera = [f_number, iso, without, filters_in_words(&self.filters)].into_iter().flatten();
        let last_moved = self.at_lights.iter().rposition(|at| matches!(at.deed, Deed::Moved { .. }));
        let at_lights = self.at_lights.iter().enumerate().map(|(nth, at)| {
            let sure = if last_moved == Some(nth) { format!(" {LESS_SURE}") } else { String::new() };
            at.in_words() + &sure
        });
        at_camera.chain(at_lights).collect::<Vec<_>>().join(" and ")
    }
}

impl AtLight {
    fn in_words(&self) -> String {
        let group = &self.group;
        match &self.deed {
            Deed::GelOn(gels) => match gels.as_slice() {
                [one] => format!("an {one} gel on {group}"),
                several => {
                    let several: Vec<String> = several.iter().map(Density::to_string).collect();
                    format!("{} gels on {group}", listed(&several))
                }
            },
            Deed::TakenOff(fronts) => {
                let named: Vec<String> = fronts.iter().map(|front| front.kind.to_string()).collect();
                let costs: Vec<&str> = fronts.iter().map(|front| front.kind.cost()).collect();
                format!("{group} without its {} ({})", listed(&named), costs.join("; "))
            }
            Deed::Moved { .. } => format!("{group} {}", moved_in_words(self.change)),
        }
    }
}
