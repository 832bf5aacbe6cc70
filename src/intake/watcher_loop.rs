//! The intake's one thread: hints and scans in, whole frames out, in order.

use std::collections::{HashMap, HashSet};
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime};

use jiff::civil::DateTime;

use super::catch_up::{FirstStart, Known, KnownFile, Relation, spell, whole_files};
use super::identity::{FileState, folder_identity};
use super::marks::Marks;
use super::pairing::Pairing;
use super::polling::is_network_share;
use super::scanning::scan;
use super::settling::{Hint, Now, QuietTimes, Settling, Step};
use super::watching::Watch;
use super::{Arrival, FolderNews, Mode, Options};
use crate::container::{self, Extent, Fault, Fingerprints, Kind};

/// Reads a file's capture time, for sorting what landed meanwhile.
pub type CaptureTime = fn(&Path) -> Option<DateTime>;

/// What the intake's thread is told from outside.
#[derive(Debug)]
pub enum Control {
    /// Hints are waiting.
    Wake,
    /// Answer with a mark once everything in the folder has been told.
    Sync(u64),
    Stop,
}

/// Handle on a running intake.
pub struct Intake {
    pub control: Sender<Control>,
    pub thread: JoinHandle<()>,
}

/// The folder itself is looked at this often.
const SUPERVISE_EVERY: Duration = Duration::from_secs(2);
/// After a folder was made, its files are looked for a second time.
const SECOND_LOOK: Duration = Duration::from_millis(300);
/// A difference between wall clock and running time beyond this is a laptop that slept.
const SLEPT: Duration = Duration::from_secs(5);
/// A file that no event named is found after this long at the latest.
const SELDOM: Duration = Duration::from_secs(10);
/// By then an event has come, if one comes at all.
const EVENT_DELAY: Duration = Duration::from_secs(1);
/// Scans in a row that found files no event had named.
const UNNAMED_SCANS: u32 = 2;
/// A whole picture waits this long for the preview that is announced behind it; editors leave stale
/// announcements.
const TAIL_PATIENCE: Duration = Duration::from_secs(5);
/// Known files are told in portions of this many.
const KNOWN_PORTION: usize = 500;

impl Intake {
    /// Starts the thread. `known` is what the log holds already; `tell` must block while its
    /// listener is behind and return `false` when there is none: the folder is the queue.
    pub fn start(
        options: Options,
        known: Vec<KnownFile>,
        capture_time: CaptureTime,
        tell: impl FnMut(Arrival) -> bool + Send + 'static,
    ) -> io::Result<Intake> {
        let (control, receiver) = channel();
        let wake = control.clone();
        let thread = std::thread::Builder::new().name("intake".to_owned()).spawn(move || {
            let mut worker = Worker::new(options, known, capture_time, Box::new(tell), wake);
            worker.run(&receiver);
        })?;
        Ok(Intake { control, thread })
    }
}

struct Worker {
    options: Options,
    capture_time: CaptureTime,
    tell: Box<dyn FnMut(Arrival) -> bool + Send>,
    wake: Sender<Control>,
    started: Instant,
    watch: Option<Watch>,
    identity: Option<(u64, u64)>,
    known: Known,
    settling: Settling,
    pairing: Pairing,
    polling: bool,
    scan_at: Now,
    supervise_at: Now,
    last_pass: Duration,
    /// Files that events have named since the last scan.
    named: HashSet<PathBuf>,
    unnamed_scans: u32,
    /// Files turned down, with the state they were in: looked at again only when that changes.
    turned_down: HashMap<PathBuf, FileState>,
    marks: Marks,
    clocks: (Instant, SystemTime),
    listening: bool,
}

impl Worker {
    fn new(
        options: Options,
        known: Vec<KnownFile>,
        capture_time: CaptureTime,
        tell: Box<dyn FnMut(Arrival) -> bool + Send>,
        wake: Sender<Control>,
    ) -> Worker {
        let share = is_network_share(&options.folder);
        let quiet = if share { QuietTimes::SHARE } else { QuietTimes::LOCAL };
        let mut worker = Worker {
            polling: options.mode == Mode::Poll || (options.mode == Mode::Auto && share),
            options,
            capture_time,
            tell,
            wake,
            started: Instant::now(),
            watch: None,
            identity: None,
            known: Known::default(),
            settling: Settling::new(quiet),
            pairing: Pairing::default(),
            scan_at: Duration::ZERO,
            supervise_at: Duration::ZERO,
            last_pass: Duration::ZERO,
            named: HashSet::new(),
            unnamed_scans: 0,
            turned_down: HashMap::new(),
            marks: Marks::default(),
            clocks: (Instant::now(), SystemTime::now()),
            listening: true,
        };
        for file in known {
            worker.known.add(file);
        }
        worker
    }

    fn now(&self) -> Now {
        self.started.elapsed()
    }

    fn say(&mut self, arrival: Arrival) {
        if self.listening {
            self.listening = (self.tell)(arrival);
        }
    }

    fn run(&mut self, control: &Receiver<Control>) {
        self.connect();
        self.first_scan();
        self.say(Arrival::Folder(FolderNews::Watching { polling: self.polling }));
        while self.listening {
            match control.recv_timeout(self.pause()) {
                Ok(Control::Stop) | Err(RecvTimeoutError::Disconnected) => return,
                Ok(Control::Sync(token)) => self.start_mark(token),
                Ok(Control::Wake) | Err(RecvTimeoutError::Timeout) => {}
            }
            self.take_hints();
            self.supervise();
            if self.now() >= self.scan_at {
                self.scan_all();
            }
            self.look_at_due();
            self.finish_marks();
        }
    }

    fn pause(&self) -> Duration {
        let soonest = [Some(self.scan_at), Some(self.supervise_at), self.settling.next_look(), self.pairing.next_due()];
        let next = soonest.into_iter().flatten().min().unwrap_or(self.scan_at);
        // Marks wait for files to be called stalled, which no other clock counts.
        let pause = next.saturating_sub(self.now());
        if self.marks.is_empty() { pause } else { pause.min(Duration::from_millis(50)) }
    }

    /// Scans beside events take at most a hundredth of the time, up to [`SELDOM`]; a pass over a slow
    /// share must not become all that ever happens.
    fn scan_every(&self) -> Duration {
        if self.polling {
            self.options.poll_every.max(self.last_pass * 5)
        } else {
            self.options.scan_every.max((self.last_pass * 100).min(SELDOM))
        }
    }

    // --- the folder ---

    fn connect(&mut self) {
        self.identity = folder_identity(&self.options.folder);
        self.watch = None;
        if self.options.mode == Mode::Poll || self.identity.is_none() {
            return;
        }
        match Watch::start(&self.options.folder, self.wake.clone()) {
            Ok(watch) => self.watch = Some(watch),
            Err(e) => self.go_polling(format!("the system gives no events for the folder ({e})")),
        }
    }

    fn go_polling(&mut self, why: String) {
        if !std::mem::replace(&mut self.polling, true) {
            self.say(Arrival::Folder(FolderNews::Polling { why }));
        }
        self.scan_at = self.scan_at.min(self.now() + self.scan_every());
    }

    /// Notices a folder that went, came back, or was replaced, and a machine that slept.
    fn supervise(&mut self) {
        if self.now() < self.supervise_at {
            return;
        }
        self.supervise_at = self.now() + SUPERVISE_EVERY;
        let slept = self.slept();
        let identity = folder_identity(&self.options.folder);
        if identity == self.identity && !slept {
            return;
        }
        let was_offline = self.identity.is_none();
        match identity {
            None if !was_offline => {
                self.identity = None;
                self.watch = None;
                self.say(Arrival::Folder(FolderNews::Offline));
            }
            None => {}
            Some(_) => {
                self.connect();
                self.scan_at = self.now();
                if was_offline {
                    self.say(Arrival::Folder(FolderNews::Back));
                } else if !slept {
                    self.say(Arrival::Folder(FolderNews::Replaced));
                }
            }
        }
    }

    fn slept(&mut self) -> bool {
        let (then, wall) = self.clocks;
        self.clocks = (Instant::now(), SystemTime::now());
        let ran = then.elapsed();
        wall.elapsed().is_ok_and(|passed| passed > ran + SLEPT)
    }

    // --- finding files ---

    fn first_scan(&mut self) {
        let Ok(found) = scan(&self.options.folder, &self.options.rules) else {
            if self.identity.is_none() {
                self.say(Arrival::Folder(FolderNews::Offline));
            }
            return;
        };
        self.scan_at = self.now() + self.scan_every();
        let (root, now) = (self.options.folder.clone(), self.now());
        let mut new = Vec::new();
        for (path, state) in found {
            match self.known.relation(&spell(&root, &path), &state) {
                Relation::Same => {}
                Relation::New => new.push((path, state)),
                Relation::Touched => self.settling.notice(&path, Hint::Seen, now),
            }
        }
        let (mut whole, unfinished) = whole_files(&root, new);
        for path in &unfinished {
            self.settling.notice(path, Hint::Seen, now);
        }
        if self.options.first_start == FirstStart::TakeAsKnown {
            let files: Vec<KnownFile> = whole.into_iter().map(|(_, known)| known).collect();
            for portion in files.chunks(KNOWN_PORTION) {
                self.say(Arrival::Known { files: portion.to_vec(), last: false });
            }
            self.say(Arrival::Known { files: Vec::new(), last: true });
            files.into_iter().for_each(|file| self.known.add(file));
            return;
        }
        let capture_time = self.capture_time;
        // A file without a time sorts by when it was written, behind those with one of its time.
        whole.sort_by_cached_key(|(path, known)| (capture_time(path), known.state.modified_ns, known.name.clone()));
        for (path, known) in whole {
            self.release(path, known, true);
        }
    }

    fn take_hints(&mut self) {
        let Some(hints) = self.watch.as_ref().map(Watch::take) else {
            return;
        };
        let now = self.now();
        if hints.rescan {
            self.scan_at = now;
        }
        for (path, hint) in hints.paths {
            if self.options.rules.takes(&path) && self.is_news(&path, FileState::at(&path)) {
                self.settling.notice(&path, hint, now);
                self.named.insert(path);
            }
        }
        if hints.rescan {
            self.scan_all();
            self.scan_at = self.scan_at.min(self.now() + SECOND_LOOK);
        }
    }

    fn scan_all(&mut self) {
        let began = Instant::now();
        self.scan_at = self.now() + self.scan_every();
        if self.identity.is_none() {
            return;
        }
        let Ok(found) = scan(&self.options.folder, &self.options.rules) else {
            self.supervise_at = self.now();
            return;
        };
        self.last_pass = began.elapsed();
        let now = self.now();
        let mut unnamed = 0;
        for (path, state) in found {
            if self.is_news(&path, Some(state)) && !self.settling.is_waiting(&path) && !self.pairing.is_waiting(&path) {
                unnamed += u32::from(!self.named.contains(&path) && state.is_older_than(EVENT_DELAY));
                self.settling.notice(&path, Hint::Seen, now);
            }
        }
        self.named.clear();
        self.unnamed_scans = if unnamed > 0 { self.unnamed_scans + 1 } else { 0 };
        if self.watch.is_some()
            && !self.polling
            && self.options.mode == Mode::Auto
            && self.unnamed_scans >= UNNAMED_SCANS
        {
            self.go_polling("scans find files that no event had named".to_owned());
        }
        for path in self.settling.take_stale(now) {
            if let Some(state) = FileState::at(&path) {
                let name = spell(&self.options.folder, &path);
                self.turn_down(&path, state, name, "it stayed empty".to_owned());
            }
        }
    }

    fn is_news(&self, path: &Path, state: Option<FileState>) -> bool {
        let Some(state) = state else {
            return false;
        };
        if self.turned_down.get(path) == Some(&state) {
            return false;
        }
        self.known.relation(&spell(&self.options.folder, path), &state) != Relation::Same
    }

    // --- taking them up ---

    fn look_at_due(&mut self) {
        let now = self.now();
        let mut ready = Vec::new();
        for path in self.settling.due(now) {
            if !self.listening {
                return;
            }
            let state = FileState::at(&path);
            if self.settling.observe(&path, state, now) == Step::Check
                && let Some(state) = state
                && let Some(file) = self.check(&path, state)
            {
                ready.push((path, file));
            }
        }
        ready.sort_by_key(|(_, file)| (file.state.modified_ns, file.name.clone()));
        for (path, file) in ready {
            self.hand_on(path, file);
        }
        for path in self.pairing.take_overdue(self.now()) {
            self.release_raw(&path);
        }
    }

    /// The structure gate. Gives the file when its picture is whole.
    fn check(&mut self, path: &Path, state: FileState) -> Option<KnownFile> {
        let name = spell(&self.options.folder, path);
        let examined = Kind::of(path).ok_or(Fault::Foreign("it is no picture")).and_then(|kind| {
            let mut file = File::open(path)?;
            let layout = container::examine(kind, &mut file)?;
            if layout.tail_missing && !self.settling.is_quiet_for(path, TAIL_PATIENCE, self.now()) {
                return Err(Fault::Incomplete("a preview announced behind its picture is missing"));
            }
            Fingerprints::of(&mut file, &layout, Extent::Whole).map(|prints| prints.best())
        });
        match examined {
            // Written to while it was read: it will settle again.
            Ok(_) if FileState::at(path) != Some(state) => None,
            Ok(fingerprint) => {
                self.settling.done(path);
                Some(KnownFile { name, state, fingerprint })
            }
            Err(Fault::Incomplete(why)) => {
                if self.settling.not_whole(path, self.now()) {
                    self.turn_down(path, state, name, format!("it never became whole: {why}"));
                }
                None
            }
            // Denied or locked by its writer: as if it were still growing.
            Err(Fault::Unreadable(e)) => {
                if self.settling.not_whole(path, self.now()) {
                    self.turn_down(path, state, name, format!("it can't be read: {e}"));
                }
                None
            }
            Err(fault) => {
                self.turn_down(path, state, name, fault.to_string());
                None
            }
        }
    }

    fn turn_down(&mut self, path: &Path, state: FileState, name: String, why: String) {
        self.settling.done(path);
        self.turned_down.insert(path.to_owned(), state);
        self.say(Arrival::Skipped { name, why });
    }

    fn hand_on(&mut self, path: PathBuf, file: KnownFile) {
        let is_raw = Kind::of(&path).is_some_and(Kind::is_raw);
        let now = self.now();
        if is_raw && !self.pairing.raw_ready(&path, now) {
            return;
        }
        self.release(path, file, false);
    }

    fn release_raw(&mut self, path: &Path) {
        let Some(state) = FileState::at(path) else {
            return;
        };
        if let Some(file) = self.check(path, state) {
            self.release(path.to_owned(), file, false);
        }
    }

    fn release(&mut self, path: PathBuf, file: KnownFile, late: bool) {
        self.turned_down.remove(&path);
        let Some(kind) = Kind::of(&path) else {
            return;
        };
        let freed = if kind.is_raw() { Vec::new() } else { self.pairing.picture_released(&path) };
        let KnownFile { name, state, fingerprint } = file.clone();
        let arrival = match self.known.picture_of(&self.options.folder, &name, fingerprint) {
            Some(was) => Arrival::Rewritten { name, was, state },
            None => Arrival::Frame { path, name, kind, state, fingerprint, late },
        };
        self.known.add(file);
        self.say(arrival);
        for raw in freed {
            self.release_raw(&raw);
        }
    }

    // --- marks ---

    fn start_mark(&mut self, token: u64) {
        self.take_hints();
        self.scan_all();
        let waiting = self.settling.paths().chain(self.pairing.paths()).cloned().collect();
        self.marks.add(token, waiting);
    }

    fn finish_marks(&mut self) {
        let now = self.now();
        let (settling, pairing) = (&self.settling, &self.pairing);
        let is_waiting = |file: &Path| settling.is_waiting(file) || pairing.is_waiting(file);
        for (token, files) in self.marks.take_over(is_waiting, |file| settling.is_stalled(file, now)) {
            let waiting = files.iter().map(|file| spell(&self.options.folder, file)).collect();
            self.say(Arrival::Mark { token, waiting });
        }
    }
}
