//! Shot logs without a program that writes them.

use std::path::{Path, PathBuf};

use greyhold::numbers::{FrameNumber, RecordNumber};
use greyhold::outlet::shot_log::read_since;
use greyhold::session::{Body, FrameRecord, Judgement, Record, ReferenceBy, VERSION};
use tempfile::TempDir;

/// A folder of its own for a log that isn't there yet.
pub fn home() -> (TempDir, PathBuf) {
    let home = tempfile::tempdir().unwrap();
    let log = home.path().join("shots.jsonl");
    (home, log)
}

/// A record as its line.
pub fn note(n: u64) -> String {
    let at = "2026-03-02T10:00:00Z".parse().unwrap();
    Record { v: VERSION, n: RecordNumber::new(n), at, body: Body::Note { text: format!("note {n}") } }
        .to_line()
        .unwrap()
}

/// The numbers of the records that a reader finds.
pub fn read(log: &Path) -> Vec<u64> {
    let mut numbers = Vec::new();
    read_since(log, RecordNumber::FIRST, |n, _| {
        numbers.push(n.get());
        true
    })
    .unwrap();
    numbers
}

/// A log of a sitting with so many frames, made of the golden one's: of twenty frames one is off, the others match the first.
pub fn long(log: &Path, frames: u64) {
    let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/golden/of_format_5.jsonl");
    let golden = std::fs::read_to_string(golden).unwrap();
    let golden: Vec<Body> = golden.lines().map(|line| Record::from_line(line).unwrap().body).collect();
    let frame = |number: u64| {
        let is_it = |body: &&Body| matches!(body, Body::Frame(frame) if frame.frame.get() == number);
        let Some(Body::Frame(frame)) = golden.iter().find(is_it) else { panic!("frame {number}") };
        frame.clone()
    };
    let judgement = |number: u64| {
        let is_it = |body: &&Body| matches!(body, Body::Judged(judged) if judged.frame.get() == number);
        let Some(Body::Judged(judged)) = golden.iter().find(is_it) else { panic!("a judgement of {number}") };
        judged.clone()
    };
    let (first, matching, off) = ((frame(1), judgement(1)), (frame(9), judgement(9)), (frame(10), judgement(10)));
    let of_kind = |is_it: fn(&Body) -> bool| golden.iter().find(|body| is_it(body)).unwrap().clone();
    let mut bodies = vec![
        of_kind(|body| matches!(body, Body::Opened { .. })),
        of_kind(|body| matches!(body, Body::Config { .. })),
        Body::Frame(first.0),
        Body::Judged(first.1),
        of_kind(|body| matches!(body, Body::Reference { by: ReferenceBy::Accepted, .. })),
    ];
    for number in 2..=frames {
        let (frame, judged) = if number % 20 == 0 { &off } else { &matching };
        let file = format!("frame_{number:05}.jpg");
        bodies.push(Body::Frame(Box::new(FrameRecord { frame: FrameNumber::new(number), file, ..(**frame).clone() })));
        let verdict = judged.verdict.clone();
        bodies.push(Body::Judged(Box::new(Judgement::without_effect(
            FrameNumber::new(number),
            judged.occasion,
            verdict,
        ))));
    }
    let began: jiff::Timestamp = "2026-03-02T10:00:00Z".parse().unwrap();
    let mut text = String::new();
    for (n, body) in (1..).zip(bodies) {
        let at = began + jiff::SignedDuration::from_secs(n as i64);
        text += &(Record { v: VERSION, n: RecordNumber::new(n), at, body }.to_line().unwrap() + "\n");
    }
    std::fs::write(log, text).unwrap();
}
