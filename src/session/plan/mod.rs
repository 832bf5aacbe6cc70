//! A plan of apertures: the powers at each, what is sharp, what room light does; in words, and in values for programs. The same for
//! who plans before the sitting and for who plans within it.

mod lens;
mod values;
mod words;

use serde::{Deserialize, Serialize};

pub use self::lens::{DepthRange, Lens, LensFault, LensWords};
pub use self::words::{no_decimal_comma, read_apertures};
use crate::advice::{Correction, Powers, RoomLight, RoomShare, is_out};
use crate::frame::Settings;
use crate::photometry::{FNumber, Series, Stops};
use crate::rig::{DialChange, LightGroup, LightShare};
use crate::wording::listed;

/// What is asked of a running sitting.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct PlanWords {
    /// `f/8`, `f/5.6`; or `f/8`, `to`, `f/2.8`.
    pub apertures: Vec<String>,
    /// [default: as it is]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub iso: Option<String>,
    /// The series that marks on both stand for [default: the configuration's].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub camera_steps: Option<Series>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lens: Option<LensWords>,
}

/// A plan, worked out.
#[derive(Debug)]
pub struct Plan {
    /// What the lights are right for at first.
    pub from: Settings,
    pub groups: Vec<LightGroup>,
    pub powers: Vec<Powers>,
    /// `None`: nothing is told of sharpness.
    pub lens: Option<Lens>,
    pub room: Option<PlannedRoom>,
    /// What nobody said and was taken for granted, a sentence each.
    pub assumed: Vec<String>,
}

/// Room light, with how it is known, and from which share on it is told.
#[derive(Debug, Clone)]
pub struct PlannedRoom {
    pub light: RoomLight,
    /// 'on spot 'cheek', by the light survey'.
    pub known: String,
    /// Of all light.
    pub limit: LightShare,
}

impl Plan {
    pub fn apertures(&self) -> Vec<FNumber> {
        self.powers.iter().filter_map(|at| at.settings.f_number).collect()
    }

    /// Whether it is known of any light how long it recycles.
    pub fn has_times(&self) -> bool {
        self.powers.iter().any(|at| at.recycling.is_some())
    }

    /// From which of the planned apertures on room light counts, and how else it could be less.
    pub fn of_the_room(&self) -> Option<String> {
        let room = self.room.as_ref()?;
        let mut shares: Vec<(FNumber, RoomShare)> =
            self.powers.iter().filter_map(|at| Some((at.settings.f_number?, at.room?))).collect();
        if shares.is_empty() {
            return Some(format!("Room light ({}) can't be told of these settings.", room.known));
        }
        shares.sort_by(|a, b| b.0.av().0.total_cmp(&a.0.av().0));
        let limit = format!("{} %", (room.limit.get() * 1000.0).round() / 10.0);
        let Some(over) = where_it_is(&shares, |share| share.share > room.limit) else {
            return Some(format!("Room light ({}) is at most {limit} of the light at every aperture.", room.known));
        };
        let most = shares.iter().max_by(|a, b| a.1.adds.0.total_cmp(&b.1.adds.0));
        let adds = most.filter(|(_, most)| most.adds.is_worth_saying()).map_or_else(String::new, |(n, most)| {
            format!(" At {n} it makes the frame {}.", most.adds.brighter_or_darker())
        });
        let eighth = where_it_is(&shares, RoomShare::is_over_an_eighth).map_or_else(String::new, |place| {
            format!(" It is more than an eighth of what the flashes give {place}: it fills shadows, and colours them.")
        });
        Some(format!(
            "Room light ({}) is more than {limit} of the light {over}.{eighth}{adds} A shorter exposure time within the sync speed, or \
             a darker room, lessens it; a higher ISO speed makes its share larger.",
            room.known
        ))
    }

    /// What is told of the lights' times: makers give them for full power.
    pub fn of_the_times(&self) -> Vec<String> {
        let told = |what: fn(&LightGroup) -> Option<String>| -> Option<String> {
            let each: Vec<String> =
                self.groups.iter().filter_map(|group| Some(format!("{} {}", group.name, what(group)?))).collect();
            (!each.is_empty()).then(|| listed(&each))
        };
        let recycling = told(|group| group.facts.recycle_time.map(|time| time.to_string())).map(|each| {
            format!(
                "'Ready again' names the light that takes longest, at the powers of the way round where a range ends. Its time at full power \
                 ({each}) is shortened as its power is (common practice, no source); at most it takes that time. The light's own sign that it \
                 is ready counts."
            )
        });
        let duration = told(|group| group.facts.flash_duration.map(|time| time.to_string())).map(|each| {
            format!(
                "Flash duration at full power, as told: {each} (t0.5). How it changes with the power depends on the kind of flash, so it \
                 is told of full power alone."
            )
        });
        recycling.into_iter().chain(duration).collect()
    }

    /// A row an aperture, for who reads no table.
    pub fn in_words(&self) -> String {
        let rows = self.powers.iter().map(|at| {
            let n = at.settings.f_number.map_or_else(String::new, |n| n.to_string());
            let end = end_in_words(at).map_or_else(String::new, |end| format!(" ({end})"));
            format!("{n}: {}{end}", powers_of(&at.correction))
        });
        rows.chain(self.assumed.clone())
            .chain(self.of_the_room())
            .chain(self.of_the_times())
            .collect::<Vec<_>>()
            .join("\n")
    }
}

/// At which apertures, of those that are planned from the narrowest to the widest: 'from f/4 on', 'at f/5.6 and f/4'.
fn where_it_is(shares: &[(FNumber, RoomShare)], is_so: impl Fn(RoomShare) -> bool) -> Option<String> {
    let first = shares.iter().position(|(_, share)| is_so(*share))?;
    // A way round may take room light away where the aperture is wider.
    if shares[first..].iter().all(|(_, share)| is_so(*share)) {
        return Some(format!("from {} on", shares[first].0));
    }
    let names: Vec<String> = shares.iter().filter(|(_, share)| is_so(*share)).map(|(n, _)| n.to_string()).collect();
    Some(format!("at {}", listed(&names)))
}

/// What is done at a dial, where the light stands in short: the power, or the turn where nobody knows that.
pub fn shown(change: &DialChange) -> String {
    change.to.clone().unwrap_or_else(|| turn(change.change))
}

/// 'down 2 stops', 'as it is'.
pub fn turn(wanted: Stops) -> String {
    if wanted.is_worth_saying() { wanted.up_or_down() } else { "as it is".to_owned() }
}

/// 'key 1/8, fill 1/32'.
pub fn powers_of(correction: &Correction) -> String {
    let each = correction.dial_changes.iter().map(|change| format!("{} {}", change.group, shown(change)));
    each.collect::<Vec<_>>().join(", ")
}

/// Which lights are out of range by how much, and the way round it for all of them; `None` where none is.
pub fn end_in_words(at: &Powers) -> Option<String> {
    let out = at.correction.dial_changes.iter().filter(|change| is_out(change));
    let out: Vec<String> =
        out.map(|change| format!("{} is {}", change.group, change.remainder.too_weak_or_strong())).collect();
    let instead = match &at.way_round {
        Some(way) => format!("Instead: {}. Then {}.", way.in_words(&at.settings), powers_of(&way.correction)),
        None => "No way was found that is enough for all lights: plan another aperture, or another ratio.".to_owned(),
    };
    (!out.is_empty()).then(|| format!("{}. {instead}", out.join(", ")))
}
