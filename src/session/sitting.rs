//! What is known of a sitting, but for the files that were logged: what a decision goes by, and small enough to be
//! copied for every one.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::earlier::LoggedObservation;
use super::embedded_trust::EmbeddedTrust;
use super::exposures::{Exposure, Exposures};
use super::judgement::{Judgement, Occasion};
use super::record::{Body, FrameRecord, Record, Rendered};
use super::remembered::{FormerReferences, LearnedCurve, Look, Stood, TrendPoint, learned_response};
use super::rows;
use super::scenes::MOST_PICTURES;
use super::setup::Setup;
use super::sharpness::Sharpness;
use super::sittings::Sittings;
use super::standing::Standing;
use super::survey_step::SurveyStep;
use crate::advice::{Observation, Verdict};
use crate::align::PictureId;
use crate::config::curve_of_earlier_logs;
use crate::frame::Settings;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::response::{Curve, Response};
use crate::rig::{GroupName, Survey};

/// Frames that the trend goes back.
const TREND: usize = 60;

/// What was to be judged when a decision's last record was written. Other records of the decision may have come after it, unless the
/// program was killed before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ToJudge {
    /// A frame by its first file.
    First(FrameNumber),
    /// A frame by a further file, and those after it.
    Further(FrameNumber),
    /// All frames of late.
    All(Occasion),
}

/// Where a set-up began: nothing before it is of it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SetUpBegan {
    /// The record that said so.
    pub record: RecordNumber,
    /// The last frame before it.
    pub after: FrameNumber,
}

/// Of fixed size, but for the looks that people name and the curves that were learned.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sitting {
    /// All sittings of the log, this one last. First, so that a list is read without the rest.
    pub sittings: Arc<Sittings>,
    /// Number of the last record applied.
    pub records: RecordNumber,
    /// Number of the last frame.
    pub frames: FrameNumber,
    /// Where the present set-up began.
    #[serde(default)]
    pub set_up_began: SetUpBegan,
    pub setup: Setup,
    pub exposures: Exposures,
    #[serde(default)]
    former: FormerReferences,
    /// The last frames, oldest first; those of a survey are left out.
    pub trend: VecDeque<TrendPoint>,
    learned: Arc<LearnedCurves>,
    /// What cameras' embedded pictures are worth, by the cameras' names.
    #[serde(default)]
    embedded: BTreeMap<String, EmbeddedTrust>,
    /// The last exposure that a curve was learned from: one lesson is taken from a frame.
    pub taught_until: FrameNumber,
    /// The last decision was on this, as far as the log tells.
    pub to_judge: Option<ToJudge>,
    /// How sharp the looks' frames are: nothing is judged by it.
    #[serde(default)]
    pub sharpness: Arc<Sharpness>,
}

/// Curves that were learned on the job, and every one by its name.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LearnedCurves {
    #[serde(with = "rows::learned")]
    of: BTreeMap<Rendered, LearnedCurve>,
    #[serde(with = "rows::curves")]
    curves: BTreeMap<String, Response>,
}

impl Sitting {
    /// Takes up record `n`.
    pub(super) fn apply(&mut self, n: RecordNumber, body: &Body) {
        self.records = n;
        match self.in_codes(body) {
            Some(body) => self.take(n, &body),
            None => self.take(n, body),
        }
        self.exposures.follow_files(body);
        if let Body::FileAdded { frame, file, awaits_light, .. } = body {
            self.exposures.await_light(*frame, file, *awaits_light);
        }
        if Sharpness::heeds(body) {
            Arc::make_mut(&mut self.sharpness).apply(body);
        }
        self.note_what_is_to_be_judged(body);
    }

    /// What the record is to the list of sittings, which knows when it was written.
    pub(super) fn list_sittings(&mut self, record: &Record) {
        Arc::make_mut(&mut self.sittings).apply(record);
    }

    /// An observation that bears its judgement, as in logs up to format 4, leaves nothing to be judged.
    fn note_what_is_to_be_judged(&mut self, body: &Body) {
        self.to_judge = match body {
            Body::Frame(frame) if frame.verdict.is_none() => Some(ToJudge::First(frame.frame)),
            Body::FileAdded { frame, observed: Some(added), .. } if added.verdict.is_none() => {
                Some(ToJudge::Further(*frame))
            }
            // Its light never comes: what was said of it first stands.
            Body::FileAdded { frame, observed: None, awaits_light: false, .. } => Some(ToJudge::Further(*frame)),
            Body::Response { .. } => Some(ToJudge::All(Occasion::BetterCurve)),
            Body::Remetered { .. } => Some(ToJudge::All(Occasion::OtherSpots)),
            Body::Sitting { step } if step.says_same() => Some(ToJudge::All(Occasion::SameSetUp)),
            // There may be more judgements to come; a warning and what a start begins with stand among them.
            Body::Judged(_) | Body::Sharpness(_) | Body::Warning { .. } | Body::Opened { .. } | Body::Config { .. } => {
                return;
            }
            _ => None,
        };
    }

    /// A record that people's and the survey's words are folded by again, in codes; `None` when it is in them already.
    fn in_codes(&self, body: &Body) -> Option<Body> {
        match body {
            Body::Reference { observation, .. } => {
                let observation =
                    Box::new(LoggedObservation::from(observation.in_codes(|name| self.curve_of_readings(name))));
                let mut in_codes = body.clone();
                if let Body::Reference { observation: of, .. } = &mut in_codes {
                    *of = observation;
                }
                Some(in_codes)
            }
            Body::Survey { step: SurveyStep::Taken { frame, shows }, next } => {
                // A frame that nobody can read any more is missing: the survey tells what it told, and reads no light.
                let shows = shows.in_codes(|name| self.curve_of_readings(name))?;
                let step = SurveyStep::Taken { frame: *frame, shows: Box::new(shows.into()) };
                Some(Body::Survey { step, next: next.clone() })
            }
            _ => None,
        }
    }

    /// The curve that readings of an earlier format went through.
    fn curve_of_readings(&self, name: &str) -> Option<Response> {
        curve_of_earlier_logs(name).or_else(|| self.curve(name).cloned())
    }

    /// The small pictures that frames are laid over: those of the looks' references, then of anchors, the current look's first.
    pub fn pictures_of_looks(&self) -> BTreeSet<PictureId> {
        let setup = &self.setup;
        let surveyed = setup.surveyed.iter().map(|surveyed| &surveyed.survey).chain(&setup.surveying);
        let references = setup.looks.values().flat_map(|look| look.observation.pictures());
        let current = setup.current.iter().filter_map(|name| setup.looks.get(name));
        let anchors = current.chain(setup.looks.values()).flat_map(Look::anchor_pictures);
        let mut wanted = BTreeSet::new();
        for picture in surveyed.filter_map(Survey::laid_over).chain(references).chain(anchors) {
            if wanted.len() < MOST_PICTURES {
                wanted.insert(picture);
            }
        }
        wanted
    }

    /// Those of the exposures that can be judged anew, and of what they were compared with.
    pub fn pictures_of_late(&self) -> impl Iterator<Item = PictureId> + '_ {
        let judged_anew = self.exposures.iter().filter_map(|exposure| Some((exposure, exposure.before.as_ref()?)));
        judged_anew.flat_map(|(exposure, before)| {
            let reference = before.reference().into_iter().flat_map(|look| look.observation.pictures());
            exposure.observation.pictures().chain(reference)
        })
    }

    /// The files that frames are, or may next be, compared with: the looks' references and the last frame.
    pub fn compared_files(&self) -> BTreeSet<String> {
        let looks = self.setup.looks.values().map(|look| (look.frame, &look.file));
        let compared = looks.chain(self.setup.last.iter().map(|last| (Some(last.frame), &last.file)));
        let with_further = |(frame, file): (Option<FrameNumber>, &String)| {
            let exposure = frame.and_then(|frame| self.exposures.find(frame));
            let further = exposure.into_iter().flat_map(|e| e.further.iter().cloned());
            further.chain([file.clone()]).collect::<Vec<_>>()
        };
        compared.flat_map(with_further).collect()
    }

    fn take(&mut self, n: RecordNumber, body: &Body) {
        match body {
            Body::Frame(frame) => self.take_frame(n, frame),
            Body::FileAdded { frame, file, observed: Some(added), .. } => {
                self.exposures.add_file(*frame, file);
                let Some(first) = self.exposures.find(*frame) else { return };
                let judged = first.judged.clone();
                let first = Observation::clone(&first.observation);
                if let Some(metered) = added.metered.in_codes(|name| self.curve_of_readings(name)) {
                    self.complete(*frame, first.with(metered));
                }
                // In logs up to format 4 the file bears the judgement that takes the place of the first one's.
                if let Some((verdict, (_, judged))) = added.verdict.clone().zip(judged) {
                    self.judge(n, &Arc::new(Judgement { verdict, ..Judgement::clone(&judged) }));
                }
            }
            Body::Judged(judgement) => self.judge(n, &Arc::new((**judgement).clone())),
            Body::Response { of, response, curve, frames, .. } => {
                self.take_response(of, response, curve);
                self.taught_until = frames.iter().copied().fold(self.taught_until, FrameNumber::max);
            }
            Body::Remetered { file, metered } => {
                let Some(metered) = metered.in_codes(|name| self.curve_of_readings(name)) else { return };
                let exposure = self.exposures.of_file(file);
                if let Some((frame, mut observation)) = exposure.map(|e| (e.frame, Observation::clone(&e.observation)))
                {
                    observation.reread(&metered);
                    self.complete(frame, observation);
                }
                self.exposures.reread(file, &metered);
                self.setup.reread(file, &metered);
            }
            Body::Config { .. }
            | Body::Reference { .. }
            | Body::Look { .. }
            | Body::NewSitter
            | Body::Correction { .. }
            | Body::Resolved { .. }
            | Body::Power { .. }
            | Body::Undone { .. }
            | Body::Sitting { .. }
            | Body::Filter { .. }
            | Body::Survey { .. } => {
                self.keep_former_reference(body);
                self.setup.apply(n, body);
                self.exposures.tell(n, body);
                if matches!(body, Body::Sitting { step } if step.begins_anew()) {
                    self.set_up_began = SetUpBegan { record: n, after: self.frames };
                    self.trend.clear();
                    // Dials have scales of their own from here on.
                    self.exposures.forget_groups(|_| false);
                    self.former.forget_groups(|_| false);
                }
                if matches!(body, Body::Sitting { step } if step.says_same()) {
                    self.exposures.go_on_with_the_set_up();
                }
                if let Body::Config { .. } = body {
                    let is_there = |group: &GroupName| self.setup.position(group).is_some();
                    self.exposures.forget_groups(is_there);
                    self.former.forget_groups(is_there);
                }
            }
            Body::Opened { .. }
            | Body::ExistingFiles { .. }
            | Body::FileAdded { .. }
            | Body::FileChanged { .. }
            | Body::FileRemoved { .. }
            | Body::Skipped { .. }
            | Body::Sharpness(_)
            | Body::Note { .. }
            | Body::Warning { .. }
            | Body::Closed => {}
        }
    }

    /// The reference that another one takes the place of. While the light is built each frame is one.
    fn keep_former_reference(&mut self, body: &Body) {
        let Body::Reference { look, file, .. } = body else { return };
        let before = self.setup.looks.get(look).filter(|before| before.file != *file);
        before.filter(|_| self.setup.standing != Standing::Building).into_iter().for_each(|look| self.former.add(look));
    }

    /// A frame of this sitting by the name of its file, with where the dials stood for it: what a look or a reference of before tells,
    /// else what was known when it was shot, as long as that is remembered. Another frame may lie where one of before was deleted.
    pub(super) fn stood_for(&self, file: &str) -> Option<Stood> {
        let lying = self.exposures.lying_at(file);
        let file = lying.map_or(file, |exposure| &exposure.file);
        let is_it = |frame: Option<FrameNumber>| lying.is_none_or(|exposure| frame == Some(exposure.frame));
        let look = self.setup.looks.values().find(|look| look.file == file && is_it(look.frame));
        let look = look.map(Look::stood);
        let former = || self.former.find(file).filter(|known| is_it(known.frame)).cloned();
        let exposure = || {
            let Exposure { file, frame, stood, observation, .. } = lying?;
            let filter = observation.settings.filter;
            Some(Stood { file: file.clone(), frame: Some(*frame), marks: stood.clone(), filter })
        };
        look.or_else(former).or_else(exposure)
    }

    fn take_frame(&mut self, n: RecordNumber, frame: &FrameRecord) {
        self.frames = frame.frame;
        self.setup.settle();
        let observation = frame.observation.in_codes(|name| self.curve_of_readings(name));
        self.exposures.add(frame, observation, &self.setup);
        // In logs up to format 4 a frame bears its judgement; what came of it are records of their own.
        if let Some(verdict) = frame.verdict.clone() {
            self.judge(n, &Arc::new(Judgement::without_effect(frame.frame, Occasion::FirstFile, verdict)));
        }
    }

    fn complete(&mut self, frame: FrameNumber, observation: Observation) {
        let observation = Arc::new(observation);
        self.exposures.complete(frame, &observation);
        self.setup.complete(frame, &observation);
    }

    fn judge(&mut self, n: RecordNumber, judgement: &Arc<Judgement>) {
        if let Some(setup) = self.exposures.judge(n, judgement) {
            self.setup = setup;
        }
        if self.exposures.find(judgement.frame).is_some_and(Exposure::counts) {
            self.note_trend(judgement.frame, &judgement.verdict);
        }
        let camera = self.exposures.find(judgement.frame).and_then(|e| e.observation.settings.camera.clone());
        if let Some((camera, check)) = camera.zip(judgement.embedded.as_ref()) {
            self.embedded.entry(camera).or_default().take(check);
        }
    }

    /// What the pictures embedded in the raw files of a frame's camera are worth; nothing is known of one without a name.
    pub fn embedded_trust(&self, settings: &Settings) -> EmbeddedTrust {
        settings.camera.as_ref().and_then(|camera| self.embedded.get(camera)).copied().unwrap_or_default()
    }

    fn note_trend(&mut self, frame: FrameNumber, verdict: &Verdict) {
        if frame <= self.set_up_began.after {
            return;
        }
        let point = TrendPoint::of(frame, verdict);
        if let Some(known) = self.trend.iter_mut().find(|p| p.frame == frame) {
            *known = point;
            return;
        }
        self.trend.push_back(point);
        if self.trend.len() > TREND {
            self.trend.pop_front();
        }
    }

    fn take_response(&mut self, of: &Rendered, name: &str, curve: &Curve) {
        let learned = Arc::make_mut(&mut self.learned);
        learned.curves.insert(name.to_owned(), learned_response(name, curve.clone()));
        let entry = learned.of.entry(of.clone()).or_default();
        *entry = LearnedCurve { name: name.to_owned(), lessons: entry.lessons + 1 };
    }

    /// The learned curve for a camera's pictures.
    pub fn learned(&self, of: &Rendered) -> Option<&LearnedCurve> {
        self.learned.of.get(of)
    }

    /// A learned curve by its name.
    pub fn curve(&self, name: &str) -> Option<&Response> {
        self.learned.curves.get(name)
    }
}
