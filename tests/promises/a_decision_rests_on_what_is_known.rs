//! Deciding is a pure function: whatever comes in, in whatever order, the state is what its records say, nothing is
//! asked of a light that isn't there, and no exposure takes its own correction for carried out.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

use greyhold::advice::{Finding, FirstReference, Observation};
use greyhold::config::{Config, Curves};
use greyhold::container::Fingerprint;
use greyhold::drift::observe;
use greyhold::frame::{Captured, Colour, ColourTag, Frame, Picture, Proxy, Settings};
use greyhold::intake::FileState;
use greyhold::meter::{Spot, WHOLE, meter};
use greyhold::numbers::{FrameNumber, RecordNumber};
use greyhold::photometry::{ExposureTime, FNumber, IsoSpeed, Series, Stops};
use greyhold::response::{Response, ResponseChoice};
use greyhold::rig::GroupName;
use greyhold::session::{
    Body, Carried, Command, FrameInput, Input, Knowledge, Landed, MeteringPlan, Portion, Purpose, Record, Reply, State,
    SurveyAsk, VERSION, decide,
};
use jiff::civil::date;
use proptest::prelude::*;

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");
const WITHOUT_FILL: [&str; 2] = ["key", "rim"];
const F_NUMBERS: [f64; 6] = [14.0, 11.0, 8.0, 7.1, 5.6, 4.0];
const SIZE: (usize, usize) = (48, 32);

/// The light of a scene with tones over four stops, brighter by so much.
fn light(brighter: f64) -> impl Iterator<Item = Stops> {
    let tone = |at: usize| {
        let (x, y) = ((at % SIZE.0) as f64, (at / SIZE.0) as f64);
        -2.5 + 3.0 * x / SIZE.0 as f64 + 0.5 * (y / 3.0).sin()
    };
    (0..SIZE.0 * SIZE.1).map(move |at| Stops(tone(at) + brighter))
}

/// What a camera makes of it: a picture by a curve, or a raw file's linear light.
fn picture(brighter: f64, curve: Option<&Response>) -> Picture {
    let response = curve.cloned().unwrap_or_else(Response::srgb);
    let rgb = light(brighter).map(|light| [response.code(light).round().clamp(0.0, 255.0) as u8; 3]).collect();
    let linear = curve.is_none().then(|| light(brighter).map(|l| (0.18 * l.ratio()).min(1.0) as f32).collect());
    let proxy = Proxy { width: SIZE.0, height: SIZE.1, rgb };
    Picture { proxy, colour: Colour::of(None, Some(ColourTag::Srgb)), linear }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Files {
    Picture,
    Raw,
    PictureThenRaw,
    RawThenPicture,
    /// The raw file lands later: with [`Step::Late`].
    PictureThenLateRaw,
}

#[derive(Debug, Clone)]
enum Step {
    /// At an aperture, with all lights turned by so many thirds, or none of them firing.
    Shoot {
        aperture: usize,
        thirds: i32,
        fires: bool,
        files: Files,
    },
    Tell(Command),
    /// The oldest raw file that is still to land does.
    Late,
    /// The configuration has this group or not.
    Fill(bool),
    /// The files of an exposure are deleted, or only the first of them.
    Delete {
        back: usize,
        all: bool,
    },
    Restart,
}

/// A sitting without a disk or a clock.
struct Desk {
    state: State,
    config: Config,
    knowledge: Knowledge,
    records: Vec<Record>,
    shots: u64,
    /// Raw files that are still to land: of which shot, its aperture, how bright.
    late: VecDeque<(u64, FNumber, f64)>,
    /// The exposure that each correction was asked for by.
    asked_by: BTreeMap<RecordNumber, FrameNumber>,
    /// The files of each exposure, by its frame; those that are gone; and exposures that were told to be.
    files: BTreeMap<FrameNumber, Vec<String>>,
    gone: Vec<String>,
    removed: BTreeSet<FrameNumber>,
    /// After so many decisions the program is killed after one of the records of the next.
    killed: Option<(usize, usize)>,
}

impl Desk {
    /// The first frame is the reference, or the light is built first.
    fn new(reference: FirstReference) -> Desk {
        let config = Config { reference, ..Config::parse(RIG, "three_groups.yaml").unwrap() };
        let knowledge = Knowledge::new(Arc::new(Curves::stock_only()));
        let (state, records, asked_by) = (State::default(), Vec::new(), BTreeMap::new());
        let (late, files, gone, removed) = (VecDeque::new(), BTreeMap::new(), Vec::new(), BTreeSet::new());
        let mut desk =
            Desk { state, config, knowledge, records, shots: 0, late, asked_by, files, gone, removed, killed: None };
        desk.open();
        desk
    }

    fn open(&mut self) {
        self.put(Input::Opened { program: "test".into(), folder: "studio".into(), process: 1 });
    }

    /// Decides on an input, and takes up its records as a restart would from the log.
    fn put(&mut self, input: Input) -> Option<Reply> {
        let map = match &input {
            Input::Frame(frame) => frame.outcome.as_ref().ok().and_then(|o| o.light.clone()),
            _ => None,
        };
        let told = self.records.len();
        let asked = self.state.sitting.setup.open.as_ref().and_then(|open| match open.purpose {
            Purpose::Drift { frame } => Some((frame, open.correction.wanted)),
            Purpose::Next { .. } | Purpose::Look { .. } => None,
        });
        let decision = decide(&self.state, &self.config, &self.knowledge, input);
        let kept = self.records_kept(decision.records.len());
        for body in decision.records.into_iter().take(kept) {
            let at = "2026-03-02T10:00:00Z".parse().unwrap();
            let n = self.state.sitting.records.next();
            let line = Record { v: VERSION, n, at, body }.to_line().unwrap();
            let record = Record::from_line(&line).unwrap();
            self.state.apply(&record);
            self.check(&record);
            let of = match &record.body {
                Body::Frame(frame) => Some(frame.frame),
                Body::FileAdded { frame, .. } => Some(*frame),
                _ => None,
            };
            let file = match &record.body {
                Body::Frame(frame) => Some(&frame.file),
                Body::FileAdded { file, .. } => Some(file),
                _ => None,
            };
            if let Some((frame, file)) = of.zip(file) {
                self.files.entry(frame).or_default().push(file.clone());
                self.removed.remove(&frame);
            }
            if let Body::FileRemoved { frame, files } = &record.body {
                assert!(self.removed.insert(*frame), "frame {frame} is told twice");
                assert_eq!(files, &self.files[frame]);
                assert!(files.iter().all(|file| self.gone.contains(file)), "{files:?} of {:?}", self.gone);
            }
            if let Some((frame, map)) = of.zip(map.clone()) {
                self.knowledge.keep(frame, map);
            }
            self.records.push(record);
        }
        let (sitting, is_whole) = (&self.state.sitting, kept == usize::MAX);
        let tells_removals = self.records[told..].iter().any(|r| matches!(r.body, Body::FileRemoved { .. }));
        if let (Some((frame, wanted)), true) = (asked, tells_removals && is_whole && sitting.setup.open.is_none()) {
            let after = sitting.exposures.iter().filter(|e| e.frame > frame && e.counts() && !e.removed);
            for judged in after.filter_map(|e| e.judged.as_ref().map(|(_, judged)| judged)) {
                let wants = judged.verdict.wanted(self.config.tolerance);
                assert!(wants.is_none_or(|w| (w - wanted).abs() > Stops(0.1)), "frame {} asks for it", judged.frame);
            }
        }
        if let Some(Purpose::Drift { frame }) = sitting.setup.open.as_ref().map(|open| &open.purpose)
            && sitting.exposures.is_removed(*frame)
            && is_whole
        {
            let mut after = sitting.exposures.iter().filter(|e| e.frame > *frame && e.counts() && !e.removed);
            assert!(
                after.any(|e| e
                    .judged
                    .as_ref()
                    .is_some_and(|(_, j)| { j.verdict.drift.is_some() && j.verdict.finding != Finding::Matched })),
                "nobody asks for it"
            );
        }
        decision.reply
    }

    /// How many of the records of a decision reach the log.
    fn records_kept(&mut self, records: usize) -> usize {
        match self.killed.take() {
            Some((0, after)) if records > 0 => 1 + after % records,
            Some((decisions, after)) => {
                self.killed = Some((decisions.saturating_sub(1), after));
                usize::MAX
            }
            None => usize::MAX,
        }
    }

    fn check(&mut self, record: &Record) {
        let setup = &self.state.sitting.setup;
        for turn in setup.open.iter().flat_map(|open| &open.correction.dial_changes) {
            assert!(setup.position(&turn.group).is_some(), "'{}' is asked, and isn't there", turn.group);
        }
        let Body::Judged(judgement) = &record.body else { return };
        if let Some(ended) = &judgement.ended {
            let asked_by = self.asked_by.get(&ended.correction);
            assert_ne!(asked_by, Some(&judgement.frame), "a frame ends what it asked for itself: {judgement:?}");
        }
        if let Some(withdrawn) = judgement.withdraws {
            assert_eq!(self.asked_by.get(&withdrawn), Some(&judgement.frame), "only what it asked for itself");
        }
        if let Some(asked) = &judgement.correction {
            let is_last = self.state.sitting.exposures.iter().last().is_some_and(|e| e.frame == judgement.frame);
            let open = self.state.sitting.setup.open.as_ref();
            // What is asked now is what is open, unless words that came after have ended it.
            assert!(!is_last || asked.still.is_some() || open.is_some_and(|o| o.record == asked.number(record.n)));
            self.asked_by.insert(asked.number(record.n), judgement.frame);
        }
    }

    fn take(&mut self, step: &Step) {
        match step {
            Step::Shoot { aperture, thirds, fires, files } => self.shoot(*aperture, *thirds, *fires, *files),
            // Many a command is refused; that is an answer, too.
            Step::Tell(command) => {
                self.tell(command);
            }
            Step::Fill(is_there) => {
                let mut config = Config::parse(RIG, "three_groups.yaml").unwrap();
                config.response_curve = self.config.response_curve;
                config.groups.retain(|g| *is_there || WITHOUT_FILL.contains(&g.name.as_str()));
                self.config = config;
                self.put(Input::Configured);
            }
            Step::Late => {
                if let Some((shot, f_number, brighter)) = self.late.pop_front() {
                    self.land(shot, f_number, true, picture(brighter, None));
                }
            }
            Step::Delete { back, all } => self.delete(*back, *all),
            Step::Restart => self.restart(),
        }
    }

    fn tell(&mut self, command: &Command) -> bool {
        self.put(Input::Told { command: command.clone(), observation: None }).unwrap().ok
    }

    /// Deletes the files of the exposure that lies so far back, or the first of them.
    fn delete(&mut self, back: usize, all: bool) {
        let Some(files) = self.files.values().rev().nth(back) else { return };
        self.gone.extend(files.iter().take(if all { files.len() } else { 1 }).cloned());
        self.put(Input::Gone(self.gone.clone()));
    }

    /// Goes on from the state as a log's file begins with it; what only memory held is lost.
    fn restart(&mut self) {
        self.knowledge = Knowledge::new(Arc::new(Curves::stock_only()));
        self.restart_with_the_light();
    }

    /// The same, where the light of the last frames is found again.
    fn restart_with_the_light(&mut self) {
        let mut carried = Carried::default();
        for line in self.state.carried().unwrap() {
            assert!(carried.take(&Portion::from_line(&line).unwrap()));
        }
        let again = carried.state().unwrap();
        assert_eq!(again, self.state);
        self.state = again;
        self.open();
    }

    fn shoot(&mut self, aperture: usize, thirds: i32, fires: bool, files: Files) {
        self.shots += 1;
        let f_number = FNumber::new(F_NUMBERS[aperture], None, Series::Thirds).unwrap();
        // f/8 with nothing turned is exposed as it should be.
        let brighter = if fires { 6.0 - f_number.av().0 + f64::from(thirds) / 3.0 } else { -12.0 };
        let stock = Curves::stock_only().stock().clone();
        if files == Files::PictureThenLateRaw {
            self.late.push_back((self.shots, f_number, brighter));
        }
        let files = match files {
            Files::Picture | Files::PictureThenLateRaw => vec![false],
            Files::Raw => vec![true],
            Files::PictureThenRaw => vec![false, true],
            Files::RawThenPicture => vec![true, false],
        };
        for is_raw in files {
            self.land(self.shots, f_number, is_raw, picture(brighter, (!is_raw).then_some(&stock)));
        }
    }

    fn land(&mut self, shot: u64, f_number: FNumber, is_raw: bool, picture: Picture) {
        let at = date(2026, 3, 2).at(10, 0, 0, 0) + jiff::SignedDuration::from_secs(20 * shot as i64);
        let settings = Settings {
            f_number: Some(f_number),
            exposure_time: Some(ExposureTime::new(1.0 / 160.0, None, Series::Thirds).unwrap()),
            iso: Some(IsoSpeed::new(100.0).unwrap()),
            camera: Some("a made-up camera".to_owned()),
            captured: Some(Captured { local: at, offset: None, sub_seconds: true }),
            orientation: 1,
            ..Settings::default()
        };
        let inode = shot * 2 + u64::from(is_raw);
        let file = Landed {
            name: format!("frame_{shot}.{}", if is_raw { "dng" } else { "jpg" }),
            is_raw,
            state: FileState { size: inode, modified_ns: 0, changed_ns: 0, inode },
            fingerprint: Fingerprint::Whole(inode),
            found_at_start: false,
            passed: false,
        };
        let frame = Frame { settings, picture: Some(picture), notes: Vec::new(), embedded: None };
        let outcome = Ok(MeteringPlan::of(&self.config).meter(frame));
        let (name, input) = (file.name.clone(), FrameInput { file, outcome });
        let may_be_killed = self.killed.is_some();
        self.put(Input::Frame(Box::new(input.clone())));
        // What was accepted before a frame stands in the log before it: killed in between, the program finds the file anew.
        if may_be_killed && self.killed.is_none() && !self.files.values().flatten().any(|file| *file == name) {
            self.restart_with_the_light();
            self.put(Input::Frame(Box::new(input)));
        }
    }

    /// What all records from the first one on come to.
    fn replayed(&self) -> State {
        self.records.iter().fold(State::default(), |mut state, record| {
            state.apply(record);
            state
        })
    }
}

fn first_reference() -> impl Strategy<Value = FirstReference> {
    prop::sample::select(vec![FirstReference::FirstFrame, FirstReference::WhenAccepted])
}

fn group() -> impl Strategy<Value = GroupName> {
    prop::sample::select(vec!["key", "fill", "rim", "nobody"]).prop_map(GroupName::from)
}

fn setting() -> impl Strategy<Value = String> {
    prop::sample::select(vec!["1/4", "1/8", "1/8 +0.3", "7.0", "6.0", "62.5", "31.2 Ws"]).prop_map(str::to_owned)
}

fn name() -> impl Strategy<Value = Option<String>> {
    prop::option::of(prop::sample::select(vec!["soft", "hard"]).prop_map(str::to_owned))
}

fn commands() -> impl Strategy<Value = Command> {
    let next = (0..F_NUMBERS.len()).prop_map(|a| Command::Next {
        f_number: Some(format!("f/{}", F_NUMBERS[a])),
        iso: None,
        exposure_time: None,
        filter: None,
        camera_steps: None,
    });
    let ask = prop::sample::select(vec![SurveyAsk::Start, SurveyAsk::Skip, SurveyAsk::Stop]);
    prop_oneof![
        3 => (group(), setting()).prop_map(|(group, setting)| Command::Power { group, setting }),
        3 => prop::option::of(group()).prop_map(|group| Command::Confirm { group, correction: None }),
        2 => prop::option::of(group()).prop_map(|group| Command::Undo { group }),
        2 => next,
        1 => name().prop_map(|look| Command::Reference { file: None, look, frame: None }),
        1 => Just(Command::Accept { frame: None }),
        1 => Just(Command::NewSitter {}),
        1 => name().prop_map(|look| Command::Look { look: look.unwrap_or_else(|| "main".to_owned()) }),
        1 => ask.prop_map(|what| Command::Survey { what, groups: Vec::new() }),
    ]
}

fn shots() -> impl Strategy<Value = Step> {
    let files = prop::sample::select(vec![
        Files::Picture,
        Files::Raw,
        Files::PictureThenRaw,
        Files::RawThenPicture,
        Files::PictureThenLateRaw,
    ]);
    (0..F_NUMBERS.len(), -6..7_i32, prop::bool::weighted(0.9), files)
        .prop_map(|(aperture, thirds, fires, files)| Step::Shoot { aperture, thirds, fires, files })
}

fn steps() -> impl Strategy<Value = Step> {
    prop_oneof![
        6 => shots(),
        6 => commands().prop_map(Step::Tell),
        1 => any::<bool>().prop_map(Step::Fill),
        2 => (0..4_usize, any::<bool>()).prop_map(|(back, all)| Step::Delete { back, all }),
        2 => Just(Step::Late),
        1 => Just(Step::Restart),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// The checks of [`Desk::check`] hold after every record.
    #[test]
    fn the_state_is_what_its_records_say(
        reference in first_reference(),
        steps in prop::collection::vec(steps(), 1..25),
    ) {
        let mut desk = Desk::new(reference);
        steps.iter().for_each(|step| desk.take(step));
        prop_assert_eq!(&desk.replayed(), &desk.state);
    }

    #[test]
    fn telling_and_undoing_is_the_identity(
        reference in first_reference(),
        steps in prop::collection::vec(steps(), 1..20),
        told in prop::collection::vec((group(), setting(), any::<bool>()), 1..6),
    ) {
        let mut desk = Desk::new(reference);
        steps.iter().for_each(|step| desk.take(step));
        let before = desk.state.sitting.setup.clone();
        let mut taken = Vec::new();
        for (group, setting, confirms) in told {
            let command = if confirms {
                Command::Confirm { group: Some(group.clone()), correction: None }
            } else {
                Command::Power { group: group.clone(), setting }
            };
            if desk.tell(&command) {
                taken.push(group);
            }
        }
        for group in taken.into_iter().rev() {
            let is_undone = desk.tell(&Command::Undo { group: Some(group) });
            prop_assert!(is_undone);
        }
        prop_assert_eq!(&desk.state.sitting.setup, &before);
    }

    /// The two files of an exposure say the same in either order, also of what comes after.
    #[test]
    fn the_second_file_in_either_order_ends_in_the_same_state(
        reference in first_reference(),
        steps in prop::collection::vec(steps(), 0..12),
        (aperture, thirds, fires) in (0..F_NUMBERS.len(), -6..7_i32, prop::bool::weighted(0.9)),
        after in shots(),
    ) {
        let ends = [Files::PictureThenRaw, Files::RawThenPicture].map(|files| {
            let mut desk = Desk::new(reference);
            // What a lesson teaches depends on when it was given. Here all pictures go by one curve, and not by their own.
            desk.config.response_curve = ResponseChoice::Srgb;
            steps.iter().for_each(|step| desk.take(step));
            desk.shoot(aperture, thirds, fires, files);
            let then = what_matters(&desk);
            desk.take(&after);
            (then, what_matters(&desk))
        });
        let [(one, after_one), (two, after_two)] = &ends;
        prop_assert!(is_same(one, two), "{one}\n{two}");
        prop_assert!(is_same(after_one, after_two), "{after_one}\n{after_two}");
    }

    /// Killed between the records of a decision on a frame, and started again.
    #[test]
    fn a_restart_between_the_records_of_a_decision_ends_in_the_same_state(
        reference in first_reference(),
        steps in prop::collection::vec(steps(), 0..12),
        (aperture, thirds, fires) in (0..F_NUMBERS.len(), -6..7_i32, prop::bool::weighted(0.9)),
        files in prop::sample::select(vec![Files::Picture, Files::Raw, Files::PictureThenRaw, Files::RawThenPicture]),
        after in 0..12_usize,
    ) {
        let ends = [false, true].map(|is_killed| {
            let mut desk = Desk::new(reference);
            steps.iter().for_each(|step| desk.take(step));
            // The frames of a survey are taken for it by records of their own.
            desk.tell(&Command::Survey { what: SurveyAsk::Stop, groups: Vec::new() });
            let of_two = matches!(files, Files::PictureThenRaw | Files::RawThenPicture);
            desk.killed = is_killed.then_some((usize::from(of_two), after));
            desk.shoot(aperture, thirds, fires, files);
            desk.restart_with_the_light();
            what_matters(&desk)
        });
        prop_assert!(is_same(&ends[0], &ends[1]), "{}\n{}", ends[0], ends[1]);
    }

    /// CHECK: a change of light has the sign of its direction, and a frame none against itself (definition).
    #[test]
    fn a_change_turned_about_is_minus_the_change(a in -1.5..1.5_f64, b in -1.5..1.5_f64) {
        let stock = Curves::stock_only().stock().clone();
        let [first, second] = [a, b].map(|brighter| {
            meter(&picture(brighter, Some(&stock)), &Spot::ready()).reading(WHOLE).unwrap().clone()
        });
        let there = observe(&first, &second, &stock).unwrap();
        let back = observe(&second, &first, &stock).unwrap();
        prop_assert!((there.drift + back.drift).abs() <= Stops(0.005), "{} and {}", there.drift, back.drift);
        prop_assert_eq!(observe(&first, &first, &stock).unwrap().drift, Stops::ZERO);
    }
}

/// What a state says that doesn't depend on which file came first: positions, what is asked, the last verdict.
fn what_matters(desk: &Desk) -> String {
    let setup = &desk.state.sitting.setup;
    let positions: Vec<_> = setup.positions.iter().map(|p| (p, setup.since_reference(&p.group))).collect();
    let open = setup.open.as_ref().map(|open| (&open.correction.dial_changes, &open.confirmed));
    let last = setup.last.as_ref().map(|last| (last.frame, &last.verdict, readings(&last.observation)));
    let looks: Vec<_> =
        setup.looks.iter().map(|(name, l)| (name, l.frame, &l.marks, readings(&l.observation))).collect();
    let told =
        format!("{positions:?}\n{open:?}\n{last:?}\n{looks:?}\n{:?} {:?}", setup.current, setup.surveying.is_some());
    // A learned curve bears the number of its record, and the last decimal is the log's.
    let parts = told.split("learned ").map(|part| part.trim_start_matches(|c: char| c.is_ascii_digit()));
    parts.collect::<Vec<_>>().join("learned ")
}

/// The same words, and numbers of stops that differ by less than anybody could read.
fn is_same(a: &str, b: &str) -> bool {
    let parts = |told: &str| -> Vec<(f64, String)> {
        let number = |part: &str| {
            let (number, rest) = part.split_once(')').unwrap_or(("", part));
            number.parse().map_or_else(|_| (0.0, part.to_owned()), |number| (number, rest.to_owned()))
        };
        told.split("Stops(").map(number).collect()
    };
    let (a, b) = (parts(a), parts(b));
    a.len() == b.len() && a.iter().zip(&b).all(|((x, text), (y, other))| text == other && (x - y).abs() < 0.002)
}

fn readings(observation: &Observation) -> [bool; 2] {
    [true, false].map(|raw| observation.reading_of(raw).is_some())
}
