//! `greyhold compare`: files against a reference, without a daemon.

use std::path::{Path, PathBuf};

use clap::ValueEnum;
use serde::Serialize;

use super::exit::{CommandError, Exit};
use super::photographs::Photographs;
use super::{say, say_json};
use crate::advice::{Evidence, Finding, Framing, Laid, Observation, Verdict, judge};
use crate::align::{Overlay, Prepared};
use crate::config::{Config, Curves};
use crate::drift::{EvidenceUsed, Lighting, Observed};
use crate::frame::Settings;
use crate::outlet::plain::printable;
use crate::photometry::Stops;
use crate::response::{Response, ResponseChoice};
use crate::session::{Compared, MeteredFrame, MeteringPlan, Sitting, response_for};
use crate::workers::Depth;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold compare reference.jpg frame1.jpg frame2.jpg
  greyhold compare --json reference.jpg *.jpg        one JSON object a frame, a line each
  greyhold compare --light-alone a.jpg b.jpg         what the picture says, whatever the settings")]
pub struct Args {
    /// The photograph to compare with
    reference: PathBuf,
    /// The photographs to compare
    #[arg(required = true)]
    frames: Vec<PathBuf>,
    /// One JSON object a frame, a line each
    #[arg(long)]
    json: bool,
    /// Leave the settings out and go by the picture alone
    #[arg(long)]
    light_alone: bool,
    /// What lit the pictures [default: the configuration's, or either]
    #[arg(long, value_enum)]
    lighting: Option<LightingArg>,
    /// How code values become light [default: the configuration's, or camera]
    #[arg(long, value_enum)]
    response: Option<ResponseArg>,
    /// A configuration for spots, tolerance and the rest
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

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let mut config = args.config.as_deref().map(Config::read).transpose()?.unwrap_or_default();
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
        None if args.config.is_some() => config.lighting,
        None => Lighting::Either,
    };
    let (curves, faults) = Curves::of_folder(config.curves.as_deref());
    for fault in faults {
        eprintln!("{fault}");
    }
    let metering = MeteringPlan::of(&config);
    let photographs = Photographs::open();
    let comparison = Comparison { photographs, config, curves, metering, lighting, light_alone: args.light_alone };
    let reference = comparison.read(&args.reference);
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
        let outcome = comparison.read(path);
        if outcome.is_err() {
            exit = Exit::SomeUnusable;
        }
        let text = comparison.answer(path, reference.as_ref(), &outcome, (!args.json).then_some(&table));
        if !(if args.json { say_json(&text) } else { say(&text) }) {
            break;
        }
    }
    Ok(exit)
}

impl Comparison {
    fn read(&self, path: &Path) -> Result<MeteredFrame, String> {
        let read = self.photographs.read(path, self.config.camera_steps, Depth::Lenient)?;
        Ok(self.metering.meter(read))
    }

    fn judge(&self, reference: Option<&Reference>, outcome: &MeteredFrame) -> Verdict {
        let pair = Compared::of(reference.map(|reference| &reference.observation), &outcome.observation);
        let prepared = reference.and_then(|reference| reference.prepared.as_ref());
        let overlay = prepared.zip(outcome.picture.as_ref()).filter(|(over, frame)| over.is_raw() == frame.is_raw());
        let overlay = overlay.map(|(over, frame)| Overlay::of(over, &Prepared::of(frame)));
        let response = self.response_of(&pair.frame);
        judge(&Evidence {
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
            is_ahead: false,
            light_alone: self.light_alone,
            lights: None,
            colour_limit: self.config.colour_limit,
            laid: overlay.as_ref().map(|overlay| Laid { overlay, anchor: None }),
        })
    }

    /// The curve that a frame's counting reading goes by.
    fn response_of(&self, frame: &Observation) -> Response {
        let response = |m| response_for(&frame.settings, m, &self.config, &self.curves, &Sitting::default());
        frame.metered.as_ref().map_or_else(Response::srgb, response)
    }

    fn answer(
        &self,
        path: &Path,
        reference: Option<&Reference>,
        outcome: &Result<MeteredFrame, String>,
        table: Option<&Table>,
    ) -> String {
        let file = path.display().to_string();
        match (outcome, table) {
            (Ok(outcome), table) => {
                let verdict = self.judge(reference, outcome);
                let response =
                    outcome.observation.metered.as_ref().map(|_| self.response_of(&outcome.observation).name);
                table.map_or_else(
                    || as_json(&file, &verdict, outcome, response.as_deref()),
                    |t| t.row(&file, &verdict, outcome),
                )
            }
            (Err(why), None) => nothing_known(&file, why),
            (Err(why), Some(table)) => table.refusal(&file, why),
        }
    }
}

/// Answers for a person: a row each, under one heading.
struct Table {
    widest: usize,
}

impl Table {
    fn for_files(files: &[PathBuf]) -> Table {
        let widths = files.iter().map(|f| f.display().to_string().chars().count());
        Table { widest: widths.max().unwrap_or(0).clamp(4, 40) }
    }

    fn line(&self, file: &str, rest: [&str; 5]) -> String {
        let [settings, expected, observed, drift, verdict] = rest;
        let width = self.widest;
        format!("{file:width$}  {settings:<24}  {expected:>8}  {observed:>14}  {drift:<44}  {verdict}")
    }

    fn head(&self) -> String {
        self.line("file", ["settings", "settings", "light", "drift", "verdict"])
            + "\n"
            + &self.line("", ["", "say", "says", "", ""])
    }

    fn row(&self, file: &str, verdict: &Verdict, outcome: &MeteredFrame) -> String {
        let stops = |s: Option<Stops>| s.map_or_else(|| "?".to_owned(), |s| s.to_string());
        let within = |s: Option<Stops>, half: Option<Stops>| match half {
            Some(half) if s.is_some() => format!("{} +-{:.2}", stops(s), half.0),
            _ => stops(s),
        };
        let mut row = self.line(
            &printable(file),
            [
                &outcome.observation.settings.in_short(),
                &stops(verdict.expected),
                &within(verdict.observed, verdict.observed_uncertainty),
                &verdict.headline().map_or_else(|| "?".to_owned(), |h| h.in_ascii()),
                &verdict.sentence,
            ],
        );
        for note in &outcome.notes {
            row.push_str(&format!("\n{:width$}  ! {}", "", printable(note), width = self.widest));
        }
        row
    }

    fn refusal(&self, file: &str, why: &str) -> String {
        format!("{:width$}  ! {why}", printable(file), width = self.widest)
    }
}

fn as_json(file: &str, verdict: &Verdict, outcome: &MeteredFrame, response: Option<&str>) -> String {
    encode(&Answer {
        file: file.to_owned(),
        expected: verdict.expected,
        observed: verdict.observed,
        drift: verdict.drift,
        uncertainty: verdict.uncertainty,
        observed_uncertainty: verdict.observed_uncertainty,
        condition: verdict.headline().and_then(|h| h.condition),
        response,
        finding: Some(verdict.finding),
        sentence: &verdict.sentence,
        lighting: Some(verdict.lighting),
        evidence_used: verdict.evidence_used,
        settings: Some(&outcome.observation.settings),
        framing: verdict.framing.as_ref(),
        spots: &verdict.spots,
        notes: &outcome.notes,
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
        spots: &[],
        notes: &[],
    })
}

fn encode(answer: &Answer) -> String {
    // Every number in it is finite by construction, so that encoding can't fail.
    serde_json::to_string(answer).unwrap_or_default()
}
