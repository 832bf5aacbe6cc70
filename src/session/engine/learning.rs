//! The engine's learning: which frames may teach a camera's response, and what comes of it.

use super::{Engine, Ledger};
use crate::advice::{Cause, Subject, Verdict};
use crate::calibration::{Chain, Learned, codes_of, holds_on, teach_by_raw};
use crate::drift::{Lighting, expected};
use crate::frame::{Rendering, Settings};
use crate::meter::Metered;
use crate::response::{Curve, Response, ResponseChoice};
use crate::session::record::{Body, Learning};

/// What the engine has in mind of late; forgotten at a restart, at the cost of a lesson.
#[derive(Debug, Default)]
pub(super) struct Lessons {
    chain: Chain,
    /// Settings of the chain's first frame, and the frames' numbers.
    from: Option<Settings>,
    frames: Vec<u64>,
    /// A curve that one pair made, and the pair's frame: the next pair must bear it out.
    by_raw: Option<(u64, Learned)>,
}

/// A look's curve is made better no more often than this.
const MOST_LESSONS: u32 = 12;

impl Lessons {
    /// A light may have moved: what came before and what comes after are not one chain.
    pub(super) fn break_off(&mut self) {
        self.chain.break_off();
        self.from = None;
        self.frames.clear();
    }
}

impl<L: Ledger> Engine<L> {
    /// The best curve that is known for a picture.
    pub(super) fn curve_for(&self, settings: &Settings, metered: &Metered) -> Response {
        let stock = self.metering.curves.stock();
        let base = self.named(&metered.response).unwrap_or_else(|| stock.clone());
        let learned = self.state.learned(settings.camera.as_deref(), &metered.colour);
        let usable = self.metering.choice == ResponseChoice::Camera && base.name == stock.name;
        learned.filter(|_| usable).and_then(|l| self.state.curve(&l.name)).cloned().unwrap_or(base)
    }

    pub(super) fn named(&self, name: &str) -> Option<Response> {
        self.metering.curves.named(name).or_else(|| self.state.curve(name).cloned())
    }

    /// A camera without a curve of its own, whose rendering is fixed, can be learned about.
    fn known(&self, settings: &Settings, metered: &Metered) -> Option<Curve> {
        let learnable = self.metering.choice == ResponseChoice::Camera
            && metered.response == self.metering.curves.stock().name
            && settings.rendering == Rendering::Fixed
            && settings.camera.is_some();
        let lessons = self.state.learned(settings.camera.as_deref(), &metered.colour).map_or(0, |l| l.lessons);
        let curve = self.curve_for(settings, metered).curve().cloned();
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
        let codes = self.named(&metered.response).and_then(|by| codes_of(metered, &by));
        let (Some(exposure), Some(codes)) = (exposure, codes) else { return self.lessons.break_off() };
        self.lessons.chain.push(codes, exposure);
        self.lessons.frames.push(frame);
        if let Some(lesson) = self.lessons.chain.teaches(&known) {
            let colour = metered.colour.clone();
            let frames = self.lessons.frames.split_off(self.lessons.frames.len().saturating_sub(lesson.frames));
            self.lessons.break_off();
            self.learned(&subject.settings, colour, Learning::SettingsAlone, frames, lesson);
        }
    }

    /// A frame has both its raw file and its picture: the one calibrates the other.
    pub(super) fn learn_from_raw(&mut self, frame: u64, subject: &Subject) {
        let (Some(raw), Some(picture)) = (subject.reading_of(true), subject.reading_of(false)) else { return };
        let Some(known) = self.known(&subject.settings, picture) else { return };
        let Some(codes) = self.named(&picture.response).and_then(|by| codes_of(picture, &by)) else { return };
        match self.lessons.by_raw.take() {
            Some((first, lesson)) if first != frame && holds_on(&codes, raw, &lesson.curve) => {
                let both = teach_by_raw(&codes, raw, &lesson.curve)
                    .map(|both| Learned { doubt: [lesson.doubt[0], both.doubt[1]], ..both });
                let (colour, frames) = (picture.colour.clone(), vec![first, frame]);
                self.learned(&subject.settings, colour, Learning::RawBesidePicture, frames, both.unwrap_or(lesson));
            }
            _ => self.lessons.by_raw = teach_by_raw(&codes, raw, &known).map(|lesson| (frame, lesson)),
        }
    }

    fn learned(&mut self, settings: &Settings, colour: String, how: Learning, frames: Vec<u64>, lesson: Learned) {
        let camera = settings.camera.clone();
        let response =
            format!("{} / {colour} / learned {}", camera.as_deref().unwrap_or("unnamed"), self.state.records + 1);
        let Learned { curve, residual, doubt, .. } = lesson;
        self.stage(Body::Response { camera, colour, response, how, frames, residual, doubt, curve: Box::new(curve) });
    }
}
