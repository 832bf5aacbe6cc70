//! An exposure's files, and its judgement: once, from what was known before its first file, by the best that its files
//! hold. A further file, a better curve or other spots judge it anew, and what came after it is folded again.

use std::sync::Arc;

use super::follow::Effects;
use super::laying::LaidOver;
use super::{Draft, FrameInput, Landed};
use crate::advice::{Correction, Evidence, LightEvidence, Patience, SinceLast, Verdict, judge};
use crate::drift::{Lighting, expected};
use crate::frame::Settings;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::{DialLimit, PowerSetting, SAME_SETTING, Stops};
use crate::rig::GroupName;
use crate::session::exposures::Exposure;
use crate::session::judgement::{Asked, Judgement, Occasion};
use crate::session::metering::{Compared, MeteredFrame};
use crate::session::record::{Added, Body, FrameRecord};
use crate::session::remembered::{Last, OpenCorrection};
use crate::session::setup::Setup;

/// What is said of a frame that later ones have overtaken.
const OVERTAKEN: &str = "it was shot before the frame that is logged before it, and took longer to read: it is logged, \
                         and nothing is asked for it";
/// Less is no other verdict.
const NO_DIFFERENCE: Stops = Stops(0.005);

/// What is said where two files of one frame tell different settings.
pub(super) fn note_of_other_settings(first: &Settings, own: &Settings) -> Option<String> {
    let own = Settings { filter: first.filter, ..own.clone() };
    let differ = expected(first, &own, Lighting::Continuous)?.abs() > SAME_SETTING;
    differ.then(|| "the files of this frame tell different settings: the first one's are kept".to_owned())
}

impl Draft<'_> {
    pub(super) fn take_file(&mut self, FrameInput { file, outcome }: FrameInput) {
        if self.files.has(&file.name, file.fingerprint) {
            return;
        }
        let outcome = match outcome {
            Ok(outcome) => outcome,
            Err(why) => return self.stage(Body::Skipped { file: file.name, why, state: Some(file.state) }),
        };
        match self.files.exposure_of(&file.name, file.is_raw, &outcome.observation) {
            Some(frame) => self.add_file(frame, file, outcome),
            None => self.take_exposure(file, outcome),
        }
    }

    // --- the first file ---

    fn take_exposure(&mut self, file: Landed, mut outcome: MeteredFrame) {
        let frame = self.sitting.frames.next();
        let overtaken = file.passed && self.sitting.setup.is_overtaken(&outcome.observation.settings);
        let lens = self.sitting.setup.lens;
        outcome.observation.settings.filter =
            if overtaken { lens.before().unwrap_or(lens.told()) } else { lens.told() };
        self.landed_map = outcome.light.map(|light| (frame, light));
        if !overtaken {
            self.begin_sitting_where_due(&file, &outcome.observation.settings);
            self.accept_before_another_aperture(&outcome.observation.settings);
        }
        self.stage(Body::Frame(Box::new(FrameRecord {
            frame,
            file: file.name,
            state: file.state,
            fingerprint: file.fingerprint,
            found_at_start: file.found_at_start || overtaken,
            overtaken,
            awaits_light: outcome.awaits_light,
            look: self.sitting.setup.current.clone(),
            observation: outcome.observation.into(),
            notes: outcome.notes,
            verdict: None,
        })));
        self.judge_first(frame);
    }

    pub(super) fn judge_first(&mut self, frame: FrameNumber) {
        let Some((exposure, before)) = self.exposure(frame) else { return };
        if exposure.overtaken {
            return self.pass_by(&exposure, &before);
        }
        if exposure.observation.is_by_embedded_alone() {
            let judgement = self.judgement_by_embedded(&exposure, &before, Occasion::FirstFile);
            return judgement.into_iter().for_each(|judgement| self.stage(Body::Judged(Box::new(judgement))));
        }
        if let Some((survey, firing)) =
            before.surveying.clone().and_then(|s| s.next().cloned().map(|firing| (s, firing)))
        {
            return self.take_survey_frame(&exposure, &before, &survey, &firing);
        }
        let judgement = self.judgement(&exposure, &before, Occasion::FirstFile);
        self.stage(Body::Judged(Box::new(judgement)));
        self.warn_of_ambient(&exposure, &before);
        self.conclude_from_first(frame);
    }

    /// What follows from the judgement of a frame's first file.
    pub(super) fn conclude_from_first(&mut self, frame: FrameNumber) {
        let goes_by = |e: &&Exposure| e.counts() && !e.observation.is_by_embedded_alone();
        let Some(exposure) = self.sitting.exposures.find(frame).filter(goes_by).cloned() else { return };
        self.refer_by_itself(frame);
        if let Some((_, judgement)) = &exposure.judged {
            self.learn_from_settings(&exposure, &judgement.verdict);
        }
    }

    /// A frame that was shot before the last one and took longer to read. It belongs to the log and to nothing else:
    /// lights and settings have moved on, and a turn for it would spoil what is right by now.
    fn pass_by(&mut self, exposure: &Exposure, before: &Setup) {
        let pair = self.comparable(before, exposure);
        let verdict = self.verdict(before, &pair, self.lay(before, &pair).as_ref(), true, None);
        let notes = vec![OVERTAKEN.to_owned()];
        let judgement = Judgement::without_effect(exposure.frame, Occasion::FirstFile, verdict);
        self.stage(Body::Judged(Box::new(Judgement { notes, ..judgement })));
    }

    // --- a further file ---

    fn add_file(&mut self, frame: FrameNumber, file: Landed, outcome: MeteredFrame) {
        let Landed { name, state, fingerprint, .. } = file;
        let MeteredFrame { observation, light, mut notes, awaits_light, .. } = outcome;
        let first = self.sitting.exposures.find(frame).map(|e| e.observation.clone());
        notes.extend(first.and_then(|first| note_of_other_settings(&first.settings, &observation.settings)));
        self.landed_map = light.map(|light| (frame, light));
        let settings = observation.settings;
        let observed = observation
            .metered
            .filter(|_| !awaits_light)
            .map(|metered| Box::new(Added { settings, metered: metered.into(), notes, verdict: None }));
        let is_metered = observed.is_some();
        let is_reference = self.is_accepted_reference(frame);
        self.stage(Body::FileAdded { frame, file: name, state, fingerprint, observed, awaits_light });
        if is_metered {
            self.judge_anew_from(frame, Occasion::FurtherFile);
            self.conclude_from_further(frame);
            if is_reference {
                self.tell_target_of_further(frame);
            }
        }
    }

    /// What follows from the judgement of a frame's further file.
    pub(super) fn conclude_from_further(&mut self, frame: FrameNumber) {
        self.refer_by_itself(frame);
        self.learn_from_raw(frame);
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
    pub(super) fn judge_anew_from(&mut self, frame: FrameNumber, occasion: Occasion) {
        for of in self.frames_from(frame) {
            let staged = self.records.len();
            self.judge_anew(of, occasion);
            let is_reference = self.sitting.setup.looks.values().any(|look| look.frame == Some(frame));
            // What a further file doesn't change changes nothing that rests on it.
            if of == frame && occasion == Occasion::FurtherFile && self.records.len() == staged && !is_reference {
                return;
            }
        }
    }

    /// A frame of late, and those after it.
    pub(super) fn frames_from(&self, frame: FrameNumber) -> Vec<FrameNumber> {
        self.sitting.exposures.iter().map(|e| e.frame).skip_while(|of| *of != frame).collect()
    }

    pub(super) fn judge_anew(&mut self, frame: FrameNumber, occasion: Occasion) {
        let Some((exposure, before)) = self.exposure(frame).filter(|(e, _)| e.counts() && !e.removed) else { return };
        let Some((record, old)) = exposure.judged.clone() else { return };
        if exposure.observation.is_by_embedded_alone() {
            let anew = self.judgement_by_embedded(&exposure, &before, occasion);
            let anew = anew.filter(|anew| !is_same(&old, anew) || anew.notes != old.notes);
            return anew.into_iter().for_each(|anew| self.supersede(&exposure, record, anew));
        }
        // What single lights were read to do is kept where the light that it was read out of is there no more: the file
        // that has just landed may be of another kind than the survey.
        if !old.verdict.groups.is_empty() && self.map_by_survey(frame, &before).is_none() {
            return;
        }
        let mut anew = self.judgement(&exposure, &before, occasion);
        // What was seen by laying the frame over its reference holds where the two can't be laid over each other any more.
        if old.verdict.framing.is_some() && anew.verdict.framing.is_none() && !old.by_embedded {
            return;
        }
        // The spot that it was judged by was moved since: what it said of the place that it was holds on.
        if rests_on_its_own_spot(&old.verdict) && !rests_on_its_own_spot(&anew.verdict) && !old.by_embedded {
            return;
        }
        self.take_over_correction(&exposure, record, &old, &mut anew);
        if !is_same(&old, &anew) || old.by_embedded {
            self.supersede(&exposure, record, anew);
        }
    }

    fn supersede(&mut self, exposure: &Exposure, record: RecordNumber, anew: Judgement) {
        let (supersedes, file) = (Some(record), Some(exposure.file.clone()));
        self.stage(Body::Judged(Box::new(Judgement { supersedes, file, ..anew })));
    }

    /// What becomes of the correction that the old judgement asked for. People have its number on their screens, and may
    /// have acted on it.
    fn take_over_correction(&self, exposure: &Exposure, record: RecordNumber, old: &Judgement, anew: &mut Judgement) {
        if exposure.was_overtaken_by_words() {
            // Another reference, or another correction, was asked for since: there is nothing left to ask.
            anew.correction = None;
            return;
        }
        let Some(was) = &old.correction else { return };
        let number = was.number(record);
        if exposure.was_acted_on(number) {
            anew.correction = Some(Asked { still: Some(number), correction: was.correction.clone() });
            return;
        }
        let same = anew.correction.as_mut().filter(|asked| is_same_request(&asked.correction, &was.correction));
        match same {
            Some(asked) => asked.still = Some(number),
            // What was asked before it, for other settings, it leaves open.
            None if self.asked_for_others(exposure).is_some_and(|asked| asked.record == number) => {}
            None if self.sitting.setup.open.as_ref().is_some_and(|open| open.record == number) => {
                anew.withdraws = Some(number);
            }
            None => {}
        }
    }

    // --- judging ---

    /// An exposure that can be judged, and what was known before it that it is judged by: what was asked for other settings than its
    /// own is not.
    pub(super) fn exposure(&self, frame: FrameNumber) -> Option<(Exposure, Arc<Setup>)> {
        let exposure = self.sitting.exposures.find(frame)?;
        let before = exposure.before.clone()?;
        let before = match self.asked_for_others(exposure) {
            Some(_) => Arc::new(before.without_what_is_asked()),
            None => before,
        };
        Some((exposure.clone(), before))
    }

    /// What was asked before an exposure, for settings that it was not shot by.
    fn asked_for_others<'e>(&self, exposure: &'e Exposure) -> Option<&'e OpenCorrection> {
        exposure.before.as_ref()?.asked_for_others(&exposure.observation.settings, self.config.lighting)
    }

    fn judgement(&self, exposure: &Exposure, before: &Setup, occasion: Occasion) -> Judgement {
        // While the light is built, no single light has a place that it should be at.
        let lights = if self.is_building(before) { None } else { self.see_lights(exposure, before) };
        let pair = self.comparable(before, exposure);
        let laid = self.lay(before, &pair);
        let verdict = self.verdict(before, &pair, laid.as_ref(), exposure.found_at_start, lights.as_ref());
        let (verdict, mut effects) = self.with_patience(before, exposure, verdict);
        let correction = match self.asked_for_others(exposure) {
            Some(asked) => self.goes_on_asking(before, asked, &exposure.observation.settings, &mut effects),
            None => effects.correction.take().map(|c| Asked { still: None, correction: Box::new(c) }),
        };
        let Effects { positions, ended, notes, .. } = effects;
        let lasting = before.reference().filter(|_| !self.is_building(before));
        let anchor = self.new_anchor(lasting, exposure, &pair, laid.as_ref(), &verdict);
        let embedded = self.check_embedded(exposure, before, &verdict, occasion);
        let judgement = Judgement::without_effect(exposure.frame, occasion, verdict);
        Judgement { notes, embedded, positions, ended, correction, anchor, ..judgement }
    }

    /// What follows from a verdict. Where one frame alone is no proof of it, only what is explained: a light that did as asked did so,
    /// whatever else changed, and nobody is to turn it again.
    fn with_patience(&self, before: &Setup, exposure: &Exposure, verdict: Verdict) -> (Verdict, Effects) {
        if self.is_building(before) || before.set_up_asked.is_some() {
            return (verdict, Effects::default());
        }
        let settings = &exposure.observation.settings;
        let mut effects = self.effects(before, settings, &verdict);
        let is_nothing = effects.correction.is_none() && effects.positions.is_empty();
        if self.config.patience == Patience::AtOnce || is_nothing {
            return (verdict, effects);
        }
        let since = self.since_last(before, settings);
        if !verdict.is_a_suspicion(&since, self.config.tolerance) {
            return (verdict, effects);
        }
        let explained = |name: &GroupName| {
            let mut groups = verdict.groups.iter().filter(|g| g.groups.contains(name));
            groups.any(|g| g.asked.is_some() && g.is_explained(&since, self.config.tolerance))
        };
        effects.positions.retain(|position| explained(&position.group));
        effects.correction = None;
        effects.notes.clear();
        if effects.positions.is_empty() {
            effects.ended = None;
        }
        (verdict.as_a_suspicion(), effects)
    }

    /// What happened since the last frame, as far as anybody knows.
    fn since_last<'b>(&self, before: &'b Setup, settings: &Settings) -> SinceLast<'b> {
        let last = before.last.as_ref();
        let apart = last.and_then(|last| expected(&last.observation.settings, settings, self.config.lighting));
        let later = |exposure: &&Exposure| last.is_some_and(|last| exposure.frame >= last.frame);
        let later = || self.sitting.exposures.iter().filter(later);
        // A copy, or another picture of the same exposure, is no second witness.
        let is_another = |last: &&Last| {
            let times = last.observation.settings.captured.as_ref().zip(settings.captured.as_ref());
            times.is_none_or(|(last, this)| last != this)
        };
        let turns = before.positions.iter().flat_map(|p| [before.asked(&p.group), p.told_turn()]).flatten();
        SinceLast {
            verdict: last
                .filter(is_another)
                .map(|last| &last.verdict)
                .filter(|_| !later().any(Exposure::has_a_new_reference)),
            another_look: later().any(Exposure::is_followed_by_another_look),
            turn: Stops(turns.chain(apart).map(|turn| turn.abs().0).fold(0.0, f64::max)),
            moved: before.moved_alike(),
        }
    }

    pub(super) fn verdict(
        &self,
        before: &Setup,
        pair: &Compared,
        laid: Option<&LaidOver>,
        found_at_start: bool,
        lights: Option<&LightEvidence>,
    ) -> Verdict {
        let verdict = judge(&Evidence {
            reference: pair.reference.as_ref(),
            frame: &pair.frame,
            building: self.is_building(before),
            previous: before.previous().filter(|_| !found_at_start).as_ref(),
            response: &self.response_of(&pair.frame),
            judged_spot: &self.config.judged_spot,
            lighting: self.config.lighting,
            tolerance: self.config.tolerance,
            recycle_seconds: self.config.recycle_time.as_secs_f64(),
            moved: before.moved_alike(),
            followed: before.moved_if_followed().or_else(|| before.moved_if_told_wrong()),
            told: before.told_alike(),
            filter_before: before.lens.before(),
            light_alone: false,
            lights,
            passive: if let [only] = self.config.passive.as_slice() { Some(only) } else { None },
            colour_limit: self.config.colour_limit,
            laid: laid.map(LaidOver::of_frame),
        });
        pair.explained(verdict)
    }

    /// An exposure and its reference, by the kind of file that both have.
    pub(super) fn comparable(&self, before: &Setup, exposure: &Exposure) -> Compared {
        Compared::of(before.reference().map(|look| &*look.observation), &exposure.observation)
    }
}

/// What a correction asks of each group; what its rounding leaves over is told, not asked.
fn request(correction: &Correction) -> Vec<(GroupName, i32, Option<PowerSetting>, DialLimit)> {
    correction.dial_changes.iter().map(|t| (t.group.clone(), t.clicks, t.setting, t.limit)).collect()
}

fn is_same_request(a: &Correction, b: &Correction) -> bool {
    request(a) == request(b)
}

/// The verdict goes by the spot that frames are judged by, and by none in its place.
fn rests_on_its_own_spot(verdict: &Verdict) -> bool {
    verdict.judged.as_ref().is_none_or(|judged| judged.instead_of.is_none())
}

/// Nobody would see a difference between two judgements of an exposure.
fn is_same(old: &Judgement, anew: &Judgement) -> bool {
    let near = |a: Option<Stops>, b: Option<Stops>| match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() <= NO_DIFFERENCE,
        (a, b) => a == b,
    };
    let (a, b) = (&old.verdict, &anew.verdict);
    let numbers = [(a.drift, b.drift), (a.uncertainty, b.uncertainty), (a.observed, b.observed)];
    let request = |j: &Judgement| j.correction.as_ref().map(|asked| request(&asked.correction));
    let moves = |j: &Judgement| -> Vec<(GroupName, Stops)> {
        j.positions.iter().map(|p| (p.group.clone(), p.since_reference.rounded())).collect()
    };
    let says = (a.finding, &a.sentence, &a.response) == (b.finding, &b.sentence, &b.response);
    says && numbers.iter().all(|(a, b)| near(*a, *b))
        && a.groups.len() == b.groups.len()
        && (moves(old), &old.ended, request(old)) == (moves(anew), &anew.ended, request(anew))
}
