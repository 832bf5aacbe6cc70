//! What is written down of the set on the set-up sheet: kept in a file of its own beside the configuration, whose own text and
//! comments stay as they are. Each fact there stands in for the same one of the configuration, and is checked as that is.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

pub use super::typed_thing::TypedThing;
use super::written::{MOST_GROUPS, MOST_PASSIVE};
use super::written_stands::notes;
use super::wrong::Wrong;
use super::{Config, ConfigError, own_files};
use crate::wording::listed;

const HEAD: &str = "\
# Written down on greyhold's set-up sheet. What stands here stands in for the same of the configuration; delete it
# here to go by the configuration again. greyhold writes this file, comments in it are not kept.
";
/// Its name beside the shot log, where there is no configuration to keep it beside.
const BESIDE_LOG: &str = "greyhold-typed.yaml";

/// All that is written down.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Typed {
    #[serde(skip_serializing_if = "Vec::is_empty")]
    groups: Vec<TypedThing>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    passive: Vec<TypedThing>,
    #[serde(skip_serializing_if = "Option::is_none")]
    notes: Option<Vec<String>>,
    /// What doesn't fit the configuration as it is by now, and is left out, in sentences.
    #[serde(skip)]
    unfit: Vec<String>,
}

/// Something can't be written down.
#[derive(Debug, thiserror::Error)]
pub enum TypedError {
    #[error("there is nothing on the set with the name '{name}': there is {there}")]
    NoSuchThing { name: String, there: String },
    #[error("{key}: {fault}")]
    Wrong { key: String, fault: String },
    #[error("there are more than {most} names in {path}: take those out that are on the set no more")]
    TooMany { path: String, most: usize },
    #[error(transparent)]
    Unreadable(#[from] ConfigError),
    #[error("it can't be saved in {path}: {cause}")]
    Unwritable { path: String, cause: std::io::Error },
}

/// Where what was typed beside a configuration is kept.
pub fn beside(config: &Path) -> PathBuf {
    config.with_extension("typed.yaml")
}

/// Where it is kept when nobody wrote a configuration.
pub fn beside_log(log: &Path) -> PathBuf {
    log.with_file_name(BESIDE_LOG)
}

/// The configuration with what is typed in it.
pub fn apply(path: &Path, config: &mut Config) -> Result<(), ConfigError> {
    let (mut typed, written): (Typed, _) = own_files::read(path)?;
    typed.unfit = typed.onto(config).map_err(|wrong| ConfigError::At {
        file: path.display().to_string(),
        line: wrong.line_in(&written),
        key: wrong.key.clone(),
        fault: wrong.fault,
    })?;
    config.typed = typed;
    let in_vain: Vec<String> = config.typed_in_vain().collect();
    config.remarks.extend(in_vain);
    Ok(())
}

/// Writes facts of one thing down, beside those that are already; without a fact, it goes by the configuration again.
pub fn write(path: &Path, config: &Config, thing: &TypedThing) -> Result<(), TypedError> {
    let mut thing = thing.trimmed();
    let (mut typed, _): (Typed, _) = own_files::read(path)?;
    let (list, most) = if let Some(group) = config.groups.iter().find(|group| thing.is_of(group.name.as_str())) {
        thing.onto_group(&mut group.clone())?;
        thing.name = group.name.to_string();
        (&mut typed.groups, MOST_GROUPS)
    } else if let Some(passive) = config.passive.iter().find(|passive| thing.is_of(&passive.name)) {
        thing.onto_passive(&mut passive.clone())?;
        thing.name.clone_from(&passive.name);
        (&mut typed.passive, MOST_PASSIVE)
    } else {
        return Err(TypedError::NoSuchThing { name: thing.name, there: listed(&config.names_of_things()) });
    };
    let known = list.iter().position(|known| known.is_of(&thing.name));
    match known {
        Some(at) if thing.is_bare() => _ = list.remove(at),
        None if thing.is_bare() => {}
        Some(at) => list[at].take_from(thing),
        None if list.len() < most => list.push(thing),
        None => return Err(TypedError::TooMany { path: path.display().to_string(), most }),
    }
    save(path, &typed)
}

/// Writes the notes of the set down; without any list, they are the configuration's again.
pub fn write_notes(path: &Path, wanted: Option<&[String]>) -> Result<(), TypedError> {
    let (mut typed, _): (Typed, _) = own_files::read(path)?;
    typed.notes = wanted.map(|wanted| notes(wanted.iter().map(|note| note.trim()))).transpose()?;
    save(path, &typed)
}

fn save(path: &Path, typed: &Typed) -> Result<(), TypedError> {
    own_files::save(path, HEAD, typed)
        .map_err(|cause| TypedError::Unwritable { path: path.display().to_string(), cause })
}

impl From<Wrong> for TypedError {
    fn from(wrong: Wrong) -> TypedError {
        TypedError::Wrong { key: wrong.key, fault: wrong.fault }
    }
}

impl Typed {
    /// Puts what is typed in the place of what is configured. Names that nothing has are passed over, and so is what fits no more: the
    /// configuration may have changed since. Gives the latter.
    fn onto(&self, config: &mut Config) -> Result<Vec<String>, Wrong> {
        let mut unfit = Vec::new();
        for (list, things, most) in [("groups", &self.groups, MOST_GROUPS), ("passive", &self.passive, MOST_PASSIVE)] {
            if things.len() > most {
                return Err(Wrong::new(list, "", format!("there are more than {most}: leave some out")));
            }
        }
        for (i, thing) in self.groups.iter().enumerate() {
            if let Some(group) = config.groups.iter_mut().find(|group| thing.is_of(group.name.as_str())) {
                let left_out = thing.put(group, TypedThing::onto_group).map_err(|wrong| wrong.within("groups", i))?;
                unfit.extend(left_out);
            }
        }
        for (i, thing) in self.passive.iter().enumerate() {
            if let Some(passive) = config.passive.iter_mut().find(|passive| thing.is_of(&passive.name)) {
                let left_out =
                    thing.put(passive, TypedThing::onto_passive).map_err(|wrong| wrong.within("passive", i))?;
                unfit.extend(left_out);
            }
        }
        if let Some(typed) = &self.notes {
            config.notes = notes(typed.iter().map(|note| note.trim()))?;
        }
        Ok(unfit)
    }

    /// What is written down of a thing, if anything is.
    pub fn of(&self, name: &str) -> Option<&TypedThing> {
        self.groups.iter().chain(&self.passive).find(|thing| thing.is_of(name))
    }

    pub fn has_notes(&self) -> bool {
        self.notes.is_some()
    }
}

impl Config {
    fn names_of_things(&self) -> Vec<&str> {
        let groups = self.groups.iter().map(|group| group.name.as_str());
        groups.chain(self.passive.iter().map(|passive| passive.name.as_str())).collect()
    }

    /// What was written down under names that the configuration has no more, and what fits no more, each in a sentence.
    pub fn typed_in_vain(&self) -> impl Iterator<Item = String> {
        let is_group = |thing: &&TypedThing| self.groups.iter().any(|group| thing.is_of(group.name.as_str()));
        let is_passive = |thing: &&TypedThing| self.passive.iter().any(|passive| thing.is_of(&passive.name));
        let groups = self.typed.groups.iter().filter(|thing| !is_group(thing));
        let passive = self.typed.passive.iter().filter(|thing| !is_passive(thing));
        let gone: Vec<&str> = groups.chain(passive).map(|thing| thing.name.as_str()).collect();
        let gone = (!gone.is_empty()).then(|| {
            let gone = listed(&gone);
            format!(
                "what was written down on the set-up sheet of {gone} is shown nowhere: the configuration has no such light or thing"
            )
        });
        gone.into_iter().chain(self.typed.unfit.iter().cloned())
    }
}
