//! The engine: the one owner of the state. Inputs in, records out.
//!
//! Plain synchronous code: metering happens before, writing behind the [`Ledger`], listening
//! behind the publisher. Each input's records are written and synced together, then announced.

use jiff::Timestamp;
use serde_json::json;

use super::command::{Command, Planned, Reply, status};
use super::record::{Body, Completed, FrameRecord, GroupPower, How, PowerSource, Purpose, Record, VERSION};
use super::state::State;
use crate::advice::{Cause, Evidence, Subject, Verdict, correct, judge};
use crate::config::Config;
use crate::drift::{Basis, Lighting, WentBy, expected};
use crate::frame::{Response, Settings};
use crate::intake::{FileState, KnownFile};
use crate::meter::{CENTRE, Metered};
use crate::photometry::Stops;
use crate::rig::{LightGroup, Standing, Turn};

/// Where lines are kept.
pub trait Ledger {
    /// Appends lines and syncs them to the disk. `false` when they are only kept in memory as yet.
    fn append(&mut self, lines: Vec<String>) -> bool;
}

/// A record on its way to the listeners.
#[derive(Debug, Clone, PartialEq)]
pub struct Published {
    pub record: Record,
    pub line: String,
    /// Whether it is on the disk.
    pub logged: bool,
}

/// A file that the intake told, metered.
#[derive(Debug)]
pub struct FrameInput {
    pub name: String,
    pub is_raw: bool,
    pub state: FileState,
    pub fingerprint: u32,
    pub late: bool,
    /// `Err` is the sentence to show.
    pub outcome: Result<FrameOutcome, String>,
}

#[derive(Debug, Clone)]
pub struct FrameOutcome {
    pub subject: Subject,
    pub notes: Vec<String>,
}

/// Everything that moves a session.
#[derive(Debug)]
pub enum Input {
    Frame(Box<FrameInput>),
    Rewritten { name: String, was: String, state: FileState },
    Known { files: Vec<KnownFile>, last: bool },
    Skipped { name: String, why: String },
    Warning(String),
    Config(Box<Config>),
}

/// Name of the look that the first frame begins.
const FIRST_LOOK: &str = "main";
/// Frames of one stem belong together when their capture times differ by no more than this.
const SAME_EXPOSURE_SECONDS: f64 = 2.0;
/// A first frame darker than this is no reference.
const TOO_DARK_TO_REFER: Stops = Stops(-3.5);

pub struct Engine<L> {
    config: Config,
    response: Response,
    state: State,
    ledger: L,
    clock: Box<dyn Fn() -> Timestamp + Send>,
    publish: Box<dyn FnMut(Published) + Send>,
    staged: Vec<(Record, String)>,
}

impl<L: Ledger> Engine<L> {
    /// An engine on a replayed state; `publish` must never wait.
    pub fn new(
        config: Config,
        state: State,
        ledger: L,
        clock: impl Fn() -> Timestamp + Send + 'static,
        publish: impl FnMut(Published) + Send + 'static,
    ) -> Engine<L> {
        let response = crate::config::response(config.response);
        Engine {
            config,
            response,
            state,
            ledger,
            clock: Box::new(clock),
            publish: Box::new(publish),
            staged: Vec::new(),
        }
    }

    pub fn state(&self) -> &State {
        &self.state
    }

    pub fn config(&self) -> &Config {
        &self.config
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
            Input::Rewritten { name, was, state } => self.stage(Body::Updated { file: name, was, state }),
            Input::Known { files, last } => self.stage(Body::Known { files, last }),
            Input::Skipped { name, why } => self.stage(Body::Skipped { file: name, why }),
            Input::Warning(text) => self.stage(Body::Warning { text }),
            Input::Config(config) => {
                self.response = crate::config::response(config.response);
                self.config = *config;
                self.stage_config();
            }
        }
        self.flush();
    }

    fn stage_config(&mut self) {
        let groups = self.config.groups.iter().map(|g| GroupPower { group: g.name.clone(), power: g.power }).collect();
        self.stage(Body::Config { tolerance: self.config.tolerance, groups });
    }

    /// Numbers and encodes a record and takes it into the state, as a restart would from the log.
    fn stage(&mut self, body: Body) {
        let record = Record { v: VERSION, n: self.state.records + 1, at: (self.clock)(), body };
        let coded = record.to_line().ok().and_then(|line| Record::from_line(&line).ok().map(|back| (back, line)));
        match coded {
            Some((record, line)) => {
                self.state.apply(&record);
                self.staged.push((record, line));
            }
            // Only a number that JSON can't hold gets here, and every constructor refuses those.
            None => tracing::error!(n = record.n, "a record could not be encoded and was left out"),
        }
    }

    fn flush(&mut self) {
        if self.staged.is_empty() {
            return;
        }
        let staged = std::mem::take(&mut self.staged);
        let logged = self.ledger.append(staged.iter().map(|(_, line)| line.clone()).collect());
        for (record, line) in staged {
            (self.publish)(Published { record, line, logged });
        }
    }

    // --- frames ---

    fn take_frame(&mut self, input: FrameInput) {
        if self.state.has(&input.name, input.fingerprint) {
            return;
        }
        let outcome = match input.outcome {
            Ok(outcome) => outcome,
            Err(why) => return self.stage(Body::Skipped { file: input.name, why }),
        };
        if let Some(frame) = self.frame_of_stem(&input.name, input.is_raw, &outcome.subject) {
            return self.take_member(frame, input.name, input.state, input.fingerprint, input.is_raw, outcome);
        }
        let verdict = self.judge(&outcome.subject, input.late);
        let frame = self.state.frames + 1;
        let FrameOutcome { subject, notes } = outcome;
        self.stage(Body::Frame(Box::new(FrameRecord {
            frame,
            file: input.name.clone(),
            state: input.state,
            fingerprint: input.fingerprint,
            late: input.late,
            look: self.state.current.clone(),
            subject: subject.clone(),
            notes,
            verdict: verdict.clone(),
        })));
        self.follow_up(frame, &input.name, subject, &verdict);
    }

    /// The frame that a further file of one exposure belongs to.
    fn frame_of_stem(&self, name: &str, is_raw: bool, subject: &Subject) -> Option<u64> {
        let stem = self.state.stem(name)?;
        let apart = stem.captured.as_ref().zip(subject.settings.captured.as_ref());
        let together = apart.is_none_or(|(a, b)| b.seconds_since(a).abs() <= SAME_EXPOSURE_SECONDS);
        // Two pictures of one stem (an export beside the original) are two frames.
        (together && (is_raw || !stem.metered)).then_some(stem.frame)
    }

    fn take_member(
        &mut self,
        frame: u64,
        name: String,
        state: FileState,
        fingerprint: u32,
        is_raw: bool,
        outcome: FrameOutcome,
    ) {
        let FrameOutcome { subject, notes } = outcome;
        let verdict = (!is_raw).then(|| self.judge(&subject, false));
        let completed = verdict.clone().zip(subject.metered.clone()).map(|(verdict, metered)| {
            Box::new(Completed { settings: subject.settings.clone(), metered, notes, verdict })
        });
        self.stage(Body::Member { frame, file: name.clone(), state, fingerprint, completed });
        if let Some(verdict) = verdict {
            self.follow_up(frame, &name, subject, &verdict);
        }
    }

    fn judge(&self, subject: &Subject, late: bool) -> Verdict {
        judge(&Evidence {
            reference: self.state.reference().map(|look| &look.subject),
            frame: subject,
            previous: self.state.previous().filter(|_| !late).as_ref(),
            response: &self.response,
            judge_by: &self.config.judge_by,
            lighting: self.config.lighting,
            tolerance: self.config.tolerance,
            recycle_seconds: self.config.recycle.as_secs_f64(),
            moved: self.state.moved_alike(),
            followed: self.state.moved_if_followed(),
            light_alone: false,
        })
    }

    /// What a verdict sets off: a first reference, the end of a correction, a new one.
    fn follow_up(&mut self, frame: u64, file: &str, subject: Subject, verdict: &Verdict) {
        match verdict.cause {
            Cause::NoReference => return self.refer_to_first(frame, file, subject),
            cause if cause.holds() => return,
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
            self.lights_changed(lights);
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
        match self.state.pending.as_ref().map(|p| &p.purpose) {
            Some(Purpose::Next { settings }) => {
                expected(shot, settings, Lighting::Flash).is_none_or(|e| e.abs() > Stops(0.01))
            }
            _ => false,
        }
    }

    fn refer_to_first(&mut self, frame: u64, file: &str, subject: Subject) {
        if level_of(&subject).is_some_and(|l| l > TOO_DARK_TO_REFER) {
            self.set_reference(FIRST_LOOK.to_owned(), Some(frame), file.to_owned(), subject);
        }
    }

    fn set_reference(&mut self, look: String, frame: Option<u64>, file: String, subject: Subject) {
        self.resolve(How::Withdrawn);
        let powers = self.state.powers();
        self.stage(Body::Reference { look, frame, file, subject: Box::new(subject), powers });
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
        let moved = Standing { moved: standing.moved.map(|m| m + turn.by), ..standing };
        let setting = turn.setting.or(moved.power);
        let shown = setting.map(|s| group.shown(s));
        let answers = self.state.pending.as_ref().map(|p| p.record);
        self.stage(Body::Power { group: turn.group.clone(), setting, shown, moved: moved.moved, source, answers });
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
            self.stage(Body::Power {
                group: group.name.clone(),
                setting: turn.setting,
                shown: turn.to,
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

    // --- commands ---

    /// Carries out a command. A file that it names was read by the caller, who hands it on as
    /// `subject`; `sync` and `since` are not the engine's.
    pub fn command(&mut self, command: &Command, subject: Option<Subject>) -> Reply {
        let reply = match command {
            Command::Reference { file, look } => self.tell_reference(file.as_deref(), look.as_deref(), subject),
            Command::Look { look } => self.tell_look(look),
            Command::Power { group, setting } => self.tell_power(group, setting),
            Command::Confirm { group } => self.tell_confirm(group.as_deref()),
            Command::Next { f_number, iso, exposure_time } => {
                match Planned::read(f_number.as_ref(), iso.as_ref(), exposure_time.as_ref()) {
                    Ok(planned) => self.tell_next(&planned),
                    Err(why) => Reply::refused(why),
                }
            }
            Command::Note { text } => self.tell_note(text),
            Command::Status {} => Reply::with(self.in_short(), status(&self.state)),
            Command::Sync {} | Command::Since { .. } => Reply::refused("this command is answered elsewhere"),
        };
        self.flush();
        reply
    }

    fn in_short(&self) -> String {
        let look = self.state.current.as_deref().unwrap_or("no reference yet");
        let last =
            self.state.last.as_ref().map_or("no frame yet".to_owned(), |l| format!("{}: {}", l.file, l.sentence));
        format!("{} frames, look '{look}', last {last}", self.state.frames)
    }

    fn tell_reference(&mut self, file: Option<&str>, look: Option<&str>, subject: Option<Subject>) -> Reply {
        let look = look.map(str::trim).filter(|l| !l.is_empty()).map(str::to_owned);
        let look = look.or_else(|| self.state.current.clone()).unwrap_or_else(|| FIRST_LOOK.to_owned());
        if look.chars().count() > 40 || look.chars().any(char::is_control) {
            return Reply::refused("a look's name has 1 to 40 printable characters");
        }
        let (frame, name, subject) = match (file, subject, self.state.last.clone()) {
            (Some(file), Some(subject), _) => (None, file.to_owned(), subject),
            (Some(file), None, _) => return Reply::refused(format!("{file} can't be metered as a reference")),
            (None, _, Some(last)) => (Some(last.frame), last.file, last.subject),
            (None, _, None) => return Reply::refused("there is no frame yet: name a file, or shoot one"),
        };
        let Some(level) = level_of(&subject) else {
            return Reply::refused(format!("{name} was not metered and can't be a reference"));
        };
        if frame.is_some() && level <= TOO_DARK_TO_REFER {
            return Reply::refused(format!("{name} is nearly black (a misfire?): shoot another, or name a file"));
        }
        self.set_reference(look.clone(), frame, name.clone(), subject);
        Reply::done(format!("{name} is the reference of '{look}'"))
    }

    fn tell_look(&mut self, look: &str) -> Reply {
        if !self.state.looks.contains_key(look) {
            let names: Vec<&str> = self.state.looks.keys().map(String::as_str).collect();
            let there = if names.is_empty() { "none yet".to_owned() } else { names.join(", ") };
            return Reply::refused(format!("there is no look '{look}' (there is: {there}); 'reference' begins one"));
        }
        self.resolve(How::Withdrawn);
        self.stage(Body::Look { look: look.to_owned() });
        Reply::done(format!("frames are compared with '{look}' now"))
    }

    fn group_names(&self) -> String {
        let names: Vec<&str> = self.config.groups.iter().map(|g| g.name.as_str()).collect();
        names.join(", ")
    }

    fn tell_power(&mut self, name: &str, text: &str) -> Reply {
        let Some((standing, group)) = self.standing(name) else {
            return Reply::refused(format!("there is no group '{name}': it is one of {}", self.group_names()));
        };
        let setting = match group.read(text) {
            Ok(setting) => setting,
            Err(why) => return Reply::refused(why.to_string()),
        };
        // The first word on a power tells where the light stands, not that it was turned.
        let turned = standing.power.map_or(Stops::ZERO, |old| setting - old);
        let moved = standing.moved.map(|m| m + turned);
        let shown = group.shown(setting);
        let said = format!("{name} is at {shown}");
        let asked = self.state.pending.as_ref().and_then(|p| {
            let turn = p.correction.turns.iter().find(|t| t.group == name)?;
            Some((p.record, turn.setting?))
        });
        let answers = asked.filter(|(_, to)| (*to - setting).abs() < Stops(0.01)).map(|(record, _)| record);
        if asked.is_some() && answers.is_none() && turned != Stops::ZERO {
            // Somebody decided otherwise.
            self.resolve(How::Withdrawn);
        }
        self.stage(Body::Power {
            group: name.to_owned(),
            setting: Some(setting),
            shown: Some(shown),
            moved,
            source: PowerSource::Told,
            answers,
        });
        self.end_if_all_told();
        Reply::done(said)
    }

    fn tell_confirm(&mut self, only: Option<&str>) -> Reply {
        let Some(pending) = self.state.pending.clone() else {
            return Reply::refused("no correction is open");
        };
        let open = |t: &&Turn| only.is_none_or(|name| t.group == name) && !pending.told.contains(&t.group);
        let turns: Vec<&Turn> = pending.correction.turns.iter().filter(open).collect();
        if turns.is_empty() {
            return Reply::refused(format!(
                "the open correction has no such group left: it is one of {}",
                self.group_names()
            ));
        }
        for turn in &turns {
            self.turned(turn, PowerSource::Told);
        }
        self.end_if_all_told();
        let names: Vec<&str> = turns.iter().map(|t| t.group.as_str()).collect();
        Reply::done(format!("taken as set: {}", names.join(", ")))
    }

    fn end_if_all_told(&mut self) {
        let all =
            self.state.pending.as_ref().is_some_and(|p| p.correction.turns.iter().all(|t| p.told.contains(&t.group)));
        if all {
            self.resolve(How::Told);
        }
    }

    fn tell_next(&mut self, planned: &Planned) -> Reply {
        let Some((look, last)) = self.state.reference().cloned().zip(self.state.last.clone()) else {
            return Reply::refused("there is no reference yet: shoot a frame first");
        };
        let Some(moved) = self.state.moved_alike() else {
            return Reply::refused(
                "it isn't known what the lights are set to since the reference: tell each group's power, or set a new reference",
            );
        };
        let mut settings = Settings { captured: None, ..last.subject.settings };
        settings.f_number = planned.f_number.or(settings.f_number);
        settings.iso = planned.iso.or(settings.iso);
        settings.exposure_time = planned.exposure_time.or(settings.exposure_time);
        let lighting =
            if self.config.lighting == Lighting::Continuous { Lighting::Continuous } else { Lighting::Flash };
        let Some(change) = expected(&look.subject.settings, &settings, lighting) else {
            return Reply::refused(
                "the reference's settings are not known, so nothing can be worked out from new ones",
            );
        };
        let wanted = -(change + moved);
        let correction = correct(&self.config.groups, &self.state.standings, wanted, &settings);
        let sentence = format!("For {}: {} stop at every light.", settings.in_short(), wanted);
        self.resolve(How::Withdrawn);
        let value = json!({"settings": settings, "correction": correction});
        if !correction.is_nothing() {
            self.stage(Body::Correction {
                purpose: Purpose::Next { settings: Box::new(settings) },
                correction: Box::new(correction.clone()),
                sentence: sentence.clone(),
            });
        }
        let mut says = vec![sentence];
        says.extend(correction.turns.iter().map(Turn::in_words));
        says.extend(correction.other_ways.iter().map(|w| w.in_words()));
        Reply::with(says.join("\n"), value)
    }

    fn tell_note(&mut self, text: &str) -> Reply {
        let text = text.trim();
        if text.is_empty() {
            return Reply::refused("a note needs words");
        }
        self.stage(Body::Note { text: text.to_owned() });
        Reply::done("noted")
    }
}

fn level_of(subject: &Subject) -> Option<Stops> {
    subject.metered.as_ref()?.reading(CENTRE).map(|r| r.level)
}

/// Meters a frame that was read: what the blocking workers do.
pub fn meter_subject(frame: crate::frame::Frame, response: &Response, spots: &[crate::meter::Spot]) -> FrameOutcome {
    let metered: Option<Metered> = frame.picture.as_ref().map(|p| crate::meter::meter(p, response, spots));
    FrameOutcome { subject: Subject { settings: frame.settings, metered }, notes: frame.notes }
}
