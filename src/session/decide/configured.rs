//! The configuration is taken up, with what it changes of the lights in words.

use super::Draft;
use crate::advice::Target;
use crate::photometry::PowerSetting;
use crate::rig::{GroupName, LightGroup};
use crate::session::record::{Body, GroupPower};
use crate::wording::listed;

impl Draft<'_> {
    pub(super) fn stage_config(&mut self) {
        let groups = self.config.groups.iter().map(|g| GroupPower { group: g.name.clone(), power: g.power }).collect();
        let target = self.config.target.as_ref().map(Target::to_string);
        let is_new = target != self.sitting.setup.target;
        let changes = self.changes_of_lights();
        self.stage(Body::Config { tolerance: self.config.tolerance, groups, target });
        changes.into_iter().for_each(|text| self.stage(Body::Warning { text }));
        if is_new {
            self.tell_target_of_standing();
        }
    }

    /// Powers and groups that are written anew, and what is taken of them; nothing in a log that has just begun.
    fn changes_of_lights(&self) -> Vec<String> {
        let written = self.sitting.setup.configured();
        if written.is_empty() {
            return Vec::new();
        }
        let is_new = |group: &&LightGroup| !written.contains_key(&group.name);
        let new: Vec<&LightGroup> = self.config.groups.iter().filter(is_new).collect();
        let gone: Vec<&GroupName> = written.keys().filter(|name| self.group(name).is_none()).collect();
        let turned =
            self.config.groups.iter().filter(|group| !is_new(group)).filter_map(|group| self.power_anew(group));
        let renamed = (!new.is_empty() || !gone.is_empty()).then(|| self.groups_anew(&new, &gone));
        turned.chain(renamed).collect()
    }

    /// A power that is written anew, where the light is taken to be elsewhere by now.
    fn power_anew(&self, group: &LightGroup) -> Option<String> {
        let setup = &self.sitting.setup;
        let power = group.power.filter(|power| setup.configured().get(&group.name) != Some(&Some(*power)))?;
        let was = setup.position(&group.name)?.power();
        let is_there = was.is_some_and(|was| (was - power).abs() < group.step().stops() / 2.0);
        let before = |was: PowerSetting| format!(" (before: {})", group.shown(was));
        (!is_there).then(|| {
            format!(
                "power: of {0} was changed in the configuration: {0} is taken to be at {1} now{2}",
                group.name,
                group.shown(power),
                was.map(before).unwrap_or_default()
            )
        })
    }

    /// Groups by names that were not there before, and names that are there no more.
    fn groups_anew(&self, new: &[&LightGroup], gone: &[&GroupName]) -> String {
        let shown = |group: &&LightGroup| match group.power {
            Some(power) => format!("{} at {}", group.name, group.shown(power)),
            None => format!("{} where it is", group.name),
        };
        let of_new = listed(&new.iter().map(shown).collect::<Vec<_>>());
        let of_gone = listed(&gone.iter().map(|name| name.as_str()).collect::<Vec<_>>());
        let mut says = Vec::new();
        if !gone.is_empty() {
            says.push(format!("{of_gone} is no name of a group any more, so what was known of it is forgotten"));
        }
        if !new.is_empty() {
            says.push(format!(
                "a new name is a new group, taken to have stood for each reference as it is written now ({of_new})"
            ));
        }
        let survey = if self.sitting.setup.surveyed.is_some() { "; survey the lights anew" } else { "" };
        format!("the groups of the configuration were changed: {}{survey}", says.join("; "))
    }
}
