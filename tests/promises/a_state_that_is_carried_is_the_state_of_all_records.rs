//! A file of the log begins with the state so far: read back and gone on from, it is what all records from the first
//! one come to, whatever they are and wherever it was carried.

use std::path::Path;
use std::time::Instant;

use greyhold::container::Fingerprint;
use greyhold::intake::{FileState, KnownFile};
use greyhold::numbers::{FrameNumber, RecordNumber};
use greyhold::outlet::shot_log::{LogReader, Opened, ShotLog, read_since, segments};
use greyhold::photometry::{PowerSetting, Stops};
use greyhold::rig::GroupName;
use greyhold::session::{
    Body, Carried, FrameRecord, GroupPower, How, Ledger, Portion, PowerSource, Record, State, VERSION,
};
use proptest::prelude::*;

/// What real sittings of every format told.
fn told_once() -> Vec<Body> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/golden");
    let mut logs: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    logs.retain(|p| p.extension().is_some_and(|e| e == "jsonl"));
    logs.sort();
    assert!(logs.len() >= 4);
    let text: String = logs.iter().map(|log| std::fs::read_to_string(log).unwrap()).collect();
    text.lines().map(|line| Record::from_line(line).unwrap().body).collect()
}

fn names() -> impl Strategy<Value = String> {
    prop::sample::select(vec!["a.jpg", "B.JPG", "b.cr3", "sub folder/ü \"1\".jpg", "key", "fill", "Hair", ""])
        .prop_map(str::to_owned)
}

fn stops() -> impl Strategy<Value = Stops> {
    prop_oneof![(-30_i32..30).prop_map(|n| Stops(f64::from(n) / 3.0)), (-10.0..10.0).prop_map(Stops), Just(Stops(-0.0))]
}

fn power() -> impl Strategy<Value = Option<PowerSetting>> {
    prop::option::of(stops().prop_map(PowerSetting::from_full))
}

fn file_state() -> impl Strategy<Value = FileState> {
    (any::<u64>(), any::<i64>(), any::<i64>(), any::<u64>())
        .prop_map(|(size, modified_ns, changed_ns, inode)| FileState { size, modified_ns, changed_ns, inode })
}

fn fingerprint() -> impl Strategy<Value = Fingerprint> {
    prop_oneof![
        any::<u64>().prop_map(Fingerprint::Whole),
        any::<u64>().prop_map(Fingerprint::Sampled),
        any::<u32>().prop_map(Fingerprint::Head)
    ]
}

fn group() -> impl Strategy<Value = GroupName> {
    prop::sample::select(vec!["key", "fill", "hair", "Key", "Fill"]).prop_map(GroupName::from)
}

fn small_bodies() -> impl Strategy<Value = Body> {
    let known = (names(), file_state(), fingerprint()).prop_map(|(name, state, fingerprint)| KnownFile {
        name,
        state,
        fingerprint,
    });
    let groups = prop::collection::vec((group(), power()).prop_map(|(group, power)| GroupPower { group, power }), 0..4);
    let told = prop::sample::select(vec![PowerSource::Told, PowerSource::Seen, PowerSource::Inferred]);
    prop_oneof![
        (prop::collection::vec(known, 0..4), any::<bool>())
            .prop_map(|(files, last)| Body::ExistingFiles { files, last }),
        groups.prop_map(|groups| Body::Config { tolerance: Stops(0.1), groups, target: None }),
        (group(), power(), prop::option::of(stops()), told, prop::option::of((0_u64..40).prop_map(RecordNumber::new)))
            .prop_map(|(group, setting, moved, source, answers)| Body::Power {
                group,
                setting,
                shown: None,
                turned: None,
                moved,
                source,
                answers
            }),
        (group(), (1_u64..40).prop_map(RecordNumber::new)).prop_map(|(group, of)| Body::Undone { group, of }),
        (names(), names(), file_state()).prop_map(|(file, was, state)| Body::FileChanged { file, was, state }),
        (names(), prop::option::of(file_state())).prop_map(|(file, state)| Body::Skipped {
            file,
            why: "damaged".to_owned(),
            state
        }),
        names().prop_map(|look| Body::Look { look }),
        (
            (0_u64..40).prop_map(RecordNumber::new),
            prop::sample::select(vec![How::Observed, How::Confirmed, How::Withdrawn])
        )
            .prop_map(|(correction, how)| Body::Resolved { correction, how }),
    ]
}

/// Numbered, written and read, as any record is before it moves a state.
fn written(n: u64, body: Body) -> Record {
    let at = "2026-03-02T10:00:00Z".parse().unwrap();
    Record::from_line(&Record { v: VERSION, n: RecordNumber::new(n), at, body }.to_line().unwrap()).unwrap()
}

/// What a restart makes of the lines.
fn read_back(lines: &[String]) -> State {
    let mut carried = Carried::default();
    for line in lines {
        assert!(carried.take(&Portion::from_line(line).unwrap()));
    }
    assert!(carried.is_whole());
    carried.state().unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn after_any_record(
        bodies in prop::collection::vec(
            prop_oneof![
                (0..1000_usize).prop_map(|n| { let all = told_once(); all[n % all.len()].clone() }),
                small_bodies(),
                small_bodies(),
            ],
            1..40,
        )
    ) {
        let records: Vec<Record> = bodies.into_iter().zip(1..).map(|(body, n)| written(n, body)).collect();
        let mut whole = State::default();
        let mut carried_on = State::default();
        for record in &records {
            whole.apply(record);
            // Carried after every record and gone on from: it never strays.
            carried_on.apply(record);
            carried_on = read_back(&carried_on.carried().unwrap());
            prop_assert_eq!(&carried_on, &whole);
        }
        prop_assert_eq!(carried_on.carried().unwrap().len(), 1);
    }
}

/// Whole sittings in their order, which random records don't make: surveys that finish, corrections that are told.
#[test]
fn after_any_record_of_every_golden_log() {
    let mut whole = State::default();
    let mut carried_on = State::default();
    let mut curves = Vec::new();
    for (n, body) in (1..).zip(told_once()) {
        let record = written(n, body);
        whole.apply(&record);
        carried_on.apply(&record);
        if let Body::Response { response, .. } = &record.body {
            curves.push(response.clone());
        }
        carried_on = read_back(&carried_on.carried().unwrap());
        assert_eq!(carried_on, whole, "after record {n}");
    }
    let (whole, carried_on) = (whole.sitting, carried_on.sitting);
    assert!(whole.setup.surveyed.is_some() && !curves.is_empty());
    assert!(curves.iter().all(|name| carried_on.curve(name) == whole.curve(name) && whole.curve(name).is_some()));
}

/// A state that is too long for one line is written in several.
#[test]
fn in_as_many_lines_as_it_takes() {
    let mut state = State::default();
    let files = (0..20_000_u64).map(|n| KnownFile {
        name: format!("a folder/IMG_{n:05}.JPG"),
        state: FileState { size: n, modified_ns: n as i64, changed_ns: 1 << 60, inode: n },
        fingerprint: Fingerprint::Whole(n << 40),
    });
    state.apply(&written(1, Body::ExistingFiles { files: files.collect(), last: true }));
    let lines = state.carried().unwrap();
    assert!(lines.len() > 1 && lines.iter().all(|l| l.len() < 3 << 20));
    assert_eq!(read_back(&lines), state);
    for line in &lines {
        assert_eq!(Portion::after(line.as_bytes()), Some(RecordNumber::FIRST));
        assert_eq!(Record::number_in(line.as_bytes()), None);
        assert_eq!(Portion::after(&line.as_bytes()[..30]), Some(RecordNumber::FIRST));
    }
}

/// Ten thousand frames by way of the real log: a start reads its last file and knows what all of them say.
#[test]
fn after_ten_thousand_frames_a_start_reads_the_last_file_alone() {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("shots.jsonl");
    let frames: Vec<FrameRecord> = told_once()
        .into_iter()
        .filter_map(|body| match body {
            Body::Frame(frame) => Some(*frame),
            _ => None,
        })
        .collect();
    let (mut log, Opened { mut state, .. }) = ShotLog::open(&path).unwrap();
    let (mut bytes, mut carried) = (0, 0);
    for batch in 0..100_u64 {
        let lines: Vec<String> = (1..=100)
            .map(|n| {
                let frame = batch * 100 + n;
                let record = FrameRecord {
                    frame: FrameNumber::new(frame),
                    file: format!("IMG_{frame:05}.JPG"),
                    fingerprint: Fingerprint::Whole(frame << 33),
                    state: FileState { size: frame, modified_ns: frame as i64, changed_ns: 1 << 60, inode: frame },
                    ..frames[frame as usize % frames.len()].clone()
                };
                let record = written(frame, Body::Frame(Box::new(record)));
                state.apply(&record);
                record.to_line().unwrap()
            })
            .collect();
        bytes += lines.iter().map(|l| l.len() + 1).sum::<usize>();
        assert!(log.append(lines));
        if log.wants_state() {
            let lines = state.carried().unwrap();
            carried += lines.iter().map(|l| l.len() + 1).sum::<usize>();
            log.carry(&lines);
        }
    }
    drop(log);
    let began = Instant::now();
    let (log, opened) = ShotLog::open(&path).unwrap();
    let restart = began.elapsed();
    assert_eq!(opened.state, state);
    assert_eq!(opened.damage, Vec::<String>::new());
    drop(log);
    let began = Instant::now();
    let whole = state_of_all(&path);
    println!(
        "restart {restart:?}; replay of all {:?}; records {} MB, carried states {:.1} MB, last file {:.1} MB",
        began.elapsed(),
        bytes >> 20,
        carried as f64 / 1048576.0,
        std::fs::metadata(segments(&path).last().unwrap()).unwrap().len() as f64 / 1048576.0
    );
    assert_eq!(whole, state);
    let last = segments(&path).pop().unwrap();
    let read = std::fs::metadata(last).unwrap().len() as usize;
    assert!(read < bytes / 3, "a start reads {read} of {bytes} bytes");
    assert!(carried < bytes / 4, "{carried} bytes of states for {bytes} of records");
    let began = Instant::now();
    let mut reader = LogReader::new(&path, RecordNumber::FIRST);
    let mut told = 0;
    while let lines @ [_, ..] = reader.portion().unwrap().as_slice() {
        told += lines.len();
    }
    println!("all of it told in portions: {:?}", began.elapsed());
    assert_eq!(told, 10_000);
}

/// What all records from the first one on come to.
fn state_of_all(log: &Path) -> State {
    let mut state = State::default();
    read_since(log, RecordNumber::FIRST, |_, line| {
        state.apply(&Record::from_line(line).unwrap());
        true
    })
    .unwrap();
    state
}
