//! A plan for spreadsheets.

use crate::advice::{Powers, is_out};
use crate::outlet::plain::printable;
use crate::photometry::Stops;
use crate::rig::DialChange;
use crate::session::plan::Plan;

/// A row an aperture. RFC 4180, with a heading; what isn't known is empty.
pub fn csv(plan: &Plan) -> String {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let rows = std::iter::once(head(plan)).chain(plan.powers.iter().map(|at| row(plan, at)));
    for cells in rows {
        let cells: Vec<String> = cells.iter().map(|cell| printable(cell)).collect();
        // Writing into memory has nothing to fail on, and all rows have as many cells.
        if let Err(e) = writer.write_record(&cells) {
            tracing::warn!("a row is left out: {e}");
        }
    }
    writer.into_inner().map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).unwrap_or_default()
}

fn head(plan: &Plan) -> Vec<String> {
    let mut head: Vec<String> = ["f_number", "iso", "change_stops"].map(str::to_owned).to_vec();
    for group in &plan.groups {
        head.extend([group.name.to_string(), format!("{} out of range by stops", group.name)]);
    }
    head.push("instead".to_owned());
    head.extend(plan.groups.iter().map(|group| format!("{} then", group.name)));
    if plan.room.is_some() {
        head.extend(["room_light_share", "room_light_adds_stops"].map(str::to_owned));
    }
    if plan.has_times() {
        head.push("recycling_seconds".to_owned());
    }
    if let Some(lens) = &plan.lens {
        head.extend(
            ["sharp_from_metres", "sharp_to_metres", "sharp_in_all_metres", "airy_disk_micrometres"].map(str::to_owned),
        );
        head.extend(lens.subject.parts().iter().map(|part| format!("{} blur_micrometres", part.name)));
    }
    head
}

fn row(plan: &Plan, at: &Powers) -> Vec<String> {
    let number = |n: f64| format!("{}", (n * 1e4).round() / 1e4 + 0.0);
    let stops = |s: Stops| number(s.0);
    let shown = |change: &DialChange| change.to.clone().unwrap_or_default();
    let mut row = vec![
        at.settings.f_number.map_or_else(String::new, |n| number(n.marked())),
        at.settings.iso.map_or_else(String::new, |iso| number(iso.marked())),
        stops(at.correction.wanted),
    ];
    for change in &at.correction.dial_changes {
        row.extend([shown(change), if is_out(change) { stops(change.remainder) } else { String::new() }]);
    }
    row.push(at.way_round.as_ref().map_or_else(String::new, |way| way.in_words(&at.settings)));
    match &at.way_round {
        Some(way) => row.extend(way.correction.dial_changes.iter().map(shown)),
        None => row.extend(plan.groups.iter().map(|_| String::new())),
    }
    if plan.room.is_some() {
        let room = at.room.map(|room| [number(room.share.get()), stops(room.adds)]);
        row.extend(room.unwrap_or_default());
    }
    if plan.has_times() {
        row.push(at.recycling.as_ref().map_or_else(String::new, |last| number(last.seconds.seconds())));
    }
    if let Some((lens, n)) = plan.lens.as_ref().zip(at.settings.f_number) {
        let sharp = lens.subject.at(n);
        let far = sharp.far.map_or_else(String::new, |far| number(far.metres()));
        let total = sharp.total().map_or_else(String::new, |total| number(total.get()));
        row.extend([number(sharp.near.metres()), far, total, number(sharp.airy.0)]);
        row.extend(sharp.blur.iter().map(|blur| number(blur.0)));
    }
    row
}
