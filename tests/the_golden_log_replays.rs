//! A log of an earlier day still means what it meant: the golden log replays to the golden status.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs;
use std::path::{Path, PathBuf};

use greyhold::outlet::plain::{Paint, block};
use greyhold::session::{Body, Record, State};

fn golden(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/golden").join(name)
}

fn records() -> Vec<Record> {
    let text = fs::read_to_string(golden("sitting.jsonl")).unwrap();
    text.lines().map(|l| Record::from_line(l).unwrap()).collect()
}

/// What a person would read of the whole log.
fn as_text(records: &[Record]) -> String {
    records.iter().filter_map(|r| block(r, Paint::Plain)).map(|b| b + "\n").collect()
}

/// `GREYHOLD_WRITE_FIXTURES=1` writes the texts anew, to be looked at before they are committed.
fn assert_is_golden(name: &str, text: &str) {
    if std::env::var_os("GREYHOLD_WRITE_FIXTURES").is_some() {
        fs::write(golden(name), text).unwrap();
    }
    assert_eq!(text, fs::read_to_string(golden(name)).unwrap(), "{name}");
}

#[test]
fn to_the_same_words() {
    assert_is_golden("sitting.txt", &as_text(&records()));
}

#[test]
fn to_the_same_state() {
    let state = records().iter().fold(State::default(), |mut state, record| {
        state.apply(record);
        state
    });
    let lights: Vec<String> = state
        .standings
        .iter()
        .map(|s| {
            format!(
                "{}: {:?} from full, moved {:?}\n",
                s.group,
                s.power.map(|p| p.below_full().0),
                s.moved.map(|m| m.0)
            )
        })
        .collect();
    let told = format!(
        "records {}\nframes {}\nlook {:?}\npending {:?}\n{}",
        state.records,
        state.frames,
        state.current,
        state.pending.as_ref().map(|p| p.record),
        lights.concat()
    );
    assert_is_golden("sitting.state.txt", &told);
    assert_eq!(state.known_files().len() as u64, state.frames);
}

/// Replaying in one go or stopping anywhere and going on is the same.
#[test]
fn from_any_point_on_to_the_same_state() {
    let records = records();
    let fold = |from: State, records: &[Record]| {
        records.iter().fold(from, |mut state, record| {
            state.apply(record);
            state
        })
    };
    let whole = fold(State::default(), &records);
    for stop in 0..records.len() {
        let half = fold(State::default(), &records[..stop]);
        assert_eq!(fold(half, &records[stop..]), whole, "stopped at {stop}");
    }
}

#[test]
fn and_every_line_is_written_back_as_it_was() {
    let text = fs::read_to_string(golden("sitting.jsonl")).unwrap();
    for (line, record) in text.lines().zip(records()) {
        assert_eq!(record.to_line().unwrap(), line);
        assert!(!matches!(record.body, Body::Skipped { .. }));
    }
}
