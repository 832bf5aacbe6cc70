//! `greyhold compare --sharpness`: how much of the finest detail each frame keeps, spot by spot.
//!
//! Each frame is read twice: reduced, to find where its spots lie, and in pieces at full resolution, to measure in them.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use super::Comparison;
use super::crops_page::CropsPage;
use super::spots_asked::{TypedSpot, spots};
use super::{sharpness_json, sharpness_table};
use crate::align::{Overlay, Prepared};
use crate::commands::exit::{CommandError, Exit};
use crate::commands::{say, say_json};
use crate::drift::area_in_frame;
use crate::frame::{Cut, CutPlace, Frame};
use crate::meter::Area;
use crate::photometry::FNumber;
use crate::response::Response;
use crate::sharpness::{Cause, Crop, KeptAt, Rectangle, Softness, SpotSoftness, Untold, compare_spot, judge, kept};

/// What is asked for.
pub struct Asked<'a> {
    /// The reference first.
    pub files: Vec<&'a Path>,
    pub spots: Vec<TypedSpot>,
    pub crops: Option<PathBuf>,
    pub json: bool,
}

/// All of them are held in memory.
const MOST_FILES: usize = 40;
/// So much of a large spot is looked at, and so much about it in which it may lie, in pixels.
const MOST_SIDE: usize = 512;
const MARGIN: usize = 64;

/// One photograph, as far as it could be read.
pub struct Shot {
    pub file: PathBuf,
    pub f_number: Option<FNumber>,
    /// Why there is nothing of it.
    pub fault: Option<String>,
    response: Response,
    /// Of each spot, where it lies in the frame.
    pub cuts: Vec<Result<Cut, Untold>>,
}

/// All that was measured.
pub struct Measured {
    pub spots: Vec<String>,
    pub shots: Vec<Shot>,
    /// Of each spot the shot that is the sharpest there; `None` where nothing could be measured.
    pub sharpest: Vec<Option<usize>>,
    /// Of each shot and spot, against that one; `None` is that one itself.
    pub against_sharpest: Vec<Vec<Option<Result<Softness, Untold>>>>,
    /// Of each shot but the first, against the first.
    pub causes: Vec<Option<Cause>>,
    pub kept: Vec<KeptAt>,
}

pub fn run(comparison: &Comparison, asked: &Asked) -> Result<Exit, CommandError> {
    if asked.files.len() > MOST_FILES {
        let why = format!("sharpness is compared over {MOST_FILES} photographs at most: name fewer");
        return Err(CommandError::WrongUse(why));
    }
    let page = asked.crops.as_deref().map(CropsPage::checked).transpose()?;
    let (spots, shots) = shots(comparison, asked)?;
    let measured = Measured::of(spots, shots);
    let exit = if measured.shots.iter().all(|shot| shot.fault.is_none()) { Exit::Clean } else { Exit::SomeUnusable };
    match asked.json {
        true => sharpness_json::lines(&measured).iter().all(|line| say_json(line)),
        false => say(&sharpness_table::told(&measured)),
    };
    if let Some(page) = page {
        page.write(&measured)?;
        if !asked.json {
            say(&format!("\nThe spots at full size stand in {}.", page.name()));
        }
    }
    Ok(exit)
}

/// Reads all photographs; where spots lie is told by the reference.
fn shots(comparison: &Comparison, asked: &Asked) -> Result<(Vec<String>, Vec<Shot>), CommandError> {
    let progress = Progress { all: asked.files.len(), shown: std::io::stderr().is_terminal() };
    let (first, others) =
        asked.files.split_first().ok_or_else(|| CommandError::WrongUse("name photographs".to_owned()))?;
    progress.reads(1);
    let no_reference =
        |why: &str| CommandError::CannotRun(format!("{} can't be the reference: {why}", first.display()));
    let frame = comparison.read(first).map_err(|why| no_reference(&why))?;
    let picture = frame.picture.as_ref().ok_or_else(|| no_reference("it has no picture"))?;
    let places = spots(&asked.spots, &comparison.config, picture);
    if places.is_empty() {
        return Err(no_reference("it shows no texture to measure sharpness by: name spots with --spot NAME:X,Y,R"));
    }
    let (names, areas): (Vec<String>, Vec<Area>) = places.into_iter().unzip();
    let (mut shot, over) = taken_in(comparison, first, frame);
    let over = over.ok_or_else(|| no_reference("it has no picture"))?;
    cut(comparison, &mut shot, &areas.iter().map(|area| Ok(*area)).collect::<Vec<_>>());
    if let Some(why) = &shot.fault {
        return Err(no_reference(why));
    }
    let mut shots = vec![shot];
    for (at, file) in others.iter().enumerate() {
        progress.reads(at + 2);
        shots.push(match comparison.read(file) {
            Ok(frame) => other_shot(comparison, file, frame, &over, &areas),
            Err(why) => Shot::unread(file, areas.len(), why),
        });
    }
    Ok((names, shots))
}

impl Shot {
    fn unread(file: &Path, spots: usize, why: String) -> Shot {
        let cuts = (0..spots).map(|_| Err(Untold::Moved)).collect();
        Shot { file: file.to_owned(), f_number: None, fault: Some(why), response: Response::srgb(), cuts }
    }

    /// A spot's piece in light.
    fn crop(&self, spot: usize) -> Result<Crop, Untold> {
        let cut = self.cuts[spot].as_ref().map_err(|untold| *untold)?;
        let [left, top, width, height] = cut.spot;
        Ok(Crop::of(&cut.picture, &self.response, Rectangle { left, top, width, height }, cut.frame))
    }
}

/// What is known of a frame from its reduced picture.
fn taken_in(comparison: &Comparison, file: &Path, frame: Frame) -> (Shot, Option<Prepared>) {
    let metered = comparison.metering.meter(frame);
    let response = comparison.response_of(&metered.observation);
    let f_number = metered.observation.settings.f_number;
    let shot = Shot { file: file.to_owned(), f_number, fault: None, response, cuts: Vec::new() };
    (shot, metered.picture.as_ref().map(|picture| Prepared::of(picture)))
}

fn other_shot(comparison: &Comparison, file: &Path, frame: Frame, over: &Prepared, areas: &[Area]) -> Shot {
    let note = frame.notes.first().cloned();
    let (mut shot, prepared) = taken_in(comparison, file, frame);
    let Some(prepared) = prepared else {
        return Shot::unread(file, areas.len(), note.unwrap_or_else(|| "it has no picture".to_owned()));
    };
    let overlay = Overlay::of_upright(over, &prepared);
    // A frame that shows too little to be laid over another may still not have moved.
    let place = |area: &Area| match &overlay {
        Overlay::Matched(alignment) => area_in_frame(*area, alignment).map(|to| moved(*area, to)).ok_or(Untold::Moved),
        Overlay::TooPlain => Ok(*area),
        Overlay::OtherScene => Err(Untold::Moved),
    };
    let places: Vec<Result<Area, Untold>> = areas.iter().map(place).collect();
    cut(comparison, &mut shot, &places);
    shot
}

/// An area about the middle of another, of its own size: what is measured has as many pixels in both frames.
fn moved(area: Area, to: Area) -> Area {
    let (right, down) =
        ((to.left + to.right - area.left - area.right) / 2.0, (to.top + to.bottom - area.top - area.bottom) / 2.0);
    Area { left: area.left + right, top: area.top + down, right: area.right + right, bottom: area.bottom + down }
}

fn cut(comparison: &Comparison, shot: &mut Shot, places: &[Result<Area, Untold>]) {
    let wanted = |area: &Area| {
        let Area { left, top, right, bottom } = *area;
        CutPlace { left, top, right, bottom, most: MOST_SIDE, margin: MARGIN }
    };
    let cuts = comparison.photographs.cut(&shot.file, places.iter().flatten().map(wanted).collect());
    let mut cuts = match cuts {
        Ok(cuts) => cuts.into_iter(),
        Err(why) => {
            *shot = Shot::unread(&shot.file, places.len(), why);
            return;
        }
    };
    shot.cuts = places.iter().map(|place| place.and_then(|_| cuts.next().ok_or(Untold::Moved))).collect();
}

impl Measured {
    fn of(spots: Vec<String>, shots: Vec<Shot>) -> Measured {
        let progress = Progress { all: spots.len(), shown: std::io::stderr().is_terminal() };
        let (mut sharpest, mut first, mut against) = (Vec::new(), Vec::new(), Vec::new());
        for (at, spot) in spots.iter().enumerate() {
            progress.measures(at + 1, spot);
            let (best, from_first, from_best) = compare_all(&shots, at);
            sharpest.push(best);
            first.push(from_first);
            against.push(from_best);
        }
        let over_spots = |of: &[Vec<Option<Result<Softness, Untold>>>], shot: usize| {
            of.iter().map(|spot| spot[shot]).collect::<Vec<_>>()
        };
        let against_sharpest: Vec<Vec<_>> = (0..shots.len()).map(|shot| over_spots(&against, shot)).collect();
        let cause = |shot: usize| {
            let measured = over_spots(&first, shot).into_iter().zip(&spots);
            let measured: Vec<SpotSoftness> = measured
                .filter_map(|(measured, spot)| Some(SpotSoftness { spot: spot.clone(), measured: measured? }))
                .collect();
            (shot > 0 && shots[shot].fault.is_none()).then(|| judge(&measured, shots[0].f_number, shots[shot].f_number))
        };
        let causes = (0..shots.len()).map(cause).collect();
        let shares = |shot: usize| -> Vec<Option<f64>> {
            let share = |(measured, best): (&Option<Result<Softness, Untold>>, &Option<usize>)| match measured {
                None => best.map(|_| 1.0),
                Some(measured) => measured.ok().map(|softness| softness.detail.share),
            };
            against_sharpest[shot].iter().zip(&sharpest).map(share).collect()
        };
        let known: Vec<(FNumber, Vec<Option<f64>>)> =
            shots.iter().enumerate().filter_map(|(at, shot)| Some((shot.f_number?, shares(at)))).collect();
        let kept = kept(&spots, &known);
        Measured { spots, shots, sharpest, against_sharpest, causes, kept }
    }
}

type OfAllShots = Vec<Option<Result<Softness, Untold>>>;

/// One spot of all shots: which is the sharpest, all against the first, all against the sharpest.
fn compare_all(shots: &[Shot], spot: usize) -> (Option<usize>, OfAllShots, OfAllShots) {
    let crops: Vec<Result<Crop, Untold>> = shots.iter().map(|shot| shot.crop(spot)).collect();
    let against = |reference: usize| -> OfAllShots {
        let compared = |(at, crop): (usize, &Result<Crop, Untold>)| {
            (at != reference).then(|| {
                compare_spot(crops[reference].as_ref().map_err(|why| *why)?, crop.as_ref().map_err(|why| *why)?)
            })
        };
        crops.iter().enumerate().map(compared).collect()
    };
    let first = against(0);
    let told = |all: &OfAllShots| all.iter().flatten().any(|measured| measured.is_ok());
    // Where the first shows nothing there, another may.
    let from = std::iter::once(0).chain(1..shots.len());
    let base = from.map(|at| (at, if at == 0 { first.clone() } else { against(at) })).find(|(_, all)| told(all));
    let Some((base, all)) = base else { return (None, first.clone(), first) };
    let blur = |(at, measured): (usize, &Option<Result<Softness, Untold>>)| match measured {
        Some(Ok(softness)) if softness.is_sharper() => Some((at, softness.blur.0)),
        _ => None,
    };
    let sharper = all.iter().enumerate().filter_map(blur).min_by(|a, b| a.1.total_cmp(&b.1));
    match sharper {
        Some((best, _)) => (Some(best), first, against(best)),
        None => (Some(base), first, all),
    }
}

/// Told on a terminal only: it is nothing for files.
struct Progress {
    all: usize,
    shown: bool,
}

impl Progress {
    fn reads(&self, number: usize) {
        if self.shown {
            eprintln!("reading photograph {number} of {}", self.all);
        }
    }

    fn measures(&self, number: usize, spot: &str) {
        if self.shown {
            eprintln!("measuring spot {number} of {}: {spot}", self.all);
        }
    }
}
