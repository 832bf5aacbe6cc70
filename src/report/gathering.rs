//! The fold of a sitting's records into a report.
//!
//! What dials, looks and corrections are at any moment is the session's own fold; this one notes it down from record to record.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;

use super::asked::{AskedFor, AskedTurn, TurnEnd};
use super::failures::{Failed, Failure};
use super::frame::ReportFrame;
use super::happened::{Happened, What};
use super::lights::Light;
use super::{ApertureDetail, LookDetail, Report};
use crate::advice::{Correction, Verdict};
use crate::frame::Captured;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::{PowerSetting, SAME_SETTING};
use crate::rig::GroupName;
use crate::session::{Body, FrameRecord, How, Judgement, PowerSource, Record, ReferenceBy, State};

#[derive(Default)]
pub(super) struct Gathering {
    state: State,
    report: Report,
    /// Where the frame of each file, by its last name, stands in the report.
    place_of: BTreeMap<String, usize>,
    /// Powers as lights show them, by the places that they are.
    shown: BTreeMap<GroupName, Vec<(PowerSetting, String)>>,
}

impl Gathering {
    /// Of what was measured before, nothing is this sitting's.
    pub fn from(mut before: State) -> Gathering {
        before.sitting.sharpness = Arc::default();
        let report = Report { tolerance: before.sitting.setup.tolerance, ..Report::default() };
        Gathering { state: before, report, ..Gathering::default() }
    }

    pub fn take(&mut self, record: &Record) {
        let first = self.report.span.map_or(record.at, |(first, _)| first);
        self.report.span = Some((first, record.at));
        if let Body::Frame(frame) = &record.body {
            self.begin_frame(frame, record.at);
        }
        self.state.apply(record);
        self.note(record);
        self.follow_lights(record);
        self.end_what_was_overtaken(record.at);
    }

    pub fn finish(mut self) -> Report {
        let frames = &mut self.report.frames;
        for at in 1..frames.len() {
            if let [.., before, after] = &mut frames[..=at] {
                before.is_borne_out = before.is_borne_out_by(after);
            }
        }
        self.report.failures = failures(&self.report.frames);
        for light in &mut self.report.lights {
            let shown = self.shown.get(&light.group);
            for step in &mut light.steps {
                let is_it =
                    |of: &&(PowerSetting, String)| step.power.is_some_and(|power| (of.0 - power).abs() < SAME_SETTING);
                step.shown = shown.and_then(|shown| shown.iter().find(is_it)).map(|(_, text)| text.clone());
            }
        }
        self.report.sharpness = sharpness(&self.state);
        self.report
    }

    fn frame_mut(&mut self, number: FrameNumber) -> Option<&mut ReportFrame> {
        let place = self.report.frames.binary_search_by_key(&number, |frame| frame.number).ok()?;
        self.report.frames.get_mut(place)
    }

    // --- frames ---

    /// What it is held against is what holds before its record.
    fn begin_frame(&mut self, frame: &FrameRecord, at: Timestamp) {
        let setup = &self.state.sitting.setup;
        self.place_of.insert(frame.file.clone(), self.report.frames.len());
        self.report.frames.push(ReportFrame {
            number: frame.frame,
            files: vec![frame.file.clone()],
            at,
            settings: frame.observation.settings.clone(),
            look: frame.look.clone(),
            reference: setup.reference().map(|look| look.file.clone()),
            is_reference: false,
            is_gone: false,
            by_embedded: false,
            verdict: None,
            is_borne_out: false,
            tolerance: self.report.tolerance,
        });
        if let Some(verdict) = &frame.verdict {
            self.judge(frame.frame, verdict, false);
        }
    }

    fn judge(&mut self, number: FrameNumber, verdict: &Verdict, by_embedded: bool) {
        let tolerance = self.report.tolerance;
        if let Some(frame) = self.frame_mut(number) {
            (frame.verdict, frame.by_embedded, frame.tolerance) = (Some(verdict.clone()), by_embedded, tolerance);
        }
    }

    fn note(&mut self, record: &Record) {
        let after = self.state.sitting.frames;
        self.report.happened.extend(What::of(&record.body).map(|what| Happened { at: record.at, after, what }));
        match &record.body {
            Body::Config { tolerance, .. } => self.report.tolerance = *tolerance,
            Body::FileAdded { frame, file, .. } => {
                // The light of a raw file comes under the name that its embedded picture had.
                if let Some(frame) = self.frame_mut(*frame).filter(|frame| !frame.files.contains(file)) {
                    frame.files.push(file.clone());
                }
            }
            Body::FileChanged { file, was, .. } => self.rename(was, file),
            Body::FileRemoved { frame, .. } => {
                if let Some(frame) = self.frame_mut(*frame) {
                    frame.is_gone = true;
                }
            }
            Body::Reference { file, frame, by, .. } if *by != ReferenceBy::Building => {
                self.note_reference(file, *frame);
            }
            Body::Judged(judgement) => self.note_judgement(record, judgement),
            Body::Correction { purpose, correction, .. } => {
                self.ask(record.n, record.at, purpose.into(), correction);
            }
            Body::Resolved { correction, how } => self.end(*correction, *how, record.at),
            Body::Power { group, setting: Some(setting), shown: Some(shown), .. } => {
                self.learn_shown(group, *setting, shown);
            }
            _ => {}
        }
    }

    fn note_reference(&mut self, file: &str, frame: Option<FrameNumber>) {
        let number = frame.or_else(|| self.place_of.get(file).and_then(|at| Some(self.report.frames.get(*at)?.number)));
        if let Some(frame) = number.and_then(|number| self.frame_mut(number)) {
            frame.is_reference = true;
        }
    }

    fn rename(&mut self, was: &str, file: &str) {
        for frame in self.report.frames.iter_mut().rev() {
            if let Some(name) = frame.files.iter_mut().find(|name| *name == was) {
                file.clone_into(name);
                frame.is_gone = false;
                return;
            }
        }
    }

    fn note_judgement(&mut self, record: &Record, judgement: &Judgement) {
        self.judge(judgement.frame, &judgement.verdict, judgement.by_embedded);
        if let Some(ended) = &judgement.ended {
            self.end(ended.correction, ended.how, record.at);
        }
        if let Some(withdrawn) = judgement.withdraws {
            self.end(withdrawn, How::Withdrawn, record.at);
        }
        if let Some(asked) = &judgement.correction {
            let number = asked.number(record.n);
            self.ask(number, record.at, AskedFor::Frame(judgement.frame), &asked.correction);
        }
    }

    // --- what was asked ---

    fn ask(&mut self, number: RecordNumber, at: Timestamp, purpose: AskedFor, correction: &Correction) {
        for change in &correction.dial_changes {
            if let Some((setting, to)) = change.setting.zip(change.to.as_ref()) {
                self.learn_shown(&change.group, setting, to);
            }
            if let Some((setting, from)) = change.setting.zip(change.from.as_ref()) {
                self.learn_shown(&change.group, setting + -change.change, from);
            }
        }
        let after = self.state.sitting.frames;
        let asked = AskedTurn::new(number, at, after, purpose, correction);
        // A judgement that takes the place of another may ask for the same anew.
        match self.report.asked.iter_mut().find(|known| known.number == number) {
            Some(known) => *known = AskedTurn { at: known.at, after: known.after, ..asked },
            None => self.report.asked.push(asked),
        }
    }

    fn end(&mut self, number: RecordNumber, how: How, at: Timestamp) {
        let known = self.report.asked.iter_mut().rev().find(|known| known.number == number);
        if let Some(known) = known {
            known.end = Some(TurnEnd { how, at });
        }
    }

    /// A reference, a look or another sitter makes an open correction void without a record of its own.
    fn end_what_was_overtaken(&mut self, at: Timestamp) {
        let open = self.state.sitting.setup.open.as_ref().map(|open| open.record);
        if let Some(last) = self.report.asked.last_mut().filter(|last| last.end.is_none() && Some(last.number) != open)
        {
            last.end = Some(TurnEnd { how: How::Withdrawn, at });
        }
    }

    fn learn_shown(&mut self, group: &GroupName, setting: PowerSetting, shown: &str) {
        let known = self.shown.entry(group.clone()).or_default();
        if !known.iter().any(|(of, _)| (*of - setting).abs() < SAME_SETTING) {
            known.push((setting, shown.to_owned()));
        }
    }

    // --- lights ---

    fn follow_lights(&mut self, record: &Record) {
        let frames = self.state.sitting.frames;
        // What a frame shows held for it already; what is told holds for the next.
        let from = match &record.body {
            Body::Judged(judgement) => judgement.frame,
            Body::Frame(frame) => frame.frame,
            Body::Config { .. }
            | Body::Power { source: PowerSource::Told, .. }
            | Body::Undone { .. }
            | Body::Sitting { .. } => frames.next(),
            _ => frames.max(FrameNumber::default().next()),
        };
        if matches!(&record.body, Body::Sitting { step } if step.begins_anew()) {
            self.report.lights.iter_mut().for_each(Light::begin_anew);
        }
        for position in &self.state.sitting.setup.positions {
            let lights = &mut self.report.lights;
            let place = lights.iter().position(|light| light.group == position.group).unwrap_or_else(|| {
                lights.push(Light::new(position.group.clone()));
                lights.len() - 1
            });
            if let Some(light) = lights.get_mut(place) {
                light.follow(position, from, record.at);
            }
        }
    }
}

fn failures(frames: &[ReportFrame]) -> Vec<Failure> {
    let mut before: Option<&Captured> = None;
    let mut found = Vec::new();
    for frame in frames {
        let captured = frame.settings.captured.as_ref();
        if let Some(what) = frame.verdict.as_ref().and_then(Failed::of) {
            let after_seconds = captured.zip(before).map(|(now, before)| now.seconds_since(before));
            found.push(Failure { frame: frame.number, at: frame.at, what, after_seconds });
        }
        before = captured.or(before);
    }
    found
}

fn sharpness(state: &State) -> Vec<LookDetail> {
    let mut looks = Vec::new();
    for (name, look) in &state.sitting.sharpness.looks {
        let measured = look.apertures.iter().filter(|at| !at.detail.is_empty());
        let mut apertures: Vec<ApertureDetail> = measured
            .map(|at| ApertureDetail { f_number: at.f_number, frames: at.frames, detail: at.detail.clone() })
            .collect();
        apertures.sort_by(|a, b| a.f_number.av().0.total_cmp(&b.f_number.av().0));
        if !apertures.is_empty() {
            looks.push(LookDetail { look: name.clone(), suggestion: look.suggestion(), apertures });
        }
    }
    looks
}
