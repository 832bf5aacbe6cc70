//! A plan for a person, at a terminal of eighty columns.

use super::picture;
use super::sharpness;
use super::table::{ACROSS, Table};
use crate::advice::{Powers, Recycling, is_out};
use crate::rig::DialChange;
use crate::session::plan::{Plan, end_in_words, shown, turn};
use crate::wording::wrapped;

/// Stands behind a power that is the end of a light's range, and before what is said of it.
const AT_AN_END: &str = "!";
/// Lines of a paragraph after its first are indented.
const INDENT: &str = "  ";
/// Shorter waits are told as shorter.
const LEAST_WAIT: f64 = 0.1;

pub fn told(plan: &Plan) -> String {
    let apertures = plan.apertures();
    let table = powers_table(plan).lines().join("\n");
    let mut paragraphs = vec![paragraph(&heading(plan)), table];
    paragraphs.extend(ends_of_ranges(&plan.powers));
    let beside: Vec<String> = plan.of_the_room().into_iter().chain(plan.of_the_times()).collect();
    paragraphs.extend(beside.iter().map(|said| paragraph(said)));
    if let Some(lens) = &plan.lens {
        paragraphs.push(paragraph(&sharpness::heading(lens)));
        paragraphs.push(sharpness::limits(lens, &apertures).lines().join("\n"));
        paragraphs.push(picture::lines(lens, &apertures).join("\n"));
        let blur = sharpness::blur(lens, &apertures).lines().join("\n");
        paragraphs.push(format!("{}\n{blur}", paragraph(&sharpness::of_the_blur(lens))));
        paragraphs.push(sharpness::findings(lens).iter().map(|said| paragraph(said)).collect::<Vec<_>>().join("\n"));
    }
    let assumed: Vec<String> = plan.assumed.iter().map(|said| paragraph(said)).collect();
    if !assumed.is_empty() {
        paragraphs.push(assumed.join("\n"));
    }
    paragraphs.join("\n\n")
}

/// Words on lines of a terminal.
fn paragraph(text: &str) -> String {
    let lines = wrapped(text, ACROSS - INDENT.len());
    lines.join(&format!("\n{INDENT}"))
}

/// What is planned, and from where.
fn heading(plan: &Plan) -> String {
    let iso = plan.powers.first().and_then(|at| at.settings.iso).map_or_else(String::new, |iso| format!(" at {iso}"));
    format!("Powers for each aperture{iso}, when the lights are set for {}:", plan.from.in_short())
}

fn powers_table(plan: &Plan) -> Table {
    let mut table = Table { heads: vec!["aperture".to_owned(), "every light".to_owned()], rows: Vec::new() };
    // What every light does stands in a column already, where no power is known.
    let has_powers = plan.groups.iter().any(|group| group.power.is_some());
    if has_powers {
        table.heads.extend(plan.groups.iter().map(|group| group.name.to_string()));
    }
    table.heads.extend(plan.room.as_ref().map(|_| "room light".to_owned()));
    table.heads.extend(plan.has_times().then(|| "ready again".to_owned()));
    for at in &plan.powers {
        let mut row = vec![aperture(at), turn(at.correction.wanted)];
        if has_powers {
            row.extend(at.correction.dial_changes.iter().map(power));
        }
        if plan.room.is_some() {
            row.push(at.room.map_or_else(String::new, |room| room.in_per_cent()));
        }
        if plan.has_times() {
            row.push(at.recycling.as_ref().map_or_else(String::new, wait));
        }
        table.rows.push(row);
    }
    table
}

fn aperture(at: &Powers) -> String {
    at.settings.f_number.map_or_else(String::new, |n| n.to_string())
}

fn power(change: &DialChange) -> String {
    let end = if change.to.is_some() && is_out(change) { format!(" {AT_AN_END}") } else { String::new() };
    format!("{}{end}", shown(change))
}

fn wait(last: &Recycling) -> String {
    match last.seconds.seconds() {
        seconds if seconds < LEAST_WAIT => "under 0.1 s".to_owned(),
        _ => format!("{} ({})", last.seconds, last.group),
    }
}

/// Where lights are out of their ranges, by how much, and what to do for all of them.
fn ends_of_ranges(powers: &[Powers]) -> Option<String> {
    let end = |at: &Powers| Some(paragraph(&format!("{}: {}", aperture(at), end_in_words(at)?)));
    let out: Vec<String> = powers.iter().filter_map(end).collect();
    (!out.is_empty()).then(|| format!("{AT_AN_END} the end of a light's range:\n{}", out.join("\n")))
}
