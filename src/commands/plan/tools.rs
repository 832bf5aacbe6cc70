//! A plan for programs and spreadsheets.

use serde_json::{Value, json};

use super::asked::{Asked, Lens};
use super::told::way_in_words;
use crate::advice::{Powers, is_out, together};
use crate::outlet::plain::printable;
use crate::photometry::{FNumber, Stops};
use crate::rig::DialChange;

/// Everything, one object. Lengths have their unit in the key; light is in stops.
pub fn json(asked: &Asked, powers: &[Powers]) -> Value {
    let of_the_camera = powers.iter().any(Powers::is_out_of_range).then_some(&asked.assumed_of_the_camera);
    json!({
        "from": asked.from,
        "assumed": asked.assumed.iter().chain(of_the_camera).collect::<Vec<_>>(),
        "apertures": powers.iter().map(|at| of_aperture(asked, at)).collect::<Vec<_>>(),
        "lens": asked.lens.as_ref().map(of_lens),
    })
}

fn of_aperture(asked: &Asked, at: &Powers) -> Value {
    let way_round = at.way_round.as_ref().map(|way| {
        json!({
            "in_words": way_in_words(way, at),
            "settings": way.settings,
            "filters": way.filters,
            "filter_density": (!way.filters.is_empty()).then(|| together(&way.filters)),
            "dial_changes": way.correction.dial_changes,
        })
    });
    json!({
        "settings": at.settings,
        "wanted": at.correction.wanted,
        "dial_changes": at.correction.dial_changes,
        "ratio_error": at.correction.ratio_error,
        "out_of_range": at.is_out_of_range(),
        "way_round": way_round,
        "sharpness": asked.lens.as_ref().zip(at.settings.f_number).map(|(lens, n)| of_sharpness(lens, n)),
    })
}

fn of_sharpness(lens: &Lens, n: FNumber) -> Value {
    let (sharp, circle) = (lens.subject.at(n), lens.subject.circle());
    let parts = lens.subject.parts().iter().zip(&sharp.blur).map(|(part, blur)| {
        json!({
            "name": part.name,
            "depth_metres": part.depth,
            "blur_micrometres": blur,
            "blur_circles_of_confusion": blur.times(circle.diameter()),
            "blur_pixels": lens.pixel.map(|pixel| blur.times(pixel)),
            "sharp": circle.holds(*blur),
        })
    });
    json!({
        "near_metres": sharp.near,
        "far_metres": sharp.far,
        "total_metres": sharp.total(),
        "airy_disk_micrometres": sharp.airy,
        "airy_disk_pixels": lens.pixel.map(|pixel| sharp.airy.times(pixel)),
        "parts": parts.collect::<Vec<_>>(),
    })
}

fn of_lens(lens: &Lens) -> Value {
    let (subject, focus, series) = (&lens.subject, lens.subject.focus(), lens.series);
    let marked = |n: Option<FNumber>| n.map(FNumber::marked);
    json!({
        "focal_length_millimetres": focus.focal_length(),
        "distance_metres": focus.distance(),
        "magnification": focus.magnification().0,
        "light_lost": focus.light_lost(),
        "sensor_millimetres": [lens.sensor.width(), lens.sensor.height()],
        "pixel_micrometres": lens.pixel,
        "circle_of_confusion_micrometres": subject.circle().diameter(),
        "widest_f_number_with_all_sharp": marked(subject.widest(series)),
        "diffraction_passes_circle_from_f_number": marked(subject.diffraction_passes(subject.circle().diameter(), series)),
        "diffraction_passes_pixel_from_f_number":
            marked(lens.pixel.and_then(|pixel| subject.diffraction_passes(pixel, series))),
    })
}

/// A row an aperture. RFC 4180, with a heading; what isn't known is empty.
pub fn csv(asked: &Asked, powers: &[Powers]) -> String {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let rows = std::iter::once(head(asked)).chain(powers.iter().map(|at| row(asked, at)));
    for cells in rows {
        let cells: Vec<String> = cells.iter().map(|cell| printable(cell)).collect();
        // Writing into memory has nothing to fail on, and all rows have as many cells.
        if let Err(e) = writer.write_record(&cells) {
            tracing::warn!("a row is left out: {e}");
        }
    }
    writer.into_inner().map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).unwrap_or_default()
}

fn head(asked: &Asked) -> Vec<String> {
    let mut head: Vec<String> = ["f_number", "iso", "change_stops"].map(str::to_owned).to_vec();
    for group in &asked.groups {
        head.extend([group.name.to_string(), format!("{} out of range by stops", group.name)]);
    }
    head.push("instead".to_owned());
    head.extend(asked.groups.iter().map(|group| format!("{} then", group.name)));
    if let Some(lens) = &asked.lens {
        head.extend(
            ["sharp_from_metres", "sharp_to_metres", "sharp_in_all_metres", "airy_disk_micrometres"].map(str::to_owned),
        );
        head.extend(lens.subject.parts().iter().map(|part| format!("{} blur_micrometres", part.name)));
    }
    head
}

fn row(asked: &Asked, at: &Powers) -> Vec<String> {
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
    row.push(at.way_round.as_ref().map_or_else(String::new, |way| way_in_words(way, at)));
    match &at.way_round {
        Some(way) => row.extend(way.correction.dial_changes.iter().map(shown)),
        None => row.extend(asked.groups.iter().map(|_| String::new())),
    }
    if let Some((lens, n)) = asked.lens.as_ref().zip(at.settings.f_number) {
        let sharp = lens.subject.at(n);
        let far = sharp.far.map_or_else(String::new, |far| number(far.metres()));
        let total = sharp.total().map_or_else(String::new, |total| number(total.get()));
        row.extend([number(sharp.near.metres()), far, total, number(sharp.airy.0)]);
        row.extend(sharp.blur.iter().map(|blur| number(blur.0)));
    }
    row
}
