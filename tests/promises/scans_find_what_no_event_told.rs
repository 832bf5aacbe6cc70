//! By scans alone, whatever writers do and in whatever order readings end: each picture is told once, none is missed,
//! and no file holds up another.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use crate::harness::random::Random;
use crate::harness::{PATIENCE, SEARCH};
use greyhold::container::{Extent, Fingerprints, Layout, Links, open};
use greyhold::intake::{
    Arrival, Before, Control, FileReading, FileState, FirstStart, FolderStands, Intake, Job, Mode, NotRead, Options,
    Outcome, Reader, Reply, Rules, Scope,
};
use proptest::prelude::*;

/// A whole picture of our own: a number, padding, an end.
fn picture(number: u64) -> Vec<u8> {
    let mut bytes = format!("picture {number:08}").into_bytes();
    bytes.resize(3000 + (number % 7) as usize * 500, b'.');
    bytes.extend(b"END");
    bytes
}

/// How the reader treats a file, by what its name contains.
#[derive(Clone, Default)]
struct Manner {
    /// Replies come after a time of up to so many milliseconds.
    slow_ms: u64,
    /// So many readings of files named `silent` give no byte, after this long.
    silent: Arc<Mutex<u32>>,
    silence: Duration,
    /// How often each file was read whole.
    reads: Arc<Mutex<HashMap<PathBuf, u32>>>,
}

/// Reads on threads of its own, as workers do.
struct Slowly {
    manner: Manner,
    random: Mutex<Random>,
}

impl Reader for Slowly {
    type Found = u64;

    fn begin(&self, job: Job, reply: Reply<u64>) {
        let wait = (self.random.lock().unwrap().next() * self.manner.slow_ms as f64) as u64;
        let manner = self.manner.clone();
        std::thread::spawn(move || {
            if job.path.to_string_lossy().contains("silent") {
                let mut left = manner.silent.lock().unwrap();
                if *left > 0 {
                    *left -= 1;
                    drop(left);
                    std::thread::sleep(manner.silence);
                    return reply(Err(NotRead::Silent));
                }
            }
            // The first half of the wait is before the file is opened, the second while it is open.
            std::thread::sleep(Duration::from_millis(wait / 2));
            // A glance of the first pass keeps nothing.
            if job.scope == Scope::Whole {
                *manner.reads.lock().unwrap().entry(job.path.clone()).or_default() += 1;
            }
            reply(read(&job.path, Duration::from_millis(wait / 2)));
        });
    }
}

fn read(path: &Path, pause: Duration) -> Outcome<u64> {
    let unreadable = |e: std::io::Error| NotRead::Unreadable(e.to_string());
    let mut file = open(path, Links::Refused).map_err(unreadable)?;
    std::thread::sleep(pause);
    let state = FileState::of_open(&file).map_err(unreadable)?;
    let mut bytes = Vec::new();
    std::io::Read::read_to_end(&mut file, &mut bytes).map_err(unreadable)?;
    if !bytes.ends_with(b"END") {
        return Err(NotRead::Incomplete("its end is missing".to_owned()));
    }
    let number =
        String::from_utf8_lossy(&bytes[8..16]).parse().map_err(|_| NotRead::Foreign("no picture".to_owned()))?;
    let layout = Layout::default();
    let fingerprints = Fingerprints::of(&mut std::io::Cursor::new(bytes), &layout, Extent::Whole).unwrap();
    Ok(FileReading { state, fingerprints, captured: None, perhaps_unfinished: false, found: Some(number) })
}

struct Watched {
    folder: tempfile::TempDir,
    intake: Intake<u64>,
    arrivals: Receiver<Arrival<u64>>,
    tokens: u64,
}

/// What a mark gave: frames and their pictures, other words, and what still waits.
#[derive(Debug, Default)]
struct Told {
    frames: Vec<(String, u64)>,
    updated: Vec<(String, String)>,
    known: Vec<String>,
    gone: Vec<String>,
    skipped: Vec<String>,
    waiting: Vec<String>,
    silent: Vec<String>,
    told_silent: Vec<String>,
    stands: FolderStands,
}

impl Watched {
    fn start(manner: Manner, seed: u64, first_start: FirstStart, folder: tempfile::TempDir) -> Watched {
        let (tell, arrivals) = channel();
        let options = Options {
            folder: folder.path().to_owned(),
            mode: Mode::Poll,
            poll_every: Duration::from_millis(20),
            scan_every: Duration::from_millis(20),
            rules: Rules::default(),
            first_start,
        };
        let reader = Slowly { manner, random: Mutex::new(Random(seed)) };
        let intake = Intake::start(options, Before::default(), reader, move |a| tell.send(a).is_ok()).unwrap();
        Watched { folder, intake, arrivals, tokens: 0 }
    }

    fn new(manner: Manner, seed: u64) -> Watched {
        Watched::start(manner, seed, FirstStart::MeterAll, tempfile::tempdir().unwrap())
    }

    fn put(&self, name: &str, bytes: &[u8]) {
        fs::write(self.folder.path().join(name), bytes).unwrap();
    }

    fn heard(&self, arrival: Arrival<u64>, told: &mut Told) -> Option<u64> {
        if arrival.is_counted() {
            self.intake.control.send(Control::Taken).unwrap();
        }
        match arrival {
            Arrival::Frame { name, found, .. } => told.frames.push((name, found)),
            Arrival::Rewritten { name, was, .. } => told.updated.push((name, was)),
            Arrival::Known { files, .. } => told.known.extend(files.into_iter().map(|f| f.name)),
            Arrival::Gone { names } => told.gone = names,
            Arrival::Skipped { name, .. } => told.skipped.push(name),
            Arrival::Silent { name } => told.told_silent.push(name),
            Arrival::Folder(_) => {}
            Arrival::Mark { token, waiting, silent, folder } => {
                (told.waiting, told.silent, told.stands) = (waiting, silent, folder.stands);
                return Some(token);
            }
        }
        None
    }

    /// Everything told up to now.
    fn told(&mut self) -> Told {
        self.tokens += 1;
        self.intake.control.send(Control::Sync(self.tokens)).unwrap();
        let (mut told, began) = (Told::default(), Instant::now());
        loop {
            let arrival = self.arrivals.recv_timeout(PATIENCE).unwrap();
            if self.heard(arrival, &mut told) == Some(self.tokens) {
                return told;
            }
            assert!(began.elapsed() < SEARCH, "told without an end: {told:?}");
        }
    }

    /// Hears on until this many frames were told.
    fn frames(&mut self, number: usize) -> Told {
        let mut told = Told::default();
        while told.frames.len() < number {
            let arrival = self.arrivals.recv_timeout(PATIENCE).unwrap();
            self.heard(arrival, &mut told);
        }
        told
    }

    fn end(self) {
        self.intake.control.send(Control::Stop).unwrap();
        self.intake.thread.join().unwrap();
    }
}

#[derive(Debug, Clone)]
enum Deed {
    /// A new picture under a name, whether or not the name is in use.
    Write(u8),
    /// The same, in two parts with a pause between them.
    Grow(u8),
    /// A new picture put in the place of a file at once.
    Replace(u8),
    Rename(u8, u8),
    /// Two files change names.
    Swap(u8, u8),
    Delete(u8),
    /// Taken away and put back, byte for byte.
    PutBack(u8),
    /// Written again, byte for byte, as a copy or a caption program does.
    Touch(u8),
    /// Into a hidden folder.
    Hide(u8),
    /// Out of the hidden folder, under another name.
    Show(u8, u8),
    Wait(u8),
}

fn deed() -> impl Strategy<Value = Deed> {
    let name = || 0_u8..5;
    prop_oneof![
        5 => name().prop_map(Deed::Write),
        2 => name().prop_map(Deed::Grow),
        2 => name().prop_map(Deed::Replace),
        3 => (name(), name()).prop_map(|(a, b)| Deed::Rename(a, b)),
        1 => (name(), name()).prop_map(|(a, b)| Deed::Swap(a, b)),
        1 => name().prop_map(Deed::Delete),
        1 => name().prop_map(Deed::PutBack),
        1 => name().prop_map(Deed::Touch),
        1 => name().prop_map(Deed::Hide),
        1 => (name(), name()).prop_map(|(a, b)| Deed::Show(a, b)),
        3 => (1_u8..60).prop_map(Deed::Wait),
    ]
}

/// The pictures that lie in the folder by name, as a photographer would list them, and those out of sight.
#[derive(Default)]
struct Model {
    files: BTreeMap<u8, u64>,
    hidden: BTreeMap<u8, u64>,
    pictures: u64,
}

impl Model {
    fn new_picture(&mut self, name: u8) -> Vec<u8> {
        self.pictures += 1;
        self.files.insert(name, self.pictures);
        picture(self.pictures)
    }

    fn carry_out(&mut self, deed: &Deed, root: &Path) {
        let at = |name: &u8| root.join(format!("{name}.jpg"));
        let hidden = |name: &u8| root.join(format!(".aside/{name}.jpg"));
        match deed {
            Deed::Write(name) => fs::write(at(name), self.new_picture(*name)).unwrap(),
            Deed::Grow(name) => {
                let bytes = self.new_picture(*name);
                let mut file = fs::File::create(at(name)).unwrap();
                file.write_all(&bytes[..1500]).unwrap();
                std::thread::sleep(Duration::from_millis(60));
                file.write_all(&bytes[1500..]).unwrap();
            }
            Deed::Replace(name) => {
                fs::write(root.join(".next"), self.new_picture(*name)).unwrap();
                fs::rename(root.join(".next"), at(name)).unwrap();
            }
            Deed::Rename(a, b) if a != b => {
                if let Some(picture) = self.files.remove(a) {
                    fs::rename(at(a), at(b)).unwrap();
                    self.files.insert(*b, picture);
                }
            }
            Deed::Swap(a, b) if a != b && self.files.contains_key(a) && self.files.contains_key(b) => {
                let (one, other) = (self.files[a], self.files[b]);
                fs::rename(at(a), root.join(".between")).unwrap();
                fs::rename(at(b), at(a)).unwrap();
                fs::rename(root.join(".between"), at(b)).unwrap();
                self.files.extend([(*a, other), (*b, one)]);
            }
            Deed::Delete(name) => {
                if self.files.remove(name).is_some() {
                    fs::remove_file(at(name)).unwrap();
                }
            }
            Deed::PutBack(name) => {
                if let Some(number) = self.files.get(name) {
                    fs::remove_file(at(name)).unwrap();
                    fs::write(at(name), picture(*number)).unwrap();
                }
            }
            Deed::Touch(name) => {
                if let Some(number) = self.files.get(name) {
                    fs::write(at(name), picture(*number)).unwrap();
                }
            }
            Deed::Hide(name) => {
                if let Some(number) = self.files.remove(name) {
                    fs::create_dir_all(root.join(".aside")).unwrap();
                    fs::rename(at(name), hidden(name)).unwrap();
                    self.hidden.insert(*name, number);
                }
            }
            Deed::Show(a, b) => {
                if let Some(number) = self.hidden.remove(a) {
                    fs::rename(hidden(a), at(b)).unwrap();
                    self.files.insert(*b, number);
                }
            }
            Deed::Wait(ms) => std::thread::sleep(Duration::from_millis(u64::from(*ms) * 8)),
            Deed::Rename(..) | Deed::Swap(..) => {}
        }
    }
}

/// Carries deeds out, each batch before the next scan is waited for, and holds what is told against the folder.
fn assert_each_picture_is_told_once(batches: &[Vec<Deed>], seed: u64) -> Result<(), TestCaseError> {
    let mut watched = Watched::new(Manner { slow_ms: 40, ..Manner::default() }, seed);
    let mut model = Model::default();
    let mut seen: BTreeSet<u64> = BTreeSet::new();
    let mut names: BTreeMap<String, u64> = BTreeMap::new();
    for batch in batches {
        for deed in batch {
            model.carry_out(deed, watched.folder.path());
        }
        let told = watched.told();
        prop_assert!(told.waiting.is_empty() && told.skipped.is_empty(), "{told:?}: {batches:?}");
        for (name, picture) in &told.frames {
            prop_assert!(seen.insert(*picture), "picture {picture} ({name}) was told twice: {batches:?}");
            names.insert(name.clone(), *picture);
        }
        names.extend(told.known.iter().map(|name| (name.clone(), 0)));
        for name in &told.gone {
            prop_assert!(!watched.folder.path().join(name).exists(), "{name} is there: {batches:?}");
        }
        for (_, was) in &told.updated {
            prop_assert!(names.contains_key(was), "{was} was updated and never told: {batches:?}");
        }
        for (name, was) in told.updated {
            let picture = names[&was];
            names.insert(name, picture);
        }
        for (name, picture) in &model.files {
            prop_assert!(seen.contains(picture), "{name}.jpg ({picture}) was missed: {batches:?}");
        }
    }
    watched.end();
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8))]

    #[test]
    fn each_picture_once_whatever_happens_to_its_file(
        batches in prop::collection::vec(prop::collection::vec(deed(), 1..7), 1..8),
        seed in any::<u64>(),
    ) {
        assert_each_picture_is_told_once(&batches, seed)?;
    }
}

/// Between two scans one file is written anew, byte for byte, and changes names with another.
#[test]
fn a_file_that_is_written_again_and_loses_its_name_at_once_is_told_once() {
    use Deed::{PutBack, Swap, Touch, Write};
    let (written, put_back) = (vec![Touch(4), Swap(4, 1)], vec![Write(2), Swap(2, 1), PutBack(2)]);
    for deeds in [written, put_back] {
        let batches = [vec![Write(4)], vec![Write(1)], deeds];
        assert_each_picture_is_told_once(&batches, 1).unwrap();
    }
}

#[test]
fn a_copy_under_a_second_name_is_a_frame_of_its_own_and_both_may_be_renamed() {
    let mut watched = Watched::new(Manner::default(), 1);
    watched.put("a.jpg", &picture(1));
    watched.put("b.jpg", &picture(1));
    let mut names: Vec<String> = watched.told().frames.into_iter().map(|(name, _)| name).collect();
    names.sort();
    assert_eq!(names, ["a.jpg", "b.jpg"]);
    for (from, to) in [("a.jpg", "c.jpg"), ("b.jpg", "d.jpg")] {
        fs::rename(watched.folder.path().join(from), watched.folder.path().join(to)).unwrap();
        let told = watched.told();
        assert!(told.frames.is_empty());
        assert_eq!(told.updated.len(), 1, "{told:?}");
    }
    watched.end();
}

/// Many files, each renamed at some moment after it was written, while readings go on.
#[test]
fn renamed_while_they_wait_or_are_read_each_is_told_once() {
    for seed in [3, 17] {
        let manner = Manner { slow_ms: 120, ..Manner::default() };
        let mut watched = Watched::new(manner, seed);
        let root = watched.folder.path().to_owned();
        let mut random = Random(seed);
        fs::create_dir(root.join("sorted")).unwrap();
        let renaming = std::thread::spawn(move || {
            let mut due: Vec<(Instant, PathBuf, PathBuf)> = Vec::new();
            for n in 0..60_u64 {
                let path = root.join(format!("IMG_{n:02}.jpg"));
                fs::write(&path, picture(n)).unwrap();
                let to = if n % 2 == 0 { format!("keeper_{n}.jpg") } else { format!("sorted/{n}.jpg") };
                due.push((Instant::now() + Duration::from_secs_f64(random.next() * 0.9), path, root.join(to)));
                std::thread::sleep(Duration::from_millis(20));
                due.retain(|(at, from, to)| {
                    let now = Instant::now() >= *at;
                    if now {
                        fs::rename(from, to).unwrap();
                    }
                    !now
                });
            }
            due.iter().for_each(|(_, from, to)| fs::rename(from, to).unwrap());
        });
        let mut counts: BTreeMap<u64, u32> = BTreeMap::new();
        let mut told = Told::default();
        while !renaming.is_finished() {
            if let Ok(arrival) = watched.arrivals.recv_timeout(Duration::from_millis(50)) {
                watched.heard(arrival, &mut told);
            }
        }
        renaming.join().unwrap();
        let last = watched.told();
        assert!(last.waiting.is_empty(), "{last:?}");
        let mut named: BTreeSet<String> = BTreeSet::new();
        for told in [told, last] {
            for (name, picture) in told.frames {
                *counts.entry(picture).or_default() += 1;
                named.insert(name);
            }
            for (name, was) in told.updated {
                assert!(named.contains(&was), "{was} was updated and never told");
                named.insert(name);
            }
        }
        assert_eq!(counts.len(), 60, "seed {seed}: missed");
        assert!(counts.values().all(|n| *n == 1), "seed {seed}: {counts:?}");
        watched.end();
    }
}

#[test]
fn files_that_give_no_bytes_hold_up_nobody_and_are_taken_when_they_do() {
    let manner = Manner { silent: Arc::new(Mutex::new(4)), silence: Duration::from_secs(4), ..Manner::default() };
    let mut watched = Watched::new(manner, 5);
    for n in 0..3 {
        watched.put(&format!("silent_{n}.jpg"), &picture(n));
    }
    std::thread::sleep(Duration::from_millis(700));
    let began = Instant::now();
    for n in 10..30 {
        watched.put(&format!("{n}.jpg"), &picture(n));
    }
    let told = watched.frames(20);
    assert!(began.elapsed() < Duration::from_secs(8), "they waited for the silent ones: {:?}", began.elapsed());
    let mut first: Vec<u64> = told.frames.iter().map(|(_, picture)| *picture).collect();
    first.sort();
    assert_eq!(first, (10..30).collect::<Vec<u64>>());
    let mark = watched.told();
    assert_eq!(mark.silent.len(), 3, "{mark:?}");
    let rest = watched.frames(3 - mark.frames.len());
    first.extend(mark.frames.iter().chain(&rest.frames).map(|(_, picture)| *picture));
    first.sort();
    assert_eq!(first, (0..3).chain(10..30).collect::<Vec<u64>>());
    let mut silent: Vec<String> =
        [told.told_silent, mark.told_silent, rest.told_silent].into_iter().flatten().collect();
    silent.sort();
    assert_eq!(silent, ["silent_0.jpg", "silent_1.jpg", "silent_2.jpg"], "each told once");
    watched.end();
}

/// While nothing is taken from it, the folder is the queue: nothing is read ahead without end, and the folder is
/// looked after.
#[test]
fn while_nothing_is_taken_little_is_read_and_the_folder_is_looked_after() {
    let manner = Manner::default();
    let reads = Arc::clone(&manner.reads);
    let mut watched = Watched::new(manner, 5);
    for n in 0..100 {
        watched.put(&format!("{n:02}.jpg"), &picture(n));
    }
    crate::harness::wait_for("the first readings", || reads.lock().unwrap().len() >= 8);
    std::thread::sleep(Duration::from_millis(500));
    let read = reads.lock().unwrap().len();
    assert!(read <= 20, "{read} of 100 files were read ahead");
    fs::rename(watched.folder.path(), watched.folder.path().with_extension("aside")).unwrap();
    let seen = watched.intake.folder.clone();
    crate::harness::wait_for("the folder to be missed", || seen.now().stands == FolderStands::Away);
    fs::rename(watched.folder.path().with_extension("aside"), watched.folder.path()).unwrap();
    let told = watched.frames(100);
    let pictures: BTreeSet<u64> = told.frames.iter().map(|(_, picture)| *picture).collect();
    assert_eq!(pictures.len(), 100);
    watched.end();
}

#[test]
fn a_first_start_on_a_folder_that_is_away_takes_what_it_finds_as_old() {
    let folder = tempfile::tempdir().unwrap();
    for n in 0..5 {
        fs::write(folder.path().join(format!("{n}.jpg")), picture(n)).unwrap();
    }
    let aside = folder.path().with_extension("aside");
    fs::rename(folder.path(), &aside).unwrap();
    let mut watched = Watched::start(Manner::default(), 1, FirstStart::TakeAsKnown, folder);
    assert_eq!(watched.told().stands, FolderStands::Away);
    fs::rename(&aside, watched.folder.path()).unwrap();
    let told = watched.told();
    assert_eq!((told.known.len(), told.frames.len()), (5, 0), "{told:?}");
    watched.put("new.jpg", &picture(9));
    assert_eq!(watched.told().frames, [("new.jpg".to_owned(), 9)]);
    watched.end();
}

#[test]
fn a_mark_tells_how_the_folder_stands_at_that_moment() {
    let mut watched = Watched::new(Manner::default(), 1);
    assert_eq!(watched.told().stands, FolderStands::Watched);
    let aside = watched.folder.path().with_extension("aside");
    fs::rename(watched.folder.path(), &aside).unwrap();
    assert_eq!(watched.told().stands, FolderStands::Away);
    fs::write(aside.join("a.jpg"), picture(1)).unwrap();
    fs::rename(&aside, watched.folder.path()).unwrap();
    let told = watched.told();
    assert_eq!((told.frames.len(), told.stands), (1, FolderStands::Watched), "back, and looked at anew");
    watched.end();
}

#[test]
fn what_was_turned_down_is_looked_at_again_when_it_changes_and_not_before() {
    let folder = tempfile::tempdir().unwrap();
    let mut watched = Watched::start(Manner::default(), 1, FirstStart::Resume, folder);
    watched.put("a.jpg", b"picture ?????????????? no number END");
    assert_eq!(watched.told().skipped, ["a.jpg"]);
    assert!(watched.told().skipped.is_empty());
    watched.put("a.jpg", &picture(4));
    assert_eq!(watched.told().frames, [("a.jpg".to_owned(), 4)]);
    watched.end();
}

/// A frame that the session could not take is not one that can be renamed, and is not told in a circle.
#[test]
fn a_frame_that_was_not_taken_is_known_no_more() {
    let mut watched = Watched::new(Manner::default(), 1);
    watched.put("a.jpg", &picture(1));
    let name = loop {
        match watched.arrivals.recv_timeout(PATIENCE).unwrap() {
            Arrival::Frame { name, .. } => break name,
            arrival => watched.heard(arrival, &mut Told::default()),
        };
    };
    assert_eq!(name, "a.jpg");
    watched.intake.control.send(Control::NotTaken(name)).unwrap();
    assert!(watched.told().frames.is_empty(), "the very same file isn't tried in a circle");
    fs::rename(watched.folder.path().join("a.jpg"), watched.folder.path().join("b.jpg")).unwrap();
    let told = watched.told();
    assert_eq!((told.frames.len(), told.updated.len()), (1, 0), "{told:?}");
    watched.end();
}
