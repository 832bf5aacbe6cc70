//! An exposure's files, and its judgement: once, from what was known before its first file, by the best that its files
//! hold. A further file, a better curve or other spots judge it anew, and what came after it is folded again.

use std::sync::Arc;

use super::follow::Effects;
use super::{Draft, FrameInput, Landed};
use crate::advice::{Evidence, LightsSeen, Verdict, judge};
use crate::drift::{Lighting, expected};
use crate::photometry::{SAME_SETTING, Stops};
use crate::session::exposures::Exposure;
use crate::session::judgement::{Asked, Judgement, Occasion};
use crate::session::metering::{Compared, FrameOutcome};
use crate::session::record::{Added, Body, FrameRecord};
use crate::session::setup::Setup;

/// What is said of a frame that later ones have overtaken.
const OVERTAKEN: &str = "it was shot before the frame that is logged before it, and took longer to read: it is logged, \
                         and nothing is asked for it";
/// A frame and its reference have no readings that compare.
const UNLIKE: &str = "it can't be compared: the reference has no reading of this kind of file (raw or picture), or \
                      one of an earlier day by a curve that is not known; set a reference anew";
const OTHER_SETTINGS: &str = "the files of this frame tell different settings: the first one's are kept";
/// Less is no other verdict.
const NO_DIFFERENCE: Stops = Stops(0.005);

impl Draft<'_> {
    pub(super) fn take_file(&mut self, FrameInput { file, outcome }: FrameInput) {
        if self.files.has(&file.name, file.fingerprint) {
            return;
        }
        let outcome = match outcome {
            Ok(outcome) => outcome,
            Err(why) => return self.stage(Body::Skipped { file: file.name, why, state: Some(file.state) }),
        };
        match self.files.exposure_of(&file.name, file.is_raw, &outcome.subject) {
            Some(frame) => self.add_file(frame, file, outcome),
            None => self.take_exposure(file, outcome),
        }
    }

    // --- the first file ---

    fn take_exposure(&mut self, file: Landed, outcome: FrameOutcome) {
        let frame = self.sitting.frames + 1;
        let overtaken = file.passed && self.sitting.setup.is_overtaken(&outcome.subject.settings);
        self.landed_map = outcome.light.map(|light| (frame, light));
        self.stage(Body::Frame(Box::new(FrameRecord {
            frame,
            file: file.name,
            state: file.state,
            fingerprint: file.fingerprint,
            late: file.late || overtaken,
            overtaken,
            look: self.sitting.setup.current.clone(),
            subject: outcome.subject.into(),
            notes: outcome.notes,
            verdict: None,
        })));
        self.judge_first(frame);
    }

    /// A daemon that ended between a frame and its judgement left that undone.
    pub(super) fn judge_what_was_not(&mut self) {
        let not_judged = |e: &&Exposure| e.judged.is_none() && e.before.is_some();
        let frames: Vec<u64> = self.sitting.exposures.iter().filter(not_judged).map(|e| e.frame).collect();
        frames.into_iter().for_each(|frame| self.judge_first(frame));
    }

    fn judge_first(&mut self, frame: u64) {
        let Some((exposure, before)) = self.exposure(frame) else { return };
        if exposure.overtaken {
            return self.pass_by(&exposure, &before);
        }
        if let Some((survey, lit)) = before.surveying.clone().and_then(|s| s.next().cloned().map(|lit| (s, lit))) {
            return self.take_survey_frame(&exposure, &before, &survey, &lit);
        }
        let judgement = self.judgement(&exposure, &before, Occasion::FirstFile);
        let verdict = judgement.verdict.clone();
        self.stage(Body::Judged(Box::new(judgement)));
        self.warn_of_room_light(&exposure, &before);
        self.refer_to_first(frame);
        self.learn_from_settings(&exposure, &verdict);
    }

    /// A frame that was shot before the last one and took longer to read. It belongs to the log and to nothing else:
    /// lights and settings have moved on, and a turn for it would spoil what is right by now.
    fn pass_by(&mut self, exposure: &Exposure, before: &Setup) {
        let verdict = self.verdict(before, &self.comparable(before, exposure), true, None);
        let notes = vec![OVERTAKEN.to_owned()];
        let judgement = Judgement::without_effect(exposure.frame, Occasion::FirstFile, verdict);
        self.stage(Body::Judged(Box::new(Judgement { notes, ..judgement })));
    }

    // --- a further file ---

    fn add_file(&mut self, frame: u64, file: Landed, outcome: FrameOutcome) {
        let Landed { name, state, fingerprint, .. } = file;
        let FrameOutcome { subject, light, mut notes } = outcome;
        let first = self.sitting.exposures.find(frame).map(|e| e.subject.clone());
        let apart = first.and_then(|f| expected(&f.settings, &subject.settings, Lighting::Continuous));
        if apart.is_some_and(|apart| apart.abs() > SAME_SETTING) {
            notes.push(OTHER_SETTINGS.to_owned());
        }
        self.landed_map = light.map(|light| (frame, light));
        let settings = subject.settings;
        let observed =
            subject.metered.map(|metered| Box::new(Added { settings, metered: metered.into(), notes, verdict: None }));
        let is_metered = observed.is_some();
        self.stage(Body::FileAdded { frame, file: name, state, fingerprint, observed });
        if is_metered {
            self.judge_anew_from(frame, Occasion::FurtherFile);
            self.refer_to_first(frame);
            self.learn_from_raw(frame);
        }
    }

    // --- judging anew ---

    /// Judges the exposures of late anew.
    pub(super) fn judge_all_anew(&mut self, occasion: Occasion) {
        let oldest = self.sitting.exposures.iter().find(|e| e.before.is_some()).map(|e| e.frame);
        if let Some(oldest) = oldest {
            self.judge_anew_from(oldest, occasion);
        }
    }

    /// Judges an exposure anew, and those after it, which rest on it.
    fn judge_anew_from(&mut self, frame: u64, occasion: Occasion) {
        let place = self.sitting.exposures.iter().position(|e| e.frame == frame);
        let Some(place) = place else { return };
        let frames: Vec<u64> = self.sitting.exposures.iter().skip(place).map(|e| e.frame).collect();
        for frame in frames {
            self.judge_anew(frame, occasion);
        }
    }

    fn judge_anew(&mut self, frame: u64, occasion: Occasion) {
        let Some((exposure, before)) = self.exposure(frame).filter(|(e, _)| e.counts()) else { return };
        let Some((record, old)) = exposure.judged.clone() else { return };
        // What single lights were read to do is kept where the light that it was read out of is there no more: the file
        // that has just landed may be of another kind than the survey.
        if !old.verdict.groups.is_empty() && self.map_by_survey(frame, &before).is_none() {
            return;
        }
        let mut anew = self.judgement(&exposure, &before, occasion);
        if let Some(was) = &old.correction {
            let number = was.number(record);
            // People have its number on their screens: as long as the same is asked, it is the same correction.
            match anew.correction.as_mut().filter(|asked| asked.correction.turns == was.correction.turns) {
                Some(asked) => asked.still = Some(number),
                None => anew.withdraws = Some(number),
            }
        }
        if !is_same(&old, &anew) {
            anew.supersedes = Some(record);
            self.stage(Body::Judged(Box::new(anew)));
        }
    }

    // --- judging ---

    /// An exposure that can be judged, and what was known before it.
    pub(super) fn exposure(&self, frame: u64) -> Option<(Exposure, Arc<Setup>)> {
        let exposure = self.sitting.exposures.find(frame)?;
        Some((exposure.clone(), exposure.before.clone()?))
    }

    fn judgement(&self, exposure: &Exposure, before: &Setup, occasion: Occasion) -> Judgement {
        let lights = self.see_lights(exposure, before);
        let pair = self.comparable(before, exposure);
        let verdict = self.verdict(before, &pair, exposure.late, lights.as_ref());
        let settings = &exposure.subject.settings;
        let Effects { positions, ended, correction } = self.effects(before, settings, &verdict);
        let correction = correction.map(|c| Asked { still: None, correction: Box::new(c) });
        let notes = if pair.unlike { vec![UNLIKE.to_owned()] } else { Vec::new() };
        let judgement = Judgement::without_effect(exposure.frame, occasion, verdict);
        Judgement { notes, positions, ended, correction, ..judgement }
    }

    pub(super) fn verdict(&self, before: &Setup, pair: &Compared, late: bool, lights: Option<&LightsSeen>) -> Verdict {
        judge(&Evidence {
            reference: pair.reference.as_ref(),
            frame: &pair.frame,
            previous: before.previous().filter(|_| !late).as_ref(),
            response: &self.response_of(&pair.frame),
            judge_by: &self.config.judge_by,
            lighting: self.config.lighting,
            tolerance: self.config.tolerance,
            recycle_seconds: self.config.recycle.as_secs_f64(),
            moved: before.moved_alike(),
            followed: before.moved_if_followed(),
            light_alone: false,
            lights,
            colour_limit: self.config.colour_limit,
        })
    }

    /// An exposure and its reference, by the kind of file that both have.
    pub(super) fn comparable(&self, before: &Setup, exposure: &Exposure) -> Compared {
        Compared::of(before.reference().map(|look| &*look.subject), &exposure.subject)
    }
}

/// Nobody would see a difference between two judgements of an exposure.
fn is_same(old: &Judgement, anew: &Judgement) -> bool {
    let near = |a: Option<Stops>, b: Option<Stops>| match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() <= NO_DIFFERENCE,
        (a, b) => a == b,
    };
    let (a, b) = (&old.verdict, &anew.verdict);
    let numbers = [(a.drift, b.drift), (a.uncertainty, b.uncertainty), (a.observed, b.observed)];
    let turns = |j: &Judgement| j.correction.as_ref().map(|c| c.correction.turns.clone());
    let moves = |j: &Judgement| -> Vec<(String, Stops)> {
        j.positions.iter().map(|p| (p.group.clone(), p.moved.rounded())).collect()
    };
    let says = (a.cause, &a.sentence, &a.by) == (b.cause, &b.sentence, &b.by);
    says && numbers.iter().all(|(a, b)| near(*a, *b))
        && a.groups.len() == b.groups.len()
        && (moves(old), &old.ended, turns(old)) == (moves(anew), &anew.ended, turns(anew))
}
