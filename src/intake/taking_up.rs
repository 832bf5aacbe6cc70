//! A file's way from being noticed to being told: it settles, waits in the line of readings, and becomes a frame, an
//! update of one, or is turned down. Looks at names and states of files, and never into them.

use std::collections::{HashMap, HashSet, VecDeque};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::identity::FileState;
use super::known::{Known, KnownFile, Relation, is_absent, path_of, spell};
use super::line::{Line, Waiter};
use super::missed::Missed;
use super::pairing::Pairing;
use super::reader::{FileReading, Job, NotRead, Outcome, Scope};
use super::scanning::Found;
use super::settling::{Hint, Now, QuietTimes, Settling, Step};
use super::{Arrival, Before};
use crate::container::Kind;

/// A picture that is whole, and yet may get more, is taken once it was left alone for this long; editors leave stale
/// announcements of a preview behind it.
const TAIL_PATIENCE: Duration = Duration::from_secs(5);
/// A file whose disk or share gives no bytes is tried again after this long, then after twice that, up to the longest.
const FIRST_PAUSE: Duration = Duration::from_secs(5);
const LONGEST_PAUSE: Duration = Duration::from_secs(60);
/// A reading that broke off is tried once more after this long.
const SECOND_TRY: Duration = Duration::from_secs(1);

/// A file of which a reading came to nothing, though it may be sound.
#[derive(Debug, Default)]
struct Suspect {
    pause: Option<Duration>,
    told: bool,
    /// The state in which a reading of it broke off.
    broke: Option<FileState>,
}

pub(super) struct TakingUp<F> {
    root: PathBuf,
    started: Instant,
    tail_patience: Duration,
    pub settling: Settling,
    pairing: Pairing,
    /// Raw files that wait for their pictures.
    held: HashMap<PathBuf, Waiter>,
    line: Line<F>,
    known: Known,
    missed: Missed,
    /// Files turned down, with the state they were in: looked at again only when that changes.
    turned_down: HashMap<PathBuf, FileState>,
    suspects: HashMap<PathBuf, Suspect>,
    /// Files that landed while no daemon was running.
    found_at_start: HashSet<PathBuf>,
    /// Files, and folders whose files, that were there before the first start though nobody could look at them.
    old: HashSet<PathBuf>,
    told: VecDeque<Arrival<F>>,
}

impl<F> TakingUp<F> {
    pub fn new(root: PathBuf, quiet: QuietTimes, before: Before) -> TakingUp<F> {
        let mut known = Known::default();
        before.known.into_iter().for_each(|file| known.add(file));
        let turned_down = before.turned_down.into_iter().map(|(name, state)| (path_of(&root, &name), state)).collect();
        TakingUp {
            root,
            started: Instant::now(),
            tail_patience: TAIL_PATIENCE.max(quiet.unseen * 2),
            settling: Settling::new(quiet),
            pairing: Pairing::default(),
            held: HashMap::new(),
            line: Line::default(),
            known,
            missed: Missed::new(quiet),
            turned_down,
            suspects: HashMap::new(),
            found_at_start: HashSet::new(),
            old: HashSet::new(),
            told: VecDeque::new(),
        }
    }

    fn name(&self, path: &Path) -> String {
        spell(&self.root, path)
    }

    /// What there is to tell.
    pub fn next_told(&mut self) -> Option<Arrival<F>> {
        self.told.pop_front()
    }

    // --- noticing ---

    /// How a file that a scan or an event named relates to what is known.
    pub fn relation(&self, path: &Path, state: &FileState) -> Relation {
        if self.turned_down.get(path) == Some(state) {
            return Relation::Same;
        }
        self.known.relation(&self.name(path), state)
    }

    pub fn is_news(&self, path: &Path, state: Option<FileState>) -> bool {
        state.is_some_and(|state| self.relation(path, &state) != Relation::Same)
    }

    /// An event named a file. Of a kind whose structure nobody knows, a close doesn't prove that the file is whole: it must rest.
    pub fn heard(&mut self, path: &Path, hint: Hint, now: Now) {
        let hint = if Kind::of(path) == Some(Kind::RawOther) { Hint::Seen } else { hint };
        self.settling.notice(path, hint, now);
    }

    /// Turns down what stayed empty, and tells what is gone, unless the scan was of another folder than the one in which the
    /// known files lay.
    pub fn after_scan(&mut self, found: &Found, of_their_folder: bool, now: Now) {
        for (path, state) in self.settling.take_empty(now) {
            self.turn_down(&path, Some(state), "it stayed empty".to_owned());
        }
        if !of_their_folder {
            return self.missed.forget();
        }
        let files: HashMap<String, FileState> =
            found.files.iter().map(|(path, state)| (self.name(path), *state)).collect();
        for name in self.missed.after_scan(&self.known, &files, now) {
            let state = files[&name];
            self.told.push_back(Arrival::Rewritten { name: name.clone(), was: name, state });
        }
        let is_stalled = |file: &Path| is_stalled(&self.settling, &self.line, file, now);
        let is_absent = |name: &str| is_absent(&path_of(&self.root, name));
        let gone = self.missed.gone(&self.known, &self.settling, is_stalled, is_absent, now);
        self.told.extend(gone.map(|names| Arrival::Gone { names }));
    }

    /// A file was there before the first start, but nobody could look at it.
    pub fn is_old(&mut self, path: PathBuf) {
        self.old.insert(path);
    }

    /// A file landed while no daemon was running.
    pub fn is_found_at_start(&mut self, path: PathBuf) {
        self.found_at_start.insert(path);
    }

    // --- the line ---

    /// Looks at the files whose time it is; those at rest join the line, the one written first before the others.
    pub fn examine_due(&mut self, now: Now) {
        let mut rested = Vec::new();
        for path in self.settling.due(now) {
            match self.settling.observe(&path, FileState::at(&path), now) {
                Step::Check => rested.extend(self.settling.to_be_read(&path).map(|state| (path, state))),
                Step::Gone => self.forget(&path),
                Step::Wait => {}
            }
        }
        rested.sort_by(|(a, one), (b, other)| (one.modified_ns, a).cmp(&(other.modified_ns, b)));
        for (path, rest) in rested {
            let waits = Kind::of(&path).is_some_and(Kind::is_raw) && !self.pairing.raw_ready(&path, now);
            let waiter = self.waiter(path, rest);
            if waits {
                self.held.insert(waiter.path.clone(), waiter);
            } else {
                self.join(waiter);
            }
        }
        for raw in self.pairing.take_overdue(now) {
            self.free(&raw);
        }
    }

    fn waiter(&self, path: PathBuf, rest: FileState) -> Waiter {
        let (found_at_start, suspect) = (self.found_at_start.contains(&path), self.suspects.contains_key(&path));
        Waiter { path, rest, found_at_start, suspect, passed: false }
    }

    /// A file at rest joins the line; raw files that waited for it come behind it.
    fn join(&mut self, waiter: Waiter) {
        let is_picture = Kind::of(&waiter.path).is_some_and(|kind| !kind.is_raw());
        let freed = if is_picture { self.pairing.picture_released(&waiter.path) } else { Vec::new() };
        self.line.join(waiter);
        for raw in freed {
            self.free(&raw);
        }
    }

    fn free(&mut self, raw: &Path) {
        if let Some(waiter) = self.held.remove(raw) {
            self.line.join(waiter);
        }
    }

    /// A file that landed while no daemon was running joins the line.
    pub fn join_found_at_start(&mut self, path: PathBuf, rest: FileState) {
        self.found_at_start.insert(path.clone());
        let waiter = self.waiter(path, rest);
        self.join(waiter);
    }

    /// The next reading to begin.
    pub fn start(&mut self, now: Now) -> Option<(u64, Job)> {
        self.line.let_pass(now);
        let (ticket, path) = self.line.start(now)?;
        // Only files of a known kind are ever noticed.
        let kind = Kind::of(&path).unwrap_or(Kind::RawOther);
        Some((ticket, Job { path, kind, scope: Scope::Whole }))
    }

    pub fn ended(&mut self, ticket: u64, outcome: Outcome<F>) {
        self.line.ended(ticket, outcome);
    }

    /// Takes the next reading whose turn it is; `false` when there is none.
    pub fn take_next(&mut self, now: Now) -> bool {
        let Some((waiter, outcome)) = self.line.next() else { return false };
        match outcome {
            Ok(reading) => self.accept(&waiter, reading, now),
            Err(why) => self.not_read(&waiter.path, why, now),
        }
        true
    }

    pub fn next_due(&self) -> Option<Now> {
        self.pairing.next_due().into_iter().chain(self.line.next_due()).min()
    }

    // --- what a reading comes to ---

    fn accept(&mut self, waiter: &Waiter, reading: FileReading<F>, now: Now) {
        let path = &waiter.path;
        let is_file_at_rest = reading.state.same_content_as(&waiter.rest) && reading.state.inode == waiter.rest.inode;
        let there = FileState::at(path);
        // Another file in its place doesn't matter: what was read was whole, through its own handle.
        let changed = there.is_some_and(|there| there.inode == waiter.rest.inode && there != waiter.rest);
        if !is_file_at_rest || changed {
            return self.settling.read_in_vain(path, now);
        }
        let quiet = self.settling.quiet_for(path, now);
        if reading.perhaps_unfinished && quiet < self.tail_patience {
            return self.settling.leave_alone(path, self.tail_patience - quiet, now);
        }
        let (name, prints) = (self.name(path), reading.fingerprints);
        if there.is_none() && self.known.has_this_file(&prints, &reading.state) {
            // Renamed while it was read, and told under its new name already.
            return self.forget(path);
        }
        let was = self.known.picture_of(&self.root, &name, &prints, &reading.state);
        let is_old = self.was_there_before(path, &reading.state)
            || (was.is_none() && self.known.take_displaced(&prints, &reading.state));
        self.forget(path);
        if there.is_some_and(|there| there != waiter.rest) {
            self.settling.notice(path, Hint::Seen, now);
        }
        let mut file = KnownFile { name, state: reading.state, fingerprint: prints.best() };
        match (was, Kind::of(path), reading.found) {
            (Some(was), ..) => {
                if let Some((_, fingerprint)) = self.known.remove(&was) {
                    file.fingerprint = fingerprint;
                }
                self.told.push_back(Arrival::Rewritten { name: file.name.clone(), was, state: file.state });
                self.known.add(file);
            }
            (None, ..) if is_old => self.know(vec![file], true),
            (None, Some(kind), Some(found)) => {
                let KnownFile { name, state, fingerprint } = file.clone();
                self.known.add(file);
                let (found_at_start, passed) = (waiter.found_at_start, waiter.passed);
                self.told.push_back(Arrival::Frame { name, kind, state, fingerprint, found_at_start, passed, found });
            }
            (None, ..) => self.turn_down(path, Some(waiter.rest), "nothing was found in it".to_owned()),
        }
    }

    fn was_there_before(&self, path: &Path, state: &FileState) -> bool {
        let untouched = || state.is_older_than(self.started.elapsed());
        self.old.contains(path) || (path.ancestors().skip(1).any(|folder| self.old.contains(folder)) && untouched())
    }

    /// Old photographs, which are known and not metered; `last` ends them.
    pub fn know(&mut self, files: Vec<KnownFile>, last: bool) {
        for file in &files {
            let path = path_of(&self.root, &file.name);
            self.forget(&path);
            self.known.add(file.clone());
        }
        self.told.push_back(Arrival::Known { files, last });
    }

    pub fn not_read(&mut self, path: &Path, why: NotRead, now: Now) {
        match why {
            NotRead::Foreign(why) => {
                let state = self.settling.state(path);
                self.turn_down(path, state, why);
            }
            NotRead::Incomplete(why) => {
                if let Some(state) = self.settling.not_whole(path, now) {
                    self.turn_down(path, Some(state), format!("it never became whole: {why}"));
                }
            }
            NotRead::Unreadable(_) if FileState::at(path).is_none() => self.forget(path),
            // Denied or locked by its writer: as if it were still growing.
            NotRead::Unreadable(why) => self.not_readable(path, &why, now),
            NotRead::BrokeOff(why) => {
                let state = self.settling.state(path);
                let suspect = self.suspects.entry(path.to_owned()).or_default();
                if let Some(state) = suspect.broke.filter(|broke| state == Some(*broke)) {
                    self.forget(path);
                    self.turned_down.insert(path.to_owned(), state);
                    // The next start tries it again: it may have been the readers' fault.
                    self.told.push_back(Arrival::Skipped { name: self.name(path), why, state: None });
                } else {
                    suspect.broke = state;
                    self.settling.read_again_in(path, SECOND_TRY, now);
                }
            }
            NotRead::Silent => {
                let pause = self.next_pause(path);
                self.settling.read_again_in(path, pause, now);
                self.tell_once(path, |name| Arrival::Silent { name });
            }
            NotRead::Ended => self.settling.read_again_in(path, LONGEST_PAUSE, now),
        }
    }

    /// What can't be read is told after a while, and tried again for ever.
    fn not_readable(&mut self, path: &Path, why: &str, now: Now) {
        let told = self.suspects.get(path).is_some_and(|suspect| suspect.told);
        if !told && self.settling.not_whole(path, now).is_none() {
            return;
        }
        self.settling.notice(path, Hint::Seen, now);
        self.settling.read_again_in(path, LONGEST_PAUSE, now);
        let why = format!("it can't be read: {why}");
        self.tell_once(path, |name| Arrival::Skipped { name, why, state: None });
    }

    fn tell_once(&mut self, path: &Path, arrival: impl FnOnce(String) -> Arrival<F>) {
        let name = self.name(path);
        let suspect = self.suspects.entry(path.to_owned()).or_default();
        if !std::mem::replace(&mut suspect.told, true) {
            self.told.push_back(arrival(name));
        }
    }

    fn next_pause(&mut self, path: &Path) -> Duration {
        let suspect = self.suspects.entry(path.to_owned()).or_default();
        let pause = suspect.pause.map_or(FIRST_PAUSE, |pause| (pause * 2).min(LONGEST_PAUSE));
        suspect.pause = Some(pause);
        pause
    }

    fn turn_down(&mut self, path: &Path, state: Option<FileState>, why: String) {
        self.forget(path);
        if let Some(state) = state {
            self.turned_down.insert(path.to_owned(), state);
        }
        self.told.push_back(Arrival::Skipped { name: self.name(path), why, state });
    }

    /// The way of this file is at its end.
    fn forget(&mut self, path: &Path) {
        self.settling.done(path);
        self.suspects.remove(path);
        self.found_at_start.remove(path);
        self.old.remove(path);
        self.turned_down.remove(path);
    }

    /// A frame that was told was not taken: it is none that could be renamed, and it isn't told again as it is.
    pub fn was_not_taken(&mut self, name: &str) {
        if let Some((state, _)) = self.known.remove(name) {
            self.turned_down.insert(path_of(&self.root, name), state);
        }
    }

    // --- for those who ask ---

    /// It will not be told soon: it doesn't become whole, or its disk or share gives no bytes.
    pub fn is_stalled(&self, path: &Path, now: Now) -> bool {
        is_stalled(&self.settling, &self.line, path, now)
    }

    /// Its disk or share gives no bytes.
    pub fn is_silent(&self, path: &Path, now: Now) -> bool {
        self.suspects.get(path).is_some_and(|suspect| suspect.pause.is_some()) || self.line.is_slow(path, now)
    }
}

fn is_stalled<F>(settling: &Settling, line: &Line<F>, path: &Path, now: Now) -> bool {
    settling.is_stalled(path, now) || line.is_slow(path, now)
}
