//! A record that can't be written down, and records that nothing can be done with any more because the disk takes none:
//! neither goes by in silence, and neither fills the memory.

use std::io;
use std::sync::{Arc, Mutex};

use crate::harness::random::Random;
use crate::harness::sittings::{Rig, Take, config};
use greyhold::config::{Config, Curves};
use greyhold::container::Fingerprint;
use greyhold::intake::FileState;
use greyhold::numbers::{FrameNumber, RecordNumber};
use greyhold::outlet::shot_log::{MOST_WAITING, ShotLog};
use greyhold::outlet::storage::{Open, on_disk};
use greyhold::session::{
    Begun, Body, Command, Engine, FrameInput, Input, Landed, Ledger, MeteredFrame, MeteringPlan, Published, Record,
    State,
};

type Told = Arc<Mutex<Vec<Record>>>;

fn engine<L: Ledger>(ledger: L, config: &Config) -> (Engine<L>, Arc<Curves>, Told) {
    let curves = Arc::new(Curves::stock_only());
    let told = Told::default();
    let heard = Arc::clone(&told);
    let publish = move |p: Published| heard.lock().unwrap().push(p.record);
    let clock = || "2026-03-02T10:00:00Z".parse().unwrap();
    (Engine::new(config.clone(), Arc::clone(&curves), State::default(), ledger, clock, publish), curves, told)
}

fn note(text: &str) -> Command {
    Command::Note { text: text.to_owned() }
}

/// Keeps lines in memory.
#[derive(Clone, Default)]
struct Kept(Arc<Mutex<Vec<String>>>);

impl Ledger for Kept {
    fn append(&mut self, lines: Vec<String>) -> bool {
        self.0.lock().unwrap().extend(lines);
        true
    }
}

fn landed(n: u64) -> Landed {
    let state = FileState { size: n, modified_ns: 0, changed_ns: 0, inode: n };
    Landed {
        name: format!("frame_{n}.jpg"),
        is_raw: false,
        state,
        fingerprint: Fingerprint::Whole(n),
        found_at_start: false,
        passed: false,
    }
}

#[test]
fn a_frame_with_a_number_that_no_log_can_hold_is_told_and_its_number_is_not_used_twice() {
    let rig = Rig::portrait();
    let config = config(&rig);
    let kept = Kept::default();
    let (mut engine, _, told) = engine(kept.clone(), &config);
    let metering = MeteringPlan::of(&config);
    engine.open("test".to_owned(), "studio".to_owned());
    let random = &mut Random(1);
    for n in 1..=4_u64 {
        let take = Take { at: n as f64 * 20.0, ..Take::at_reference(&rig, n) };
        let picture = Some(take.shoot(&rig, random));
        let mut outcome: MeteredFrame = metering.meter(greyhold::frame::Frame {
            settings: take.settings(),
            picture,
            notes: Vec::new(),
            embedded: None,
        });
        if n % 2 == 0 {
            outcome.observation.metered.as_mut().unwrap().readings[0].level = f64::NAN;
        }
        engine.take(Input::Frame(Box::new(FrameInput { file: landed(n), outcome: Ok(outcome) })));
    }
    let lines = kept.0.lock().unwrap();
    let records: Vec<Record> = lines.iter().map(|line| Record::from_line(line).unwrap()).collect();
    assert_eq!(records, *told.lock().unwrap());
    assert!(records.iter().zip(1..).all(|(r, n)| r.n.get() == n), "each number once");
    let frames: Vec<(FrameNumber, String)> = records
        .iter()
        .filter_map(|r| match &r.body {
            Body::Frame(frame) => Some((frame.frame, frame.file.clone())),
            _ => None,
        })
        .collect();
    assert_eq!(
        frames,
        [(FrameNumber::new(1), "frame_1.jpg".to_owned()), (FrameNumber::new(2), "frame_3.jpg".to_owned())]
    );
    for file in ["frame_2.jpg", "frame_4.jpg"] {
        let is_passed_over = |r: &Record| matches!(&r.body, Body::Skipped { file: f, .. } if f == file);
        let is_warned_of = |r: &Record| matches!(&r.body, Body::Warning { text } if text.contains(file));
        assert!(records.iter().any(is_passed_over) && records.iter().any(is_warned_of), "{file}");
    }
}

#[test]
fn what_is_told_while_nothing_can_be_written_is_bounded_and_refused_beyond_that() {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("shots.jsonl");
    let is_full = Arc::new(Mutex::new(true));
    let full = Arc::clone(&is_full);
    let disk = on_disk();
    let open: Open =
        Box::new(move |path| if *full.lock().unwrap() { Err(io::ErrorKind::StorageFull.into()) } else { disk(path) });
    let (log, _) = ShotLog::open_with(&path, open).unwrap();
    let (mut engine, curves, told) = engine(log, &Config::default());
    engine.open("test".to_owned(), "studio".to_owned());
    let mut taken = 0;
    while engine.command(&note("again"), None).ok {
        taken += 1;
        assert!(taken <= MOST_WAITING, "there is no bound");
    }
    let refusal = engine.command(&note("once more"), None);
    assert!(!refusal.ok && refusal.message.contains("the shot log can't be written"), "{}", refusal.message);
    assert!(engine.command(&Command::Status {}, None).ok, "what tells nothing is answered");
    for n in 0..1000 {
        engine.take(Input::Warning(format!("warning {n}")));
        let begun = engine.configure(Config::default(), Arc::clone(&curves));
        assert!(matches!(begun, Begun::Over(None)), "what can't be kept is not decided on");
    }
    assert_eq!(engine.ledger().waiting(), MOST_WAITING);
    *is_full.lock().unwrap() = false;
    engine.retry();
    assert_eq!(engine.ledger().waiting(), 0);
    assert!(engine.command(&note("at last"), None).ok);
    let records = told.lock().unwrap();
    let tail: Vec<&Body> = records[MOST_WAITING..].iter().map(|r| &r.body).collect();
    assert!(matches!(tail[0], Body::Config { .. }), "{tail:?}");
    assert!(matches!(tail[1], Body::Warning { text } if text.contains("1000")), "{tail:?}");
    assert!(matches!(tail[2], Body::Note { text } if text == "at last") && tail.len() == 3, "{tail:?}");
    let mut numbers = 0;
    greyhold::outlet::shot_log::read_since(&path, RecordNumber::FIRST, |n, _| {
        numbers += 1;
        n.get() == numbers
    })
    .unwrap();
    assert_eq!(numbers, records.len() as u64);
}
