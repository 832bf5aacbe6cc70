//! The shot log: torn tails, failing disks, tampering, two daemons. What was announced as logged is there.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use crate::harness::logs::{home, note, read};
use crate::harness::process::run;
use crate::harness::{Studio, shot, wait_for};
use greyhold::container::Fingerprint;
use greyhold::intake::{FileState, KnownFile};
use greyhold::numbers::RecordNumber;
use greyhold::outlet::shot_log::{
    LogReader, LogWriter, MOST_WAITING, ShotLog, health, read_since, segments, state_after,
};
use greyhold::outlet::storage::{Open, Storage, on_disk};
use greyhold::session::{Body, Ledger, Portion, Record, State, VERSION};

#[test]
fn cut_at_every_byte_it_keeps_all_whole_lines_and_goes_on() {
    let whole: String = (1..=3).map(|n| note(n) + "\n").collect();
    let line_ends: Vec<usize> = whole.match_indices('\n').map(|(i, _)| i + 1).collect();
    for cut in 0..whole.len() {
        let (_home, path) = home();
        fs::write(&path, &whole.as_bytes()[..cut]).unwrap();
        // A line that lacks nothing but its end is whole.
        let good = line_ends.iter().filter(|end| **end <= cut + 1).count() as u64;
        let (mut log, opened) = ShotLog::open(&path).unwrap();
        assert_eq!(opened.state.sitting.records.get(), good, "cut at {cut}");
        let torn = cut > 0 && !line_ends.contains(&cut) && !line_ends.contains(&(cut + 1));
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
    assert_eq!(opened.state.sitting.records.get(), 4);
    assert!(opened.damage.iter().any(|d| d.contains("line 2, is damaged")), "{:?}", opened.damage);
    assert!(
        opened.damage.iter().any(|d| d.contains("torn")),
        "zeros behind the end are a torn tail: {:?}",
        opened.damage
    );
    assert_eq!(read(&path), [1, 3, 4]);
}

#[test]
fn many_damaged_lines_are_told_in_one_sentence() {
    let (_home, path) = home();
    let damaged: String = (2..=900).map(|n| format!("nothing of a log's {n}\n")).collect();
    fs::write(&path, format!("{}\n{damaged}{}\n", note(1), note(2))).unwrap();
    let (_log, opened) = ShotLog::open(&path).unwrap();
    assert_eq!(opened.state.sitting.records.get(), 2);
    assert_eq!(opened.damage.len(), 1, "{:?}", opened.damage);
    assert!(opened.damage[0].contains("lines 2 to 900, are damaged and were passed over"), "{:?}", opened.damage);
}

#[test]
fn an_end_that_is_longer_than_any_record_is_never_cut() {
    let (_home, path) = home();
    let begin = note(1) + "\n";
    for (length, is_taken) in [(16 << 20, true), ((16 << 20) + 1, false)] {
        let bytes = [begin.as_bytes(), &vec![b'x'; length]].concat();
        fs::write(&path, &bytes).unwrap();
        match ShotLog::open(&path) {
            Ok((_, opened)) => {
                assert!(is_taken && opened.damage[0].contains("torn"), "{length}: {:?}", opened.damage);
                assert_eq!(fs::read_to_string(&path).unwrap(), begin);
            }
            Err(e) => {
                assert!(!is_taken && e.to_string().contains("more than a torn end"), "{length}: {e}");
                assert!(fs::read(&path).unwrap() == bytes, "it was changed");
            }
        }
    }
}

/// A disk whose syncs wait while the gate is shut.
struct Hanging {
    inner: Box<dyn Storage>,
    gate: Arc<Mutex<()>>,
}

impl Storage for Hanging {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.inner.write(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        let _open = self.gate.lock().unwrap();
        self.inner.sync()
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.inner.cut(length)
    }

    fn state(&self) -> io::Result<FileState> {
        self.inner.state()
    }
}

#[test]
fn a_disk_that_hangs_holds_up_nobody_and_everything_is_written_once_it_answers() {
    let (_home, path) = home();
    let (gate, disk) = (Arc::new(Mutex::new(())), on_disk());
    let of_disk = Arc::clone(&gate);
    let open: Open = Box::new(move |path| {
        let hanging = Hanging { inner: disk(path)?, gate: Arc::clone(&of_disk) };
        Ok(Box::new(hanging) as Box<dyn Storage>)
    });
    let mut log = LogWriter::of(ShotLog::open_with(&path, open).unwrap().0);
    let shut = gate.lock().unwrap();
    let began = Instant::now();
    // Waiting for each of them would take minutes.
    for n in 1..=1000 {
        assert!(!log.append(vec![note(n)]), "record {n} was announced as logged");
    }
    assert!(began.elapsed() < Duration::from_secs(60), "{:?}", began.elapsed());
    assert_eq!(log.waiting(), 1000);
    while log.trouble().is_none() {
        log.retry();
    }
    assert!(log.trouble().unwrap().contains("doesn't answer") && !log.is_full() && !log.wants_state());
    while !log.is_full() {
        let n = log.waiting() as u64 + 1;
        log.append(vec![note(n)]);
    }
    assert_eq!(log.waiting(), MOST_WAITING);
    drop(shut);
    while !log.retry() {}
    assert!(log.trouble().is_none() && log.waiting() == 0);
    assert!(log.append(vec![note(MOST_WAITING as u64 + 1)]), "a healthy disk is waited for");
    log.end(Duration::from_secs(60)).unwrap();
    let numbers = read(&path);
    assert!(numbers.iter().copied().eq(1..=MOST_WAITING as u64 + 1), "each once, in order");
    assert!(ShotLog::open(&path).is_ok(), "its lock is given back at the end");
}

#[test]
fn a_newer_format_is_refused_and_left_as_it_is() {
    let (_home, path) = home();
    let at = "2026-03-02T10:00:00Z".parse().unwrap();
    let line = Record { v: VERSION + 1, n: RecordNumber::FIRST, at, body: Body::Closed }.to_line().unwrap() + "\n";
    fs::write(&path, &line).unwrap();
    let said = ShotLog::open(&path).err().unwrap().to_string();
    assert!(said.contains("newer greyhold"), "{said}");
    assert_eq!(fs::read_to_string(&path).unwrap(), line);
}

/// A disk whose n-th operation fails, and how.
#[derive(Debug, Clone, Copy, PartialEq)]
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
                assert_eq!(opened.state.sitting.records.get(), 6);
                assert_eq!(read(&path), (1..=6).collect::<Vec<_>>());
            }
        }
    }
}

/// The same with the state carried into a new file after every second line: whichever operation fails, a restart
/// knows every line, and no file begins with a state that its records don't come to.
#[test]
fn every_single_failure_while_a_file_is_ended_is_survived() {
    for kind in [Fails::Write, Fails::ShortWrite, Fails::SyncLosingData] {
        for nth in 1..=12 {
            for cut_fails in [false, true] {
                let mut plan = vec![(kind, nth)];
                plan.extend(cut_fails.then_some((Fails::Cut, 1)));
                let (_home, path) = home();
                let (mut log, opened) = ShotLog::open_with(&path, faulty(plan)).unwrap();
                let mut state = opened.state;
                for n in 1..=8 {
                    let line = note(n);
                    state.apply(&Record::from_line(&line).unwrap());
                    let logged = log.append(vec![line]);
                    if logged && n % 2 == 0 {
                        log.carry(&state.carried().unwrap());
                    }
                }
                assert!(log.retry());
                drop(log);
                let what = format!("{kind:?} {nth}, cut fails: {cut_fails}");
                assert_eq!(read(&path), (1..=8).collect::<Vec<_>>(), "{what}");
                let health = health(&path).unwrap();
                assert!(health.strayed.is_empty() && health.missing == 0, "{what}: {health:?}");
                let (_log, opened) = ShotLog::open(&path).unwrap();
                assert_eq!(opened.state, state, "{what}");
            }
        }
    }
}

/// A disk that says after every write that it could not keep it, as some shares do.
struct NeverKeeps(Box<dyn Storage>);

impl Storage for NeverKeeps {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.write(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        Err(io::Error::other("input/output error"))
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.0.cut(length)
    }

    fn state(&self) -> io::Result<FileState> {
        self.0.state()
    }
}

#[test]
fn a_disk_that_never_keeps_anything_is_left_alone_longer_and_longer_and_told_once() {
    let (home, path) = home();
    let disk = on_disk();
    let open: Open = Box::new(move |path| Ok(Box::new(NeverKeeps(disk(path)?)) as Box<dyn Storage>));
    let began = Instant::now();
    let passed = Arc::new(Mutex::new(Duration::ZERO));
    let clock = Arc::clone(&passed);
    let (mut log, _) = ShotLog::open_by(&path, open, Box::new(move || began + *clock.lock().unwrap())).unwrap();
    let mut told = Vec::new();
    // An hour, a frame every ten seconds and an attempt every half second.
    for n in 1..=360 {
        assert!(!log.append(vec![note(n)]));
        for _ in 0..20 {
            *passed.lock().unwrap() += Duration::from_millis(500);
            assert!(!log.retry());
        }
        told.extend(log.take_news());
    }
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].contains("can't be trusted for a log"), "{told:?}");
    assert!(log.trouble().is_some() && log.waiting() == 360);
    assert_eq!(segments(&path).len(), 1);
    let bytes: u64 = fs::read_dir(home.path()).unwrap().flatten().map(|e| e.metadata().unwrap().len()).sum();
    assert!(bytes < 360 * 200, "{bytes} bytes for 360 lines");
    // What was written is there for whoever can read it, once.
    drop(log);
    let (_log, opened) = ShotLog::open(&path).unwrap();
    assert!(
        opened.state.sitting.records.get() > 300 && opened.damage.is_empty(),
        "{} {:?}",
        opened.state.sitting.records.get(),
        opened.damage
    );
}

/// A file of the log ends by its size, the next one begins with the state, and a start reads that one alone.
#[test]
fn a_long_log_is_opened_by_its_last_file() {
    let (_home, path) = home();
    let (mut log, opened) = ShotLog::open(&path).unwrap();
    let mut state = opened.state;
    let at = "2026-03-02T10:00:00Z".parse().unwrap();
    let mut n = 0;
    while segments(&path).len() < 3 {
        let mut lines = Vec::new();
        for _ in 0..500 {
            n += 1;
            let file = || KnownFile {
                name: format!("IMG_{n:05}.JPG"),
                state: FileState { size: n, modified_ns: 1, changed_ns: 2, inode: n },
                fingerprint: Fingerprint::Whole(n),
            };
            // As in a sitting, the state is much shorter than the records.
            let body = match n % 2 {
                0 => Body::ExistingFiles { files: vec![file()], last: true },
                _ => Body::Note { text: "x".repeat(6000) },
            };
            let line = Record { v: VERSION, n: RecordNumber::new(n), at, body }.to_line().unwrap();
            state.apply(&Record::from_line(&line).unwrap());
            lines.push(line);
        }
        assert!(log.append(lines));
        if log.wants_state() {
            log.carry(&state.carried().unwrap());
            assert!(!log.wants_state());
        }
        assert!(n < 100_000, "no file was ended");
    }
    assert!(log.append(vec![note(n + 1)]));
    state.apply(&Record::from_line(&note(n + 1)).unwrap());
    drop(log);
    let sizes: Vec<u64> = segments(&path).iter().map(|p| fs::metadata(p).unwrap().len()).collect();
    assert!(sizes[0] >= 8 << 20 && sizes[0] < 12 << 20, "{sizes:?}");
    assert_eq!(read(&path), (1..=n + 1).collect::<Vec<_>>());
    assert!(health(&path).unwrap().is_sound());
    // The files before the last one are not so much as looked into: noise in them is not found.
    let first = fs::read(&path).unwrap();
    fs::write(&path, [note(1).as_bytes(), b"\n", &vec![b'x'; 1 << 20]].concat()).unwrap();
    let (again, opened) = ShotLog::open(&path).unwrap();
    assert_eq!((opened.state, opened.damage), (state.clone(), Vec::new()));
    drop(again);
    // One that is gone is told, and those behind it are read all the same.
    fs::write(&path, first).unwrap();
    fs::remove_file(&segments(&path)[1]).unwrap();
    let (_log, opened) = ShotLog::open(&path).unwrap();
    assert_eq!(opened.state, state);
    assert!(
        opened.damage.iter().any(|d| d.contains("file 2 of the shot log") && d.contains("missing")),
        "{:?}",
        opened.damage
    );
    assert_eq!(read(&path).last(), Some(&(n + 1)));
}

/// A log that grows, with the state that its records come to.
struct Grown {
    log: ShotLog,
    state: State,
}

impl Grown {
    fn begin(path: &Path) -> Grown {
        let (log, opened) = ShotLog::open(path).unwrap();
        Grown { log, state: opened.state }
    }

    fn write(&mut self, body: Body) -> RecordNumber {
        let n = self.state.sitting.records.next();
        let line = Record { v: VERSION, n, at: "2026-03-02T10:00:00Z".parse().unwrap(), body }.to_line().unwrap();
        self.state.apply(&Record::from_line(&line).unwrap());
        assert!(self.log.append(vec![line]));
        n
    }

    /// So many that the state has more than 2 MiB.
    fn note_many_files(&mut self) {
        for portion in 0..60 {
            let file = |n: u64| KnownFile {
                name: format!("IMG_{n:05}.JPG"),
                state: FileState { size: n, modified_ns: 1, changed_ns: 2, inode: n },
                fingerprint: Fingerprint::Whole(n),
            };
            let files = (portion * 1_000..(portion + 1) * 1_000).map(file).collect();
            self.write(Body::ExistingFiles { files, last: portion == 59 });
        }
        assert!(self.state.carried().unwrap().iter().map(String::len).sum::<usize>() > 2 << 20);
    }

    fn carry(&mut self) {
        self.log.carry(&self.state.carried().unwrap());
    }
}

/// Short sittings in a folder of many files: each has a file of its own, a long state is carried only where as much was
/// written since the one before, and how things stood at any sitting's end is found without reading the states of later ones.
#[test]
fn a_long_state_is_carried_only_where_as_much_was_written() {
    let (_home, path) = home();
    let mut grown = Grown::begin(&path);
    grown.note_many_files();
    grown.carry();
    let (mut ends, mut stood) = (Vec::new(), Vec::new());
    for sitting in 0..12 {
        for _ in 0..1_500 {
            grown.write(Body::Note { text: "x".repeat(100) });
        }
        ends.push(grown.write(Body::Note { text: format!("the end of {sitting}") }));
        stood.push(grown.state.clone());
        grown.carry();
    }
    let Grown { log, state } = grown;
    drop(log);
    assert_eq!(segments(&path).len(), 14);
    let files: Vec<String> = segments(&path).iter().map(|file| fs::read_to_string(file).unwrap()).collect();
    let lines = files.iter().flat_map(|text| text.lines());
    let carried: usize = lines.filter(|line| Portion::is_in(line.as_bytes())).map(str::len).sum();
    let all: usize = files.iter().map(String::len).sum();
    assert!(carried > 2 << 20 && carried <= all - carried, "{carried} of {all}");
    for (end, stood) in ends.iter().zip(&stood) {
        assert_eq!(&state_after(&path, *end).unwrap(), stood);
    }
    assert_eq!(ShotLog::open(&path).unwrap().1.state, state);
    assert!(health(&path).unwrap().is_sound());
}

/// Whoever removes a log in use takes its records, not what they came to.
#[test]
fn a_long_state_outlives_a_log_that_was_removed() {
    let (_home, path) = home();
    let mut grown = Grown::begin(&path);
    grown.note_many_files();
    fs::remove_file(&path).unwrap();
    grown.write(Body::Note { text: "after it was removed".to_owned() });
    assert!(grown.log.wants_state());
    grown.carry();
    let Grown { log, state } = grown;
    drop(log);
    assert_eq!(ShotLog::open(&path).unwrap().1.state, state);
}

/// A state that was carried only in part, or can't be read, costs time and nothing else.
#[test]
fn a_carried_state_that_is_damaged_is_done_without() {
    type Damage = fn(Vec<u8>) -> Vec<u8>;
    let damages: [Damage; 3] = [
        |bytes| bytes[..bytes.len() / 2].to_vec(),
        |mut bytes| {
            let middle = bytes.len() / 2;
            bytes[middle] ^= 1;
            bytes
        },
        |_| Vec::new(),
    ];
    for damage in damages {
        let (_home, path) = home();
        let (mut log, opened) = ShotLog::open(&path).unwrap();
        let mut state = opened.state;
        assert!(log.append((1..=5).map(note).collect()));
        (1..=5).for_each(|n| state.apply(&Record::from_line(&note(n)).unwrap()));
        log.carry(&state.carried().unwrap());
        drop(log);
        let second = segments(&path)[1].clone();
        fs::write(&second, damage(fs::read(&second).unwrap())).unwrap();
        let (mut log, opened) = ShotLog::open(&path).unwrap();
        assert_eq!(opened.state, state);
        assert!(log.append(vec![note(6)]));
        assert_eq!(read(&path), [1, 2, 3, 4, 5, 6]);
    }
}

/// One reader over a log that grows, goes on in new files, and is moved away and put back: each record once.
#[test]
fn a_reader_goes_on_where_it_was() {
    let (_home, path) = home();
    let (mut log, opened) = ShotLog::open(&path).unwrap();
    let mut state = opened.state;
    let mut reader = LogReader::new(&path, RecordNumber::new(3));
    let mut heard: Vec<u64> = Vec::new();
    for n in 1..=900 {
        state.apply(&Record::from_line(&note(n)).unwrap());
        assert!(log.append(vec![note(n)]));
        match n % 100 {
            20 => log.carry(&state.carried().unwrap()),
            50 => fs::rename(&path, path.with_extension("aside")).unwrap(),
            70 => {
                let _ = fs::remove_file(&path);
                fs::rename(path.with_extension("aside"), &path).unwrap();
            }
            _ => {}
        }
        if n % 7 == 0 {
            heard.extend(reader.portion().unwrap().iter().map(|(n, _)| n.get()));
        }
    }
    heard.extend(reader.portion().unwrap().iter().map(|(n, _)| n.get()));
    assert_eq!(heard, (3..=900).collect::<Vec<_>>());
    let mut late = LogReader::new(&path, RecordNumber::new(890));
    assert_eq!(
        late.portion().unwrap().iter().map(|(n, _)| n.get()).collect::<Vec<_>>(),
        (890..=900).collect::<Vec<_>>()
    );
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
fn a_log_that_can_not_be_written_says_when_all_that_may_wait_does() {
    let (_home, path) = home();
    let refused: Open = Box::new(|_| Err(io::ErrorKind::ReadOnlyFilesystem.into()));
    let (mut log, _) = ShotLog::open_with(&path, refused).unwrap();
    let most = MOST_WAITING as u64;
    assert!(!log.append((1..most).map(note).collect()));
    assert!(!log.is_full());
    assert!(!log.append(vec![note(most)]));
    assert!(log.is_full());
    assert!(log.trouble().is_some());
}

#[test]
fn a_second_daemon_on_the_same_log_is_refused_with_the_first_ones_process() {
    let mut studio = Studio::open();
    let socket = studio.home.path().join("other.sock").display().to_string();
    studio.extra = vec!["--socket".into(), socket];
    let mut second = std::process::Command::new(env!("CARGO_BIN_EXE_greyhold"));
    let second = run(second.arg("watch").arg(&studio.folder).args(&studio.extra));
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
    assert_eq!(opened.state.sitting.frames.get(), 1);
    let text = fs::read_to_string(&log).unwrap();
    assert!(text.contains("CAN'T BE WRITTEN") && text.contains("nothing was lost"));
}

/// The state is the fold of the log: read back, it is what the daemon said it was.
#[test]
fn a_restart_knows_what_the_last_run_knew() {
    let mut studio = Studio::with_config(include_str!("../../fixtures/three_groups.yaml"));
    studio.take("a.jpg", shot(14.0, 0.0, 1));
    studio.take("b.jpg", shot(7.1, 0.0, 2));
    studio.tell(serde_json::json!({"command": "confirm", "group": "key"}));
    studio.tell(serde_json::json!({"command": "note", "text": "hair fixed"}));
    let before = studio.tell(serde_json::json!({"command": "status"}))["value"].clone();
    studio.stop();
    studio.start();
    let after = studio.tell(serde_json::json!({"command": "status"}))["value"].clone();
    for key in ["frames", "look", "looks", "lights", "correction", "last"] {
        assert_eq!(after[key], before[key], "{key}");
    }
    let fold = studio.records().iter().fold(State::default(), |mut state, record| {
        state.apply(record);
        state
    });
    assert_eq!(fold.sitting.frames.get(), 2);
    assert!(fold.sitting.setup.open.is_some());
}

/// Somebody takes the log away in the middle of a sitting: it is said, and a restart knows everything.
#[test]
fn a_log_that_is_taken_away_is_told_and_no_frame_is_metered_again() {
    let mut studio = Studio::open();
    studio.take("a.jpg", shot(8.0, 0.0, 1));
    fs::rename(studio.log(), studio.home.path().join("aside.jsonl")).unwrap();
    let told = |studio: &Studio| {
        let mut warnings = Vec::new();
        let _ = read_since(&studio.log(), RecordNumber::FIRST, |_, line| {
            if let Ok(Record { body: Body::Warning { text }, .. }) = Record::from_line(line) {
                warnings.push(text);
            }
            true
        });
        warnings
    };
    wait_for("the warning", || told(&studio).iter().any(|text| text.contains("was removed or moved")));
    studio.put("b.jpg", &shot(8.0, 0.0, 2).jpeg());
    assert!(studio.sync().is_empty());
    let before = studio.tell(serde_json::json!({"command": "status"}))["value"].clone();
    studio.stop();
    studio.start();
    assert!(studio.sync().is_empty());
    let after = studio.tell(serde_json::json!({"command": "status"}))["value"].clone();
    for key in ["frames", "look", "looks", "lights", "correction", "last"] {
        assert_eq!(after[key], before[key], "{key}");
    }
    assert_eq!(after["frames"], 2);
}

/// The disk never takes what was told: the end says so, and the next start makes it good.
#[test]
fn an_end_with_records_unwritten_says_so_and_keeps_them_for_the_next_start() {
    let mut studio = Studio::empty();
    let place = studio.home.path().join("log");
    let log = place.join("shots.jsonl");
    studio.extra = vec!["--log".into(), log.display().to_string()];
    let kept = studio.home.path().join("state");
    studio.surroundings = vec![("XDG_STATE_HOME", kept.display().to_string())];
    studio.start();
    studio.tell(serde_json::json!({"command": "note", "text": "the hair light is Ada's"}));
    studio.put("a.jpg", &shot(8.0, 0.0, 1).jpeg());
    assert!(studio.sync().is_empty());
    let (code, took, said) = studio.stop_and_hear();
    assert_eq!(code, Some(3), "{said}");
    assert!(took < Duration::from_secs(10));
    for word in ["could not be written", "notes: 1", "frames: 1", "the next start writes them"] {
        assert!(said.contains(word), "{word}: {said}");
    }
    // The disk still takes nothing: a second end keeps what the first one kept, and what came since.
    studio.start();
    studio.put("b.jpg", &shot(8.0, 0.0, 2).jpeg());
    assert!(studio.sync().is_empty());
    let (code, _, said) = studio.stop_and_hear();
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("frames: 2"), "{said}");
    fs::create_dir(&place).unwrap();
    studio.start();
    assert!(studio.sync().is_empty());
    studio.stop();
    let lines = fs::read_to_string(&log).unwrap();
    assert_eq!(lines.matches("Ada's").count(), 1);
    assert_eq!(lines.matches("\"type\":\"frame\"").count(), 2);
    assert!(health(&log).unwrap().is_sound());
    let names = fs::read_dir(kept.join("greyhold")).unwrap().flatten().map(|entry| entry.file_name());
    let left: Vec<_> = names.filter(|name| name.to_string_lossy().starts_with("unwritten")).collect();
    assert!(left.is_empty(), "what is in the log is kept nowhere else: {left:?}");
}

/// While the disk takes nothing, a listener that asks for what was before hears each record or which it can't have.
#[test]
fn a_listener_is_told_by_number_what_it_can_not_have_yet() {
    let mut studio = Studio::empty();
    let place = studio.home.path().join("log");
    studio.extra = vec!["--log".into(), place.join("shots.jsonl").display().to_string()];
    studio.start();
    studio.tell(serde_json::json!({"command": "note", "text": "first"}));
    let mut client = studio.connect();
    client.ask(serde_json::json!({"command": "listen", "since": 1}));
    studio.tell(serde_json::json!({"command": "note", "text": "second"}));
    let gap = client.next();
    assert_eq!((&gap["kind"], &gap["from"]), (&"gap".into(), &1.into()), "{gap}");
    let record = client.next()["record"].clone();
    assert_eq!(gap["missed"].as_u64().unwrap() + 1, record["n"].as_u64().unwrap(), "{gap} {record}");
    assert_eq!(record["text"], "second");
    fs::create_dir(&place).unwrap();
    let mut told = record["n"].as_u64().unwrap();
    loop {
        let message = client.next();
        assert_eq!(message["record"]["n"].as_u64().unwrap(), told + 1, "{message}");
        told += 1;
        if message["record"]["text"].as_str().is_some_and(|t| t.contains("written again")) {
            break;
        }
    }
    // Now that they are on the disk they can be had, each once.
    let mut late = studio.connect();
    late.ask(serde_json::json!({"command": "listen", "since": 1}));
    let numbers: Vec<u64> = (1..=told).map(|_| late.next()["record"]["n"].as_u64().unwrap()).collect();
    assert_eq!(numbers, (1..=told).collect::<Vec<_>>());
}
