//! A log of many long sittings, made of one frame's records over and over, and how long it takes to list and to open them.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use greyhold::container::Fingerprint;
use greyhold::numbers::{FrameNumber, RecordNumber, SittingNumber};
use greyhold::outlet::shot_log::{ShotLog, read_within, segments, sittings, state_after};
use greyhold::session::{BegunBy, Body, Ledger, Record, SetUpIs, SittingStep, State, VERSION};

const FRAMES: u64 = 2_000;
/// Frames whose records are written and synced together.
const AT_ONCE: u64 = 50;
const COUNTS: [u64; 3] = [1, 10, 100];
const RUNS: usize = 5;

pub fn over_sittings(most: u64) {
    println!(
        "| sittings of {FRAMES} frames | log | listed by `greyhold sittings` | the middle one opened, at its end | its records read |"
    );
    println!("|---|---|---|---|---|");
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("shots.jsonl");
    let mut log = LongLog::begin(&path);
    for count in COUNTS.into_iter().filter(|count| *count <= most) {
        while log.sittings < count {
            log.add_sitting();
        }
        let listed = median(|| {
            let program = Command::new(env!("CARGO_BIN_EXE_greyhold")).arg("sittings").arg(&path).output().unwrap();
            assert!(program.status.success(), "{program:?}");
            assert_eq!(String::from_utf8_lossy(&program.stdout).lines().count() as u64, count + 1);
        });
        let all = sittings(&path).unwrap();
        let middle = &all.rows()[all.rows().len() / 2];
        let opened =
            median(|| assert_eq!(state_after(&path, middle.records[1]).unwrap().sitting.records, middle.records[1]));
        let read = median(|| {
            let mut frames = 0;
            read_within(&path, middle.records, |record| frames += u64::from(matches!(record.body, Body::Frame(_))))
                .unwrap();
            assert_eq!(frames, FRAMES);
        });
        let size: u64 = segments(&path).iter().map(|file| fs::metadata(file).unwrap().len()).sum();
        println!("| {count} | {} MiB | {:.2} s | {:.2} s | {:.2} s |", size >> 20, listed, opened, read);
    }
}

fn median(mut run: impl FnMut()) -> f64 {
    let mut times: Vec<Duration> = (0..RUNS)
        .map(|_| {
            let began = Instant::now();
            run();
            began.elapsed()
        })
        .collect();
    times.sort();
    times[RUNS / 2].as_secs_f64()
}

struct LongLog {
    log: ShotLog,
    state: State,
    sittings: u64,
    frames: u64,
    of_a_frame: Vec<Record>,
}

impl LongLog {
    fn begin(path: &Path) -> LongLog {
        let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/golden/of_format_5.jsonl");
        let golden: Vec<Record> =
            fs::read_to_string(golden).unwrap().lines().map(|line| Record::from_line(line).unwrap()).collect();
        // A frame of a set that was surveyed, as most are then.
        let of = |body: &Body| match body {
            Body::Frame(frame) => Some(frame.frame),
            Body::Judged(judgement) => Some(judgement.frame),
            _ => None,
        };
        let last = golden.iter().filter_map(|record| of(&record.body)).max();
        let of_a_frame = golden.into_iter().filter(|record| of(&record.body) == last).take(2).collect();
        let (log, _) = ShotLog::open(path).unwrap();
        LongLog { log, state: State::default(), sittings: 0, frames: 0, of_a_frame }
    }

    fn add_sitting(&mut self) {
        self.sittings += 1;
        if self.sittings > 1 {
            self.log.carry(&self.state.carried().unwrap());
            let sitting = SittingNumber::new(self.sittings);
            let set_up = Some(SetUpIs::Same);
            let step = SittingStep::Began { sitting, name: None, by: BegunBy::Told, set_up, shot: None };
            let lines = self.lines(vec![Body::Sitting { step }]);
            assert!(self.log.append(lines));
        }
        for _ in 0..FRAMES / AT_ONCE {
            let lines = (0..AT_ONCE)
                .flat_map(|_| {
                    let bodies = self.frame();
                    self.lines(bodies)
                })
                .collect();
            assert!(self.log.append(lines));
            if self.log.wants_state() {
                self.log.carry(&self.state.carried().unwrap());
            }
        }
    }

    fn frame(&mut self) -> Vec<Body> {
        self.frames += 1;
        let number = FrameNumber::new(self.frames);
        let anew = |record: &Record| match record.body.clone() {
            Body::Frame(mut frame) => {
                frame.frame = number;
                frame.file = format!("look_{:06}.jpg", self.frames);
                frame.fingerprint = Fingerprint::Whole(self.frames);
                Body::Frame(frame)
            }
            Body::Judged(mut judgement) => {
                judgement.frame = number;
                Body::Judged(judgement)
            }
            body => body,
        };
        self.of_a_frame.iter().map(anew).collect()
    }

    fn lines(&mut self, bodies: Vec<Body>) -> Vec<String> {
        let line = |body| {
            let n: RecordNumber = self.state.sitting.records.next();
            let record = Record { v: VERSION, n, at: self.of_a_frame[0].at, body };
            self.state.apply(&record);
            record.to_line().unwrap()
        };
        bodies.into_iter().map(line).collect()
    }
}
