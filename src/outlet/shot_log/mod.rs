//! The shot log: JSON Lines, append-only, synced before anything is announced.
//!
//! A torn tail is cut before anything is appended, and kept beside the log. After a failed sync nothing that was
//! written is trusted: the lines go into a new segment (`….2.jsonl`), and reading takes the segments in order, each
//! record once. A segment ends by its size and with a sitting; the next one begins with the state so far, so that a start
//! reads it alone, unless a long state would come to more than the records since the one before.

mod batch;
mod fault;
mod health;
mod lines;
mod lock;
mod looking;
mod pause;
mod place;
mod reader;
mod replay;
mod rescue;
mod segments;
mod sittings;
mod tail;
mod whole;
mod writer;

use std::collections::VecDeque;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use self::batch::batch;
use self::lock::Lock;
use self::pause::Pause;
use self::replay::{Extent, replay};
use self::rescue::Rescue;
use self::segments::{Segment, after, all};
use super::storage::{Open, Storage, on_disk};
use crate::intake::FileState;
use crate::session::{Ledger, State};

pub use fault::LogError;
pub use health::{Health, health};
pub use looking::looked_at;
pub use reader::{LogReader, PORTION, portion, read_since};
pub use rescue::Unwritten;
pub use segments::segments;
pub use sittings::{sittings, state_after};
pub use whole::read_within;
pub use writer::LogWriter;

/// Lines kept in memory while the disk doesn't take them.
pub const MOST_WAITING: usize = 10_000;
/// A segment is ended when this much was written since the state that it began with, or so many times that state.
/// Together they bound what a start must read, and what the states add to a log.
const SEGMENT: u64 = 8 << 20;
const TIMES_CARRIED: u64 = 4;
/// A state no longer than this is carried whatever was written since the one before.
const LIGHT: u64 = 1 << 20;
/// At once, and with its state however long that is: a start must not go by what is gone.
const GONE: u64 = 0;
/// When the next one could not be begun, this much more is written before that is tried again.
const MORE: u64 = 1 << 20;
/// A place whose disk fails so often can't be trusted.
const MANY_FAILURES: u32 = 10;

/// What opening a log found.
#[derive(Debug, Default)]
pub struct Opened {
    pub state: State,
    /// What was wrong, a sentence each.
    pub damage: Vec<String>,
}

pub struct ShotLog {
    path: PathBuf,
    open: Open,
    now: Clock,
    active: Option<Active>,
    segment: u32,
    /// Bytes that the segment's file has when it is opened.
    expected: u64,
    /// There was a log at the start, or one was begun since: what comes back at its place is that.
    is_known: bool,
    waiting: VecDeque<Arc<str>>,
    /// Lines kept elsewhere until those that wait are written.
    rescue: Option<Rescue>,
    /// Why the disk takes nothing, while it doesn't.
    trouble: Option<String>,
    pause: Pause,
    /// How much was written since the last carried state, and the length of that.
    extent: Extent,
    /// At this many bytes a new segment is due.
    due: u64,
    /// What befell the log, to be told.
    news: Vec<String>,
    lock: Option<Lock>,
}

/// What time it is, for the pauses between attempts.
pub type Clock = Box<dyn Fn() -> Instant + Send>;

struct Active {
    storage: Box<dyn Storage>,
    path: PathBuf,
    /// Everything before this is whole and synced.
    good: u64,
    /// The last sound line has no end yet.
    lacks_end: bool,
    /// What was written behind `good` was not synced: it is cut, and what follows goes elsewhere.
    has_failed: bool,
}

impl ShotLog {
    /// Opens a log for writing: locks it, replays it, cuts a torn tail. A folder that can't be
    /// written to is no error: lines then wait in memory.
    pub fn open(path: &Path) -> Result<(ShotLog, Opened), LogError> {
        ShotLog::open_with(path, on_disk())
    }

    pub fn open_with(path: &Path, open: Open) -> Result<(ShotLog, Opened), LogError> {
        ShotLog::open_by(path, open, Box::new(Instant::now))
    }

    /// The same by another clock.
    pub fn open_by(path: &Path, open: Open, now: Clock) -> Result<(ShotLog, Opened), LogError> {
        let path = place::resolved(path);
        let mut files = all(&path);
        // Before anything is made beside it.
        for file in [files.first(), files.last()].into_iter().flatten() {
            place::check(&file.path)?;
        }
        let lock = lock::lock(&path)?;
        // Another greyhold may have ended since.
        files = all(&path);
        let mut opened = Opened::default();
        let (end, extent) = replay(&files, &mut opened)?;
        let mut lacks_end = !end.is_ended;
        let mut segment = files.last().map_or(1, |last| last.number);
        let mut expected = end.good;
        if let Some(last) = files.last().filter(|_| end.torn > 0) {
            match tail::cut(&last.path, end.good) {
                Ok(kept) => opened.damage.push(tail::was_cut(&last.path, &kept)),
                Err(e) => {
                    opened.damage.push(tail::stays(&last.path, &e));
                    (segment, expected, lacks_end) = (segment + 1, 0, false);
                }
            }
        }
        let (rescue, waiting) = Rescue::of(&path, &mut opened);
        let mut log = ShotLog {
            path,
            open,
            now,
            active: None,
            segment,
            expected,
            is_known: !files.is_empty(),
            waiting,
            rescue,
            trouble: None,
            pause: Pause::default(),
            extent,
            due: SEGMENT.max(extent.carried * TIMES_CARRIED),
            news: Vec::new(),
            lock,
        };
        log.activate();
        if let Some(active) = log.active.as_mut() {
            active.lacks_end = lacks_end && log.segment == segment;
        }
        Ok((log, opened))
    }

    /// Opens the present segment, or a new one, where that is possible.
    fn activate(&mut self) {
        self.open_segment();
        if self.active.is_none() && self.expected == 0 && self.is_known {
            self.open_segment();
        }
    }

    fn open_segment(&mut self) {
        if self.lock.is_none() {
            match lock::lock(&self.path) {
                Ok(lock) => self.lock = lock,
                Err(e) => return self.trouble = Some(e.to_string()),
            }
        }
        let path = Segment::of(&self.path, self.segment).path;
        let opened = (self.open)(&path).and_then(|storage| storage.state().map(|state| (storage, state.size)));
        match opened {
            Ok((storage, size)) if size == self.expected => {
                self.is_known = true;
                self.active = Some(Active { storage, path, good: size, lacks_end: false, has_failed: false });
            }
            // It came back with more or less in it: left as it is.
            Ok(_) if self.is_known => self.next_segment(),
            Ok(_) => {
                self.trouble = Some(
                    "a file that was not there at the start lies in its place now: end greyhold and start it again, so \
                     that it goes on from that"
                        .to_owned(),
                );
            }
            Err(e) => self.trouble = Some(e.to_string()),
        }
    }

    /// Where it lies: what a link points to.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Why the disk takes nothing, while it doesn't.
    pub fn trouble(&self) -> Option<&str> {
        self.trouble.as_deref()
    }

    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// The last attempt before the end: what can't be written is kept elsewhere, and told.
    pub fn end(&mut self) -> Result<(), Unwritten> {
        if self.try_at_last() {
            return Ok(());
        }
        let why = self.trouble.clone().unwrap_or_default();
        Err(rescue::keep(&self.path, self.rescue.as_ref(), &self.waiting, why))
    }

    /// Without any pause that a failing disk would be left in.
    fn try_at_last(&mut self) -> bool {
        self.pause = Pause::default();
        self.retry()
    }

    fn write_waiting(&mut self) -> bool {
        while !self.waiting.is_empty() {
            let Some(active) = self.active.as_mut() else { return false };
            let (bytes, lines) = batch(&self.waiting, active.lacks_end);
            if let Err(e) = active.storage.write(&bytes) {
                self.trouble = Some(e.to_string());
                // Half a line must not stay: the next one would be lost behind it.
                if active.storage.cut(active.good).is_err() {
                    self.next_segment();
                }
                return false;
            }
            if let Err(e) = active.storage.sync() {
                active.has_failed = true;
                self.sync_failed(&e);
                return false;
            }
            active.good += bytes.len() as u64;
            active.lacks_end = false;
            self.extent.since += bytes.len() as u64;
            self.waiting.drain(..lines);
            self.pause = Pause::default();
        }
        self.trouble = None;
        if let Some(rescue) = self.rescue.take() {
            rescue.done();
        }
        true
    }

    fn sync_failed(&mut self, why: &io::Error) {
        self.trouble = Some(why.to_string());
        self.pause.note_failure((self.now)());
        if self.pause.failures() == MANY_FAILURES {
            self.news.push(format!(
                "the disk under the shot log {} said {MANY_FAILURES} times in a row that it could not keep what was \
                 written ({why}): this place can't be trusted for a log; end greyhold and name another with --log",
                self.path.display()
            ));
        }
    }

    /// Goes on where everything is whole: behind a failed sync or a change by somebody else that is another file.
    fn settle(&mut self) {
        let Some(active) = self.active.as_mut() else { return self.activate() };
        if active.has_failed {
            let is_empty = active.storage.cut(active.good).is_ok() && active.good == 0;
            // A file in which nothing was ever good is begun anew.
            if is_empty {
                (self.active, self.expected) = (None, 0);
            } else {
                self.next_segment();
            }
            return self.activate();
        }
        if let Some(what) = active.what_befell() {
            let file = active.path.display().to_string();
            self.next_segment();
            self.activate();
            let now = Segment::of(&self.path, self.segment).path;
            self.news.push(format!(
                "the shot log {file} {what} while it was in use: nothing is lost from here on, what follows is in {}",
                now.display()
            ));
            self.due = GONE;
        }
    }

    fn next_segment(&mut self) {
        (self.active, self.expected) = (None, 0);
        // A removed log begins anew under its own name.
        self.segment = all(&self.path).last().map_or(1, |last| last.number + 1);
    }

    /// All that a state comes of is written, and there is something behind the last one.
    fn can_carry(&self) -> bool {
        self.extent.since > 0 && self.waiting.is_empty() && self.active.is_some()
    }

    /// Begins a new segment with these lines of a state, or without; where that can't be, the present one goes on.
    fn begin_with(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut next = Segment::of(&self.path, self.segment + 1);
        while let Some(taken) = after(&self.path, next.number - 1).filter(|f| !is_empty(&f.path)) {
            next = Segment::of(&self.path, taken.number + 1);
        }
        let mut storage = (self.open)(&next.path)?;
        if let Err(e) = storage.write(bytes).and_then(|()| storage.sync()) {
            // Half a state must not stand in front of what still goes into the present segment.
            if storage.cut(0).is_err() {
                self.next_segment();
            }
            return Err(e);
        }
        let good = bytes.len() as u64;
        self.active = Some(Active { storage, path: next.path, good, lacks_end: false, has_failed: false });
        self.segment = next.number;
        if good > 0 {
            self.extent = Extent { carried: good, since: 0 };
        }
        Ok(())
    }
}

fn is_empty(file: &Path) -> bool {
    FileState::at(file).is_some_and(|state| state.size == 0)
}

impl Active {
    /// What somebody else did to the file, if anything.
    fn what_befell(&self) -> Option<&'static str> {
        match (self.storage.state().ok(), FileState::at(&self.path)) {
            (_, None) => Some("was removed or moved"),
            (Some(here), Some(there)) if here.inode != there.inode => Some("was replaced by another file"),
            (Some(here), _) if here.size < self.good => Some("was cut"),
            (Some(here), _) if here.size > self.good => Some("was written to by another program"),
            (Some(_), _) => None,
            (None, _) => Some("can't be looked at any more"),
        }
    }
}

impl Ledger for ShotLog {
    fn append(&mut self, lines: Vec<String>) -> bool {
        self.waiting.extend(lines.into_iter().map(Arc::from));
        self.retry()
    }

    fn retry(&mut self) -> bool {
        if self.pause.holds((self.now)()) {
            return self.waiting.is_empty();
        }
        self.settle();
        self.write_waiting()
    }

    fn is_full(&self) -> bool {
        self.waiting.len() >= MOST_WAITING
    }

    fn wants_state(&self) -> bool {
        self.extent.since >= self.due && self.can_carry()
    }

    fn carry(&mut self, state: &[String]) {
        let bytes: Vec<u8> = state.iter().flat_map(|line| [line.as_bytes(), b"\n"].concat()).collect();
        let length = bytes.len() as u64;
        // Else short sittings in a folder of many files would each add all of these to the log.
        let outweighs = self.due > GONE && length > self.extent.since.max(LIGHT);
        self.due = match self.begin_with(if outweighs { &[] } else { &bytes }) {
            Ok(()) if outweighs => self.due.max(length),
            Ok(()) => SEGMENT.max(self.extent.carried * TIMES_CARRIED),
            Err(e) => {
                tracing::warn!("no new file of the shot log can be begun: {e}");
                self.extent.since + MORE
            }
        };
    }

    fn take_news(&mut self) -> Vec<String> {
        std::mem::take(&mut self.news)
    }
}
