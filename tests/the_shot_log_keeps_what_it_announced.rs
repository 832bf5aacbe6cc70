//! The shot log: torn tails, failing disks, tampering, two daemons. What was announced as logged is there.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod harness;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use greyhold::intake::FileState;
use greyhold::outlet::shot_log::{MOST_WAITING, ShotLog, read_since, segments};
use greyhold::outlet::storage::{Open, Storage, on_disk};
use greyhold::session::{Body, Ledger, Record, State, VERSION};
use harness::{Studio, shot, wait_for};

fn note(n: u64) -> String {
    let at = "2026-03-02T10:00:00Z".parse().unwrap();
    Record { v: VERSION, n, at, body: Body::Note { text: format!("note {n}") } }.to_line().unwrap()
}

fn read(log: &Path) -> Vec<u64> {
    let mut numbers = Vec::new();
    read_since(log, 1, |n, _| {
        numbers.push(n);
        true
    })
    .unwrap();
    numbers
}

fn home() -> (tempfile::TempDir, PathBuf) {
    let home = tempfile::tempdir().unwrap();
    let log = home.path().join("shots.jsonl");
    (home, log)
}

#[test]
fn cut_at_every_byte_it_keeps_all_whole_lines_and_goes_on() {
    let whole: String = (1..=3).map(|n| note(n) + "\n").collect();
    let line_ends: Vec<usize> = whole.match_indices('\n').map(|(i, _)| i + 1).collect();
    for cut in 0..whole.len() {
        let (_home, path) = home();
        fs::write(&path, &whole.as_bytes()[..cut]).unwrap();
        let good = line_ends.iter().filter(|end| **end <= cut).count() as u64;
        let (mut log, opened) = ShotLog::open(&path).unwrap();
        assert_eq!(opened.state.records, good, "cut at {cut}");
        let torn = cut > 0 && !line_ends.contains(&cut);
        assert_eq!(opened.damage.len(), usize::from(torn), "cut at {cut}: {:?}", opened.damage);
        assert!(log.append(vec![note(good + 1)]));
        assert_eq!(read(&path), (1..=good + 1).collect::<Vec<_>>(), "cut at {cut}");
        if torn {
            let kept = fs::read_dir(path.parent().unwrap())
                .unwrap()
                .flatten()
                .find(|e| e.path().to_string_lossy().contains("torn-"));
            let start = line_ends.iter().rev().find(|end| **end <= cut).copied().unwrap_or(0);
            assert_eq!(fs::read(kept.unwrap().path()).unwrap(), whole.as_bytes()[start..cut]);
        }
    }
}

#[test]
fn damage_in_the_middle_is_told_and_passed_over() {
    let (_home, path) = home();
    let mut bytes: Vec<u8> = (1..=4).flat_map(|n| (note(n) + "\n").into_bytes()).collect();
    bytes[note(1).len() + 20] ^= 1;
    bytes.extend_from_slice(b"\0\0\0\0\0\0");
    fs::write(&path, &bytes).unwrap();
    let (_log, opened) = ShotLog::open(&path).unwrap();
    assert_eq!(opened.state.records, 4);
    assert!(opened.damage.iter().any(|d| d.contains("line 2, is damaged")), "{:?}", opened.damage);
    assert!(
        opened.damage.iter().any(|d| d.contains("torn")),
        "zeros behind the end are a torn tail: {:?}",
        opened.damage
    );
    assert_eq!(read(&path), [1, 3, 4]);
}

#[test]
fn a_newer_format_is_refused_and_left_as_it_is() {
    let (_home, path) = home();
    let at = "2026-03-02T10:00:00Z".parse().unwrap();
    let line = Record { v: VERSION + 1, n: 1, at, body: Body::Closed }.to_line().unwrap() + "\n";
    fs::write(&path, &line).unwrap();
    let said = ShotLog::open(&path).err().unwrap().to_string();
    assert!(said.contains("newer greyhold"), "{said}");
    assert_eq!(fs::read_to_string(&path).unwrap(), line);
}

/// A disk whose n-th operation fails, and how.
#[derive(Clone, Copy, PartialEq)]
enum Fails {
    Write,
    /// Half of it is written, then the disk is full.
    ShortWrite,
    /// Like Linux after a failed write-back: the next sync succeeds, the data are gone.
    SyncLosingData,
    Cut,
}

struct Faulty {
    inner: Box<dyn Storage>,
    path: PathBuf,
    synced: u64,
    plan: Arc<Mutex<Vec<(Fails, usize)>>>,
}

impl Faulty {
    fn fails(&self, kinds: &[Fails]) -> Option<Fails> {
        let mut plan = self.plan.lock().unwrap();
        for (kind, countdown) in plan.iter_mut() {
            if kinds.contains(kind) {
                *countdown = countdown.saturating_sub(1);
                if *countdown == 0 {
                    *countdown = usize::MAX;
                    return Some(*kind);
                }
            }
        }
        None
    }
}

impl Storage for Faulty {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        match self.fails(&[Fails::Write, Fails::ShortWrite]) {
            Some(Fails::ShortWrite) => {
                self.inner.write(&bytes[..bytes.len() / 2])?;
                Err(io::ErrorKind::StorageFull.into())
            }
            Some(_) => Err(io::ErrorKind::StorageFull.into()),
            None => self.inner.write(bytes),
        }
    }

    fn sync(&mut self) -> io::Result<()> {
        if self.fails(&[Fails::SyncLosingData]).is_some() {
            fs::OpenOptions::new().write(true).open(&self.path)?.set_len(self.synced)?;
            return Err(io::Error::other("input/output error"));
        }
        self.inner.sync()?;
        self.synced = self.inner.state()?.size;
        Ok(())
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        if self.fails(&[Fails::Cut]).is_some() {
            return Err(io::ErrorKind::ReadOnlyFilesystem.into());
        }
        self.inner.cut(length)
    }

    fn state(&self) -> io::Result<FileState> {
        self.inner.state()
    }
}

fn faulty(plan: Vec<(Fails, usize)>) -> Open {
    let plan = Arc::new(Mutex::new(plan));
    let disk = on_disk();
    Box::new(move |path| {
        let inner = disk(path)?;
        let synced = inner.state()?.size;
        Ok(Box::new(Faulty { inner, path: path.to_owned(), synced, plan: Arc::clone(&plan) }) as Box<dyn Storage>)
    })
}

/// Every kind of failure at each of the first operations, alone and with a cut that fails, too: after
/// some retries every line is there once, in order, and none was called logged that isn't.
#[test]
fn every_single_failure_is_survived() {
    for kind in [Fails::Write, Fails::ShortWrite, Fails::SyncLosingData] {
        for nth in 1..=6 {
            for cut_fails in [false, true] {
                let mut plan = vec![(kind, nth)];
                plan.extend(cut_fails.then_some((Fails::Cut, 1)));
                let (_home, path) = home();
                let (mut log, _) = ShotLog::open_with(&path, faulty(plan)).unwrap();
                for n in 1..=6 {
                    if log.append(vec![note(n)]) {
                        assert_eq!(read(&path), (1..=n).collect::<Vec<_>>(), "announced as logged");
                    }
                }
                assert!(log.retry());
                assert_eq!(log.trouble(), None);
                drop(log);
                let (_log, opened) = ShotLog::open(&path).unwrap();
                assert_eq!(opened.state.records, 6);
                assert_eq!(read(&path), (1..=6).collect::<Vec<_>>());
            }
        }
    }
}

#[test]
fn after_a_failed_sync_the_lines_go_into_a_new_segment() {
    let (_home, path) = home();
    let (mut log, _) = ShotLog::open_with(&path, faulty(vec![(Fails::SyncLosingData, 2)])).unwrap();
    assert!(log.append(vec![note(1)]));
    assert!(!log.append(vec![note(2)]));
    assert!(log.retry());
    assert_eq!(segments(&path).len(), 2);
    assert_eq!(read(&path), [1, 2]);
}

#[test]
fn a_log_that_is_removed_cut_or_replaced_while_open_loses_nothing_new() {
    type Tamper = fn(&Path);
    let tampering: [Tamper; 3] = [
        |path| fs::remove_file(path).unwrap(),
        |path| fs::OpenOptions::new().write(true).open(path).unwrap().set_len(10).unwrap(),
        |path| {
            let copy = path.with_extension("copy");
            fs::copy(path, &copy).unwrap();
            fs::rename(&copy, path).unwrap();
        },
    ];
    for tamper in tampering {
        let (_home, path) = home();
        let (mut log, _) = ShotLog::open(&path).unwrap();
        assert!(log.append(vec![note(1)]));
        tamper(&path);
        log.append(vec![note(2)]);
        assert!(log.retry());
        assert!(read(&path).contains(&2));
    }
}

#[test]
fn memory_is_bounded_while_nothing_can_be_written() {
    let (_home, path) = home();
    let refused: Open = Box::new(|_| Err(io::ErrorKind::ReadOnlyFilesystem.into()));
    let (mut log, _) = ShotLog::open_with(&path, refused).unwrap();
    assert!(!log.append((1..=MOST_WAITING as u64).map(note).collect()));
    assert!(log.is_full());
    assert!(log.trouble().is_some());
}

#[test]
fn a_second_daemon_on_the_same_log_is_refused_with_the_first_ones_process() {
    let mut studio = Studio::open();
    let socket = studio.home.path().join("other.sock").display().to_string();
    studio.extra = vec!["--socket".into(), socket];
    let second = std::process::Command::new(env!("CARGO_BIN_EXE_greyhold"))
        .arg("watch")
        .arg(&studio.folder)
        .args(&studio.extra)
        .output()
        .unwrap();
    assert_eq!(second.status.code(), Some(75));
    let said = String::from_utf8_lossy(&second.stderr).into_owned();
    assert!(said.contains(&studio.pid().to_string()), "{said}");
    assert_eq!(said.trim().lines().count(), 1);
}

/// The log's folder is missing at the start and comes later, as a share that is mounted late.
#[test]
fn a_log_folder_that_takes_nothing_costs_no_frame() {
    let mut studio = Studio::empty();
    let place = studio.home.path().join("log");
    let log = place.join("shots.jsonl");
    studio.extra = vec!["--log".into(), log.display().to_string()];
    studio.start();
    let mut client = studio.connect();
    client.ask(serde_json::json!({"command": "listen"}));
    studio.put("a.jpg", &shot(8.0, 0.0, 1).jpeg());
    let message = loop {
        let message = client.next();
        if message["record"]["type"] == "frame" {
            break message;
        }
    };
    assert_eq!(message["logged"], false, "metered and announced, but not called logged");
    fs::create_dir(&place).unwrap();
    wait_for("the log to be written", || read(&log).len() >= 4);
    let (_, opened) = {
        studio.stop();
        ShotLog::open(&log).unwrap()
    };
    assert!(opened.damage.is_empty(), "{:?}", opened.damage);
    assert_eq!(opened.state.frames, 1);
    let text = fs::read_to_string(&log).unwrap();
    assert!(text.contains("CAN'T BE WRITTEN") && text.contains("nothing was lost"));
}

/// The state is the fold of the log: read back, it is what the daemon said it was.
#[test]
fn a_restart_knows_what_the_last_run_knew() {
    let mut studio = Studio::with_config(include_str!("../fixtures/three_groups.yaml"));
    studio.take("a.jpg", shot(14.0, 0.0, 1));
    studio.take("b.jpg", shot(7.1, 0.0, 2));
    studio.tell(serde_json::json!({"command": "confirm", "group": "key"}));
    studio.tell(serde_json::json!({"command": "note", "text": "hair fixed"}));
    let before = studio.tell(serde_json::json!({"command": "status"}))["value"].clone();
    studio.stop();
    studio.start();
    let after = studio.tell(serde_json::json!({"command": "status"}))["value"].clone();
    for key in ["frames", "look", "looks", "lights", "pending", "last"] {
        assert_eq!(after[key], before[key], "{key}");
    }
    let fold = studio.records().iter().fold(State::default(), |mut state, record| {
        state.apply(record);
        state
    });
    assert_eq!(fold.frames, 2);
    assert!(fold.pending.is_some());
}
