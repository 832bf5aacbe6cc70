//! `greyhold plan`: before the sitting, what the lights have to be at for each aperture, and how much of the face is sharp.

mod asked;
mod drawing;
mod lights;
mod picture;
mod sharpness;
mod spreadsheet;
pub mod table;
mod told;

use std::path::PathBuf;

use super::exit::{CommandError, Exit};
use super::new_file::NewFile;
use super::{print, say, say_json};

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold plan f/14 f/7.1 f/5.6 f/2.8 --light 'key 1/2' --light 'fill 1/8'
  greyhold plan f/14 to f/2.8                     in thirds; lights and powers of greyhold.yaml
  greyhold plan f/8 f/4 --from 'f/8 iso100'       the powers are those for f/8 at ISO 100
  greyhold plan f/11 to f/2.8 --focal-length 85mm --distance 1.8m --pixels 6000
  greyhold plan f/8 --focal-length 85mm --distance 1.8m --depths 'nose -3cm, shoulders 20cm'
  greyhold plan f/8 f/2.8 --light 'key 1/4, recycle 1.2 s' --light 'rim 1/64, grid 1 stop' --gels 0.3,0.6
  greyhold plan f/8 to f/2.8 --room 'f/2.8 1/60 iso800'   with the share of room light
  greyhold plan f/14 f/2.8 --csv > plan.csv       for a spreadsheet

Sharpness is worked out for a thin lens without faults, focused exactly on the eyes.")]
pub struct Args {
    /// Apertures: f/14 f/7.1 f/2.8, or 'f/14 to f/2.8' [default: whole stops from f/16 to f/2.8]
    #[arg(value_name = "APERTURE")]
    apertures: Vec<String>,
    /// The configuration with lights and powers [default: greyhold.yaml here, if there is one and no --light]
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// A light and its power, instead of the configuration's: 'key 1/2', or 'key 1/2, 1/256 to 1/1' with its range;
    /// behind further commas what is known of it: 'gel 1 stop', 'grid 1 stop', 'recycle 1.2 s', 'duration 1/800' (both at full power)
    #[arg(long = "light", value_name = "LIGHT")]
    lights: Vec<String>,
    /// The settings that the powers hold for: 'f/8 iso100' [default: the first aperture]
    #[arg(long, value_name = "SETTINGS")]
    from: Option<String>,
    /// The ISO speed that is planned [default: that of --from, or 100]
    #[arg(long, value_name = "ISO")]
    iso: Option<String>,
    /// The camera's lowest ISO speed [default: 100]
    #[arg(long, value_name = "ISO")]
    lowest_iso: Option<String>,
    /// The highest ISO speed that you want of it [default: 6400]
    #[arg(long, value_name = "ISO")]
    highest_iso: Option<String>,
    /// Densities of the ND filters at hand: 0.3,0.6 or none [default: as they are sold, 0.3 to 1.8]
    #[arg(long, value_name = "DENSITIES")]
    filters: Option<String>,
    /// Densities of the ND gels at hand for the lights: 0.3,0.6 [default: none]
    #[arg(long, value_name = "DENSITIES")]
    gels: Option<String>,
    /// The settings at which room light alone comes out as mid-grey: 'f/2.8 1/60 iso800'
    #[arg(long, value_name = "SETTINGS")]
    room: Option<String>,
    /// The lens, for sharpness: 85mm
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    focal_length: Option<String>,
    /// From the lens to the eyes, for sharpness: 1.8m
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    distance: Option<String>,
    /// The sensor: 36x24mm, full-frame, aps-c, 4/3 or 1-inch [default: full-frame]
    #[arg(long, value_name = "SIZE")]
    sensor: Option<String>,
    /// Pixels across the sensor's width: 6000
    #[arg(long, value_name = "COUNT", allow_hyphen_values = true)]
    pixels: Option<String>,
    /// What is to be sharp, from the eyes, before them with a minus [default: 'nose -3cm, ears 10cm']
    #[arg(long, value_name = "DEPTHS", allow_hyphen_values = true)]
    depths: Option<String>,
    /// Blur on the sensor that still passes for sharp: 0.03mm [default: its diagonal over 1500]
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    circle_of_confusion: Option<String>,
    /// One JSON object
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// A table for spreadsheets (RFC 4180)
    #[arg(long)]
    csv: bool,
    /// Draw what is sharp at each aperture, as a new SVG
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let plan = asked::planned(args)?;
    if let Some(file) = &args.svg {
        let lens = plan.lens.as_ref().ok_or_else(|| {
            CommandError::WrongUse("--svg draws what is sharp: add --focal-length and --distance".to_owned())
        })?;
        let svg = drawing::svg(lens, &plan.apertures());
        NewFile::checked(file, "the drawing")?.create(svg.as_bytes())?;
    }
    if args.json {
        say_json(&plan.value().to_string());
    } else if args.csv {
        let csv = spreadsheet::csv(&plan);
        // Its last line's end is printed with it.
        print(csv.strip_suffix('\n').unwrap_or(&csv));
    } else {
        say(&told::told(&plan));
        if let Some(file) = &args.svg {
            say(&format!("\ndrawn as {}", file.display()));
        }
    }
    Ok(Exit::Clean)
}

/// What can't be used, said of its option.
fn wrong(option: &str, why: impl std::fmt::Display) -> CommandError {
    CommandError::WrongUse(format!("{option}: {why}"))
}
