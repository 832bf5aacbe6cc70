//! Learning a camera's response on the job: which exposures of late may teach it, and what comes of it.
//!
//! Nothing is kept in mind for this: the exposures of late are looked at anew for every frame.

use super::Draft;
use crate::advice::{Finding, Verdict};
use crate::align::{MatchedPatch, side_by_side};
use crate::calibration::{ExposureRun, Learned, RawPair, agrees_with, teach_by_raw, teach_by_sum};
use crate::drift::{Lighting, expected};
use crate::frame::{Rendering, Settings};
use crate::meter::FrameReadings;
use crate::numbers::FrameNumber;
use crate::response::{Curve, Response, ResponseChoice};
use crate::rig::Survey;
use crate::session::exposures::Exposure;
use crate::session::judgement::Occasion;
use crate::session::record::{Body, Learning, Rendered};

/// Neighbouring patches say the same: every fifth is enough for a lesson.
const EVERY: usize = 5;
/// A look's curve is made better no more often than this.
const MOST_LESSONS: u32 = 12;

impl Draft<'_> {
    /// A camera without a curve of its own, whose rendering is fixed, can be learned about.
    fn is_learnable(&self, settings: &Settings, metered: &FrameReadings) -> bool {
        let response = self.response_for(settings, metered);
        let learned = self.sitting.learned(&self.rendered(settings, metered));
        let is_learned = learned.is_some_and(|l| l.name == response.name);
        self.config.response_curve == ResponseChoice::Camera
            && (is_learned || response.name == self.knowledge.curves.of_no_camera(&metered.colour).name)
            && settings.rendering == Rendering::Fixed
            && settings.camera.is_some()
    }

    /// The curve that may be made better by another lesson.
    fn curve_to_learn(&self, settings: &Settings, metered: &FrameReadings) -> Option<Curve> {
        let lessons = self.sitting.learned(&self.rendered(settings, metered)).map_or(0, |l| l.lessons);
        let may_learn = self.is_learnable(settings, metered) && lessons < MOST_LESSONS;
        self.response_for(settings, metered).curve().cloned().filter(|_| may_learn)
    }

    /// Learns from settings that changed and came back while the lights stayed, if the exposures up to this one prove
    /// that.
    pub(super) fn learn_from_settings(&mut self, exposure: &Exposure, verdict: &Verdict) {
        let settings = &exposure.observation.settings;
        let Some(picture) = exposure.observation.rendered().filter(|_| is_steady(verdict) && !exposure.found_at_start)
        else {
            return;
        };
        let Some(known) = self.curve_to_learn(settings, picture) else { return };
        let rendered = self.rendered(settings, picture);
        let lesson = self.run_up_to(exposure).learn(&known);
        if let Some(lesson) = lesson {
            self.learned(rendered, Learning::SettingsAlone, lesson);
        }
    }

    /// The exposures of one camera's lasting rendering, up to this one, between which nobody is known to have touched
    /// a light. None of them has taught a curve before.
    fn run_up_to(&self, last: &Exposure) -> ExposureRun {
        let mut links: Vec<(FrameNumber, &Settings, Vec<Option<f64>>)> = Vec::new();
        for exposure in self.sitting.exposures.iter().rev() {
            if !exposure.counts() {
                // A frame of a survey teaches nothing, but a light may have been turned before it.
                if exposure.lights_moved_before {
                    break;
                }
                continue;
            }
            let Some((settings, codes)) = self.link(exposure, last) else { break };
            links.push((exposure.frame, settings, codes));
            if lights_moved_before(exposure) {
                break;
            }
        }
        let mut run = ExposureRun::default();
        let first = links.last().map(|(_, settings, _)| *settings);
        for (frame, settings, codes) in links.into_iter().rev() {
            let exposure = first.and_then(|first| expected(first, settings, self.config.lighting));
            match exposure {
                Some(exposure) => run.push(frame, codes, exposure),
                None => run.break_off(),
            }
        }
        run
    }

    fn link<'a>(&self, exposure: &'a Exposure, last: &Exposure) -> Option<(&'a Settings, Vec<Option<f64>>)> {
        let settings = &exposure.observation.settings;
        let picture = exposure.observation.rendered()?;
        let verdict = &exposure.judged.as_ref()?.1.verdict;
        let is_one = exposure.frame > self.sitting.taught_until
            && is_steady(verdict)
            && !exposure.found_at_start
            && settings.camera == last.observation.settings.camera
            // Codes of a JPEG and of a HEIF picture have no curve in common.
            && last.observation.rendered().is_some_and(|of_last| of_last.colour == picture.colour)
            // Filters are off what is engraved by more than a curve may be.
            && settings.filter == last.observation.settings.filter
            && self.config.lighting != Lighting::Either
            && self.is_learnable(settings, picture);
        let codes = self.codes_over_reference(last, picture).filter(|_| is_one);
        Some(settings).zip(codes)
    }

    /// The codes of the same parts of the scene in every frame of a run: those that the reference of its last one shows. A part
    /// that isn't found has none that a curve could be learned from.
    fn codes_over_reference(&self, last: &Exposure, picture: &FrameReadings) -> Option<Vec<Option<f64>>> {
        let reference = last.before.as_ref()?.reference()?.observation.rendered()?.picture?;
        let overlay = self.knowledge.scenes.overlay(reference, picture.picture?)?;
        let patches = overlay.alignment()?.patches.iter().step_by(EVERY);
        let code = |patch: &Option<MatchedPatch>| Some(f64::from(patch.filter(|patch| patch.is_followed)?.codes[1]));
        Some(patches.map(code).collect())
    }

    /// Learns from a survey whose last frame this is: single lights add up to all.
    pub(super) fn learn_from_survey(&mut self, exposure: &Exposure, survey: &Survey) {
        let settings = &exposure.observation.settings;
        let Some(picture) = exposure.observation.rendered() else { return };
        let known = self.curve_to_learn(settings, picture);
        let Some((known, light)) = known.zip(survey.superposition()) else { return };
        let lesson = teach_by_sum(survey.frames().collect(), &light, &known);
        // The survey is read by the better curve from here on.
        if let Some(lesson) = lesson.filter(|lesson| survey.lights(&Response::unnamed(&lesson.curve)).is_some()) {
            self.learned(self.rendered(settings, picture), Learning::Survey, lesson);
        }
    }

    /// Learns from a raw file beside its picture, when the pair before it bears that out.
    pub(super) fn learn_from_raw(&mut self, frame: FrameNumber) {
        if let Some((of, lesson)) = self.lesson_of_pairs(frame) {
            self.learned(of, Learning::RawBesidePicture, lesson);
        }
    }

    /// What a pair teaches together with the pair before it of the same rendering.
    fn lesson_of_pairs(&self, frame: FrameNumber) -> Option<(Rendered, Learned)> {
        let (parts, _, rendered) = self.pair(self.sitting.exposures.find(frame)?)?;
        let earlier = self.sitting.exposures.iter().rev().filter(|e| e.frame < frame);
        let mut pairs = earlier.filter_map(|e| Some((e.frame, self.pair(e)?)));
        let (before, (its_parts, known, _)) =
            pairs.find(|(frame, (.., of))| *of == rendered && *frame > self.sitting.taught_until)?;
        let lesson = teach_by_raw(before, &its_parts, &known)?;
        if !agrees_with(&parts, &lesson.curve) {
            return None;
        }
        let lesson = match teach_by_raw(frame, &parts, &lesson.curve) {
            Some(both) => Learned {
                uncertainty: [lesson.uncertainty[0], both.uncertainty[1]],
                frames: [lesson.frames, both.frames].concat(),
                ..both
            },
            None => Learned { frames: [lesson.frames, vec![frame]].concat(), ..lesson },
        };
        Some((rendered, lesson))
    }

    /// The same parts of the scene in a picture and in the raw file beside it, and the curve that a lesson would start from.
    fn pair(&self, exposure: &Exposure) -> Option<(Vec<RawPair>, Curve, Rendered)> {
        let (raw, picture) = exposure.observation.reading_of(true).zip(exposure.observation.rendered())?;
        let settings = &exposure.observation.settings;
        let known = self.curve_to_learn(settings, picture)?;
        let picture_of = |reading: &FrameReadings| self.knowledge.scenes.picture(reading.picture?);
        let parts: Vec<RawPair> = side_by_side(picture_of(picture)?, picture_of(raw)?);
        // A pair that the curve in use doesn't hold on shows another look: that is learned from the start.
        let known = if agrees_with(&parts, &known) { known } else { self.knowledge.curves.prior(&picture.colour) };
        Some((parts, known, self.rendered(settings, picture)))
    }

    fn learned(&mut self, of: Rendered, how: Learning, lesson: Learned) {
        let camera = of.camera.as_deref().unwrap_or("unnamed");
        let response = format!("{camera} / {} / learned {}", of.colour, self.sitting.records.next());
        let Learned { curve, frames, residual, uncertainty } = lesson;
        self.stage(Body::Response { of, response, how, frames, residual, uncertainty, curve: Box::new(curve) });
        self.judge_all_anew(Occasion::BetterCurve);
    }
}

/// Such a verdict speaks for lights that stayed.
fn is_steady(verdict: &Verdict) -> bool {
    matches!(verdict.finding, Finding::Matched | Finding::SettingsChanged | Finding::Uncertain | Finding::NoReference)
}

/// Somebody told, or the frame shows, that a light was turned before this exposure.
fn lights_moved_before(exposure: &Exposure) -> bool {
    let shows = exposure.judged.as_ref().is_some_and(|(_, judgement)| !judgement.positions.is_empty());
    shows || exposure.lights_moved_before
}
