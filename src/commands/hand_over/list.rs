//! The list of all files with their offsets, for spreadsheets: RFC 4180, with a heading.

use std::path::{Component, Path};

use super::super::table_cell::text_cell;
use crate::photometry::Stops;
use crate::report::Report;

pub const LIST: &str = "offsets.csv";
const HEAD: [&str; 6] = ["file", "frame", "offset_stops", "uncertainty_stops", "reference", "reason"];

/// A row a file. Where there is no offset, the reason is why.
pub fn csv(report: &Report) -> String {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let mut rows = vec![HEAD.map(str::to_owned)];
    for frame in &report.frames {
        let sentence = frame.verdict.as_ref().map_or_else(String::new, |verdict| verdict.sentence.clone());
        let (stops, uncertainty, reason) = match frame.offset() {
            Ok(offset) => (in_stops(offset.stops), in_stops(offset.uncertainty), sentence),
            Err(why) => (String::new(), String::new(), why.to_string()),
        };
        let reference = frame.reference.clone().unwrap_or_default();
        rows.extend(frame.files.iter().map(|file| {
            [
                file.clone(),
                frame.number.to_string(),
                stops.clone(),
                uncertainty.clone(),
                reference.clone(),
                reason.clone(),
            ]
        }));
    }
    for cells in rows {
        // Writing into memory has nothing to fail on, and all rows have as many cells.
        if let Err(e) = writer.write_record(cells.map(|cell| text_cell(&cell))) {
            tracing::warn!("a row is left out: {e}");
        }
    }
    writer.into_inner().map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).unwrap_or_default()
}

/// As all files of a hand-over have it: to a hundredth, which is finer than any of them is known.
pub fn in_stops(stops: Stops) -> String {
    format!("{:.2}", (stops.0 * 100.0).round() / 100.0 + 0.0)
}

/// A log may have been written by anybody: what leads out of a folder names no file in it.
pub fn is_plain_name(file: &str) -> bool {
    let mut parts = Path::new(file).components();
    matches!((parts.next(), parts.next()), (Some(Component::Normal(_)), None)) && !file.contains(['/', '\\'])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_that_leads_elsewhere_names_no_file() {
        for name in ["../1.jpg", "/etc/1.jpg", "a/1.jpg", "..", "", "a\\1.jpg"] {
            assert!(!is_plain_name(name), "{name}");
        }
        assert!(is_plain_name("IMG_0001.JPG") && is_plain_name(".hidden.jpg"));
        assert_eq!([Stops(-0.004), Stops(0.306), Stops(-2.0)].map(in_stops), ["0.00", "0.31", "-2.00"]);
    }
}
