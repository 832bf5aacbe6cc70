//! What is written down on the page of the running sitting: a small form on each card, which the page's script sends.

use std::fmt::Write;

use crate::config::typed::TypedThing;
use crate::outlet::html::escaped;
use crate::session::sheet::{FactsOnSheet, LightOnSheet, NowOnSheet, PassiveOnSheet, Sheet};

/// Longer texts are refused when they are saved.
const LONGEST: usize = 200;
const PLACES: &str = "Height is from the floor to its middle. Distance is along the floor, from below the sitter's face to below its front. \
                      Angle, seen from the sitter: 0 is at the camera, 180 behind the sitter, left and right are the camera's.";

/// A fact that can be typed: its key in the configuration, what it is called, and what stands there.
type Field<'a> = (&'static str, &'static str, &'a Option<String>);

/// The forms of a page, each with a number of its own.
pub struct Forms<'a> {
    now: &'a NowOnSheet,
    made: usize,
}

impl<'a> Forms<'a> {
    pub fn of(sheet: &'a Sheet) -> Option<Forms<'a>> {
        sheet.now.as_ref().map(|now| Forms { now, made: 0 })
    }

    /// Nothing for a group that the configuration doesn't have.
    pub fn of_light(&mut self, light: &LightOnSheet) -> String {
        let Some(FactsOnSheet { of, is_typed }) = self.facts(light.group.as_str()) else { return String::new() };
        let angle = if light.heads > 1 { "Angles, such as 150 left and 150 right" } else { ANGLE };
        let modifier = ("modifier", "Modifier", &of.modifier);
        let gel = ("gel_colour", "Gel colour", &of.gel_colour);
        let [height, distance, angle, note] = places(of, angle);
        self.form(&of.name, &[modifier, height, distance, angle, gel, note], *is_typed)
    }

    pub fn of_passive(&mut self, thing: &PassiveOnSheet) -> String {
        let Some(FactsOnSheet { of, is_typed }) = self.facts(&thing.name) else { return String::new() };
        self.form(&of.name, &places(of, ANGLE), *is_typed)
    }

    pub fn of_notes(&mut self, notes: &[String]) -> String {
        let id = self.next_id();
        let field = format!(
            "<p><label for=\"{id}-notes\">Notes of the set, one a line, at most 20</label>\
             <textarea id=\"{id}-notes\" name=\"notes\" rows=\"5\">\n{}</textarea></p>\n",
            notes.iter().map(|note| escaped(note)).collect::<Vec<_>>().join("\n")
        );
        written(&id, "data-notes", "the notes of the set", &field, self.now.notes_are_typed)
    }

    fn facts(&self, name: &str) -> Option<&'a FactsOnSheet> {
        self.now.facts.iter().find(|facts| facts.of.name == name)
    }

    fn form(&mut self, name: &str, fields: &[Field], is_typed: bool) -> String {
        let id = self.next_id();
        let mut inputs = String::new();
        for (key, label, value) in fields {
            // Writing to a string can't fail.
            let _ = writeln!(
                inputs,
                "<p><label for=\"{id}-{key}\">{label}</label>\
                 <input id=\"{id}-{key}\" name=\"{key}\" maxlength=\"{LONGEST}\" value=\"{}\"></p>",
                escaped(value.as_deref().unwrap_or_default())
            );
        }
        let _ = writeln!(inputs, "<p class=\"soft\">{PLACES}</p>");
        let name = escaped(name);
        written(&id, &format!("data-name=\"{name}\""), &name, &inputs, is_typed)
    }

    fn next_id(&mut self) -> String {
        self.made += 1;
        format!("write{}", self.made)
    }
}

const ANGLE: &str = "Angle, such as 45 left";

fn places<'a>(of: &'a TypedThing, angle: &'static str) -> [Field<'a>; 4] {
    [
        ("height", "Height, such as 2.1 m", &of.height),
        ("distance", "Distance, such as 130 cm", &of.distance),
        ("angle", angle, &of.angle),
        ("note", "Note", &of.note),
    ]
}

/// The button, what is said of it, and the form that it opens; `name` is escaped already.
fn written(id: &str, which: &str, name: &str, fields: &str, is_typed: bool) -> String {
    let back = "<button type=\"button\" class=\"back\">Take back to what the configuration says</button>\n";
    let back = if is_typed { back } else { "" };
    format!(
        "<div class=\"write\" {which}>\n\
         <button type=\"button\" class=\"open\" aria-expanded=\"false\" aria-controls=\"{id}\">Write down<span class=\"unseen\"> {name}</span></button>\n\
         <form id=\"{id}\" aria-label=\"Write down {name}\" autocomplete=\"off\" hidden>\n{fields}\
         <p class=\"row\"><button type=\"submit\">Save</button>\n\
         <button type=\"button\" class=\"leave\">Leave it as it was</button>\n{back}</p>\n</form>\n\
         <div id=\"{id}-says\" class=\"says\" role=\"status\"></div>\n</div>\n"
    )
}
