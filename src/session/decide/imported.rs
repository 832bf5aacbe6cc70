//! A look of another sitting is taken up: what it was shot with is what frames are compared with, and what its lights were set
//! to is where they are to go.

use std::collections::BTreeMap;

use super::Draft;
use super::references::Chosen;
use crate::rig::LightGroup;
use crate::session::command::Reply;
use crate::session::dials::Marks;
use crate::session::sheet::{ImportedLook, PowerOfDial};
use crate::session::standing::ReferenceBy;
use crate::wording;

impl Draft<'_> {
    pub(super) fn take_look_up(&mut self, imported: ImportedLook) -> Reply {
        if let Some(first) = self.set_up_comes_first() {
            return first;
        }
        let ImportedLook { look, file, observation, powers } = imported;
        let Some(look) = wording::name(&look).map(str::to_owned) else {
            return Reply::refused("a look's name has 1 to 40 printable characters");
        };
        let known = self.sitting.setup.looks.get(&look);
        if known.is_some_and(|known| known.frame.is_some() || known.file != file) {
            return Reply::refused(format!(
                "there is a look '{look}' in this sitting already, and it stays: give the other one a name of its own (--as NAME)"
            ));
        }
        let marks = match self.marks_for(&powers) {
            Ok(marks) => marks,
            Err(why) => return Reply::refused(why),
        };
        let chosen = Chosen { frame: None, file: file.clone(), observation, marks: Some(marks) };
        if let Err(why) = self.can_be_a_reference(&chosen) {
            return Reply::refused(why);
        }
        let of_target = self.set_reference(look.clone(), chosen, ReferenceBy::Told, Vec::new());
        let mut says = vec![format!("frames are compared with '{look}' now, as {} was shot", wording::own_name(&file))];
        says.extend(self.turn_back_to(&look));
        says.extend(of_target);
        Reply::done(says.join("\n"))
    }

    /// Where the dials stood for it, on the scales of this sitting. Nobody knows that of a light that has another dial here.
    fn marks_for(&self, powers: &BTreeMap<crate::rig::GroupName, PowerOfDial>) -> Result<Marks, String> {
        let (mut marks, mut untold) = (Marks::new(), Vec::new());
        let on_this_dial = |group: &&LightGroup| {
            powers.get(&group.name).is_some_and(|power| power.dial == group.dial.map(|dial| dial.to_string()))
        };
        for group in self.config.groups.iter().filter(on_this_dial) {
            let position = self.sitting.setup.position(&group.name);
            let mark = position.zip(powers.get(&group.name)).and_then(|(position, on)| position.mark_of(on.power));
            match mark {
                Some(mark) => _ = marks.insert(group.name.clone(), mark),
                None => untold.push(group.name.as_str()),
            }
        }
        if untold.is_empty() {
            return Ok(marks);
        }
        Err(format!(
            "nobody told what {} set to now, so nobody can say how far to turn: tell it first (greyhold set {} SETTING), then \
             begin again",
            if untold.len() == 1 { format!("{} is", untold[0]) } else { format!("{} are", wording::listed(&untold)) },
            untold[0]
        ))
    }
}
