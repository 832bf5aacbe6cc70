//! Looks: another one is made current, and all are listed.

use super::Draft;
use crate::rig::LightGroup;
use crate::session::command::Reply;
use crate::session::record::Body;
use crate::session::remembered::Look;

impl Draft<'_> {
    pub(super) fn tell_look(&mut self, look: &str) -> Reply {
        if let Some(first) = self.set_up_comes_first() {
            return first;
        }
        if !self.sitting.setup.looks.contains_key(look) {
            let names: Vec<&str> = self.sitting.setup.looks.keys().map(String::as_str).collect();
            let there = if names.is_empty() { "none yet".to_owned() } else { names.join(", ") };
            return Reply::refused(format!("there is no look '{look}' (there is: {there}); 'reference' begins one"));
        }
        if self.is_building(&self.sitting.setup) {
            return Reply::refused("the light is being built: accept it first ('greyhold accept')");
        }
        let over = self.waiting_is_over();
        self.withdraw();
        self.stage(Body::Look { look: look.to_owned() });
        let mut says = vec![format!("frames are compared with '{look}' now")];
        says.extend(self.turn_back_to(look));
        says.extend(over);
        Reply::done(says.join("\n"))
    }

    /// Each look with its reference and the powers that its lights had.
    pub(super) fn list_looks(&self) -> Reply {
        let setup = &self.sitting.setup;
        let power = |look: &Look, group: &LightGroup| {
            Some(format!("{} {}", group.name, group.shown(look.power_of(setup.position(&group.name)?)?)))
        };
        let line = |(name, look): (&String, &Look)| {
            let powers: Vec<String> = self.config.groups.iter().filter_map(|group| power(look, group)).collect();
            let now = if setup.current.as_ref() == Some(name) { " (frames are compared with it now)" } else { "" };
            let powers = if powers.is_empty() { "powers not told".to_owned() } else { powers.join(", ") };
            format!("{name}{now}: reference {}; {powers}", look.file)
        };
        let looks: Vec<String> = setup.looks.iter().map(line).collect();
        match looks.is_empty() {
            true => Reply::done("there is no look yet: the first reference begins one"),
            false => Reply::done(looks.join("\n")),
        }
    }
}
