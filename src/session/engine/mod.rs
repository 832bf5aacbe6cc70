//! The engine: the one owner of the state. Inputs in, records out.
//!
//! Plain synchronous code: metering happens before, writing behind the [`Ledger`], listening
//! behind the publisher. Each input's records are written and synced together, then announced.

mod learning;
mod lighting;
mod logging;
mod references;
mod telling;

use std::sync::Arc;

use jiff::Timestamp;

use self::learning::Lessons;
use self::lighting::{Surveying, of_survey};
use self::logging::Owed;
pub use self::logging::{Ledger, Published};
use super::board::Board;
use super::curve::response_for;
use super::metering::{Compared, FrameOutcome};
use super::record::{Body, Completed, FrameRecord, How, PowerSource, Purpose, Record};
use super::remembered::Look;
use super::state::State;
use crate::advice::{Cause, Evidence, LightsSeen, Subject, Verdict, correct, judge};
use crate::config::{Config, Curves};
use crate::container::Fingerprint;
use crate::drift::{Basis, Lighting, WentBy, expected};
use crate::frame::Settings;
use crate::intake::{FileState, KnownFile};
use crate::meter::{Logged, Metered};
use crate::photometry::Stops;
use crate::response::Response;
use crate::rig::{LightGroup, Standing, Turn};

/// A file that the intake told.
#[derive(Debug)]
pub struct Landed {
    pub name: String,
    pub is_raw: bool,
    pub state: FileState,
    pub fingerprint: Fingerprint,
    pub late: bool,
    /// Frames that landed behind it may have been taken before it.
    pub passed: bool,
}

/// Such a file, metered.
#[derive(Debug)]
pub struct FrameInput {
    pub file: Landed,
    /// `Err` is the sentence to show.
    pub outcome: Result<FrameOutcome, String>,
}

/// Everything that moves a session.
#[derive(Debug)]
pub enum Input {
    Frame(Box<FrameInput>),
    Rewritten {
        name: String,
        was: String,
        state: FileState,
    },
    Known {
        files: Vec<KnownFile>,
        last: bool,
    },
    Skipped {
        name: String,
        why: String,
        /// In this state it needs no second look.
        state: Option<FileState>,
    },
    Warning(String),
    /// With the curves that it names the folder of.
    Config(Box<Config>, Arc<Curves>),
    /// The curves of cameras changed.
    Curves(Arc<Curves>),
    /// A file of [`Engine::compared_files`] was metered anew, by other spots.
    Reread {
        file: String,
        metered: Box<Metered>,
    },
}

/// Frames of one stem belong together when their capture times differ by no more than this.
const SAME_EXPOSURE_SECONDS: f64 = 2.0;
/// What is said of a frame that later ones have overtaken.
const OVERTAKEN: &str = "it was shot before the frame that is logged before it, and took longer to read: it is logged, \
                         and nothing is asked for it";
/// A frame and its reference have no readings that compare.
const UNLIKE: &str = "it can't be compared: the reference has no reading of this kind of file (raw or picture), or \
                      one of an earlier day by a curve that is not known; set a reference anew";
pub struct Engine<L> {
    config: Config,
    curves: Arc<Curves>,
    state: State,
    ledger: L,
    clock: Box<dyn Fn() -> Timestamp + Send>,
    publish: Box<dyn FnMut(Published) + Send>,
    staged: Vec<(Record, String)>,
    lessons: Lessons,
    surveying: Option<Surveying>,
    /// Room light passes its limit, and that was said.
    room_light_told: bool,
    owed: Owed,
}

impl<L: Ledger> Engine<L> {
    /// An engine on a replayed state; `publish` must never wait.
    pub fn new(
        config: Config,
        curves: Arc<Curves>,
        state: State,
        ledger: L,
        clock: impl Fn() -> Timestamp + Send + 'static,
        publish: impl FnMut(Published) + Send + 'static,
    ) -> Engine<L> {
        Engine {
            config,
            curves,
            state,
            ledger,
            clock: Box::new(clock),
            publish: Box::new(publish),
            staged: Vec::new(),
            lessons: Lessons::default(),
            surveying: None,
            room_light_told: false,
            owed: Owed::default(),
        }
    }

    /// What the sitting shows right now.
    pub fn board(&self) -> Board {
        Board::of(&self.state, &self.config)
    }

    /// Number of the last record.
    pub fn last_record(&self) -> u64 {
        self.state.records
    }

    /// Number and file of the last frame.
    pub fn last_frame(&self) -> Option<(u64, &str)> {
        self.state.last.as_ref().map(|l| (l.frame, l.file.as_str()))
    }

    pub fn ledger(&mut self) -> &mut L {
        &mut self.ledger
    }

    /// Logs the start: who opened the log, and the configuration it runs by.
    pub fn open(&mut self, program: String, folder: String) {
        self.stage(Body::Opened { program, folder, process: std::process::id() });
        self.stage_config();
        self.flush();
    }

    /// Logs the end.
    pub fn close(&mut self) {
        self.stage(Body::Closed);
        self.flush();
    }

    /// Takes one input; its records are on the disk, or known not to be, when this returns.
    pub fn take(&mut self, input: Input) {
        match input {
            Input::Frame(frame) => self.take_frame(*frame),
            // Only what is logged can be updated.
            Input::Rewritten { was, .. } if !self.state.knows(&was) => {}
            Input::Rewritten { name, was, state } => self.stage(Body::Updated { file: name, was, state }),
            Input::Known { files, last } => self.stage(Body::Known { files, last }),
            Input::Skipped { name, why, state } => self.stage(Body::Skipped { file: name, why, state }),
            Input::Warning(text) => self.warn(text),
            Input::Curves(curves) => self.curves = curves,
            Input::Reread { file, metered } => {
                let metered = Box::new(Logged::from(*metered));
                self.stage(Body::Reread { file, metered });
            }
            Input::Config(config, curves) => {
                self.curves = curves;
                self.config = *config;
                self.stage_config();
            }
        }
        self.flush();
    }

    // --- frames ---

    fn take_frame(&mut self, FrameInput { file, outcome }: FrameInput) {
        if self.state.has(&file.name, file.fingerprint) {
            return;
        }
        let mut outcome = match outcome {
            Ok(outcome) => outcome,
            Err(why) => return self.stage(Body::Skipped { file: file.name, why, state: Some(file.state) }),
        };
        if let Some(frame) = self.frame_of_stem(&file.name, file.is_raw, &outcome.subject) {
            return self.take_member(frame, file, outcome);
        }
        if file.passed && self.state.is_overtaken(&outcome.subject.settings) {
            return self.take_overtaken(file, outcome);
        }
        if let Some((survey, lit)) = self.state.surveying.clone().and_then(|s| s.next().cloned().map(|lit| (s, lit))) {
            return self.take_survey_frame(file, outcome, &survey, &lit);
        }
        let lights = self.see_lights(&outcome, file.late);
        let pair = self.comparable(&outcome.subject, None);
        let verdict = self.judge(&pair, file.late, lights.as_ref());
        if pair.unlike {
            outcome.notes.push(UNLIKE.to_owned());
        }
        let (name, late, subject) = (file.name.clone(), file.late, outcome.subject.clone());
        let Some(frame) = self.stage_frame(file, outcome, verdict.clone()) else { return };
        self.warn_of_room_light(&subject.settings);
        self.learn_from_settings(frame, &subject, &verdict, late);
        self.follow_up(frame, &name, subject, &verdict);
    }

    /// A frame that was shot before the last one and took longer to read. It belongs to the log and to nothing else:
    /// lights and settings have moved on, and a turn for it would spoil what is right by now.
    fn take_overtaken(&mut self, file: Landed, mut outcome: FrameOutcome) {
        let pair = self.comparable(&outcome.subject, None);
        let verdict = self.judge(&pair, true, None);
        outcome.notes.push(OVERTAKEN.to_owned());
        self.stage_frame(Landed { late: true, ..file }, outcome, verdict);
    }

    /// Logs a frame; its number, if that could be written down.
    fn stage_frame(&mut self, file: Landed, outcome: FrameOutcome, verdict: Verdict) -> Option<u64> {
        let frame = self.state.frames + 1;
        self.stage(Body::Frame(Box::new(FrameRecord {
            frame,
            file: file.name,
            state: file.state,
            fingerprint: file.fingerprint,
            late: file.late,
            overtaken: file.passed && self.state.is_overtaken(&outcome.subject.settings),
            look: self.state.current.clone(),
            subject: outcome.subject.into(),
            notes: outcome.notes,
            verdict,
        })));
        (self.state.frames == frame).then_some(frame)
    }

    /// The frame that a further file of one exposure belongs to.
    fn frame_of_stem(&self, name: &str, is_raw: bool, subject: &Subject) -> Option<u64> {
        let stem = self.state.stem(name)?;
        let apart = stem.captured.as_ref().zip(subject.settings.captured.as_ref());
        let together = apart.is_none_or(|(a, b)| b.seconds_since(a).abs() <= SAME_EXPOSURE_SECONDS);
        // Two pictures of one stem (an export beside the original) are two frames.
        (together && (is_raw || !stem.picture)).then_some(stem.frame)
    }

    fn take_member(&mut self, frame: u64, file: Landed, outcome: FrameOutcome) {
        let Landed { name, state, fingerprint, .. } = file;
        let of_the_survey = self.state.is_of_survey(frame);
        let lights = if of_the_survey { None } else { self.see_lights(&outcome, false) };
        let FrameOutcome { subject, mut notes, .. } = outcome;
        let first = self.state.recent_subject(frame).cloned();
        let apart = first.as_ref().and_then(|f| expected(&f.settings, &subject.settings, Lighting::Continuous));
        if apart.is_some_and(|apart| apart.abs() > Stops(0.01)) {
            notes.push("the files of this frame tell different settings: the first one's are kept".to_owned());
        }
        let counted = first.as_ref().and_then(|f| f.metered.as_ref()).map(Metered::is_raw);
        let joined = subject.metered.clone().map(|metered| match first {
            Some(first) => first.with(metered),
            None => subject.clone(),
        });
        let verdict = joined.as_ref().map(|joined| {
            let judged = self.judge(&self.comparable(joined, Some(frame)), false, lights.as_ref());
            if of_the_survey { of_survey(judged, "A further file of a frame of the survey.") } else { judged }
        });
        let completed = verdict
            .clone()
            .zip(subject.metered)
            .map(|(verdict, metered)| (verdict, Logged::from(metered)))
            .map(|(verdict, metered)| Box::new(Completed { settings: subject.settings, metered, notes, verdict }));
        self.stage(Body::Member { frame, file: name.clone(), state, fingerprint, completed });
        if let Some(joined) = &joined {
            self.learn_from_raw(frame, joined);
        }
        let counts = joined.as_ref().and_then(|j| j.metered.as_ref()).map(Metered::is_raw);
        if let (Some(verdict), Some(joined), true) = (verdict, joined, counts != counted) {
            self.follow_up(frame, &name, joined, &verdict);
        }
    }

    fn judge(&self, pair: &Compared, late: bool, lights: Option<&LightsSeen>) -> Verdict {
        let response = self.response_of(&pair.frame);
        judge(&Evidence {
            reference: pair.reference.as_ref(),
            frame: &pair.frame,
            previous: self.state.previous().filter(|_| !late).as_ref(),
            response: &response,
            judge_by: &self.config.judge_by,
            lighting: self.config.lighting,
            tolerance: self.config.tolerance,
            recycle_seconds: self.config.recycle.as_secs_f64(),
            moved: self.state.moved_alike(),
            followed: self.state.moved_if_followed(),
            light_alone: false,
            lights,
            colour_limit: self.config.colour_limit,
        })
    }

    /// The curve that a subject's counting reading goes by.
    fn response_of(&self, subject: &Subject) -> Response {
        let metered = subject.metered.as_ref();
        metered.map_or_else(Response::srgb, |m| self.response_for(&subject.settings, m))
    }

    fn response_for(&self, settings: &Settings, metered: &Metered) -> Response {
        response_for(settings, metered, &self.config, &self.curves, &self.state)
    }

    /// A frame and its reference. A frame that is its own reference has all its files.
    fn comparable(&self, subject: &Subject, logged_as: Option<u64>) -> Compared {
        let own = |look: &Look| logged_as.is_some() && look.frame == logged_as;
        let reference = self.state.reference().map(|look| if own(look) { subject } else { &look.subject });
        Compared::of(reference, subject)
    }

    /// What a verdict sets off: a first reference, the end of a correction, a new one.
    fn follow_up(&mut self, frame: u64, file: &str, subject: Subject, verdict: &Verdict) {
        match verdict.cause {
            Cause::NoReference => return self.refer_to_first(frame, file, subject),
            cause if cause.holds() => return,
            Cause::Survey => return,
            _ if self.follow_lights(frame, &subject.settings, verdict) => return,
            Cause::NotMetered | Cause::NotTrustworthy | Cause::NewScene | Cause::Uneven | Cause::Uncertain => return,
            _ => {}
        }
        let wanted = verdict.wanted(self.config.tolerance);
        if verdict.basis == Some(Basis::CorrectionFollowed) {
            let ahead = self.is_ahead_of(&subject.settings);
            self.turns_seen();
            if ahead {
                return;
            }
        } else if verdict.went_by == Some(WentBy::Light)
            && let Some(lights) = verdict.lights
        {
            self.resolve(How::Withdrawn);
            // Groups that were told to differ are not taken to have moved alike, and what the tolerance
            // covers is no turn of a dial.
            let as_known = self.state.moved_alike().is_some_and(|m| (lights - m).abs() <= self.config.tolerance);
            if !self.state.moved_apart() && !as_known {
                self.lights_changed(lights);
            }
        } else if let Some(pending) = &self.state.pending {
            let still_wanted = wanted.is_some_and(|w| (pending.correction.wanted - w).abs() <= Stops(0.1));
            let still_planned = matches!(pending.purpose, Purpose::Next { .. }) && wanted.is_none();
            if still_wanted || still_planned {
                return;
            }
            self.resolve(How::Withdrawn);
        }
        if let Some(wanted) = wanted {
            self.suggest(Purpose::Drift { frame }, wanted, &subject.settings, &verdict.sentence);
        }
    }

    /// The lights were prepared for settings that this frame was not yet shot with.
    fn is_ahead_of(&self, shot: &Settings) -> bool {
        self.state.pending.as_ref().is_some_and(|p| p.prepares_beyond(shot, self.config.lighting).is_some())
    }

    fn suggest(&mut self, purpose: Purpose, wanted: Stops, settings: &Settings, sentence: &str) {
        let correction = correct(&self.config.groups, &self.state.standings, wanted, settings);
        if !correction.is_nothing() {
            self.stage(Body::Correction { purpose, correction: Box::new(correction), sentence: sentence.to_owned() });
        }
    }

    fn resolve(&mut self, how: How) {
        if let Some(pending) = &self.state.pending {
            let correction = pending.record;
            self.stage(Body::Resolved { correction, how });
        }
    }

    /// The pending turns show in the picture: every group not told otherwise made its own.
    fn turns_seen(&mut self) {
        let Some(pending) = self.state.pending.clone() else {
            return;
        };
        for turn in pending.correction.turns.iter().filter(|t| !pending.told.contains(&t.group)) {
            self.turned(turn, PowerSource::Seen);
        }
        self.resolve(How::Seen);
    }

    fn turned(&mut self, turn: &Turn, source: PowerSource) {
        let Some((standing, group)) = self.standing(&turn.group) else {
            return;
        };
        let moved = standing.moved.map(|m| m + turn.by);
        let setting = turn.setting.or(standing.power);
        let shown = setting.map(|s| group.shown(s));
        let answers = self.state.pending.as_ref().map(|p| p.record);
        self.stage(Body::Power { group: turn.group.clone(), setting, shown, moved, source, answers });
    }

    /// The lights changed by themselves: all groups are taken to have moved alike.
    fn lights_changed(&mut self, lights: Stops) {
        let then = self.state.reference().map(|look| look.powers.clone()).unwrap_or_default();
        let groups = self.config.groups.clone();
        // Lights are turned by clicks: the coarsest dial tells which turn it was.
        let alike = crate::advice::common_turn(&groups, lights);
        for group in &groups {
            let at_reference = then.get(&group.name).copied().flatten();
            let standing = Standing { group: group.name.clone(), power: at_reference, moved: Some(Stops::ZERO) };
            let turn = Turn::towards(group, &standing, alike);
            // Where the power at the reference isn't known, the present one stays what was told.
            let present = self.standing(&group.name).and_then(|(standing, _)| standing.power);
            let setting = turn.setting.or(present);
            self.stage(Body::Power {
                group: group.name.clone(),
                setting,
                shown: setting.map(|s| group.shown(s)),
                moved: Some(turn.by),
                source: PowerSource::Inferred,
                answers: None,
            });
        }
    }

    fn standing(&self, name: &str) -> Option<(Standing, LightGroup)> {
        let standing = self.state.standings.iter().find(|s| s.group == name)?;
        let group = self.config.groups.iter().find(|g| g.name == name)?;
        Some((standing.clone(), group.clone()))
    }
}
