//! What the single lights did, by the survey: the cause that follows, and each group's part in it.

use serde::{Deserialize, Serialize};

use super::cause::Cause;
use crate::drift::place_of;
use crate::photometry::{SAME_SETTING, Stops};
use crate::rig::solve::{Did, Sources};

/// What a frame tells of one group, or of groups that no picture can tell apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GroupSeen {
    pub groups: Vec<String>,
    /// Against where it was known to be.
    pub did: Did,
    /// How far its light is from what the reference's look needs at these settings; brighter is positive.
    pub off: Option<Stops>,
    /// Somebody was asked to turn it by this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asked: Option<Stops>,
}

impl GroupSeen {
    fn name(&self) -> String {
        self.groups.join(" with ")
    }

    /// It is off because it was turned, and nobody asked for that.
    fn turned_by_itself(&self, tolerance: Stops) -> bool {
        let turned = matches!(self.did, Did::Changed { by, .. } if by.abs() > ALIKE);
        turned && self.asked.is_none() && self.settled().is_some_and(|o| o.abs() > tolerance)
    }

    /// What is settled of its light: how far off it is.
    fn settled(&self) -> Option<Stops> {
        matches!(self.did, Did::Changed { .. }).then_some(self.off).flatten()
    }
}

/// What was read of all lights in one frame, ready for a verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct LightsSeen {
    pub groups: Vec<GroupSeen>,
    /// What the room's light did.
    pub ambient: Did,
    /// Share that it should have of the whole frame, and the share that it may have.
    pub room_share: f64,
    pub room_limit: f64,
    /// What the whole frame tells besides.
    pub beyond: Beyond,
    /// A flash may still have been charging.
    pub soon: bool,
}

/// What is known of the groups before their frame is looked at, per source of flash.
pub struct GroupsBefore<'a> {
    pub names: &'a [Vec<String>],
    /// How far each is from what the reference's look needs; `None` when that isn't known.
    pub off: &'a [Option<Stops>],
    /// The turn that was asked of it.
    pub asked: &'a [Option<Stops>],
}

/// What no light did.
#[derive(Debug, Clone, PartialEq)]
pub enum Beyond {
    Nothing,
    /// A part of the frame, in words, is off by this in a way that no light explains.
    Modifier {
        part: String,
        by: Stops,
    },
    Band {
        share: f64,
    },
}

/// Groups whose light differs by less than this moved alike.
const ALIKE: Stops = Stops(0.15);
/// Room light rose by at least this.
const RISEN: Stops = Stops(0.5);
/// A flash that has not recycled loses at least this.
const WEAK: Stops = Stops(-0.2);

impl LightsSeen {
    /// Puts a reading together. `cells` is the grid that it was made on, `room_share` what is known of the room's light, `room_limit` what
    /// it may be.
    pub fn of(
        sources: &Sources,
        before: &GroupsBefore,
        cells: (usize, usize),
        (room_share, room_limit): (f64, f64),
        soon: bool,
    ) -> LightsSeen {
        let GroupsBefore { names, off: known, asked } = before;
        let did = match sources {
            Sources::Did(did) => did.clone(),
            _ => vec![Did::NotSettled; names.len() + 1],
        };
        let group = |(s, groups): (usize, &Vec<String>)| {
            let did = if known[s].is_some() { did[s] } else { Did::NotSettled };
            let off = match did {
                Did::Changed { by, .. } => known[s].map(|k| k + by),
                _ => None,
            };
            GroupSeen { groups: groups.clone(), did, off, asked: asked[s].filter(|a| a.abs() > SAME_SETTING) }
        };
        let beyond = match sources {
            Sources::Residue { cells: patch, by } => Beyond::Modifier { part: place_of(patch, cells), by: *by },
            Sources::Band { share } => Beyond::Band { share: *share },
            Sources::Did(_) | Sources::Unreadable => Beyond::Nothing,
        };
        let ambient = did.get(names.len()).copied().unwrap_or(Did::NotSettled);
        let groups = names.iter().enumerate().map(group).collect();
        LightsSeen { groups, ambient, room_share, room_limit, beyond, soon }
    }

    /// The cause that the lights tell; `None` when they tell nothing that the whole frame doesn't.
    /// `drift` is the whole frame's.
    pub fn cause(&self, tolerance: Stops, drift: Option<Stops>) -> Option<Cause> {
        match self.beyond {
            Beyond::Band { .. } => return Some(Cause::SyncBand),
            Beyond::Modifier { .. } => return Some(Cause::ModifierMoved),
            Beyond::Nothing => {}
        }
        if self.groups.iter().any(|g| g.did == Did::NotFired) {
            return Some(Cause::GroupNotFired);
        }
        if self.weak().count() == 1 {
            return Some(Cause::GroupWeak);
        }
        let off: Vec<Stops> = self.groups.iter().filter_map(GroupSeen::settled).collect();
        let (low, high) = off.iter().fold((f64::MAX, f64::MIN), |(l, h), o| (l.min(o.0), h.max(o.0)));
        let apart = off.len() > 1 && high - low > ALIKE.0 && low.abs().max(high.abs()) > tolerance.0;
        let turned = self.groups.iter().any(|g| g.turned_by_itself(tolerance));
        let alone = turned && !self.all_settled() && !moved_with_the_frame(&self.groups, drift);
        if apart || alone {
            return Some(Cause::GroupChanged);
        }
        let risen = matches!(self.ambient, Did::Changed { by, .. }
            if by >= RISEN && self.room_share * by.ratio() > self.room_limit);
        risen.then_some(Cause::AmbientRisen)
    }

    /// Groups that fired weakly right after a frame, and were not asked to.
    fn weak(&self) -> impl Iterator<Item = &GroupSeen> {
        let fell = |g: &&GroupSeen| matches!(g.did, Did::Changed { by, .. } if by < WEAK) && g.asked.is_none();
        self.groups.iter().filter(move |g| self.soon && fell(g))
    }

    /// Every group is settled.
    pub fn all_settled(&self) -> bool {
        self.groups.iter().all(|g| g.settled().is_some())
    }

    /// Flash did light the frame: a group is known to have fired, or a part of it shows flash.
    pub fn some_fired(&self) -> bool {
        matches!(self.beyond, Beyond::Band { .. }) || self.groups.iter().any(|g| matches!(g.did, Did::Changed { .. }))
    }

    /// Every flash is settled and as it should be: what makes the frame brighter is the room's.
    pub fn flashes_are_right(&self, tolerance: Stops) -> bool {
        self.all_settled() && self.groups.iter().filter_map(GroupSeen::settled).all(|off| off.abs() <= tolerance)
    }

    /// Groups of which this frame tells nothing.
    pub fn not_settled(&self) -> Vec<String> {
        self.groups.iter().filter(|g| g.did == Did::NotSettled).map(GroupSeen::name).collect()
    }

    /// The sentence for a cause that the lights told.
    pub fn say(&self, cause: Cause, tolerance: Stops) -> String {
        match (cause, &self.beyond) {
            (Cause::SyncBand, Beyond::Band { share }) => format!(
                "A dark band along one long side covers {:.0} % of the frame: the shutter is faster than the flash allows. \
                 Hold, leave every power as it is, use a longer exposure time.",
                share * 100.0
            ),
            (Cause::ModifierMoved, Beyond::Modifier { part, by }) => format!(
                "{part} is {:.2} stop {} in a way that no change of power explains: a reflector or modifier moved, or \
                 something stands in its light. Look there before turning anything.",
                by.abs().0,
                if *by > Stops::ZERO { "brighter" } else { "darker" },
                part = capital(part),
            ),
            (Cause::GroupNotFired, _) => {
                let out = self.groups.iter().filter(|g| g.did == Did::NotFired).map(GroupSeen::name);
                format!(
                    "{} did not fire: hold, leave every power as it is, check its trigger and cable, shoot again.",
                    out.collect::<Vec<_>>().join(" and ")
                )
            }
            (Cause::GroupWeak, _) => self.weak().next().map_or_else(String::new, |g| {
                let fell = if let Did::Changed { by, .. } = g.did { by.abs().0 } else { 0.0 };
                format!(
                    "{} was {fell:.2} stop weak, right after the last frame: it had not recycled. Hold, leave every power \
                     as it is, shoot again.",
                    g.name()
                )
            }),
            (Cause::AmbientRisen, _) => {
                let rose = match self.ambient {
                    Did::Changed { by, .. } if by >= RISEN => format!("rose by {by} stop since the survey"),
                    _ if self.room_share > self.room_limit => {
                        format!("is {:.0} % of the frame's at these settings", self.room_share * 100.0)
                    }
                    _ => "is more than at the survey".to_owned(),
                };
                format!(
                    "The room's light {rose}; the flashes are as they should be. Switch it off, shade the window, or use a \
                     shorter exposure time within the sync speed."
                )
            }
            _ => self.say_changed(tolerance),
        }
    }

    fn say_changed(&self, tolerance: Stops) -> String {
        let wrong = |g: &&GroupSeen| g.settled().is_some_and(|o| o.abs() > tolerance);
        let mut parts: Vec<String> = self.groups.iter().filter(wrong).map(say_off).collect();
        let list = |groups: Vec<String>| groups.join(" and ");
        let right: Vec<String> =
            self.groups.iter().filter(|g| g.settled().is_some() && !wrong(g)).map(GroupSeen::name).collect();
        if !right.is_empty() {
            let are = if right.len() == 1 { "is as it should be" } else { "are as they should be" };
            parts.push(format!("{} {are}", list(right)));
        }
        let open: Vec<String> = self.groups.iter().filter(|g| g.settled().is_none()).map(GroupSeen::name).collect();
        if !open.is_empty() {
            parts.push(format!("{} can't be told from this frame", list(open)));
        }
        format!("{}.", capital(&parts.join("; ")))
    }
}

/// Some groups are settled, and all of these are off as the frame as a whole is: then those that aren't settled are
/// taken to be, too.
pub fn moved_with_the_frame(groups: &[GroupSeen], drift: Option<Stops>) -> bool {
    let mut settled = groups.iter().filter_map(GroupSeen::settled).peekable();
    settled.peek().is_some() && drift.is_some_and(|drift| settled.all(|off| (off - drift).abs() <= ALIKE))
}

fn say_off(group: &GroupSeen) -> String {
    let off = group.off.unwrap_or(Stops::ZERO);
    let side = if off > Stops::ZERO { "too bright" } else { "too dark" };
    let size = format!("{} is {:.2} stop {side}", group.name(), off.abs().0);
    match group.did {
        Did::Changed { by, .. } if by.abs() <= ALIKE && group.asked.is_some() => format!("{size}: it was not turned"),
        Did::Changed { by, .. } if by.abs() <= ALIKE => size,
        Did::Changed { by, half_width } => format!("{size}: it changed by {by} +-{:.2}", half_width.0),
        _ => size,
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
