//! A passive thing of the set as the configuration writes it.

use serde::Deserialize;

use super::values::{Scalar, word};
use super::written_spot::checked_name;
use super::written_stands::{stands, text};
use super::wrong::Wrong;
use crate::rig::{Passive, PassiveKind, Side, Stands};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenPassive {
    pub name: String,
    kind: Scalar,
    side: Option<Scalar>,
    height: Option<Scalar>,
    distance: Option<Scalar>,
    angle: Option<Scalar>,
    note: Option<Scalar>,
}

const KINDS: [(&str, PassiveKind); 3] =
    [("reflector", PassiveKind::Reflector), ("flag", PassiveKind::Flag), ("scrim", PassiveKind::Scrim)];
const SIDES: [(&str, Side); 4] =
    [("left", Side::Left), ("right", Side::Right), ("above", Side::Above), ("below", Side::Below)];

impl WrittenPassive {
    pub fn checked(&self) -> Result<Passive, Wrong> {
        let name = checked_name(&self.name)?.to_owned();
        let kind = word("kind", Some(&self.kind), &KINDS)?;
        let kind = kind.ok_or_else(|| Wrong::new("kind", "", "write reflector, flag or scrim"))?;
        let side = word("side", self.side.as_ref(), &SIDES)?;
        let angle = Scalar::text_of(&self.angle);
        let stands = stands(Scalar::text_of(&self.height), Scalar::text_of(&self.distance), angle, 1)?;
        if let Some(angle) = angle {
            on_its_side(side, &stands, angle)?;
        }
        Ok(Passive { name, kind, side, stands, note: text("note", Scalar::text_of(&self.note))? })
    }
}

/// Refuses an angle on the other side than the one that is written.
pub(super) fn on_its_side(side: Option<Side>, stands: &Stands, angle: &str) -> Result<(), Wrong> {
    match (side, stands.angles.first().and_then(|angle| angle.is_right())) {
        (Some(side @ (Side::Left | Side::Right)), Some(is_right)) if (side == Side::Right) != is_right => {
            let fault = format!("'{angle}' is on the other side: side says {side}. Leave one of them out");
            Err(Wrong::new("angle", angle, fault))
        }
        _ => Ok(()),
    }
}

/// Why a role is none: what has no power stands elsewhere.
pub(super) fn not_a_light(role: &Scalar, name: &str) -> Option<Wrong> {
    let (kind, _) = KINDS.iter().find(|(kind, _)| *kind == role.0)?;
    let fault = format!(
        "a {kind} has no power to turn: take it out of groups:, and write it under passive: as - {{name: {}, kind: {kind}}}",
        name.trim()
    );
    Some(Wrong::new("role", &role.0, fault))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;

    const LIGHT: &str = "groups:\n  - {name: key, dial: fraction, range: 1/128 to 1/1}\n";

    #[test]
    fn passive_things_stand_beside_the_lights_and_are_none() {
        let text = format!(
            "{LIGHT}passive:\n  - {{name: silver card, kind: reflector, side: left}}\n  - {{name: top, kind: scrim}}\n"
        );
        let config = Config::parse(&text, "x").unwrap();
        let thing =
            |name: &str, kind, side| Passive { name: name.into(), kind, side, stands: Default::default(), note: None };
        let card = thing("silver card", PassiveKind::Reflector, Some(Side::Left));
        assert_eq!(config.passive, [card, thing("top", PassiveKind::Scrim, None)]);
        assert_eq!(config.groups, Config::parse(LIGHT, "x").unwrap().groups);
        assert!(Config::parse("passive:\n", "x").unwrap().passive.is_empty());
    }

    #[test]
    fn what_is_wrong_with_them_is_said_with_its_line() {
        let many = (0..17).fold("passive:\n".to_owned(), |all, i| all + &format!("  - {{name: p{i}, kind: flag}}\n"));
        for (text, parts) in [
            (
                format!("{LIGHT}  - name: card\n    role: reflector\n"),
                ["line 4: role", "under passive: as - {name: card, kind: reflector}"],
            ),
            (format!("{LIGHT}passive:\n  - {{name: Key, kind: flag}}\n"), ["line 4: name", "'Key' is there twice"]),
            (
                "passive:\n  - {name: a, kind: flag}\n  - {name: A, kind: flag}\n".into(),
                ["line 3: name", "there twice"],
            ),
            ("passive:\n  - {name: a, kind: umbrella}\n".into(), ["line 2: kind", "reflector or flag or scrim"]),
            (
                "passive:\n  - {name: a, kind: flag, side: north}\n".into(),
                ["line 2: side", "left or right or above or below"],
            ),
            ("passive:\n  - {name: a}\n".into(), ["line 2", "'kind' is missing"]),
            ("passive:\n  - {name: a, kind: flag, power: 1/4}\n".into(), ["line 2: power", "unknown key"]),
            (many, ["line 1: passive", "more than 16"]),
        ] {
            let said = Config::parse(&text, "x").unwrap_err().to_string();
            assert!(parts.iter().all(|part| said.contains(part)), "{text}: {said}");
        }
    }
}
