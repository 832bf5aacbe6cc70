//! Names as people write them: upper and lower case don't matter in those of groups and looks.

use super::Draft;
use crate::rig::GroupName;
use crate::session::command::Command;

impl Draft<'_> {
    /// The command with the names of groups and looks that there are, for those that differ from them in case alone. Others stay as
    /// they are: a new look's is its own.
    pub(super) fn with_known_names(&self, command: &Command) -> Command {
        let mut command = command.clone();
        match &mut command {
            Command::Power { group, .. }
            | Command::Undo { group: Some(group) }
            | Command::Confirm { group: Some(group), .. } => {
                self.name_group(group);
            }
            Command::Survey { groups, .. } => groups.iter_mut().for_each(|group| self.name_group(group)),
            Command::Look { look } | Command::Reference { look: Some(look), .. } => self.name_look(look),
            _ => {}
        }
        command
    }

    fn name_group(&self, name: &mut GroupName) {
        let known = self.config.groups.iter().map(|group| &group.name);
        if let Some(same) = but_for_case(known, GroupName::as_str, name.as_str()) {
            *name = same.clone();
        }
    }

    fn name_look(&self, name: &mut String) {
        if let Some(same) = but_for_case(self.sitting.setup.looks.keys(), String::as_str, name) {
            *name = same.clone();
        }
    }
}

/// The one name that is the same but for its case; none where one is the very same, or several are.
fn but_for_case<'a, T>(
    known: impl Iterator<Item = &'a T> + Clone,
    text: impl Fn(&'a T) -> &'a str,
    name: &str,
) -> Option<&'a T> {
    if known.clone().any(|one| text(one) == name) {
        return None;
    }
    let lower = name.to_lowercase();
    let mut same = known.filter(|one| text(one).to_lowercase() == lower);
    same.next().filter(|_| same.next().is_none())
}
