//! Of which frame the sharpness is measured next, and what it is held against: worked out of the state.

use std::borrow::Cow;
use std::path::Path;

use super::curve::response_for;
use super::measured_sharpness::Sharpest;
use super::remembered::{Last, Look};
use super::sharpness::{Column, LookSharpness};
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

/// What the frames of a look are held against: with its spots in other places it is another one.
#[derive(Debug, Clone, PartialEq)]
pub struct Over {
    pub look: String,
    /// The file of the look's reference.
    pub reference: String,
    base: (Option<FrameNumber>, String),
    spots: Vec<(String, Option<Area>)>,
}

/// A frame that lies over it, and where the spots are in the frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Beside {
    pub over: Over,
    frame: (Option<FrameNumber>, String),
    places: Vec<Option<Area>>,
}

/// A frame to be measured against another one, or to be shown beside it.
#[derive(Debug, Clone)]
pub struct SharpnessWanted {
    pub beside: Beside,
    /// The frame that is to be measured. `None`: its spots are only to be seen.
    pub measures: Option<FrameNumber>,
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
    /// The last frame, if its light was judged against an accepted reference and its sharpness was not measured yet; else the
    /// first of those that stand for their apertures and are to be shown. `is_done` tells what was measured or shown before.
    pub(super) fn next(
        sitting: &Sitting,
        config: &Config,
        curves: &Curves,
        is_done: impl Fn(&SharpnessWanted) -> bool,
    ) -> Option<SharpnessWanted> {
        let base = Base::of(sitting, config)?;
        let shots = base.to_measure().into_iter().chain(base.to_show());
        shots.filter_map(|shot| base.held_against(shot, config, curves)).find(|wanted| !is_done(wanted))
    }

    /// The spots still lie where they were looked for.
    pub fn still_holds(&self, sitting: &Sitting, config: &Config) -> bool {
        Base::of(sitting, config).is_some_and(|base| base.over() == self.beside.over)
    }
}

/// What the frames of the current look are held against.
pub(super) struct Base<'a> {
    sitting: &'a Sitting,
    name: &'a str,
    look: &'a Look,
    /// The spots that have a place, with that in the reference.
    pub spots: Vec<(&'a str, Area)>,
    pub is: Sharpest,
    /// Where those lie in it.
    places: Vec<Option<Area>>,
    observation: Option<&'a Observation>,
    /// What was measured so far, held against it.
    known: Option<Cow<'a, LookSharpness>>,
}

/// A frame, with where the spots lie in it.
pub(super) struct Shot<'a> {
    measures: Option<FrameNumber>,
    pub is: Sharpest,
    /// `None` where it was shot too long ago to be remembered.
    observation: Option<&'a Observation>,
    places: Vec<Option<Area>>,
}

impl<'a> Base<'a> {
    /// `None` where nothing is measured.
    pub fn of(sitting: &'a Sitting, config: &'a Config) -> Option<Base<'a>> {
        let setup = &sitting.setup;
        if !config.sharpness || setup.standing != Standing::Accepted {
            return None;
        }
        let (look, name) = (setup.reference()?, setup.current.as_deref()?);
        let of_parts = config.placed_spots().filter(|(_, area)| *area != Area::WHOLE);
        let spots: Vec<(&str, Area)> = of_parts.take(MOST_SPOTS).collect();
        if spots.is_empty() {
            return None;
        }
        let known = sitting.sharpness.looks.get(name).filter(|known| known.reference == look.file);
        let (is, places) = sharpest(sitting, look, known, &spots);
        let observation = if is.file == look.file {
            Some(&*look.observation)
        } else {
            is.frame.and_then(|frame| sitting.exposures.find(frame)).map(|exposure| &*exposure.observation)
        };
        let mut known = known.map(Cow::Borrowed);
        // Where another frame took its place, what was told is no share of this one.
        if let Some(known) = known.as_mut().filter(|known| !known.is_held_against(&is, look.frame)) {
            known.to_mut().stand_back_for(&is);
        }
        Some(Base { sitting, name, look, spots, is, places, observation, known })
    }

    fn to_measure(&self) -> Option<Shot<'a>> {
        let last = self.sitting.setup.last.as_ref()?;
        if self.look.frame == Some(last.frame) || !is_to_be_measured(self.sitting, last) {
            return None;
        }
        let in_frame = |(spot, area): &(&str, Area)| Some(place_in(&last.verdict, spot, *area));
        let f_number = last.observation.settings.f_number;
        Some(Shot {
            measures: Some(last.frame),
            is: Sharpest { frame: Some(last.frame), file: last.file.clone(), f_number },
            observation: Some(&last.observation),
            places: self.spots.iter().map(in_frame).collect(),
        })
    }

    fn to_show(&self) -> Vec<Shot<'a>> {
        self.columns().into_iter().map(|column| self.shot_of(column)).collect()
    }

    /// The frames that stand for their apertures; nothing before there are two.
    pub fn columns(&self) -> Vec<Column<'_>> {
        self.known.as_ref().map_or_else(Vec::new, |known| known.columns(self.is.f_number))
    }

    pub fn shot_of(&self, column: Column<'_>) -> Shot<'a> {
        match column {
            Column::Base => {
                Shot { measures: None, is: self.is.clone(), observation: self.observation, places: self.places.clone() }
            }
            Column::Best(n, best) => Shot {
                measures: None,
                is: Sharpest { frame: best.frame, file: best.file.clone(), f_number: Some(n) },
                observation: best
                    .frame
                    .and_then(|frame| self.sitting.exposures.find(frame))
                    .map(|exposure| &*exposure.observation),
                places: self.spots.iter().map(|(name, area)| Some(best.spot(name)?.area.unwrap_or(*area))).collect(),
            },
        }
    }

    /// Which aperture keeps what, so far.
    pub fn suggestion(&self) -> Option<String> {
        self.known.as_ref()?.suggestion()
    }

    fn over(&self) -> Over {
        let spots = self.spots.iter().zip(&self.places);
        Over {
            look: self.name.to_owned(),
            reference: self.look.file.clone(),
            base: (self.is.frame, self.is.file.clone()),
            spots: spots.map(|((spot, _), place)| ((*spot).to_owned(), *place)).collect(),
        }
    }

    pub fn beside(&self, shot: &Shot) -> Beside {
        Beside { over: self.over(), frame: (shot.is.frame, shot.is.file.clone()), places: shot.places.clone() }
    }

    fn held_against(&self, shot: Shot, config: &Config, curves: &Curves) -> Option<SharpnessWanted> {
        let (is_raw, file, against) = files_of_one_kind(self.sitting, &shot.is, &self.is)?;
        let response = |of: &Observation| {
            let metered = of.reading_of(is_raw)?;
            Some(response_for(&of.settings, metered, config, curves, self.sitting))
        };
        let (own, of_base) = (shot.observation.and_then(response), self.observation.and_then(response));
        // Long after, the camera is still the same.
        let own_response = own.clone().or_else(|| of_base.clone())?;
        let base_response = of_base.or(own)?;
        let place = |((name, in_reference), place): (&(&str, Area), &Option<Area>)| {
            ((*name).to_owned(), place.unwrap_or(*in_reference))
        };
        Some(SharpnessWanted {
            beside: self.beside(&shot),
            measures: shot.measures,
            spots: self.spots.iter().zip(&shot.places).map(place).collect(),
            frame: SharpnessFile { is: Sharpest { file, ..shot.is }, places: shot.places, response: own_response },
            against: SharpnessFile {
                is: Sharpest { file: against, ..self.is.clone() },
                places: self.places.clone(),
                response: base_response,
            },
        })
    }
}

/// What the frames of a look are held against, with where the spots lie in it: the sharpest, or the reference; where its files are gone, the
/// next of those that stand for their apertures. Where there is none, what is gone is asked for, and why it can't be read is told.
fn sharpest(
    sitting: &Sitting,
    look: &Look,
    known: Option<&LookSharpness>,
    spots: &[(&str, Area)],
) -> (Sharpest, Vec<Option<Area>>) {
    let (is, places) = match known.and_then(|known| known.sharpest.as_ref()) {
        Some((sharpest, places)) => {
            let of = |(name, _): &(&str, Area)| places.iter().find(|(of, _)| of == name).map(|(_, area)| *area);
            (sharpest.clone(), spots.iter().map(of).collect())
        }
        None => {
            let f_number = look.observation.settings.f_number;
            let is = Sharpest { frame: look.frame, file: look.file.clone(), f_number };
            (is, spots.iter().map(|(_, area)| Some(*area)).collect())
        }
    };
    let is_gone = |frame: FrameNumber| sitting.exposures.is_removed(frame);
    let next = known.filter(|_| is.frame.is_some_and(is_gone)).and_then(|known| known.next_sharpest(is_gone));
    let Some((n, next)) = next else { return (is, places) };
    let place = |(name, in_reference): &(&str, Area)| Some(next.spot(name)?.area.unwrap_or(*in_reference));
    let is = Sharpest { frame: next.frame, file: next.file.clone(), f_number: Some(n) };
    (is, spots.iter().map(place).collect())
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

/// Of both exposures a file of one kind, pictures first: those are smaller. A raw file is never held against a picture, which the camera
/// sharpened, nor a HEIF picture against another, which it sharpened otherwise.
fn files_of_one_kind(sitting: &Sitting, shot: &Sharpest, base: &Sharpest) -> Option<(bool, String, String)> {
    let files = |of: &Sharpest| {
        let exposure = of.frame.and_then(|frame| sitting.exposures.find(frame));
        exposure.map_or_else(|| vec![of.file.clone()], |exposure| exposure.lies_at.clone())
    };
    let class = |kind: Kind| (kind.is_raw(), kind == Kind::Heif);
    let of_class = |files: &[String], asked: (bool, bool)| {
        files.iter().find(|file| Kind::of(Path::new(file)).is_some_and(|kind| class(kind) == asked)).cloned()
    };
    let (own, bases) = (files(shot), files(base));
    let classes = [Kind::Jpeg, Kind::Heif, Kind::RawOther].map(class);
    classes.into_iter().find_map(|asked| Some((asked.0, of_class(&own, asked)?, of_class(&bases, asked)?)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_of_one_kind_alone_are_held_against_each_other() {
        let of = |file: &str| Sharpest { frame: None, file: file.to_owned(), f_number: None };
        let kind = |own: &str, base: &str| {
            files_of_one_kind(&Sitting::default(), &of(own), &of(base)).map(|(is_raw, ..)| is_raw)
        };
        assert_eq!(kind("a.jpg", "b.tif"), Some(false));
        assert_eq!(kind("a.heic", "b.HIF"), Some(false));
        assert_eq!(kind("a.dng", "b.crw"), Some(true));
        for (own, base) in [("a.jpg", "b.heic"), ("a.heic", "b.dng"), ("a.dng", "b.jpg")] {
            assert_eq!(kind(own, base), None, "{own} {base}");
        }
    }
}
