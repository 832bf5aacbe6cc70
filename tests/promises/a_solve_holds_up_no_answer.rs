//! Who asks how it stands is answered while a frame is being judged, from what is logged before it; what is told meanwhile
//! counts after it.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

use crate::harness::Studio;
use crate::harness::random::Random;
use crate::harness::set::Set;
use crate::harness::sittings::{Lamps, Rig, Take, config, pose};
use greyhold::config::Curves;
use greyhold::container::Fingerprint;
use greyhold::frame::Frame;
use greyhold::intake::FileState;
use greyhold::session::{
    Begun, Command, Engine, FrameInput, Input, Landed, Ledger, MeteringPlan, Published, Record, State,
};
use serde_json::{Value, json};

/// Asks without a pause until told to stop; the status wherever one file was being judged while all was answered that only asks.
fn ask_all_the_while(studio: &Studio, stop: &Arc<AtomicBool>) -> std::thread::JoinHandle<Vec<Value>> {
    let (stop, mut client) = (Arc::clone(stop), studio.connect());
    std::thread::spawn(move || {
        let mut judging = Vec::new();
        while !stop.load(Ordering::Relaxed) {
            let before = client.ask(json!({"command": "status"}))["value"].clone();
            if before["judging"].is_null() {
                continue;
            }
            for asked in [json!({"command": "looks"}), json!({"command": "plan", "apertures": ["f/8"]})] {
                let reply = client.ask(asked);
                assert_eq!(reply["ok"], true, "{reply}");
            }
            if client.ask(json!({"command": "status"}))["value"]["judging"] == before["judging"] {
                judging.push(before);
            }
        }
        judging
    })
}

/// No clock is asked: an answer that tells which file is being judged can only have been given while it was.
#[test]
fn what_only_asks_is_answered_while_a_frame_is_judged() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    set.studio.tell(json!({"command": "survey"}));
    for firing in [Lamps::None, Lamps::Only(0), Lamps::Only(1), Lamps::Only(2), Lamps::All] {
        set.shoot_for_survey(firing);
    }
    let stop = Arc::new(AtomicBool::new(false));
    let asking: Vec<_> = (0..4).map(|_| ask_all_the_while(&set.studio, &stop)).collect();
    let random = &mut Random(5);
    for _ in 0..12 {
        set.take(Take { pose: pose(0.01, 2.0, random), ..set.usual() });
    }
    stop.store(true, Ordering::Relaxed);
    let answers: Vec<Value> = asking.into_iter().flat_map(|asking| asking.join().unwrap()).collect();
    assert!(!answers.is_empty(), "nobody was answered while one of twelve frames was judged");
    for status in answers {
        assert_ne!(status["last"]["file"], status["judging"], "what is judged is not logged yet");
    }
    let after = set.studio.tell(json!({"command": "status"}));
    assert!(after["value"]["judging"].is_null(), "{after}");
}

/// Keeps nothing.
struct NoDisk;

impl Ledger for NoDisk {
    fn append(&mut self, _: Vec<String>) -> bool {
        true
    }
}

/// An engine and what it published.
struct Heard {
    engine: Engine<NoDisk>,
    records: Arc<Mutex<Vec<Record>>>,
    random: Random,
}

impl Heard {
    fn new() -> Heard {
        let config = config(&Rig::portrait());
        let records = Arc::new(Mutex::new(Vec::new()));
        let heard = Arc::clone(&records);
        let publish = move |p: Published| heard.lock().unwrap().push(p.record);
        let clock = || "2026-03-02T10:00:00Z".parse().unwrap();
        let curves = Arc::new(Curves::stock_only());
        let mut engine = Engine::new(config, curves, State::default(), NoDisk, clock, publish);
        engine.open("test".to_owned(), "studio".to_owned());
        Heard { engine, records, random: Random(3) }
    }

    fn frame(&mut self, n: u64) -> Input {
        let rig = Rig::portrait();
        let take = Take { at: n as f64 * 20.0, ..Take::at_reference(&rig, n) };
        let picture = Some(take.shoot(&rig, &mut self.random));
        let frame = Frame { settings: take.settings(), picture, notes: Vec::new(), embedded: None };
        let state = FileState { size: n, modified_ns: 0, changed_ns: 0, inode: n };
        let (name, fingerprint) = (format!("frame_{n}.jpg"), Fingerprint::Whole(n));
        let file = Landed { name, is_raw: false, state, fingerprint, found_at_start: false, passed: false };
        let outcome = Ok(MeteringPlan::of(&config(&rig)).meter(frame));
        Input::Frame(Box::new(FrameInput { file, outcome }))
    }

    fn records(&self) -> Vec<Record> {
        self.records.lock().unwrap().clone()
    }

    fn frames_by_status(&self) -> Value {
        self.engine.asked(&Command::Status {}).answer().value["frames"].clone()
    }
}

fn warning() -> Input {
    Input::Warning("the lid of a box fell down".to_owned())
}

#[test]
fn what_comes_while_a_decision_is_out_counts_after_it() {
    let (mut in_turn, mut beside) = (Heard::new(), Heard::new());
    for n in 1..=3 {
        let frame = in_turn.frame(n);
        in_turn.engine.take(frame);
        in_turn.engine.take(warning());

        let frame = beside.frame(n);
        let before = beside.records();
        let Begun::Deciding(undecided) = beside.engine.begin(frame) else { panic!("nothing is to be decided") };
        beside.engine.take(warning());
        assert_eq!(beside.records(), before, "nothing is written while the decision is out");
        assert_eq!(beside.frames_by_status(), n - 1);
        let decided = std::thread::spawn(move || undecided.decide()).join().unwrap();
        beside.engine.finish(decided);
        assert_eq!(beside.frames_by_status(), n);
    }
    assert_eq!(beside.records(), in_turn.records());
}

/// The end doesn't wait for a decision that takes too long: its frame is not in the log, and is found by the next start.
#[test]
fn a_decision_that_is_given_up_leaves_no_trace() {
    let mut given_up = Heard::new();
    let frame = given_up.frame(1);
    let before = given_up.records();
    let Begun::Deciding(undecided) = given_up.engine.begin(frame.clone()) else { panic!("nothing is to be decided") };
    given_up.engine.take(warning());
    given_up.engine.give_up();
    let records = given_up.records();
    assert_eq!(records.len(), before.len() + 1, "the warning alone");
    drop(undecided);
    given_up.engine.take(frame);
    assert_eq!(given_up.frames_by_status(), 1);
}
