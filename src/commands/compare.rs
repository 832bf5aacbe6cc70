//! `greyhold compare`: files against a reference, without a daemon.

mod crops_page;
mod drawing;
mod map;
mod measured;
mod sharpness;
mod sharpness_json;
mod sharpness_table;
mod spots_asked;
mod table;

use std::path::{Path, PathBuf};

use clap::ValueEnum;
use serde::Serialize;

use self::map::MapFile;
use self::spots_asked::TypedSpot;
use self::table::Table;
use super::exit::{CommandError, Exit};
use super::photographs::Photographs;
use super::watch::usual_config;
use super::{say, say_json};
use crate::advice::{Evidence, Finding, Framing, Laid, Observation, Patience, SinceLast, Verdict, judge};
use crate::align::{Overlay, Prepared};
use crate::config::{Config, Curves};
use crate::drift::{Disparity, EvidenceUsed, Lighting, Observed, Unevenness};
use crate::frame::{Frame, Picture, Settings, Small};
use crate::outlet::plain::printable;
use crate::photometry::Stops;
use crate::response::{Response, ResponseChoice};
use crate::session::{Compared, MeteredFrame, MeteringPlan, Sitting, response_for};
use crate::workers::Depth;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold compare reference.jpg frame1.jpg frame2.jpg
  greyhold compare --json reference.jpg *.jpg        one JSON object a frame, a line each
  greyhold compare --light-alone a.jpg b.jpg         what the picture says, whatever the settings
  greyhold compare --map map.png a.jpg b.jpg         a picture of where in the frame the light changed
  greyhold compare --sharpness f14.jpg f56.jpg f28.jpg     how much of the finest detail each aperture keeps
  greyhold compare --crops out.html --spot 'left eye:0.42,0.35,0.04' --spot ear:0.7,0.4,0.04 f14.jpg f28.jpg

A frame is laid over the reference first, so that the same parts of the scene are compared: 'framing' says how much of what
both show was found, and how far the scene moved, in per cent of the frame.")]
pub struct Args {
    /// The photograph to compare with
    reference: PathBuf,
    /// The photographs to compare
    #[arg(required = true)]
    frames: Vec<PathBuf>,
    /// One JSON object a frame, a line each
    #[arg(long)]
    json: bool,
    /// Draw where the light of one frame changed, as a new PNG (not into a folder that is watched)
    #[arg(long, value_name = "FILE")]
    map: Option<PathBuf>,
    /// Tell how sharp the spots are instead, measured at full resolution
    #[arg(long, conflicts_with_all = ["map", "light_alone", "lighting"])]
    sharpness: bool,
    /// Measure sharpness, and show the spots of all frames at full size in a new HTML file (not into a folder that is watched)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["map", "light_alone", "lighting"])]
    crops: Option<PathBuf>,
    /// A spot to measure sharpness in: its middle from the left and the top, as parts of the frame's width and height, and half
    /// its side, as a part of the width
    /// [default: the configuration's spots, or the most textured places]
    #[arg(long, value_name = "NAME:X,Y,R", conflicts_with_all = ["map", "light_alone", "lighting"])]
    spot: Vec<String>,
    /// Leave the settings out and go by the picture alone
    #[arg(long)]
    light_alone: bool,
    /// What lit the pictures [default: the configuration's, or either]
    #[arg(long, value_enum)]
    lighting: Option<LightingArg>,
    /// How code values become light [default: the configuration's, or camera]
    #[arg(long, value_enum)]
    response: Option<ResponseArg>,
    /// A configuration for spots, tolerance and the rest [default: greyhold.yaml, where it lies here]
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum LightingArg {
    Flash,
    Continuous,
    Either,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum ResponseArg {
    /// The camera's own curve where it was calibrated, else the stock curve
    Camera,
    /// The stock curve
    StockCamera,
    /// The sRGB curve, for pictures that no camera rendered
    Srgb,
}

/// One frame's answer.
#[derive(Debug, Serialize)]
struct Answer<'a> {
    file: String,
    /// From the settings, in stops; null where unknown.
    expected: Option<Stops>,
    /// From the light alone.
    observed: Option<Stops>,
    /// Both weighed.
    drift: Option<Stops>,
    /// Half-width of the drift's 95 % interval.
    uncertainty: Option<Stops>,
    observed_uncertainty: Option<Stops>,
    /// What the drift's interval holds under; null when it holds whatever anybody did to the lights.
    condition: Option<&'static str>,
    response: Option<&'a str>,
    finding: Option<Finding>,
    sentence: &'a str,
    lighting: Option<Lighting>,
    evidence_used: Option<EvidenceUsed>,
    settings: Option<&'a Settings>,
    /// How the frame lay over the reference; null where one of them has no pixels.
    framing: Option<&'a Framing>,
    /// How much speaks against all lights having changed alike; null where too little can be compared.
    disparity: Option<Disparity>,
    /// The part that changed unlike the rest, where that is what is found.
    uneven: Option<&'a Unevenness>,
    spots: &'a [Observed],
    notes: &'a [String],
}

/// What all frames are compared with.
struct Reference {
    observation: Observation,
    prepared: Option<Prepared>,
}

impl Reference {
    fn of(outcome: MeteredFrame) -> Reference {
        Reference { prepared: outcome.picture.as_ref().map(Prepared::of), observation: outcome.observation }
    }
}

struct Comparison {
    photographs: Photographs,
    config: Config,
    curves: Curves,
    metering: MeteringPlan,
    lighting: Lighting,
    light_alone: bool,
}

/// A frame over the reference.
struct Judged {
    metered: MeteredFrame,
    /// Kept where a map is drawn.
    small: Option<Small>,
    overlay: Option<Overlay>,
    response: Response,
    verdict: Verdict,
}

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let map = args.map.as_deref().map(|path| MapFile::checked(path, &args.frames)).transpose()?;
    let spots = args.spot.iter().map(|text| TypedSpot::read(text)).collect::<Result<Vec<TypedSpot>, _>>()?;
    if !spots.is_empty() && !args.sharpness && args.crops.is_none() {
        return Err(CommandError::WrongUse("--spot is for measuring sharpness: add --sharpness or --crops".to_owned()));
    }
    let comparison = Comparison::asked(args)?;
    if args.sharpness || args.crops.is_some() {
        let files = std::iter::once(&args.reference).chain(&args.frames).map(PathBuf::as_path).collect();
        let asked = sharpness::Asked { files, spots, crops: args.crops.clone(), json: args.json };
        return sharpness::run(&comparison, &asked);
    }
    compare_light(&comparison, args, map.as_ref())
}

/// All frames against the reference, a row or an object each, and the map where one is asked for.
fn compare_light(comparison: &Comparison, args: &Args, map: Option<&MapFile>) -> Result<Exit, CommandError> {
    let read = comparison.read(&args.reference).and_then(|frame| frame.not_metered().map_or(Ok(frame), Err));
    let reference = read.map(|frame| comparison.metering.meter(frame));
    let mut exit = Exit::Clean;
    if let Err(why) = &reference {
        eprintln!("{} can't be the reference: {why}", printable(&args.reference.display().to_string()));
        exit = Exit::SomeUnusable;
    }
    let reference = reference.ok().map(Reference::of);
    let table = Table::for_files(&args.frames);
    if !args.json {
        say(&table.head());
    }
    for path in &args.frames {
        let judged = comparison.read(path).map(|frame| comparison.judge(reference.as_ref(), frame, map.is_some()));
        if judged.is_err() {
            exit = Exit::SomeUnusable;
        }
        let text = answer(path, &judged, (!args.json).then_some(&table));
        if !(if args.json { say_json(&text) } else { say(&text) }) {
            break;
        }
        if let (Some(map), Ok(judged)) = (map, &judged) {
            match map.write([&args.reference, path], judged)? {
                Ok(()) if args.json => {}
                Ok(()) => {
                    say(&format!("\nThe map is drawn in {}.", map.name()));
                }
                Err(why) => {
                    eprintln!("no map is drawn: {why}");
                    exit = Exit::SomeUnusable;
                }
            }
        }
    }
    Ok(exit)
}

impl Comparison {
    /// With what the configuration says, where the command line doesn't.
    fn asked(args: &Args) -> Result<Comparison, CommandError> {
        let file = args.config.clone().or_else(usual_config);
        let mut config = file.as_deref().map(Config::read).transpose()?.unwrap_or_default();
        if let Some(choice) = args.response {
            config.response_curve = match choice {
                ResponseArg::Camera => ResponseChoice::Camera,
                ResponseArg::StockCamera => ResponseChoice::Stock,
                ResponseArg::Srgb => ResponseChoice::Srgb,
            };
        }
        let lighting = match args.lighting {
            Some(LightingArg::Flash) => Lighting::Flash,
            Some(LightingArg::Continuous) => Lighting::Continuous,
            Some(LightingArg::Either) => Lighting::Either,
            None if file.is_some() => config.lighting,
            None => Lighting::Either,
        };
        let (curves, faults) = Curves::of_folder(config.curves.as_deref());
        for fault in faults {
            eprintln!("{fault}");
        }
        let (metering, photographs) = (MeteringPlan::of(&config), Photographs::open());
        Ok(Comparison { photographs, config, curves, metering, lighting, light_alone: args.light_alone })
    }

    fn read(&self, path: &Path) -> Result<Frame, String> {
        self.photographs.read(path, self.config.camera_steps, Depth::Lenient)
    }

    fn judge(&self, reference: Option<&Reference>, frame: Frame, with_picture: bool) -> Judged {
        let small = frame.picture.as_ref().filter(|_| with_picture).map(Picture::small);
        let metered = self.metering.meter(frame);
        let pair = Compared::of(reference.map(|reference| &reference.observation), &metered.observation);
        let prepared = reference.and_then(|reference| reference.prepared.as_ref());
        let overlay = prepared.zip(metered.picture.as_ref()).filter(|(over, frame)| over.is_raw() == frame.is_raw());
        let overlay = overlay.map(|(over, frame)| Overlay::of(over, &Prepared::of(frame)));
        let response = self.response_of(&pair.frame);
        let verdict = judge(&Evidence {
            building: false,
            told: None,
            reference: pair.reference.as_ref(),
            frame: &pair.frame,
            previous: None,
            response: &response,
            judged_spot: &self.config.judged_spot,
            lighting: self.lighting,
            tolerance: self.config.tolerance,
            recycle_seconds: self.config.recycle_time.as_secs_f64(),
            moved: Some(Stops::ZERO),
            followed: None,
            filter_before: None,
            light_alone: self.light_alone,
            lights: None,
            passive: None,
            colour_limit: self.config.colour_limit,
            laid: overlay.as_ref().map(|overlay| Laid { overlay, anchor: None }),
        });
        let verdict = self.with_patience(pair.explained(verdict));
        Judged { metered, small, overlay, response, verdict }
    }

    /// As a watch says it whose reference was the frame before: what neither settings nor anybody explains is answered by another frame
    /// first.
    fn with_patience(&self, verdict: Verdict) -> Verdict {
        let turn = verdict.expected.unwrap_or(Stops::ZERO).abs();
        let since = SinceLast { verdict: None, another_look: false, turn, moved: Some(Stops::ZERO) };
        let tolerance = self.config.tolerance;
        let waits = self.config.patience == Patience::NextFrame && !self.light_alone;
        match waits && verdict.wanted(tolerance).is_some() && verdict.is_a_suspicion(&since, tolerance) {
            true => verdict.as_a_suspicion(),
            false => verdict,
        }
    }

    /// The curve that a frame's counting reading goes by.
    fn response_of(&self, frame: &Observation) -> Response {
        let response = |m| response_for(&frame.settings, m, &self.config, &self.curves, &Sitting::default());
        frame.metered.as_ref().map_or_else(Response::srgb, response)
    }
}

fn answer(path: &Path, judged: &Result<Judged, String>, table: Option<&Table>) -> String {
    let file = path.display().to_string();
    match (judged, table) {
        (Ok(judged), None) => as_json(&file, judged),
        (Ok(judged), Some(table)) => table.row(&file, &judged.verdict, &judged.metered),
        (Err(why), None) => nothing_known(&file, why),
        (Err(why), Some(table)) => table.refusal(&file, why),
    }
}

fn as_json(file: &str, judged: &Judged) -> String {
    let Judged { metered, verdict, .. } = judged;
    encode(&Answer {
        file: file.to_owned(),
        expected: verdict.expected,
        observed: verdict.observed,
        drift: verdict.drift,
        uncertainty: verdict.uncertainty,
        observed_uncertainty: verdict.observed_uncertainty,
        condition: verdict.headline().and_then(|h| h.condition),
        response: metered.observation.metered.as_ref().map(|_| judged.response.name.as_str()),
        finding: Some(verdict.finding),
        sentence: &verdict.sentence,
        lighting: Some(verdict.lighting),
        evidence_used: verdict.evidence_used,
        settings: Some(&metered.observation.settings),
        framing: verdict.framing.as_ref(),
        disparity: verdict.disparity,
        uneven: verdict.uneven.as_ref(),
        spots: &verdict.spots,
        notes: &metered.notes,
    })
}

fn nothing_known(file: &str, why: &str) -> String {
    encode(&Answer {
        file: file.to_owned(),
        expected: None,
        observed: None,
        drift: None,
        uncertainty: None,
        observed_uncertainty: None,
        condition: None,
        response: None,
        finding: None,
        sentence: why,
        lighting: None,
        evidence_used: None,
        settings: None,
        framing: None,
        disparity: None,
        uneven: None,
        spots: &[],
        notes: &[],
    })
}

fn encode(answer: &Answer) -> String {
    // Every number in it is finite by construction, so that encoding can't fail.
    serde_json::to_string(answer).unwrap_or_default()
}
