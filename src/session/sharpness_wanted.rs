//! Of which frame the sharpness is measured next, and what it is held against: worked out of the state.

use std::path::Path;

use super::curve::response_for;
use super::measured_sharpness::Sharpest;
use super::sitting::Sitting;
use super::standing::Standing;
use crate::advice::{Finding, Framing, Observation};
use crate::config::{Config, Curves};
use crate::container::Kind;
use crate::meter::Area;
use crate::numbers::FrameNumber;
use crate::response::Response;

/// Spots of one frame that are measured, the first of the configuration: so much is cut out and held in memory.
const MOST_SPOTS: usize = 16;

/// A frame to be measured against another one.
#[derive(Debug, Clone)]
pub struct SharpnessWanted {
    pub look: String,
    /// The file of the look's reference.
    pub reference: String,
    pub number: FrameNumber,
    pub frame: SharpnessFile,
    /// Has as many places as the frame.
    pub against: SharpnessFile,
    /// The spots, and where they lie in the frame.
    pub spots: Vec<(String, Area)>,
}

/// One of both.
#[derive(Debug, Clone)]
pub struct SharpnessFile {
    pub is: Sharpest,
    /// Where its spots lie in it.
    pub places: Vec<Option<Area>>,
    pub response: Response,
}

impl SharpnessWanted {
    /// Of the last frame, if its light was judged against an accepted reference and its sharpness was not measured yet.
    pub(super) fn of(sitting: &Sitting, config: &Config, curves: &Curves) -> Option<SharpnessWanted> {
        let setup = &sitting.setup;
        if !config.sharpness || setup.standing != Standing::Accepted {
            return None;
        }
        let (last, look, name) = (setup.last.as_ref()?, setup.reference()?, setup.current.as_ref()?);
        let is_measured = sitting.sharpness.last.as_ref().is_some_and(|measured| measured.frame >= last.frame);
        let is_another =
            matches!(last.verdict.framing, Some(Framing::OtherScene)) || last.verdict.finding == Finding::Survey;
        if is_measured || is_another || look.frame == Some(last.frame) || sitting.exposures.is_removed(last.frame) {
            return None;
        }
        let spots = config.spots.iter().filter(|spot| spot.area().is_some_and(|area| area != Area::WHOLE));
        let spots: Vec<(&str, Area)> =
            spots.filter_map(|spot| Some((spot.name.as_str(), spot.area()?))).take(MOST_SPOTS).collect();
        if spots.is_empty() {
            return None;
        }
        // It rides on the scene, and keeps its size: what is measured has as many pixels in both frames.
        let in_frame = |(name, area): &(&str, Area)| {
            let followed = last.verdict.spots.iter().find(|seen| seen.spot == *name).and_then(|seen| seen.area);
            followed.map_or(*area, |to| area.about_middle_of(to))
        };
        let known = sitting.sharpness.looks.get(name).filter(|known| known.reference == look.file);
        let sharper = known.and_then(|known| known.sharpest.as_ref());
        let (base, base_places) = match sharper {
            Some((sharpest, places)) => {
                let of = |(name, _): &(&str, Area)| places.iter().find(|(of, _)| of == name).map(|(_, area)| *area);
                (sharpest.clone(), spots.iter().map(of).collect())
            }
            None => {
                let f_number = look.observation.settings.f_number;
                let places = spots.iter().map(|(_, area)| Some(*area)).collect();
                (Sharpest { frame: look.frame, file: look.file.clone(), f_number }, places)
            }
        };
        let (is_raw, file, against) = files_of_one_kind(sitting, &last.file, last.frame, &base)?;
        let response = |of: &Observation| {
            let metered = of.reading_of(is_raw)?;
            Some(response_for(&of.settings, metered, config, curves, sitting))
        };
        let own = response(&last.observation)?;
        let of_base = match sharper {
            Some(_) => base.frame.and_then(|frame| sitting.exposures.find(frame)).map(|e| &e.observation),
            None => Some(&look.observation),
        };
        // Long after, the camera is still the same.
        let base_response = of_base.and_then(|of| response(of)).unwrap_or_else(|| own.clone());
        let is = Sharpest { frame: Some(last.frame), file, f_number: last.observation.settings.f_number };
        Some(SharpnessWanted {
            look: name.clone(),
            reference: look.file.clone(),
            number: last.frame,
            frame: SharpnessFile { is, places: spots.iter().map(|spot| Some(in_frame(spot))).collect(), response: own },
            against: SharpnessFile {
                is: Sharpest { file: against, ..base },
                places: base_places,
                response: base_response,
            },
            spots: spots.iter().map(|spot| (spot.0.to_owned(), in_frame(spot))).collect(),
        })
    }
}

/// Of both exposures a file of one kind, pictures first: those are smaller. A raw file is never held against a picture, which the camera
/// sharpened.
fn files_of_one_kind(
    sitting: &Sitting,
    file: &str,
    frame: FrameNumber,
    base: &Sharpest,
) -> Option<(bool, String, String)> {
    let files = |frame: Option<FrameNumber>, file: &str| {
        let exposure = frame.and_then(|frame| sitting.exposures.find(frame));
        exposure.map_or_else(|| vec![file.to_owned()], |exposure| exposure.lies_at.clone())
    };
    let of_kind = |files: &[String], raw: bool| {
        files.iter().find(|file| Kind::of(Path::new(file)).is_some_and(|kind| kind.is_raw() == raw)).cloned()
    };
    let (own, bases) = (files(Some(frame), file), files(base.frame, &base.file));
    [false, true].into_iter().find_map(|raw| Some((raw, of_kind(&own, raw)?, of_kind(&bases, raw)?)))
}
