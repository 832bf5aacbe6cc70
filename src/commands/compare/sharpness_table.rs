//! Sharpness for a person: a table over apertures, and what follows from it.

use std::path::Path;

use super::measured::Measured;
use crate::outlet::plain::printable;
use crate::sharpness::{Cause, Softness, Untold, per_cent};
use crate::wording::without_error_numbers;

pub fn told(measured: &Measured) -> String {
    let mut lines = vec![
        "Finest detail that each spot keeps of the sharpest frame's (100 %), and the blur that explains the loss,"
            .to_owned(),
        "as a Gaussian's standard deviation in pixels; four times that is the blur disc's diameter.".to_owned(),
        String::new(),
    ];
    lines.extend(table(measured));
    lines.push(String::new());
    for (at, (shot, cause)) in measured.shots.iter().zip(&measured.causes).enumerate() {
        if let Some(why) = &shot.fault {
            lines.push(format!("{} is left out: {}", name(&shot.file), without_error_numbers(why)));
        }
        // Shares are of the sharpest frame's detail, causes are against the first.
        let has_shares = measured.against_sharpest[at].iter().any(|spot| !matches!(spot, Some(Err(_))));
        if has_shares && *cause == Some(Cause::Untold) {
            let first = name(&measured.shots[0].file);
            lines.push(format!(
                "{}: no spot of it compares with {first}, so why it differs from that isn't told",
                name(&shot.file)
            ));
        } else if let Some(cause) = cause {
            lines.push(format!("{}: {}", name(&shot.file), cause.sentence()));
        }
    }
    lines.extend(untold(measured));
    lines.extend(measured.which_aperture.sentence().map(|sentence| format!("\n{sentence}")));
    lines.join("\n")
}

/// What a shot says of one spot, in a few characters.
pub fn cell(measured: &Option<Result<Softness, Untold>>, is_sharpest: bool) -> String {
    match measured {
        None if is_sharpest => "100 %".to_owned(),
        None | Some(Err(_)) => "?".to_owned(),
        Some(Ok(softness)) if softness.is_softer() => {
            let blur = softness.blur.0;
            let half = (softness.most.0 - blur).max(blur - softness.least.0).max(0.05);
            format!("{} ({blur:.1} ±{half:.1} px)", per_cent(softness.kept()))
        }
        // What may be chance is no difference.
        Some(Ok(_)) => "100 %".to_owned(),
    }
}

pub fn name(file: &Path) -> String {
    printable(&file.file_name().unwrap_or(file.as_os_str()).to_string_lossy())
}

pub fn aperture(measured: &Measured, shot: usize) -> String {
    measured.shots[shot].f_number.map_or_else(|| "f/?".to_owned(), |n| n.to_string())
}

fn table(measured: &Measured) -> Vec<String> {
    let mut rows = vec![
        ["file", "aperture"]
            .iter()
            .map(|s| (*s).to_owned())
            .chain(measured.spots.iter().map(|s| printable(s)))
            .collect::<Vec<String>>(),
    ];
    for (at, shot) in measured.shots.iter().enumerate().filter(|(_, shot)| shot.fault.is_none()) {
        let cells = measured.against_sharpest[at].iter().zip(&measured.sharpest);
        let cells = cells.map(|(spot, sharpest)| cell(spot, *sharpest == Some(at)));
        rows.push([name(&shot.file), aperture(measured, at)].into_iter().chain(cells).collect());
    }
    let width = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..measured.spots.len() + 2).map(width).collect();
    let line = |row: &Vec<String>| {
        let cells: Vec<String> = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:width$}")).collect();
        cells.join("  ").trim_end().to_owned()
    };
    rows.iter().map(line).collect()
}

/// Why spots have a question mark.
fn untold(measured: &Measured) -> Vec<String> {
    let mut lines = Vec::new();
    for (at, spot) in measured.spots.iter().enumerate() {
        for (shot, of) in measured.shots.iter().zip(&measured.against_sharpest).filter(|(shot, _)| shot.fault.is_none())
        {
            if let Some(Err(why)) = &of[at] {
                lines.push(format!("? {}, {}: {why}", name(&shot.file), printable(spot)));
            }
        }
    }
    lines
}
