//! The state of a sitting: `records.fold(State::default(), State::apply)`.

use std::collections::{BTreeMap, HashMap, VecDeque};

use serde::{Deserialize, Serialize};

use super::record::{Body, Completed, FrameRecord, GroupPower, How, PowerSource, Record, Rendered, SurveyStep};
use super::remembered::{Last, LearnedCurve, Look, Pending, Recent, Stem, Surveyed, TrendPoint, learned_response};
use super::rows;
use super::told::Told;
use crate::advice::{Cause, Previous, Subject};
use crate::config::curve_of_earlier_logs;
use crate::container::{Fingerprint, Kind};
use crate::intake::{FileState, KnownFile, stem_key};
use crate::photometry::{PowerSetting, Stops};
use crate::response::{Curve, Response};
use crate::rig::{Standing, Survey};

/// Frames whose raw file or picture may land after others were taken.
const RECENT: usize = 32;
/// Frames that the trend goes back.
const TREND: usize = 60;

/// Grows by less than a kilobyte a frame (names and fingerprints); everything else is of fixed size.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct State {
    /// Records applied so far.
    pub records: u64,
    pub frames: u64,
    #[serde(with = "rows::looks")]
    pub looks: BTreeMap<String, Look>,
    pub current: Option<String>,
    pub standings: Vec<Standing>,
    pub pending: Option<Pending>,
    pub last: Option<Last>,
    /// The last frames, oldest first; those of a survey are left out.
    pub trend: VecDeque<TrendPoint>,
    /// What was told of each group since the last frame, and can be taken back.
    pub(super) told: BTreeMap<String, Told>,
    /// The first start is over: what is not known from now on is new.
    pub begun: bool,
    /// The survey under way, and the last one that was finished.
    pub surveying: Option<Survey>,
    pub surveyed: Option<Surveyed>,
    /// Why the last frame was not taken for the survey under way.
    pub survey_refused: Option<String>,
    #[serde(with = "rows::files")]
    pub(super) files: HashMap<String, (FileState, Fingerprint)>,
    /// Files that could not be taken up, as they were then.
    #[serde(with = "rows::turned_down")]
    pub(super) turned_down: HashMap<String, FileState>,
    #[serde(with = "rows::stems")]
    stems: HashMap<String, Stem>,
    /// Curves that were learned, and every one by its name.
    #[serde(with = "rows::learned")]
    learned: BTreeMap<Rendered, LearnedCurve>,
    #[serde(with = "rows::curves")]
    curves: BTreeMap<String, Response>,
    /// The last frames, whose further files may still come.
    recent: VecDeque<Recent>,
    configured: BTreeMap<String, Option<PowerSetting>>,
}

impl State {
    /// Takes up one record: the only way in which a state changes, live or at a restart.
    pub fn apply(&mut self, record: &Record) {
        self.records = record.n;
        match &record.body {
            Body::Opened { .. } | Body::Note { .. } | Body::Warning { .. } | Body::Closed => {}
            Body::Skipped { file, state, .. } => self.turn_down(file, *state),
            Body::Config { groups, .. } => self.take_config(groups),
            Body::Known { files, last } => {
                self.begun |= last;
                for file in files {
                    self.note_file(&file.name, file.state, file.fingerprint);
                }
            }
            Body::Reference { look, frame, file, subject, powers } => {
                let subject = subject.in_codes(|name| self.curve_of_readings(name));
                let entry = Look { frame: *frame, file: file.clone(), subject, powers: powers.clone() };
                self.looks.insert(look.clone(), entry);
                self.make_current(look);
            }
            Body::Look { look } => self.make_current(look),
            Body::Frame(frame) => self.take_frame(frame),
            Body::Member { frame, file, state, fingerprint, completed } => {
                self.note_file(file, *state, *fingerprint);
                self.note_stem(file, *frame, None);
                if let Some(completed) = completed {
                    self.complete(*frame, file, completed);
                }
            }
            Body::Updated { file, was, state } => {
                if let Some((_, fingerprint)) = self.files.remove(was) {
                    self.note_file(file, *state, fingerprint);
                }
            }
            Body::Reread { file, metered } => {
                let Some(metered) = metered.in_codes(|name| self.curve_of_readings(name)) else { return };
                let looks = self.looks.values_mut().filter(|l| l.file == *file).map(|l| &mut l.subject);
                let last = self.last.iter_mut().filter(|l| l.file == *file).map(|l| &mut l.subject);
                looks.chain(last).for_each(|subject| subject.reread(&metered));
            }
            Body::Correction { purpose, correction, .. } => {
                self.told.clear();
                self.pending = Some(Pending {
                    record: record.n,
                    purpose: purpose.clone(),
                    correction: (**correction).clone(),
                    told: Vec::new(),
                });
            }
            Body::Survey { step, .. } => self.take_survey_step(record.n, step),
            Body::Response { of, response, curve, .. } => self.take_response(of, response, curve),
            Body::Resolved { how, .. } => {
                self.pending = None;
                if *how != How::Told {
                    self.told.clear();
                }
            }
            Body::TakenBack { group, of } => self.take_back(group, *of),
            Body::Power { group, setting, moved, source, answers, .. } => {
                if *source == PowerSource::Told {
                    self.remember(group, record.n);
                }
                self.note_power(group, *setting, *moved);
                let answered = self.pending.as_mut().filter(|p| *answers == Some(p.record) && !p.told.contains(group));
                if let Some(pending) = answered {
                    pending.told.push(group.clone());
                }
            }
        }
    }

    /// A power in the configuration counts when it is written anew; one that stood there before
    /// has been overtaken by what the log tells.
    fn take_config(&mut self, groups: &[GroupPower]) {
        let written: BTreeMap<String, Option<PowerSetting>> =
            groups.iter().map(|g| (g.group.clone(), g.power)).collect();
        // The same as before, as at a restart, turns nothing.
        if written != self.configured {
            self.told.clear();
        }
        let standings = groups.iter().map(|GroupPower { group, power }| {
            let known = self.standings.iter().find(|s| s.group == *group).cloned();
            match known {
                Some(known) if self.configured.get(group) == Some(power) => known,
                Some(known) => {
                    let by = power.zip(known.power).map(|(new, old)| new - old);
                    Standing {
                        group: group.clone(),
                        power: *power,
                        moved: known.moved.zip(by).map(|(m, b)| (m + b).rounded()),
                    }
                }
                None => Standing { group: group.clone(), power: *power, moved: Some(Stops::ZERO) },
            }
        });
        let standings: Vec<Standing> = standings.collect();
        for standing in &standings {
            self.note_turn_since_survey(&standing.group, standing.power, standing.moved);
        }
        self.standings = standings;
        self.configured = written;
    }

    fn take_survey_step(&mut self, record: u64, step: &SurveyStep) {
        let shown = match step {
            SurveyStep::Taken { shows, .. } => shows.in_codes(|name| self.curve_of_readings(name)),
            _ => None,
        };
        self.survey_refused = match step {
            SurveyStep::Refused { why, .. } => Some(why.clone()),
            _ => None,
        };
        match (step, &mut self.surveying) {
            (SurveyStep::Begun { order, skipped }, surveying) => {
                let survey = Survey { order: order.clone(), taken: Vec::new(), skipped: skipped.clone() };
                *surveying = Some(survey);
            }
            // A frame that nobody can read any more is missing: the survey tells what it told, and reads no light.
            (SurveyStep::Taken { .. }, Some(survey)) => survey.taken.extend(shown),
            (SurveyStep::Skipped { group }, Some(survey)) => survey.skip(group),
            (SurveyStep::Finished { report }, surveying) => {
                let since = self.standings.iter().map(|s| (s.group.clone(), Some(Stops::ZERO))).collect();
                let report = (**report).clone();
                let look = self.current.clone();
                self.surveyed = surveying.take().map(|survey| Surveyed { record, survey, report, look, since });
            }
            (SurveyStep::Stopped, surveying) => *surveying = None,
            _ => {}
        }
    }

    /// A group was turned: by the difference of its powers, or of its moves since the reference.
    fn note_turn_since_survey(&mut self, group: &str, setting: Option<PowerSetting>, moved: Option<Stops>) {
        let Some(standing) = self.standings.iter().find(|s| s.group == group) else { return };
        // Nothing new is no turn, even where nobody knows the power.
        if (standing.power, standing.moved) == (setting, moved) {
            return;
        }
        let by_power = setting.zip(standing.power).map(|(new, old)| new - old);
        let by_moves = moved.zip(standing.moved).map(|(new, old)| new - old);
        // A power told for the first time is no turn; the moves tell.
        let by = by_moves.or(by_power);
        if let Some(since) = self.surveyed.as_mut().and_then(|s| s.since.get_mut(group)) {
            *since = since.zip(by).map(|(since, by)| (since + by).rounded());
        }
    }

    fn note_power(&mut self, group: &str, setting: Option<PowerSetting>, moved: Option<Stops>) {
        self.note_turn_since_survey(group, setting, moved);
        if let Some(standing) = self.standings.iter_mut().find(|s| s.group == group) {
            standing.power = setting;
            standing.moved = moved;
        }
        // A power told for the first time also tells what it was at the reference.
        let look = self.current.as_ref().and_then(|name| self.looks.get_mut(name));
        if let Some(unknown) = look.and_then(|l| l.powers.get_mut(group)).filter(|p| p.is_none()) {
            *unknown = setting.zip(moved).map(|(s, m)| (s + (-m)).rounded());
        }
    }

    fn make_current(&mut self, name: &str) {
        let Some(look) = self.looks.get(name) else {
            return;
        };
        self.current = Some(name.to_owned());
        self.pending = None;
        self.told.clear();
        let only_fresh = look.frame.is_some() && look.frame == self.last.as_ref().map(|l| l.frame);
        for standing in &mut self.standings {
            let then = look.powers.get(&standing.group).copied().flatten();
            standing.moved = match standing.power.zip(then) {
                Some((now, then)) => Some((now - then).rounded()),
                // The reference is the frame just taken: nothing can have moved since.
                None => only_fresh.then_some(Stops::ZERO),
            };
        }
    }

    fn take_frame(&mut self, frame: &FrameRecord) {
        self.frames = frame.frame;
        self.begun = true;
        self.told.clear();
        self.note_file(&frame.file, frame.state, frame.fingerprint);
        let subject = frame.subject.in_codes(|name| self.curve_of_readings(name));
        self.note_stem(&frame.file, frame.frame, Some(&subject));
        let of_survey = frame.verdict.cause == Cause::Survey;
        self.recent.push_back(Recent { frame: frame.frame, subject: subject.clone(), of_survey });
        if self.recent.len() > RECENT {
            self.recent.pop_front();
        }
        if frame.overtaken {
            return;
        }
        // A frame lit by one group is none to go by, but for its time.
        if of_survey {
            if let Some(last) = &mut self.last {
                last.subject.settings.captured = subject.settings.captured;
            }
            return;
        }
        self.last =
            Some(Last { frame: frame.frame, file: frame.file.clone(), subject, verdict: frame.verdict.clone() });
        self.trend.push_back(TrendPoint::of(frame.frame, &frame.verdict));
        if self.trend.len() > TREND {
            self.trend.pop_front();
        }
    }

    fn note_stem(&mut self, file: &str, frame: u64, first: Option<&Subject>) {
        let picture = !Kind::of(file.as_ref()).is_some_and(Kind::is_raw);
        let captured = first.and_then(|s| s.settings.captured.clone());
        let stem =
            self.stems.entry(stem_key(file.as_ref())).or_insert(Stem { frame, captured: captured.clone(), picture });
        if first.is_some() {
            *stem = Stem { frame, captured, picture };
        }
        stem.picture |= picture;
    }

    fn take_response(&mut self, of: &Rendered, name: &str, curve: &Curve) {
        self.curves.insert(name.to_owned(), learned_response(name, curve.clone()));
        let entry = self.learned.entry(of.clone()).or_default();
        *entry = LearnedCurve { name: name.to_owned(), lessons: entry.lessons + 1 };
    }

    /// The learned curve for a camera's pictures.
    pub fn learned(&self, of: &Rendered) -> Option<&LearnedCurve> {
        self.learned.get(of)
    }

    /// A learned curve by its name.
    pub fn curve(&self, name: &str) -> Option<&Response> {
        self.curves.get(name)
    }

    /// The curve that readings of an earlier format went through.
    fn curve_of_readings(&self, name: &str) -> Option<Response> {
        curve_of_earlier_logs(name).or_else(|| self.curve(name).cloned())
    }

    /// A further file of a frame brought its reading.
    fn complete(&mut self, frame: u64, file: &str, completed: &Completed) {
        let verdict = &completed.verdict;
        if let Some(point) = self.trend.iter_mut().find(|p| p.frame == frame) {
            *point = TrendPoint::of(frame, verdict);
        }
        let metered = completed.metered.in_codes(|name| self.curve_of_readings(name));
        let first = self.recent_subject(frame).cloned();
        let first =
            first.unwrap_or_else(|| Subject { settings: completed.settings.clone(), metered: None, second: None });
        let subject = match metered {
            Some(metered) => first.with(metered),
            None => first,
        };
        if let Some(recent) = self.recent.iter_mut().find(|r| r.frame == frame) {
            recent.subject = subject.clone();
        }
        for look in self.looks.values_mut().filter(|l| l.frame == Some(frame)) {
            look.subject = subject.clone();
        }
        if let Some(last) = self.last.as_mut().filter(|l| l.frame == frame) {
            *last = Last { frame, file: file.to_owned(), subject, verdict: verdict.clone() };
        }
    }

    /// A frame of late, as far as its files have come.
    pub fn recent_subject(&self, frame: u64) -> Option<&Subject> {
        self.recent.iter().find(|r| r.frame == frame).map(|r| &r.subject)
    }

    /// Whether a frame of late was taken for a survey.
    pub fn is_of_survey(&self, frame: u64) -> bool {
        self.recent.iter().any(|r| r.frame == frame && r.of_survey)
    }

    /// The look that frames are compared with.
    pub fn reference(&self) -> Option<&Look> {
        self.looks.get(self.current.as_ref()?)
    }

    pub fn previous(&self) -> Option<Previous> {
        self.last.as_ref().map(|l| Previous { captured: l.subject.settings.captured.clone() })
    }

    /// Whether this very picture is logged under this name.
    pub fn has(&self, file: &str, fingerprint: Fingerprint) -> bool {
        self.files.get(file).is_some_and(|(_, known)| *known == fingerprint)
    }

    pub fn stem(&self, file: &str) -> Option<&Stem> {
        self.stems.get(&stem_key(file.as_ref()))
    }

    /// Every file that needs no metering any more.
    pub fn known_files(&self) -> Vec<KnownFile> {
        let known = self.files.iter();
        known
            .map(|(name, (state, fingerprint))| KnownFile {
                name: name.clone(),
                state: *state,
                fingerprint: *fingerprint,
            })
            .collect()
    }

    /// The turn that the open correction still asks of a group.
    pub fn asked(&self, group: &str) -> Option<Stops> {
        let pending = self.pending.as_ref().filter(|p| !p.told.iter().any(|told| told == group))?;
        pending.correction.turns.iter().find(|t| t.group == group).map(|t| t.by)
    }

    /// How far all groups were turned alike since the reference. `None` when some were turned
    /// otherwise than the rest, or it isn't known.
    pub fn moved_alike(&self) -> Option<Stops> {
        alike(self.standings.iter().map(|s| s.moved))
    }

    /// Whether groups are known to have been turned unlike each other since the reference.
    pub fn moved_apart(&self) -> bool {
        self.standings.iter().all(|s| s.moved.is_some()) && self.moved_alike().is_none()
    }

    /// What [`State::moved_alike`] would be if everything that the open correction still asks for was carried out.
    pub fn moved_if_followed(&self) -> Option<Stops> {
        self.pending.as_ref()?;
        let turn_of = |group: &str| self.asked(group).unwrap_or(Stops::ZERO);
        alike(self.standings.iter().map(|s| s.moved.map(|m| m + turn_of(&s.group))))
    }

    /// The present power of every group.
    pub fn powers(&self) -> BTreeMap<String, Option<PowerSetting>> {
        self.standings.iter().map(|s| (s.group.clone(), s.power)).collect()
    }
}

/// The mean of moves that are alike; `None` when they aren't or one is not known.
fn alike(moves: impl Iterator<Item = Option<Stops>>) -> Option<Stops> {
    /// Dials of different steps round one turn a little differently.
    const ALIKE: Stops = Stops(0.06);
    let moves: Vec<Stops> = moves.collect::<Option<_>>()?;
    let first = *moves.first()?;
    let mean = moves.iter().fold(Stops::ZERO, |sum, m| sum + *m) / moves.len() as f64;
    moves.iter().all(|m| (*m - first).abs() <= ALIKE).then_some(mean)
}
