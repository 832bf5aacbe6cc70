//! The small pictures of a contact sheet: read by the workers, as a watch reads photographs.

use std::path::Path;
use std::sync::Mutex;
use std::sync::PoisonError;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::super::exit::CommandError;
use super::super::interrupted::Interrupted;
use super::super::photographs::Photographs;
use super::super::sittings_asked::AskedSitting;
use super::READERS;
use crate::photometry::Series;
use crate::report::{ContactSheet, ReportFrame};
use crate::workers::Depth;

/// Pictures on one page, of all sittings together: with 4 to 8 KB each the page stays well below 10 MB.
const MOST_PICTURES: usize = 240;
/// The long side of one, in pixels, and how it is coded.
const LONG_SIDE: u32 = 224;
const QUALITY: u8 = 72;
/// A terminal is told after so many.
const TOLD_EVERY: usize = 20;

/// Of each sitting what its contact sheet shows.
pub struct Pictures(pub Vec<Vec<Picture>>);

/// One frame's place on a contact sheet.
pub enum Picture {
    Jpeg(Vec<u8>),
    /// None of its files is in the folder any more.
    Gone,
    /// Why there is none.
    Unread(String),
}

impl Pictures {
    /// Where nobody wants any.
    pub fn unread(sittings: &[AskedSitting]) -> Pictures {
        Pictures(sittings.iter().map(|_| Vec::new()).collect())
    }
}

/// The choice of a sitting's frames; every sitting of a page has the same room.
pub fn chosen(sitting: &AskedSitting, sittings: usize) -> ContactSheet<'_> {
    ContactSheet::of(&sitting.report, (MOST_PICTURES / sittings.max(1)).max(1))
}

/// Reads the chosen frames of all sittings.
pub fn read_pictures(
    sittings: &[AskedSitting],
    photographs: &Photographs,
    interrupted: &Interrupted,
    told: bool,
) -> Result<Pictures, CommandError> {
    let mut read = Vec::new();
    for sitting in sittings {
        let sheet = chosen(sitting, sittings.len());
        let frames: Vec<&ReportFrame> = sheet.shown.iter().map(|shown| shown.frame).collect();
        read.push(read_all(sitting, &frames, photographs, interrupted, told));
        interrupted.check()?;
    }
    Ok(Pictures(read))
}

/// Several at one time, each in its frame's place.
fn read_all(
    sitting: &AskedSitting,
    frames: &[&ReportFrame],
    photographs: &Photographs,
    interrupted: &Interrupted,
    told: bool,
) -> Vec<Picture> {
    let places: Vec<Mutex<Option<Picture>>> = frames.iter().map(|_| Mutex::new(None)).collect();
    let next = AtomicUsize::new(0);
    let read_on = || {
        while !interrupted.is_asked() {
            let at = next.fetch_add(1, Ordering::Relaxed);
            let Some((frame, place)) = frames.get(at).zip(places.get(at)) else { return };
            if told && at.is_multiple_of(TOLD_EVERY) {
                eprintln!("reading photograph {} of {} for the contact sheet", at + 1, frames.len());
            }
            let picture = picture_of(sitting, frame, photographs);
            *place.lock().unwrap_or_else(PoisonError::into_inner) = Some(picture);
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..READERS {
            scope.spawn(read_on);
        }
    });
    let unread = || Picture::Unread("it was not read".to_owned());
    places.into_iter().map(|p| p.into_inner().unwrap_or_else(PoisonError::into_inner).unwrap_or_else(unread)).collect()
}

/// Of an exposure's files the first that gives one; a picture is read sooner than a raw file.
fn picture_of(sitting: &AskedSitting, frame: &ReportFrame, photographs: &Photographs) -> Picture {
    let mut files: Vec<_> = frame.files.iter().filter_map(|file| sitting.find(file)).collect();
    files.sort_by_key(|file| crate::container::Kind::of(file).is_none_or(|kind| kind.is_raw()));
    let mut why = None;
    for file in files {
        match read(&file, photographs) {
            Ok(jpeg) => return Picture::Jpeg(jpeg),
            Err(refused) => why = Some(refused),
        }
    }
    why.map_or(Picture::Gone, Picture::Unread)
}

fn read(file: &Path, photographs: &Photographs) -> Result<Vec<u8>, String> {
    let frame = photographs.read(file, Series::Thirds, Depth::Glance)?;
    let why = frame.not_metered();
    let picture = frame.embedded.or(frame.picture).ok_or_else(|| why.unwrap_or_default())?;
    picture.small().jpeg_within(LONG_SIDE, QUALITY).ok_or_else(|| "its picture is empty".to_owned())
}
