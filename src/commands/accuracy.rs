//! `greyhold accuracy`: how true the stops of bracketed series are, by each way of reading them.

use std::path::{Path, PathBuf};

use super::exit::{CommandError, Exit};
use super::photographs::Photographs;
use super::say;
use super::series::{self, Exposures};
use crate::calibration::{Accuracy, Column, Errors, SeriesFrame, accuracy};
use crate::config::Curves;
use crate::drift::Lighting;
use crate::outlet::plain::printable;

#[derive(Debug, clap::Args)]
#[command(
    after_help = "A series is a folder of frames of one still scene in light that burns all the time, of one camera, \
whose exposures differ by known settings. All pairs of frames up to two stops apart are read by the light alone, and \
compared with what their settings say. 'own curve' is fitted on the other frames: the tested pair is never in it.

Examples:
  greyhold accuracy brackets/one brackets/two
  greyhold accuracy --pairs brackets/one             every pair, a line each
  greyhold accuracy --flash steps/aperture           exposure times don't count"
)]
pub struct Args {
    /// Folders, a series each
    #[arg(required = true)]
    folders: Vec<PathBuf>,
    /// Exposures of the frames, for cameras that don't tell all settings: CSV with file and exposure_stops
    #[arg(long, value_name = "FILE")]
    exposures: Option<PathBuf>,
    /// Every pair, a line each
    #[arg(long)]
    pairs: bool,
    /// The series were lit by flash: exposure times don't count
    #[arg(long)]
    flash: bool,
}

const HEAD: &str =
    "| series | frames | pairs | sRGB curve alone | stock curve | own curve (tested pair left out) | raw |
|---|---|---|---|---|---|---|";

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let lighting = if args.flash { Lighting::Flash } else { Lighting::Continuous };
    let curves = Curves::stock_only();
    let exposures = Exposures::read(args.exposures.as_deref())?;
    let mut exit = Exit::Clean;
    say("Errors in stops: median / worst, how many of the pairs told lie within the stated 95 % interval, and\n\
         median / worst for a stop of true difference.\n");
    say(HEAD);
    let mut reasons = Vec::new();
    let photographs = Photographs::open();
    for folder in &args.folders {
        let (mut frames, mut unread) = read(&photographs, folder, &exposures)?;
        unread.extend(without_other_kinds(&mut frames));
        exit = if unread.is_empty() { exit } else { Exit::SomeUnusable };
        let colour = frames.iter().find(|frame| !frame.is_raw).map_or("", |frame| &frame.metered.colour);
        let result = accuracy(&frames, curves.of_no_camera(colour), &curves.prior(colour), lighting);
        let name = printable(&folder.file_name().unwrap_or(folder.as_os_str()).to_string_lossy());
        say(&row(&name, frames.len(), &result));
        if let Some((count, why)) = result.refused() {
            reasons.push(format!("{name}: no own curve for {count} of {} pairs: {why}", result.pairs.len()));
        }
        reasons.extend(unread);
        if args.pairs {
            reasons.extend(result.pairs.iter().map(|p| each(&name, p)));
        }
    }
    say(&format!("\n{}", reasons.join("\n")));
    Ok(exit)
}

fn read(
    photographs: &Photographs,
    folder: &Path,
    exposures: &Exposures,
) -> Result<(Vec<SeriesFrame>, Vec<String>), CommandError> {
    let files = series::pictures_in(folder)
        .map_err(|e| CommandError::CannotRun(format!("{} can't be read: {e}", folder.display())))?;
    let (mut frames, mut unread) = (Vec::new(), Vec::new());
    for file in files {
        match series::read(photographs, &file, exposures) {
            Ok(frame) => frames.push(frame),
            Err(why) => unread.push(format!("{}: {why}", printable(&file.display().to_string()))),
        }
    }
    Ok((frames, unread))
}

/// Leaves the pictures out that another curve reads than the first one's, a HEIF picture among JPEGs, say, and tells which.
fn without_other_kinds(frames: &mut Vec<SeriesFrame>) -> Vec<String> {
    let Some(first) = frames.iter().find(|frame| !frame.is_raw).map(|frame| frame.metered.clone()) else {
        return Vec::new();
    };
    let is_other = |frame: &mut SeriesFrame| !frame.is_raw && !frame.metered.shares_curve_with(&first);
    let others = frames.extract_if(.., is_other).map(|frame| {
        let (file, own, of) = (printable(&frame.file), frame.metered.kind(), first.kind());
        format!("{file}: left out, as it is {own}, and the series' first picture is {of}")
    });
    others.collect()
}

fn row(name: &str, frames: usize, result: &Accuracy) -> String {
    let cell = |column| result.errors(column).map_or("-".to_owned(), in_short);
    format!(
        "| {name} | {frames} | {} | {} | {} | {} | {} |",
        result.pairs.len(),
        cell(Column::Naive),
        cell(Column::Stock),
        cell(Column::Fitted),
        cell(Column::Raw)
    )
}

fn in_short(errors: Errors) -> String {
    let [median, worst] = errors.per_stop;
    format!(
        "{:.3} / {:.3}, {:.0} % of {}; a stop {median:.3} / {worst:.3}",
        errors.median.0,
        errors.worst.0,
        errors.inside * 100.0,
        errors.told,
    )
}

fn each(name: &str, pair: &crate::calibration::ComparedPair) -> String {
    let told = |value: &Option<(crate::photometry::Stops, crate::photometry::Stops)>| {
        value.map_or("untold".to_owned(), |(error, half)| format!("{:.3} of ±{:.2}", error.0, half.0))
    };
    let fitted = pair.fitted.as_ref().map_or("refused".to_owned(), told);
    let [a, b] = pair.files.clone().map(|f| printable(&f));
    format!(
        "{name}: {a} {b} true {}: sRGB {}, stock {}, own {fitted}, raw {}",
        pair.truth,
        told(&pair.naive),
        told(&pair.stock),
        told(&pair.raw)
    )
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::align::CodePicture;
    use crate::frame::{Colour, Picture, Proxy, Settings, Space};
    use crate::meter::{Spot, meter};

    #[test]
    fn a_picture_of_another_kind_is_left_out_of_a_series_and_told() {
        let frame = |file: &str, space: Space| {
            let proxy = Proxy { width: 40, height: 40, rgb: vec![[118; 3]; 1600] };
            let picture = Picture { proxy, colour: Colour { space, ..Colour::of(None, None) }, linear: None };
            SeriesFrame {
                file: file.to_owned(),
                settings: Settings::default(),
                exposure: None,
                codes: Arc::new(CodePicture::of(&picture)),
                is_raw: false,
                metered: meter(&picture, &Spot::ready()),
            }
        };
        let mut frames =
            vec![frame("a.jpg", Space::Srgb), frame("b.heic", Space::Heif), frame("c.jpg", Space::AdobeRgb)];
        let told = without_other_kinds(&mut frames);
        assert_eq!(frames.iter().map(|frame| frame.file.as_str()).collect::<Vec<_>>(), ["a.jpg", "c.jpg"]);
        assert!(told.len() == 1 && told[0].starts_with("b.heic: left out, as it is a HEIF picture"), "{told:?}");
    }
}
