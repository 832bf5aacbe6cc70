//! `greyhold compare --sharpness`: how much of the finest detail each frame keeps, spot by spot.
//!
//! Each frame is read twice: reduced, to find where its spots lie, and in pieces at full resolution, to measure in them.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use super::Comparison;
use super::crops_page::CropsPage;
use super::measured::{Measured, Progress, Shot};
use super::spots_asked::{TypedSpot, spots};
use super::{sharpness_json, sharpness_table};
use crate::align::{Overlay, Prepared};
use crate::commands::exit::{CommandError, Exit};
use crate::commands::{say, say_json};
use crate::drift::area_in_frame;
use crate::frame::Frame;
use crate::meter::Area;
use crate::sharpness::{Untold, cut_place};

/// What is asked for.
pub struct Asked<'a> {
    /// The reference first.
    pub files: Vec<&'a Path>,
    pub spots: Vec<TypedSpot>,
    pub crops: Option<PathBuf>,
    pub json: bool,
}

const MOST_FILES: usize = 40;
/// All pieces are held in memory: of raw files up to 2.9 MB each (640 pixels a side, three codes and a number each).
const MOST_PIECES: usize = 320;
/// So much of a large spot is looked at, and so much about it in which it may lie, in pixels.
const MOST_SIDE: usize = 512;
const MARGIN: usize = 64;

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
    let why = pictureless(&frame);
    let picture = frame.picture.as_ref().ok_or_else(|| no_reference(&why))?;
    let places = spots(&asked.spots, &comparison.config, picture)?;
    within_memory(asked.files.len(), places.len())?;
    if places.is_empty() {
        return Err(no_reference("it shows no texture to measure sharpness by: name spots with --spot NAME:X,Y,R"));
    }
    let (names, areas): (Vec<String>, Vec<Area>) = places.into_iter().unzip();
    let (mut shot, over) = taken_in(comparison, first, frame);
    let over = over.ok_or_else(|| no_reference(&why))?;
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

fn within_memory(files: usize, spots: usize) -> Result<(), CommandError> {
    if files * spots <= MOST_PIECES {
        return Ok(());
    }
    let most = MOST_PIECES / spots;
    Err(CommandError::WrongUse(format!(
        "{spots} spots in {files} photographs are more than are held at once: name {most} photographs at most, or fewer spots"
    )))
}

/// Why a frame has no picture, where it has none.
fn pictureless(frame: &Frame) -> String {
    frame.notes.first().cloned().unwrap_or_else(|| "it has no picture".to_owned())
}

/// What is known of a frame from its reduced picture.
fn taken_in(comparison: &Comparison, file: &Path, frame: Frame) -> (Shot, Option<Prepared>) {
    let metered = comparison.metering.meter(frame);
    let response = comparison.response_of(&metered.observation);
    let f_number = metered.observation.settings.f_number;
    let shot = Shot { file: file.to_owned(), f_number, fault: None, response, cuts: Vec::new() };
    (shot, metered.picture.as_ref().map(Prepared::of))
}

fn other_shot(comparison: &Comparison, file: &Path, frame: Frame, over: &Prepared, areas: &[Area]) -> Shot {
    let why = pictureless(&frame);
    let (mut shot, prepared) = taken_in(comparison, file, frame);
    let Some(prepared) = prepared else {
        return Shot::unread(file, areas.len(), why);
    };
    let overlay = Overlay::of_upright(over, &prepared);
    // A frame that shows too little to be laid over another may still not have moved.
    let place = |area: &Area| match &overlay {
        Overlay::Matched(alignment) => {
            area_in_frame(*area, alignment).map(|to| area.about_middle_of(to)).ok_or(Untold::Moved)
        }
        Overlay::TooPlain => Ok(*area),
        Overlay::OtherScene => Err(Untold::Moved),
    };
    let places: Vec<Result<Area, Untold>> = areas.iter().map(place).collect();
    cut(comparison, &mut shot, &places);
    shot
}

fn cut(comparison: &Comparison, shot: &mut Shot, places: &[Result<Area, Untold>]) {
    let wanted = |area: &Area| cut_place(*area, MOST_SIDE, MARGIN);
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_held_at_once_is_bounded() {
        assert!(within_memory(40, 8).is_ok() && within_memory(10, 32).is_ok());
        let why = within_memory(40, 32).unwrap_err().to_string();
        assert!(why.contains("name 10 photographs at most"), "{why}");
    }
}
