//! The lights and passive things on a set-up sheet, and what each light is set to.

use serde::{Deserialize, Serialize};

use crate::config::Config;
use crate::photometry::PowerSetting;
use crate::rig::{FrontKind, GroupName, Known, LightGroup, Passive, PassiveKind, Position, Role, Side, Stands};
use crate::session::remembered::Look;
use crate::session::setup::Setup;

/// A group of lights, as it is configured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LightOnSheet {
    pub group: GroupName,
    pub role: Role,
    /// Lights in it.
    pub heads: u32,
    /// In words; powers of two sheets are only alike on the same dial.
    pub dial: Option<String>,
    pub modifier: Option<String>,
    /// Its colour, and the light that it takes.
    pub gel: Option<String>,
    /// The light that it takes.
    pub grid: Option<String>,
    pub stands: Stands,
    pub note: Option<String>,
}

/// A reflector, flag or scrim.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PassiveOnSheet {
    pub name: String,
    pub kind: PassiveKind,
    pub side: Option<Side>,
    pub stands: Stands,
    pub note: Option<String>,
}

/// What a group is set to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PowerOnSheet {
    pub group: GroupName,
    /// `None` where nobody told, and no picture has.
    pub power: Option<PowerSetting>,
    /// As its dial shows it.
    pub shown: Option<String>,
    /// `None` where that wasn't kept.
    pub known: Option<Known>,
}

impl LightOnSheet {
    fn of(group: &LightGroup) -> LightOnSheet {
        let facts = &group.facts;
        let loss = |kind: FrontKind| {
            let front = facts.in_front.iter().find(|front| front.kind == kind)?;
            Some(format!("takes {}", front.loss.size_in_words()))
        };
        let gel = [facts.gel_colour.clone(), loss(FrontKind::Gel)].into_iter().flatten().collect::<Vec<_>>().join(", ");
        LightOnSheet {
            group: group.name.clone(),
            role: group.role,
            heads: group.heads,
            dial: group.dial.map(|dial| dial.to_string()),
            modifier: facts.modifier.clone(),
            gel: (!gel.is_empty()).then_some(gel),
            grid: loss(FrontKind::Grid),
            stands: facts.stands.clone(),
            note: facts.note.clone(),
        }
    }

    /// A group of which only the log tells.
    fn unconfigured(name: &GroupName) -> LightOnSheet {
        LightOnSheet::of(&LightGroup { name: name.clone(), ..LightGroup::all_lights() })
    }
}

impl PassiveOnSheet {
    pub(super) fn of(thing: &Passive) -> PassiveOnSheet {
        PassiveOnSheet {
            name: thing.name.clone(),
            kind: thing.kind,
            side: thing.side,
            stands: thing.stands.clone(),
            note: thing.note.clone(),
        }
    }
}

/// The configured groups that the log knows, then those that it alone knows.
pub(super) fn lights(setup: &Setup, config: &Config) -> Vec<LightOnSheet> {
    let is_known = |group: &&LightGroup| setup.positions.is_empty() || setup.position(&group.name).is_some();
    let configured = config.groups.iter().filter(is_known).map(LightOnSheet::of);
    let is_new = |position: &&Position| config.groups.iter().all(|group| group.name != position.group);
    let further = setup.positions.iter().filter(is_new).map(|position| LightOnSheet::unconfigured(&position.group));
    configured.chain(further).collect()
}

/// What the groups were set to for a look.
pub(super) fn powers_of(look: &Look, setup: &Setup, config: &Config) -> Vec<PowerOnSheet> {
    // A power may have been told after the look was shot.
    let told_since = |position: &Position| Some(position.known).filter(|known| *known == Known::Told);
    let known = |position: &Position| look.known.get(&position.group).copied().or_else(|| told_since(position));
    powers(setup, config, |position| look.power_of(position), known)
}

/// What they are set to now.
pub(super) fn powers_now(setup: &Setup, config: &Config) -> Vec<PowerOnSheet> {
    powers(setup, config, Position::power, |position| Some(position.known))
}

fn powers(
    setup: &Setup,
    config: &Config,
    power: impl Fn(&Position) -> Option<PowerSetting>,
    known: impl Fn(&Position) -> Option<Known>,
) -> Vec<PowerOnSheet> {
    let of = |light: LightOnSheet| {
        let position = setup.position(&light.group);
        let power = position.and_then(&power);
        let configured = config.groups.iter().find(|group| group.name == light.group);
        let as_shown = |power| configured.map_or_else(|| LightGroup::all_lights().shown(power), |g| g.shown(power));
        PowerOnSheet {
            shown: power.map(as_shown),
            known: position.filter(|_| power.is_some()).and_then(&known),
            group: light.group,
            power,
        }
    };
    lights(setup, config).into_iter().map(of).collect()
}
