//! `greyhold compare`: files against a reference, without a daemon.

use std::path::{Path, PathBuf};

use clap::ValueEnum;
use serde::Serialize;

use super::exit::{CommandError, Exit};
use super::say;
use crate::advice::{Cause, Evidence, Subject, Verdict, judge};
use crate::config::{self, Config};
use crate::container::Kind;
use crate::drift::{Lighting, Observed, WentBy};
use crate::frame::{self, Response, ResponseChoice, Settings};
use crate::outlet::plain::{numbers, printable};
use crate::photometry::Stops;
use crate::session::{FrameOutcome, meter_subject};

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
    /// How code values become light [default: the configuration's, or stock-camera]
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
    StockCamera,
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
    response: Option<&'a str>,
    cause: Option<Cause>,
    sentence: &'a str,
    lighting: Option<Lighting>,
    went_by: Option<WentBy>,
    settings: Option<&'a Settings>,
    spots: &'a [Observed],
    notes: &'a [String],
}

struct Comparison {
    config: Config,
    response: Response,
    lighting: Lighting,
    light_alone: bool,
}

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let mut config = args.config.as_deref().map(Config::read).transpose()?.unwrap_or_default();
    if let Some(choice) = args.response {
        config.response = match choice {
            ResponseArg::StockCamera => ResponseChoice::StockCamera,
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
    let response = config::response(config.response);
    let comparison = Comparison { config, response, lighting, light_alone: args.light_alone };
    let reference = comparison.read(&args.reference);
    let mut exit = Exit::Clean;
    if let Err(why) = &reference {
        eprintln!("{} can't be the reference: {why}", printable(&args.reference.display().to_string()));
        exit = Exit::SomeUnusable;
    }
    let reference = reference.ok().map(|outcome| outcome.subject);
    for path in &args.frames {
        let outcome = comparison.read(path);
        if outcome.is_err() {
            exit = Exit::SomeUnusable;
        }
        let text = comparison.answer(path, reference.as_ref(), &outcome, args.json);
        if !say(&text) {
            break;
        }
    }
    Ok(exit)
}

impl Comparison {
    fn read(&self, path: &Path) -> Result<FrameOutcome, String> {
        let kind = Kind::of(path).ok_or("it is no picture by its name")?;
        let read = frame::read(kind, path, self.config.marks).map_err(|e| e.to_string())?;
        Ok(meter_subject(read, &self.response, &self.config.spots))
    }

    fn judge(&self, reference: Option<&Subject>, frame: &Subject) -> Verdict {
        judge(&Evidence {
            reference,
            frame,
            previous: None,
            response: &self.response,
            judge_by: &self.config.judge_by,
            lighting: self.lighting,
            tolerance: self.config.tolerance,
            recycle_seconds: self.config.recycle.as_secs_f64(),
            moved: Some(Stops::ZERO),
            followed: None,
            light_alone: self.light_alone,
        })
    }

    fn answer(
        &self,
        path: &Path,
        reference: Option<&Subject>,
        outcome: &Result<FrameOutcome, String>,
        json: bool,
    ) -> String {
        let file = path.display().to_string();
        match outcome {
            Ok(outcome) => {
                let verdict = self.judge(reference, &outcome.subject);
                if json { as_json(&file, &verdict, outcome) } else { as_text(&file, &verdict, outcome) }
            }
            Err(why) if json => nothing_known(&file, why),
            Err(why) => format!("{}\n  ! {why}", printable(&file)),
        }
    }
}

fn as_json(file: &str, verdict: &Verdict, outcome: &FrameOutcome) -> String {
    let response = outcome.subject.metered.as_ref().map(|m| m.response.as_str());
    encode(&Answer {
        file: file.to_owned(),
        expected: verdict.expected,
        observed: verdict.observed,
        drift: verdict.drift,
        uncertainty: verdict.uncertainty,
        observed_uncertainty: verdict.observed_uncertainty,
        response,
        cause: Some(verdict.cause),
        sentence: &verdict.sentence,
        lighting: Some(verdict.lighting),
        went_by: verdict.went_by,
        settings: Some(&outcome.subject.settings),
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
        response: None,
        cause: None,
        sentence: why,
        lighting: None,
        went_by: None,
        settings: None,
        spots: &[],
        notes: &[],
    })
}

fn encode(answer: &Answer) -> String {
    // Every number in it is finite by construction, so that encoding can't fail.
    serde_json::to_string(answer).unwrap_or_default()
}

fn as_text(file: &str, verdict: &Verdict, outcome: &FrameOutcome) -> String {
    let mut lines = vec![
        format!("{}  {}", printable(file), outcome.subject.settings.in_short()),
        format!("  {}", verdict.sentence),
    ];
    if verdict.observed.is_some() || verdict.expected.is_some() {
        lines.push(format!("  {}", numbers(verdict)));
    }
    lines.extend(outcome.notes.iter().map(|note| format!("  {note}")));
    lines.join("\n")
}
