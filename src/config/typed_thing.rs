//! What is written down of one thing of the set, checked as the configuration's own is, and put in its place.

use serde::{Deserialize, Serialize};

use super::written_passive::on_its_side;
use super::written_stands::{angles, distance, height, text};
use super::wrong::Wrong;
use crate::optics::distance_in_words;
use crate::rig::{LightGroup, Passive, Stands};

/// What is typed of one thing of the set, a light group or a passive thing, in the configuration's own words. What is left out is as
/// the configuration says; an empty text says that there is nothing.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TypedThing {
    pub name: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub modifier: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub height: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angle: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gel_colour: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

impl TypedThing {
    /// A group as it is taken up.
    pub fn of_group(group: &LightGroup) -> TypedThing {
        let facts = &group.facts;
        TypedThing {
            modifier: facts.modifier.clone(),
            gel_colour: facts.gel_colour.clone(),
            note: facts.note.clone(),
            ..TypedThing::standing(group.name.as_str(), &facts.stands)
        }
    }

    /// A passive thing as it is taken up.
    pub fn of_passive(passive: &Passive) -> TypedThing {
        TypedThing { note: passive.note.clone(), ..TypedThing::standing(&passive.name, &passive.stands) }
    }

    fn standing(name: &str, stands: &Stands) -> TypedThing {
        let angles: Vec<String> = stands.angles.iter().map(ToString::to_string).collect();
        TypedThing {
            name: name.to_owned(),
            height: stands.height.map(distance_in_words),
            distance: stands.distance.map(distance_in_words),
            angle: (!angles.is_empty()).then(|| angles.join(" and ")),
            ..TypedThing::default()
        }
    }

    /// Upper and lower case don't matter, as nothing else on the set has the same name but for them.
    pub(super) fn is_of(&self, name: &str) -> bool {
        self.name.trim().to_lowercase() == name.trim().to_lowercase()
    }

    /// Nothing is typed but its name.
    pub fn is_bare(&self) -> bool {
        *self == TypedThing { name: self.name.clone(), ..TypedThing::default() }
    }

    pub(super) fn trimmed(&self) -> TypedThing {
        let trimmed = |text: &Option<String>| text.as_ref().map(|text| text.trim().to_owned());
        TypedThing {
            name: self.name.trim().to_owned(),
            modifier: trimmed(&self.modifier),
            height: trimmed(&self.height),
            distance: trimmed(&self.distance),
            angle: trimmed(&self.angle),
            gel_colour: trimmed(&self.gel_colour),
            note: trimmed(&self.note),
        }
    }

    /// What is typed anew takes the place of what was; the rest stays.
    pub(super) fn take_from(&mut self, other: TypedThing) {
        for (fact, typed) in [
            (&mut self.modifier, other.modifier),
            (&mut self.height, other.height),
            (&mut self.distance, other.distance),
            (&mut self.angle, other.angle),
            (&mut self.gel_colour, other.gel_colour),
            (&mut self.note, other.note),
        ] {
            *fact = typed.or(fact.take());
        }
    }

    /// Puts each fact onto a thing of the set. Gives in sentences what is right by itself and doesn't fit that thing.
    pub(super) fn put<T: Clone>(
        &self,
        onto: &mut T,
        put: impl Fn(&TypedThing, &mut T) -> Result<(), Wrong>,
    ) -> Result<Vec<String>, Wrong> {
        let mut unfit = Vec::new();
        for fact in self.trimmed().single_facts() {
            let mut tried = onto.clone();
            match put(&fact, &mut tried) {
                Ok(()) => *onto = tried,
                // A group of any number of lights takes every fact that is right.
                Err(wrong)
                    if fact.onto_group(&mut LightGroup { heads: u32::MAX, ..LightGroup::all_lights() }).is_ok() =>
                {
                    let (key, name) = (&wrong.key, &fact.name);
                    unfit.push(format!(
                        "{key} of {name}, as it was written down on the set-up sheet, is left out: {}",
                        wrong.fault
                    ));
                }
                Err(wrong) => return Err(wrong),
            }
        }
        Ok(unfit)
    }

    fn single_facts(&self) -> [TypedThing; 6] {
        let bare = || TypedThing { name: self.name.clone(), ..TypedThing::default() };
        [
            TypedThing { modifier: self.modifier.clone(), ..bare() },
            TypedThing { height: self.height.clone(), ..bare() },
            TypedThing { distance: self.distance.clone(), ..bare() },
            TypedThing { angle: self.angle.clone(), ..bare() },
            TypedThing { gel_colour: self.gel_colour.clone(), ..bare() },
            TypedThing { note: self.note.clone(), ..bare() },
        ]
    }

    pub(super) fn onto_group(&self, group: &mut LightGroup) -> Result<(), Wrong> {
        let facts = &mut group.facts;
        stand_in_text(&mut facts.modifier, "modifier", self.modifier.as_deref())?;
        stand_in_text(&mut facts.gel_colour, "gel_colour", self.gel_colour.as_deref())?;
        stand_in_text(&mut facts.note, "note", self.note.as_deref())?;
        self.stand_in_place(&mut facts.stands, group.heads)
    }

    pub(super) fn onto_passive(&self, passive: &mut Passive) -> Result<(), Wrong> {
        for (key, typed) in [("modifier", &self.modifier), ("gel_colour", &self.gel_colour)] {
            if let Some(typed) = typed {
                let fault = format!("a {} has none: write height, distance, angle or note", passive.kind);
                return Err(Wrong::new(key, typed, fault));
            }
        }
        stand_in_text(&mut passive.note, "note", self.note.as_deref())?;
        self.stand_in_place(&mut passive.stands, 1)?;
        self.angle.as_deref().map_or(Ok(()), |angle| on_its_side(passive.side, &passive.stands, angle))
    }

    /// `most` is how many of them stand somewhere.
    fn stand_in_place(&self, stands: &mut Stands, most: u32) -> Result<(), Wrong> {
        if let Some(typed) = self.height.as_deref() {
            stands.height = something(typed).map(height).transpose()?;
        }
        if let Some(typed) = self.distance.as_deref() {
            stands.distance = something(typed).map(distance).transpose()?;
        }
        if let Some(typed) = self.angle.as_deref() {
            stands.angles = something(typed).map_or_else(|| Ok(Vec::new()), |typed| angles(typed, most))?;
        }
        Ok(())
    }
}

/// An empty text says that there is nothing.
fn something(typed: &str) -> Option<&str> {
    Some(typed).filter(|typed| !typed.is_empty())
}

fn stand_in_text(fact: &mut Option<String>, key: &str, typed: Option<&str>) -> Result<(), Wrong> {
    if typed.is_some() {
        *fact = text(key, typed)?;
    }
    Ok(())
}
