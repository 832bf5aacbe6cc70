//! Of which frame the sharpness is measured next, and what it is held against: worked out of the state.

use std::path::Path;

use super::curve::response_for;
use super::measured_sharpness::Sharpest;
use super::remembered::{Last, Look};
use super::sitting::Sitting;
use super::standing::Standing;
use crate::advice::{Finding, Framing, Observation, Verdict};
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
        if look.frame == Some(last.frame) || !is_to_be_measured(sitting, last) {
            return None;
        }
        let of_parts = config.placed_spots().filter(|(_, area)| *area != Area::WHOLE);
        let spots: Vec<(&str, Area)> = of_parts.take(MOST_SPOTS).collect();
        if spots.is_empty() {
            return None;
        }
        let base = Base::of(sitting, look, name, &spots);
        let (is_raw, file, against) = files_of_one_kind(sitting, &last.file, last.frame, &base.is)?;
        let response = |of: &Observation| {
            let metered = of.reading_of(is_raw)?;
            Some(response_for(&of.settings, metered, config, curves, sitting))
        };
        let own = response(&last.observation)?;
        // Long after, the camera is still the same.
        let base_response = base.observation.and_then(response).unwrap_or_else(|| own.clone());
        let in_frame: Vec<(String, Area)> =
            spots.iter().map(|(spot, area)| ((*spot).to_owned(), place_in(&last.verdict, spot, *area))).collect();
        let is = Sharpest { frame: Some(last.frame), file, f_number: last.observation.settings.f_number };
        let places = in_frame.iter().map(|(_, area)| Some(*area)).collect();
        Some(SharpnessWanted {
            look: name.to_owned(),
            reference: look.file.clone(),
            number: last.frame,
            frame: SharpnessFile { is, places, response: own },
            against: SharpnessFile {
                is: Sharpest { file: against, ..base.is },
                places: base.places,
                response: base_response,
            },
            spots: in_frame,
        })
    }
}

/// Not yet measured, and of the look's own scene and lights.
fn is_to_be_measured(sitting: &Sitting, last: &Last) -> bool {
    let is_measured = sitting.sharpness.last.as_ref().is_some_and(|measured| measured.frame >= last.frame);
    let is_another =
        matches!(last.verdict.framing, Some(Framing::OtherScene)) || last.verdict.finding == Finding::Survey;
    !is_measured && !is_another && !sitting.exposures.is_removed(last.frame)
}

/// A spot rides on the scene, and keeps its size: what is measured has as many pixels in both frames.
fn place_in(verdict: &Verdict, spot: &str, area: Area) -> Area {
    let followed = verdict.spots.iter().find(|seen| seen.spot == spot).and_then(|seen| seen.area);
    followed.map_or(area, |to| area.about_middle_of(to))
}

/// What a look's frames are held against.
struct Base<'a> {
    is: Sharpest,
    /// Of the spots.
    places: Vec<Option<Area>>,
    /// `None` where its exposure is remembered no more.
    observation: Option<&'a Observation>,
}

impl<'a> Base<'a> {
    /// The frame that was sharper than the look's reference, where there is one.
    fn of(sitting: &'a Sitting, look: &'a Look, name: &str, spots: &[(&str, Area)]) -> Base<'a> {
        let known = sitting.sharpness.looks.get(name).filter(|known| known.reference == look.file);
        let Some((sharpest, places)) = known.and_then(|known| known.sharpest.as_ref()) else {
            let f_number = look.observation.settings.f_number;
            return Base {
                is: Sharpest { frame: look.frame, file: look.file.clone(), f_number },
                places: spots.iter().map(|(_, area)| Some(*area)).collect(),
                observation: Some(&look.observation),
            };
        };
        let place = |(name, _): &(&str, Area)| places.iter().find(|(of, _)| of == name).map(|(_, area)| *area);
        Base {
            is: sharpest.clone(),
            places: spots.iter().map(place).collect(),
            observation: sharpest.frame.and_then(|frame| sitting.exposures.find(frame)).map(|e| &*e.observation),
        }
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
