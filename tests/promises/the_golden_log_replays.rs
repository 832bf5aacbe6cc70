//! A log of an earlier day still means what it meant: the golden log replays to the golden status.

use std::fs;
use std::path::{Path, PathBuf};

use greyhold::config::{Config, curve_of_earlier_logs};
use greyhold::drift::observe;
use greyhold::outlet::plain::{Paint, block};
use greyhold::rig::Position;
use greyhold::session::{Board, Body, Record, State};

fn golden(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/golden").join(name)
}

/// A sitting of format 1, one of format 2 with raw files beside pictures and what they taught, one of format 3
/// with a light survey and a light that was forgotten, one of format 4 with words taken back and spots drawn,
/// one of an early form of format 5 with a damaged file that was passed over, one of its last form, and two of format 6 with every
/// kind of record.
const LOGS: [&str; 8] = ["sitting", "pairs", "survey", "drawn", "passed_over", "of_format_5", "eventful", "learned"];
/// Those that are written as they would be today.
const PRESENT: [&str; 2] = ["eventful", "learned"];

fn records(log: &str) -> Vec<Record> {
    let text = fs::read_to_string(golden(&format!("{log}.jsonl"))).unwrap();
    text.lines().map(|l| Record::from_line(l).unwrap()).collect()
}

fn replayed(log: &str) -> State {
    records(log).iter().fold(State::default(), |mut state, record| {
        state.apply(record);
        state
    })
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
    for log in LOGS {
        assert_is_golden(&format!("{log}.txt"), &as_text(&records(log)));
    }
}

#[test]
fn to_the_same_state() {
    for log in LOGS {
        assert_state_is_golden(log);
    }
}

fn assert_state_is_golden(log: &str) {
    let state = replayed(log);
    let setup = &state.sitting.setup;
    let line = |p: &Position| {
        let power = p.power().map(|power| power.below_full().0);
        format!("{}: {power:?} from full, moved {:?}\n", p.group, setup.since_reference(&p.group).map(|m| m.0))
    };
    let lights: String = setup.positions.iter().map(line).collect();
    let told = format!(
        "records {}\nframes {}\nlook {:?}\npending {:?}\n{lights}",
        state.sitting.records,
        state.sitting.frames,
        setup.current,
        setup.open.as_ref().map(|open| open.record.get()),
    );
    assert_is_golden(&format!("{log}.state.txt"), &told);
    let taken_up = |body: &Body| match body {
        Body::ExistingFiles { files, .. } => files.len(),
        Body::Frame(_) | Body::FileAdded { .. } => 1,
        _ => 0,
    };
    let taken_up: usize = records(log).iter().map(|r| taken_up(&r.body)).sum();
    assert_eq!(state.files.known().len(), taken_up);
}

/// A file that can't be read is not looked at again as long as it stays what it was.
#[test]
fn and_what_was_passed_over_is_known() {
    let turned_down = replayed("passed_over").files.turned_down();
    assert!(matches!(turned_down.as_slice(), [(name, state)] if name == "IMG_0003.JPG" && state.size == 3000));
    assert!(LOGS[..4].iter().all(|log| replayed(log).files.turned_down().is_empty()));
}

/// CHECK: each frame's own verdict, as the program that logged it saw it in light by its curve: the same readings taken
/// up in codes say the same drift of every spot.
#[test]
fn and_readings_that_were_light_say_in_codes_what_they_said() {
    let mut compared = 0;
    for log in LOGS {
        let mut state = State::default();
        for record in records(log) {
            let reference = state.sitting.setup.reference().map(|look| look.observation.clone());
            state.apply(&record);
            let (Body::Frame(frame), Some(reference)) = (&record.body, reference) else { continue };
            let Some(verdict) = &frame.verdict else { continue };
            let by = verdict.response.as_deref();
            let Some(by) =
                by.and_then(|name| curve_of_earlier_logs(name).or_else(|| state.sitting.curve(name).cloned()))
            else {
                continue;
            };
            let observation = &state.sitting.exposures.find(frame.frame).unwrap().observation;
            let raw = by.name == "raw";
            let both = reference.reading_of(raw).zip(observation.reading_of(raw)).unwrap();
            for told in &verdict.spots {
                let (then, now) = both.0.reading(&told.spot).zip(both.1.reading(&told.spot)).unwrap();
                let seen = observe(then, now, &by).unwrap();
                let off = (seen.drift - told.drift).abs().0;
                assert!(off < 0.005, "{log}, frame {}, {}: {} was {}", frame.frame, told.spot, seen.drift, told.drift);
                assert!((seen.usable - told.usable).abs() < 0.02, "{log}, {}: {}", told.spot, seen.usable);
                compared += 1;
            }
        }
    }
    assert!(compared >= 40, "{compared}");
}

/// What every screen is sent.
#[test]
fn to_the_same_board() {
    let present = Config::parse(include_str!("../../fixtures/three_groups.yaml"), "three_groups.yaml").unwrap();
    let earlier = include_str!("../../fixtures/golden/earlier_three_groups.yaml");
    let earlier = Config::parse(earlier, "earlier_three_groups.yaml").unwrap();
    for log in LOGS {
        let config = if PRESENT.contains(&log) { &present } else { &earlier };
        let board = Board::of(&replayed(log).sitting, config);
        assert_is_golden(&format!("{log}.board.json"), &(serde_json::to_string_pretty(&board).unwrap() + "\n"));
    }
}

/// Replaying in one go or stopping anywhere and going on is the same.
#[test]
fn from_any_point_on_to_the_same_state() {
    for log in LOGS {
        assert_stops_do_not_matter(&records(log));
    }
}

fn assert_stops_do_not_matter(records: &[Record]) {
    let fold = |from: State, records: &[Record]| {
        records.iter().fold(from, |mut state, record| {
            state.apply(record);
            state
        })
    };
    let whole = fold(State::default(), records);
    for stop in 0..records.len() {
        let half = fold(State::default(), &records[..stop]);
        assert_eq!(fold(half, &records[stop..]), whole, "stopped at {stop}");
    }
}

/// Keys of earlier days are written as those of today; nothing that they say is lost.
#[test]
fn and_every_line_is_written_back_with_all_that_it_says() {
    for log in LOGS {
        let text = fs::read_to_string(golden(&format!("{log}.jsonl"))).unwrap();
        for (line, record) in text.lines().zip(records(log)) {
            let written = record.to_line().unwrap();
            assert_eq!(Record::from_line(&written).unwrap(), record);
            assert!(!PRESENT.contains(&log) || written == line, "{line}");
        }
    }
}

/// The present format is in the published schema, kind by kind.
#[test]
fn and_every_line_is_as_the_schema_says() {
    let whole: serde_json::Value = serde_json::from_str(include_str!("../../config/messages.schema.json")).unwrap();
    let record = serde_json::json!({"$ref": "#/$defs/record", "$defs": whole["$defs"]});
    let schema = jsonschema::draft202012::new(&record).unwrap();
    for log in PRESENT {
        for line in fs::read_to_string(golden(&format!("{log}.jsonl"))).unwrap().lines() {
            let value: serde_json::Value = serde_json::from_str(line).unwrap();
            let faults: Vec<String> =
                schema.iter_errors(&value).map(|e| format!("{e} at {}", e.instance_path())).collect();
            assert!(faults.is_empty(), "{log}: {faults:?}");
        }
    }
}
