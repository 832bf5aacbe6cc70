//! `greyhold calibrate`: a camera's own response curve, from a few frames of one scene.

mod plot;

use std::path::PathBuf;

use super::exit::{CommandError, Exit};
use super::photographs::Photographs;
use super::say;
use super::series::{self, Exposures};
use crate::calibration::{Calibration, SeriesFrame, calibrate};
use crate::config::{Calibrated, Curves, Made, usual_folder};
use crate::drift::Lighting;
use crate::outlet::plain::printable;
use crate::photometry::Stops;
use crate::wording;

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Choose a scene with bright and dark parts, in light that burns all the time, and the picture profile you \
shoot with. Take five to nine frames of it, 2/3 or one stop apart, by the exposure time. Everything but the exposure stays \
as it is. The camera may be held in the hand: the frames are aligned.

Examples:
  greyhold calibrate bracket/*.jpg                          the profile is named 'standard'
  greyhold calibrate --profile 'soft portrait' bracket/*.jpg
  greyhold calibrate --flash apertures/*.jpg                lit by flash: the aperture or ISO was changed
  greyhold calibrate --dry-run --plot curve.svg *.jpg       look before keeping it"
)]
pub struct Args {
    /// Photographs of one scene
    #[arg(required = true)]
    frames: Vec<PathBuf>,
    /// Your name for the picture profile that the camera is set to
    #[arg(long, alias = "look", default_value = "standard")]
    profile: String,
    /// Exposures of the frames, for cameras that don't tell all settings: CSV with file and exposure_stops
    #[arg(long, value_name = "FILE")]
    exposures: Option<PathBuf>,
    /// The scene was lit by flash: exposure times don't count
    #[arg(long)]
    flash: bool,
    /// Where curves are kept [default: your own data folder]
    #[arg(long, value_name = "FOLDER")]
    curves: Option<PathBuf>,
    /// Draw the curve as SVG [default: beside the curve's file]
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Fit and show, keep nothing
    #[arg(long)]
    dry_run: bool,
}

/// Cameras' exposures are seldom farther off what they say.
const FAR_OFF: Stops = Stops(0.08);

/// A smaller shift than this, in parts of the frame, is a tripod's.
const WORTH_TELLING: f64 = 0.005;

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let profile = wording::name(&args.profile)
        .ok_or_else(|| CommandError::WrongUse("a profile's name has 1 to 40 printable characters".to_owned()))?;
    let frames = read_all(&args.frames, &Exposures::read(args.exposures.as_deref())?)?;
    let stock = Curves::stock_only();
    let colour = &frames[0].metered.colour;
    let prior = stock.prior(colour);
    let lighting = if args.flash { Lighting::Flash } else { Lighting::Continuous };
    let found = calibrate(&frames, &prior, lighting)
        .map_err(|why| CommandError::CannotRun(format!("no curve was made: {why}")))?;
    report(&frames, &found);
    let calibrated = named(&frames[0], profile, frames.len(), &found);
    let plot = plot::svg(&calibrated, stock.of_no_camera(colour));
    if args.dry_run {
        say("kept nothing (--dry-run)");
        return write_plot(args.plot.clone(), &plot).map(|()| Exit::Clean);
    }
    let folder = args.curves.clone().or_else(usual_folder).ok_or_else(|| {
        CommandError::CannotRun(
            "there is no data folder of yours to keep the curve in: name one with --curves".to_owned(),
        )
    })?;
    let file = calibrated.file_in(&folder);
    calibrated.write(&file).map_err(|e| CommandError::CannotRun(e.to_string()))?;
    write_plot(Some(args.plot.clone().unwrap_or_else(|| file.with_extension("svg"))), &plot)?;
    say(&format!(
        "kept as {}\nFrames of {} in {} are read by it from now on{}.",
        file.display(),
        printable(&calibrated.camera),
        calibrated.colour,
        if args.curves.is_some() { ", where the configuration names this folder (curves:)" } else { "" }
    ));
    Ok(Exit::Clean)
}

fn read_all(paths: &[PathBuf], exposures: &Exposures) -> Result<Vec<SeriesFrame>, CommandError> {
    let photographs = Photographs::open();
    let mut frames = Vec::with_capacity(paths.len());
    for (i, path) in paths.iter().enumerate() {
        tracing::info!("reading {} of {}: {}", i + 1, paths.len(), path.display());
        let frame = series::read(&photographs, path, exposures)
            .map_err(|why| CommandError::CannotRun(format!("{}: {why}", printable(&path.display().to_string()))))?;
        if frame.settings.camera.is_none() {
            return Err(CommandError::CannotRun(format!(
                "{} doesn't name its camera, and a curve belongs to a camera: use its original files",
                printable(&path.display().to_string())
            )));
        }
        frames.push(frame);
    }
    Ok(frames)
}

fn named(first: &SeriesFrame, profile: &str, frames: usize, found: &Calibration) -> Calibrated {
    let made = Made {
        program: format!("greyhold {}", env!("CARGO_PKG_VERSION")),
        at: jiff::Timestamp::now().round(jiff::Unit::Second).unwrap_or_default().to_string(),
        frames,
        residual: found.luminance.residual,
        scatter: found.luminance.scatter,
    };
    let [red, green, blue] = found.channels.clone();
    let curves = [found.luminance.curve.clone(), red, green, blue];
    let camera = first.settings.camera.clone().unwrap_or_default();
    Calibrated::new(camera, first.metered.colour.clone(), profile.to_owned(), made, curves)
}

fn report(frames: &[SeriesFrame], found: &Calibration) {
    say("frame                           settings                    exposure  off its settings");
    let mut offsets = found.luminance.offsets.iter().peekable();
    for (at, (frame, exposure)) in frames.iter().zip(&found.exposures).enumerate() {
        let file: String = printable(&frame.file).chars().take(30).collect();
        let off = match offsets.next_if(|_| !found.left_out.contains(&at)) {
            Some(off) => format!("{:>+.3}", off.0),
            None => "left out: too plain, dark or bright to be laid over the others".to_owned(),
        };
        say(&format!("{file:30}  {:<26}  {exposure:>8}  {off}", frame.settings.in_short()));
    }
    if found.moved >= WORTH_TELLING {
        say(&format!("\nthe frames were aligned: they had moved by up to {:.0} % of the frame", found.moved * 100.0));
    }
    let far = found.luminance.offsets.iter().filter(|o| o.abs() > FAR_OFF).count();
    if far > 0 {
        say(&format!(
            "\n{far} of the frames are more than {:.2} stop off their settings: did the light change?",
            FAR_OFF.0
        ));
    }
    say(&format!(
        "\nresidual {:.3} stop (median over the tones), frames scatter by {:.3} stop about their settings\n\
         two stops about mid-grey are known to ±{:.2} stop (95 %)",
        found.luminance.residual.0, found.luminance.scatter.0, found.uncertainty.0
    ));
}

fn write_plot(file: Option<PathBuf>, svg: &str) -> Result<(), CommandError> {
    let Some(file) = file else { return Ok(()) };
    std::fs::write(&file, svg)
        .map_err(|e| CommandError::CannotRun(format!("the plot {} can't be written: {e}", file.display())))?;
    say(&format!("drawn as {}", file.display()));
    Ok(())
}
