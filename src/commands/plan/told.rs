//! A plan for a person, at a terminal of eighty columns.

use super::asked::Asked;
use super::picture;
use super::sharpness;
use super::table::{ACROSS, Table};
use crate::advice::{Correction, OtherWays, Powers, WayRound, filters_in_words, is_out};
use crate::photometry::Stops;
use crate::rig::DialChange;
use crate::wording::wrapped;

/// Stands behind a power that is the end of a light's range, and before what is said of it.
const AT_AN_END: &str = "!";
/// Lines of a paragraph after its first are indented.
const INDENT: &str = "  ";

pub fn told(asked: &Asked, powers: &[Powers]) -> String {
    let table = powers_table(asked, powers).lines().join("\n");
    let mut paragraphs = vec![paragraph(&heading(asked)), table];
    paragraphs.extend(ends_of_ranges(powers));
    if let Some(lens) = &asked.lens {
        paragraphs.push(paragraph(&sharpness::heading(lens)));
        paragraphs.push(sharpness::limits(lens, &asked.apertures).lines().join("\n"));
        paragraphs.push(picture::lines(lens, &asked.apertures).join("\n"));
        let blur = sharpness::blur(lens, &asked.apertures).lines().join("\n");
        paragraphs.push(format!("{}\n{blur}", paragraph(&sharpness::of_the_blur(lens))));
        paragraphs.push(sharpness::findings(lens).iter().map(|said| paragraph(said)).collect::<Vec<_>>().join("\n"));
    }
    let of_the_camera = powers.iter().any(Powers::is_out_of_range).then_some(&asked.assumed_of_the_camera);
    let assumed: Vec<String> = asked.assumed.iter().chain(of_the_camera).map(|said| paragraph(said)).collect();
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
fn heading(asked: &Asked) -> String {
    let from = asked.from.in_short();
    format!("Powers for each aperture at {}, when the lights are set for {from}:", asked.iso)
}

fn powers_table(asked: &Asked, powers: &[Powers]) -> Table {
    let mut table = Table { heads: vec!["aperture".to_owned(), "every light".to_owned()], rows: Vec::new() };
    table.heads.extend(asked.groups.iter().map(|group| group.name.to_string()));
    for at in powers {
        let mut row = vec![aperture(at), turn(at.correction.wanted)];
        row.extend(at.correction.dial_changes.iter().map(power));
        table.rows.push(row);
    }
    // What every light does stands in a column already.
    if asked.groups.iter().all(|group| group.power.is_none()) {
        table.heads.truncate(2);
        table.rows.iter_mut().for_each(|row| row.truncate(2));
    }
    table
}

fn aperture(at: &Powers) -> String {
    at.settings.f_number.map_or_else(String::new, |n| n.to_string())
}

fn turn(wanted: Stops) -> String {
    if wanted.is_worth_saying() { wanted.up_or_down() } else { "as it is".to_owned() }
}

fn power(change: &DialChange) -> String {
    match (&change.to, is_out(change)) {
        (Some(to), true) => format!("{to} {AT_AN_END}"),
        (Some(to), false) => to.clone(),
        (None, _) => turn(change.change),
    }
}

/// Where lights are out of their ranges, by how much, and what to do for all of them.
fn ends_of_ranges(powers: &[Powers]) -> Option<String> {
    let out: Vec<String> = powers.iter().filter(|at| at.is_out_of_range()).map(end_of_a_range).collect();
    (!out.is_empty()).then(|| format!("{AT_AN_END} the end of a light's range:\n{}", out.join("\n")))
}

fn end_of_a_range(at: &Powers) -> String {
    let out = at.correction.dial_changes.iter().filter(|change| is_out(change));
    let out: Vec<String> =
        out.map(|change| format!("{} is {}", change.group, change.remainder.too_weak_or_strong())).collect();
    let instead = match &at.way_round {
        Some(way) => format!("Instead: {}. Then {}.", way_in_words(way, at), powers_of(&way.correction)),
        None => {
            format!("No way at the camera was found that is enough for all: {}.", moved(&at.correction.other_ways))
        }
    };
    paragraph(&format!("{}: {}. {instead}", aperture(at), out.join(", ")))
}

/// What is changed at the camera.
pub fn way_in_words(way: &WayRound, at: &Powers) -> String {
    let iso = way.settings.iso.filter(|iso| at.settings.iso != Some(*iso)).map(|iso| iso.to_string());
    // What the lens has is for the photographer to know.
    let f_number = way.settings.f_number.filter(|n| at.settings.f_number != Some(*n));
    let f_number = f_number.map(|n| format!("{n} (if the lens has it)"));
    let filter = filters_in_words(&way.filters);
    [f_number, iso, filter].into_iter().flatten().collect::<Vec<_>>().join(" and ")
}

fn powers_of(correction: &Correction) -> String {
    let each = correction.dial_changes.iter().map(|change| format!("{} {}", change.group, power(change)));
    each.collect::<Vec<_>>().join(", ")
}

fn moved(ways: &[OtherWays]) -> String {
    let each = ways.iter().map(|way| {
        let where_to = if way.missing > Stops::ZERO { "nearer" } else { "farther away" };
        format!("move {} {where_to}, to {:.2} times its distance", way.group, way.distance_factor)
    });
    format!("{} (less sure for a large modifier)", each.collect::<Vec<_>>().join("; "))
}
