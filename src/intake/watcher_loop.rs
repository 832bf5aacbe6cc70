//! The intake's one thread: hints and scans in, whole frames out, in order. It looks at names and states, and leaves
//! reading to others, so that no file can hold it up.

use std::collections::HashSet;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::catch_up::{CatchUp, FirstStart, Glanced};
use super::control::Control;
use super::identity::FileState;
use super::known::{KnownFile, Relation, spell};
use super::marks::Marks;
use super::polling::is_network_share;
use super::reader::{Job, NotRead, Outcome, Reader, Scope};
use super::scanning::Found;
use super::settling::{Hint, Now, QuietTimes};
use super::supervise::{Folder, Seen};
use super::taking_up::TakingUp;
use super::{Arrival, Before, FolderNews, Mode, Options};
use crate::container::Kind;

/// Handle on a running intake.
pub struct Intake<F> {
    pub control: Sender<Control<F>>,
    pub thread: JoinHandle<()>,
    /// The folder's state at any time.
    pub folder: Seen,
}

/// Arrivals told and not done with. Beyond them the folder itself is the queue.
const UNTAKEN: usize = 8;
/// After a folder was made, its files are looked for a second time.
const SECOND_SCAN: Duration = Duration::from_millis(300);
/// A file that no event named is found after this long at the latest.
const SELDOM: Duration = Duration::from_secs(10);
/// By then an event has come, if one comes at all.
const EVENT_DELAY: Duration = Duration::from_secs(1);
/// Scans in a row that found files no event had named.
const UNNAMED_SCANS: u32 = 2;
/// Known files are told in portions of this many.
const KNOWN_PORTION: usize = 500;
/// Messages taken in one go before files are looked at again.
const MESSAGES: usize = 64;

impl<F: Send + 'static> Intake<F> {
    /// Starts the thread. `before` is what the log holds already. `tell` must not block, and returns `false` when
    /// nobody listens any more; each arrival that counts is to be answered with [`Control::Taken`].
    pub fn start(
        options: Options,
        before: Before,
        reader: impl Reader<Found = F>,
        tell: impl FnMut(Arrival<F>) -> bool + Send + 'static,
    ) -> io::Result<Intake<F>> {
        let (control, receiver) = channel();
        let (replies, folder) = (control.clone(), Seen::default());
        let seen = folder.clone();
        let thread = std::thread::Builder::new().name("intake".to_owned()).spawn(move || {
            Worker::new(options, before, reader, Box::new(tell), replies, seen).run(&receiver);
        })?;
        Ok(Intake { control, thread, folder })
    }
}

struct Worker<R: Reader> {
    options: Options,
    reader: R,
    tell: Box<dyn FnMut(Arrival<R::Found>) -> bool + Send>,
    control: Sender<Control<R::Found>>,
    started: Instant,
    quiet: QuietTimes,
    folder: Folder,
    taking_up: TakingUp<R::Found>,
    /// What is to be done with what lies in the folder, until it could be listed once.
    first: Option<FirstStart>,
    catch_up: CatchUp,
    scan_at: Now,
    last_pass: Duration,
    /// Files that events have named since the last scan.
    named: HashSet<PathBuf>,
    unnamed_scans: u32,
    marks: Marks,
    untaken: usize,
    listening: bool,
}

impl<R: Reader> Worker<R> {
    fn new(
        options: Options,
        before: Before,
        reader: R,
        tell: Box<dyn FnMut(Arrival<R::Found>) -> bool + Send>,
        control: Sender<Control<R::Found>>,
        seen: Seen,
    ) -> Worker<R> {
        let share = is_network_share(&options.folder);
        let quiet = if share { QuietTimes::SHARE } else { QuietTimes::LOCAL };
        let polling = options.mode == Mode::Poll || (options.mode == Mode::Auto && share);
        let waker = control.clone();
        let wake = Arc::new(move || {
            let _ = waker.send(Control::Wake);
        });
        Worker {
            folder: Folder::new(options.folder.clone(), options.mode, polling, wake, seen),
            taking_up: TakingUp::new(options.folder.clone(), quiet, before),
            first: Some(options.first_start),
            options,
            reader,
            tell,
            control,
            started: Instant::now(),
            quiet,
            catch_up: CatchUp::default(),
            scan_at: Duration::ZERO,
            last_pass: Duration::ZERO,
            named: HashSet::new(),
            unnamed_scans: 0,
            marks: Marks::default(),
            untaken: 0,
            listening: true,
        }
    }

    fn now(&self) -> Now {
        self.started.elapsed()
    }

    fn say(&mut self, arrival: Arrival<R::Found>) {
        self.untaken += usize::from(arrival.is_counted());
        if self.listening {
            self.listening = (self.tell)(arrival);
        }
    }

    fn say_news(&mut self) {
        for news in self.folder.take_news() {
            self.say(Arrival::Folder(news));
        }
    }

    fn run(&mut self, control: &Receiver<Control<R::Found>>) {
        self.folder.begin();
        self.scan_all();
        self.say_news();
        self.say(Arrival::Folder(FolderNews::Watching { polling: self.folder.polling }));
        while self.listening {
            let pause = self.pause();
            self.folder.seen().beat(pause);
            let first = match control.recv_timeout(pause) {
                Err(RecvTimeoutError::Disconnected) => return,
                Err(RecvTimeoutError::Timeout) => None,
                Ok(message) => Some(message),
            };
            for message in first.into_iter().chain(control.try_iter().take(MESSAGES)) {
                if matches!(message, Control::Stop) {
                    return;
                }
                self.hear(message);
            }
            self.folder.seen().beat(Duration::ZERO);
            self.take_hints();
            self.supervise();
            if self.now() >= self.scan_at {
                self.scan_all();
            }
            self.go_on();
        }
    }

    fn hear(&mut self, message: Control<R::Found>) {
        match message {
            Control::Wake | Control::Stop => {}
            Control::Sync(token) => self.start_mark(token),
            Control::Taken => self.untaken = self.untaken.saturating_sub(1),
            Control::NotTaken(name) => {
                self.untaken = self.untaken.saturating_sub(1);
                self.taking_up.was_not_taken(&name);
            }
            Control::Read { ticket, outcome } => self.taking_up.ended(ticket, outcome),
            Control::Glanced { ticket, outcome } => {
                if let Some((path, glanced)) = self.catch_up.ended(ticket, outcome) {
                    self.take_single(path, glanced);
                }
            }
        }
    }

    fn pause(&self) -> Duration {
        let settling = self.taking_up.settling.next_look().filter(|_| self.catch_up.is_over());
        let soonest = [Some(self.folder.next_due()), settling, self.taking_up.next_due(), self.catch_up.next_due()];
        let next = soonest.into_iter().flatten().fold(self.scan_at, Duration::min);
        // Marks wait for files to be called stalled, which no other clock counts.
        let pause = next.saturating_sub(self.now());
        if self.marks.is_empty() { pause } else { pause.min(Duration::from_millis(50)) }
    }

    /// Scans beside events take at most a hundredth of the time, up to [`SELDOM`]; a pass over a slow
    /// share must not become all that ever happens.
    fn scan_every(&self) -> Duration {
        if self.folder.polling {
            self.options.poll_every.max(self.last_pass * 5)
        } else {
            self.options.scan_every.max((self.last_pass * 100).min(SELDOM))
        }
    }

    fn supervise(&mut self) {
        if self.now() >= self.folder.next_due() && self.folder.supervise(self.now()) {
            self.scan_at = self.now();
        }
    }

    // --- finding files ---

    fn take_hints(&mut self) {
        let hints = self.folder.hints();
        let now = self.now();
        // Before the first scan nobody can tell what is new.
        let paths = if self.first.is_some() { Default::default() } else { hints.paths };
        for (path, hint) in paths {
            if self.options.rules.takes_below(self.folder.path(), &path)
                && self.taking_up.is_news(&path, FileState::at(&path))
            {
                self.taking_up.heard(&path, hint, now);
                self.named.insert(path);
            }
        }
        if hints.rescan {
            self.scan_all();
            self.scan_at = self.scan_at.min(self.now() + SECOND_SCAN);
        }
    }

    fn scan_all(&mut self) {
        let began = Instant::now();
        self.scan_at = self.now() + self.scan_every();
        let Some(found) = self.folder.list(&self.options.rules) else { return };
        self.last_pass = began.elapsed();
        if let Some(first) = self.first.take() {
            return self.begin_to_catch_up(found, first);
        }
        let now = self.now();
        let mut unnamed = 0;
        for (path, state) in &found.files {
            if self.taking_up.is_news(path, Some(*state)) && !self.taking_up.settling.is_waiting(path) {
                unnamed += u32::from(!self.named.contains(path) && state.is_older_than(EVENT_DELAY));
                self.taking_up.settling.notice(path, Hint::Seen, now);
            }
        }
        self.named.clear();
        self.unnamed_scans = if unnamed > 0 { self.unnamed_scans + 1 } else { 0 };
        if self.folder.has_events() && self.options.mode == Mode::Auto && self.unnamed_scans >= UNNAMED_SCANS {
            self.folder.go_polling("scans find files that no event had named".to_owned());
            self.scan_at = self.scan_at.min(self.now() + self.scan_every());
        }
        self.taking_up.after_scan(&found, self.folder.is_the_first() && self.catch_up.is_over(), now);
    }

    // --- what lay there at the start ---

    fn begin_to_catch_up(&mut self, found: Found, first: FirstStart) {
        let now = self.now();
        let mut new = Vec::new();
        for (path, state) in found.files {
            match self.taking_up.relation(&path, &state) {
                Relation::Same => {}
                Relation::Touched => self.taking_up.settling.notice(&path, Hint::Seen, now),
                Relation::New => {
                    self.taking_up.settling.found_at_rest(&path, state, now);
                    new.push((path, state));
                }
            }
        }
        if first == FirstStart::TakeAsKnown {
            found.unlisted.into_iter().for_each(|(folder, _)| self.taking_up.is_old(folder));
        }
        self.catch_up.begin(new, self.quiet.recent, now);
    }

    fn catch_up(&mut self) {
        let now = self.now();
        for (path, then) in self.catch_up.take_rested(now) {
            match FileState::at(&path) {
                Some(state) if state == then => self.catch_up.add(path, state),
                // Somebody is writing: it lands now.
                _ => self.taking_up.settling.read_in_vain(&path, now),
            }
        }
        while let Some((ticket, path)) = self.catch_up.start(now) {
            let kind = Kind::of(&path).unwrap_or(Kind::RawOther);
            self.begin(Job { path, kind, scope: Scope::Glance }, move |outcome| Control::Glanced { ticket, outcome });
        }
        let Some(all) = self.catch_up.take_over() else { return };
        if self.options.first_start == FirstStart::TakeAsKnown {
            let files: Vec<KnownFile> = all.into_iter().map(|glanced| self.known_file(glanced)).collect();
            for portion in files.chunks(KNOWN_PORTION) {
                self.taking_up.know(portion.to_vec(), false);
            }
            self.taking_up.know(Vec::new(), true);
        } else {
            all.into_iter().for_each(|glanced| self.taking_up.join_found_at_start(glanced.path, glanced.rest));
        }
    }

    fn known_file(&self, glanced: Glanced) -> KnownFile {
        let name = spell(self.folder.path(), &glanced.path);
        KnownFile { name, state: glanced.rest, fingerprint: glanced.fingerprint }
    }

    /// A file that can't wait for the others: nothing came of the glance at it, or it took too long.
    fn take_single(&mut self, path: PathBuf, glanced: Result<Glanced, NotRead>) {
        let first = self.options.first_start == FirstStart::TakeAsKnown;
        match glanced {
            Ok(glanced) if first => {
                let file = self.known_file(glanced);
                self.taking_up.know(vec![file], self.catch_up.is_over());
            }
            Ok(glanced) => self.taking_up.join_found_at_start(glanced.path, glanced.rest),
            // It is being written: it lands now.
            Err(NotRead::Incomplete(_)) => self.taking_up.settling.read_in_vain(&path, self.now()),
            Err(why) => {
                if first {
                    self.taking_up.is_old(path.clone());
                } else {
                    self.taking_up.is_found_at_start(path.clone());
                }
                self.taking_up.not_read(&path, why, self.now());
            }
        }
    }

    // --- taking them up ---

    fn begin(&self, job: Job, message: impl FnOnce(Outcome<R::Found>) -> Control<R::Found> + Send + 'static) {
        let control = self.control.clone();
        let reply = move |outcome| {
            // The intake may have ended meanwhile.
            let _ = control.send(message(outcome));
        };
        self.reader.begin(job, Box::new(reply));
    }

    /// Everything that can be done now without waiting.
    fn go_on(&mut self) {
        if !self.catch_up.is_over() && self.first.is_none() {
            self.catch_up();
        }
        if self.catch_up.is_over() {
            self.taking_up.examine_due(self.now());
        }
        self.read_on();
        self.say_news();
        while self.untaken < UNTAKEN {
            match self.taking_up.next_told() {
                Some(arrival) => self.say(arrival),
                None if self.taking_up.take_next(self.now()) => {}
                None => break,
            }
        }
        // Places that came free.
        self.read_on();
        self.finish_marks();
    }

    fn read_on(&mut self) {
        while let Some((ticket, job)) = self.taking_up.start(self.now()) {
            self.begin(job, move |outcome| Control::Read { ticket, outcome });
        }
    }

    // --- marks ---

    fn start_mark(&mut self, token: u64) {
        self.folder.supervise(self.now());
        self.take_hints();
        self.scan_all();
        let waiting = self.taking_up.settling.paths().cloned().collect();
        self.marks.add(token, waiting);
    }

    fn finish_marks(&mut self) {
        if self.marks.is_empty() || self.untaken >= UNTAKEN {
            return;
        }
        let now = self.now();
        let taking_up = &self.taking_up;
        let is_waiting = |file: &Path| taking_up.settling.is_waiting(file);
        let over = self.marks.take_over(is_waiting, |file| taking_up.is_stalled(file, now));
        for (token, files) in over {
            let (silent, waiting): (Vec<PathBuf>, Vec<PathBuf>) =
                files.into_iter().partition(|file| self.taking_up.is_silent(file, now));
            let spelled = |files: Vec<PathBuf>| files.iter().map(|f| spell(self.folder.path(), f)).collect();
            let folder = self.folder.seen().now();
            self.say(Arrival::Mark { token, waiting: spelled(waiting), silent: spelled(silent), folder });
        }
    }
}
