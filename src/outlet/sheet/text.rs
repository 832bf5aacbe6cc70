//! A set-up sheet as text, for a terminal.

use jiff::tz::TimeZone;

use super::drawing::PlanView;
use crate::outlet::plain::printable;
use crate::session::sheet::{CAUTION, LookOnSheet, Sheet};

pub fn text(sheet: &Sheet) -> String {
    let mut lines = vec![CAUTION.to_owned()];
    for look in &sheet.looks {
        lines.push(format!("\nLook {}, as {} was shot", look.name, look.file));
        lines.extend(of_look(look));
    }
    lines.push("\nLights and what stands beside them".to_owned());
    for light in &sheet.lights {
        lines.push(format!("  {}: {}", light.title(), joined(&light.rows())));
    }
    for thing in &sheet.passive {
        lines.push(format!("  {}: {}", thing.title(), joined(&thing.rows())));
    }
    lines.push(format!("  camera: {}", joined(&sheet.camera_rows())));
    let unplaced = PlanView::of(sheet).unplaced;
    if !unplaced.is_empty() {
        lines.push(format!("  place not typed: {}", unplaced.join(", ")));
    }
    let notes: Vec<String> = sheet.notes_in_words(&TimeZone::system()).iter().map(|note| format!("  {note}")).collect();
    if !notes.is_empty() {
        lines.push("\nNotes".to_owned());
        lines.extend(notes);
    }
    lines.extend(sheet.remarks.iter().map(|remark| format!("! {remark}")));
    lines.iter().flat_map(|line| line.lines()).map(printable).collect::<Vec<_>>().join("\n")
}

fn of_look(look: &LookOnSheet) -> Vec<String> {
    let powers = look.powers.iter().map(|power| format!("  {}: {} ({})", power.group, power.setting(), power.how()));
    let ratios = look.ratios.in_words().into_iter().map(|ratio| format!("  ratio: {ratio}"));
    powers.chain(ratios).chain([format!("  {}", joined(&look.rows()))]).collect()
}

fn joined(rows: &[(&str, String)]) -> String {
    rows.iter().map(|(what, value)| format!("{what} {value}")).collect::<Vec<_>>().join(", ")
}
