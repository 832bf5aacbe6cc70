//! The engine's learning: which frames may teach a camera's response, and what comes of it.

use super::{Engine, Ledger};
use crate::advice::{Cause, Subject, Verdict};
use crate::calibration::{Chain, Learned, holds_on, teach_by_raw};
use crate::drift::{Lighting, expected};
use crate::frame::{Rendering, Settings};
use crate::meter::{Metered, WHOLE};
use crate::response::{Curve, ResponseChoice};
use crate::session::curve::rendered;
use crate::session::record::{Body, Learning, Rendered};

/// What the engine has in mind of late; forgotten at a restart, at the cost of a lesson.
#[derive(Debug, Default)]
pub(super) struct Lessons {
    chain: Chain,
    /// Settings of the chain's first frame.
    from: Option<Settings>,
    /// A curve that one pair made: the next pair of the same rendering must bear it out.
    by_raw: Option<(Rendered, Learned)>,
}

/// A look's curve is made better no more often than this.
const MOST_LESSONS: u32 = 12;

impl Lessons {
    /// A light may have moved: what came before and what comes after are not one chain.
    pub(super) fn break_off(&mut self) {
        self.chain.break_off();
        self.from = None;
    }
}

impl<L: Ledger> Engine<L> {
    fn rendered(&self, settings: &Settings, metered: &Metered) -> Rendered {
        rendered(settings, metered, &self.config)
    }

    /// A camera without a curve of its own, whose rendering is fixed, can be learned about.
    fn known(&self, settings: &Settings, metered: &Metered) -> Option<Curve> {
        let response = self.response_for(settings, metered);
        let learned = self.state.learned(&self.rendered(settings, metered));
        let is_learned = learned.is_some_and(|l| l.name == response.name);
        let learnable = self.config.response == ResponseChoice::Camera
            && (is_learned || response.name == self.curves.stock().name)
            && settings.rendering == Rendering::Fixed
            && settings.camera.is_some();
        let lessons = learned.map_or(0, |l| l.lessons);
        let curve = response.curve().cloned();
        curve.filter(|_| learnable && lessons < MOST_LESSONS)
    }

    /// Takes a frame into the chain of frames under one light, and learns from it what it proves.
    pub(super) fn learn_from_settings(&mut self, frame: u64, subject: &Subject, verdict: &Verdict, late: bool) {
        let steady =
            matches!(verdict.cause, Cause::Matched | Cause::SettingsChanged | Cause::Uncertain | Cause::NoReference);
        let Some(metered) = subject.reading_of(false).filter(|_| steady && !late) else {
            return self.lessons.break_off();
        };
        let Some(known) = self.known(&subject.settings, metered) else { return self.lessons.break_off() };
        let lighting = self.config.lighting;
        let from = self.lessons.from.get_or_insert_with(|| subject.settings.clone());
        let same = from.camera == subject.settings.camera && lighting != Lighting::Either;
        let exposure = expected(from, &subject.settings, lighting).filter(|_| same);
        let codes = metered.reading(WHOLE).map(|r| r.quantiles.clone());
        let (Some(exposure), Some(codes)) = (exposure, codes) else { return self.lessons.break_off() };
        self.lessons.chain.push(frame, codes, exposure);
        if let Some(lesson) = self.lessons.chain.teaches(&known) {
            self.lessons.break_off();
            self.learned(self.rendered(&subject.settings, metered), Learning::SettingsAlone, lesson);
        }
    }

    /// A frame has both its raw file and its picture: the one calibrates the other.
    pub(super) fn learn_from_raw(&mut self, frame: u64, subject: &Subject) {
        let (Some(raw), Some(picture)) = (subject.reading_of(true), subject.reading_of(false)) else { return };
        let Some(known) = self.known(&subject.settings, picture) else { return };
        let Some(codes) = picture.reading(WHOLE).map(|r| r.quantiles.clone()) else { return };
        let rendered = self.rendered(&subject.settings, picture);
        // A pair that the curve in use doesn't hold on shows another look: that is learned from the start.
        let known = if holds_on(&codes, raw, &known) { known } else { self.curves.prior() };
        match self.lessons.by_raw.take() {
            Some((same, lesson)) if same == rendered && holds_on(&codes, raw, &lesson.curve) => {
                let lesson = match teach_by_raw(frame, &codes, raw, &lesson.curve) {
                    Some(both) => Learned {
                        doubt: [lesson.doubt[0], both.doubt[1]],
                        frames: [lesson.frames, both.frames].concat(),
                        ..both
                    },
                    None => Learned { frames: [lesson.frames, vec![frame]].concat(), ..lesson },
                };
                self.learned(rendered, Learning::RawBesidePicture, lesson);
            }
            _ => self.lessons.by_raw = teach_by_raw(frame, &codes, raw, &known).map(|lesson| (rendered, lesson)),
        }
    }

    fn learned(&mut self, of: Rendered, how: Learning, lesson: Learned) {
        let camera = of.camera.as_deref().unwrap_or("unnamed");
        let response = format!("{camera} / {} / learned {}", of.colour, self.state.records + 1);
        let Learned { curve, frames, residual, doubt } = lesson;
        self.stage(Body::Response { of, response, how, frames, residual, doubt, curve: Box::new(curve) });
    }
}
