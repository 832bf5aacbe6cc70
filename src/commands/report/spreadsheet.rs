//! Every frame of the sittings for spreadsheets: RFC 4180, with a heading; what isn't known is empty.

use jiff::tz::TimeZone;

use super::super::local_time::{of_camera, with_offset};
use super::super::sittings_asked::AskedSitting;
use super::super::table_cell::text_cell;
use crate::advice::Finding;
use crate::photometry::Stops;
use crate::report::{Mark, ReportFrame};

const HEAD: [&str; 29] = [
    "log",
    "sitting",
    "frame",
    "file",
    "further_files",
    "logged",
    "captured",
    "camera",
    "f_number",
    "exposure_time_seconds",
    "iso",
    "filter_loss_stops",
    "look",
    "reference",
    "is_reference",
    "mark",
    "finding",
    "drift_stops",
    "drift_uncertainty_stops",
    "drift_holds",
    "seen_drift_stops",
    "seen_uncertainty_stops",
    "settings_drift_stops",
    "tolerance_stops",
    "offset_stops",
    "offset_uncertainty_stops",
    "why_no_offset",
    "files_gone",
    "sentence",
];

pub fn csv(sittings: &[AskedSitting], zone: &TimeZone) -> String {
    let lights = lights(sittings);
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let head = HEAD.iter().map(|name| (*name).to_owned()).chain(lights.iter().map(|light| format!("power {light}")));
    let rows = sittings.iter().flat_map(|sitting| {
        let of = |frame| row(sitting, frame, &lights, zone);
        sitting.report.frames.iter().map(of)
    });
    for cells in std::iter::once(head.collect()).chain(rows) {
        let cells: Vec<String> = cells.iter().map(|cell| text_cell(cell)).collect();
        // Writing into memory has nothing to fail on, and all rows have as many cells.
        if let Err(e) = writer.write_record(&cells) {
            tracing::warn!("a row is left out: {e}");
        }
    }
    writer.into_inner().map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).unwrap_or_default()
}

/// The lights of all sittings, each once.
fn lights(sittings: &[AskedSitting]) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for light in sittings.iter().flat_map(|sitting| &sitting.report.lights) {
        if !names.iter().any(|name| *name == light.group.as_str()) {
            names.push(light.group.to_string());
        }
    }
    names
}

fn row(sitting: &AskedSitting, frame: &ReportFrame, lights: &[String], zone: &TimeZone) -> Vec<String> {
    let settings = &frame.settings;
    let verdict = frame.verdict.as_ref();
    let (offset, why_none) = match frame.offset() {
        Ok(offset) => (Some(offset), String::new()),
        Err(why) => (None, why.to_string()),
    };
    // What a light of a survey shows alone is no drift of the whole.
    let compared = verdict.filter(|_| frame.mark() != Mark::NotCompared);
    let headline = verdict.and_then(|verdict| verdict.headline());
    let mut row = vec![
        sitting.log.display().to_string(),
        sitting.sitting.clone().unwrap_or_default(),
        frame.number.to_string(),
        frame.file().to_owned(),
        frame.files.get(1..).unwrap_or_default().join(" "),
        with_offset(frame.at, zone),
        settings.captured.as_ref().map_or_else(String::new, of_camera),
        settings.camera.clone().unwrap_or_default(),
        settings.f_number.map_or_else(String::new, |n| number(n.marked())),
        settings.exposure_time.map_or_else(String::new, |t| number(t.marked_seconds())),
        settings.iso.map_or_else(String::new, |iso| number(iso.marked())),
        if settings.filter.is_none() { String::new() } else { stops(Some(settings.filter.loss())) },
        frame.look.clone().unwrap_or_default(),
        frame.reference.clone().unwrap_or_default(),
        yes(frame.is_reference),
        frame.mark().in_words().to_owned(),
        verdict.map_or_else(String::new, |verdict| finding(verdict.finding)),
        stops(headline.map(|h| h.drift)),
        stops(headline.and_then(|h| h.half_width)),
        headline.and_then(|h| h.condition).unwrap_or_default().to_owned(),
        stops(compared.and_then(|v| v.observed)),
        stops(compared.and_then(|v| v.observed_uncertainty)),
        stops(verdict.and_then(|v| v.expected)),
        stops(Some(frame.tolerance)),
        stops(offset.map(|o| o.stops)),
        stops(offset.map(|o| o.uncertainty)),
        why_none,
        yes(frame.is_gone),
        verdict.map_or_else(String::new, |verdict| verdict.sentence.clone()),
    ];
    for name in lights {
        let light = sitting.report.lights.iter().find(|light| light.group.as_str() == name);
        row.push(light.and_then(|light| light.at(frame.number)).map_or_else(String::new, |step| step.in_words()));
    }
    row
}

/// To four decimals, without those that say nothing.
pub fn number(n: f64) -> String {
    // Of an exposure time more digits count.
    let places = if n != 0.0 && n.abs() < 0.01 { 1e7 } else { 1e4 };
    format!("{}", (n * places).round() / places + 0.0)
}

pub fn stops(s: Option<Stops>) -> String {
    s.map_or_else(String::new, |s| format!("{}", (s.0 * 1e3).round() / 1e3 + 0.0))
}

fn yes(is_so: bool) -> String {
    if is_so { "yes" } else { "" }.to_owned()
}

/// As the shot log has it.
fn finding(finding: Finding) -> String {
    serde_json::to_value(finding).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}
