//! What lies in the folder when the daemon starts: old, or landed meanwhile. It is glanced at first, so that old
//! photographs are known and the rest can be taken up in the order of capture.

use std::collections::{HashMap, VecDeque};
use std::path::PathBuf;
use std::time::Duration;

use jiff::civil::DateTime;

use super::identity::FileState;
use super::reader::{NotRead, Outcome};
use super::settling::Now;
use crate::container::Fingerprint;

/// What to do with photographs that lie in the folder at the very first start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FirstStart {
    /// Take them as known; meter what comes from now on.
    TakeAsKnown,
    /// Meter them all, in the order of capture.
    MeterAll,
    /// Not a first start: there is a log.
    Resume,
}

/// Glances at one time.
const AT_ONCE: usize = 4;
/// A glance that takes longer is not waited for.
const PATIENCE: Duration = Duration::from_secs(2);
/// Glances that are not waited for and not ended, at most.
pub const MOST_ASIDE: usize = 3;

/// A file that was glanced at.
#[derive(Debug)]
pub struct Glanced {
    pub path: PathBuf,
    pub rest: FileState,
    pub captured: Option<DateTime>,
    pub fingerprint: Fingerprint,
}

struct Glance {
    path: PathBuf,
    rest: FileState,
    since: Now,
}

/// The first pass over the folder.
#[derive(Default)]
pub struct CatchUp {
    /// Touched so shortly before the start that somebody may still be writing.
    resting: Vec<(PathBuf, FileState)>,
    rested_at: Now,
    waiting: VecDeque<(PathBuf, FileState)>,
    reading: HashMap<u64, Glance>,
    /// Those that took long.
    aside: HashMap<u64, Glance>,
    glanced: Vec<Glanced>,
    next_ticket: u64,
    /// Nothing is waited for any more.
    over: bool,
}

impl CatchUp {
    /// `recent` is how long ago a file must have been touched to count as at rest.
    pub fn begin(&mut self, found: Vec<(PathBuf, FileState)>, recent: Duration, now: Now) {
        let (resting, waiting) = found.into_iter().partition::<Vec<_>, _>(|(_, state)| !state.is_older_than(recent));
        self.resting = resting;
        self.rested_at = now + recent;
        self.waiting = waiting.into();
    }

    /// Files that had been touched just before the start, once they have had their time to come to rest.
    pub fn take_rested(&mut self, now: Now) -> Vec<(PathBuf, FileState)> {
        if now < self.rested_at { Vec::new() } else { std::mem::take(&mut self.resting) }
    }

    /// Such a file did come to rest.
    pub fn add(&mut self, path: PathBuf, state: FileState) {
        self.waiting.push_back((path, state));
    }

    /// The next file to glance at.
    pub fn start(&mut self, now: Now) -> Option<(u64, PathBuf)> {
        let slow = |glance: &Glance| now >= glance.since + PATIENCE;
        let room = MOST_ASIDE - self.aside.len();
        let leaving: Vec<u64> = self.reading.iter().filter(|(_, g)| slow(g)).map(|(t, _)| *t).take(room).collect();
        for ticket in leaving {
            if let Some(glance) = self.reading.remove(&ticket) {
                self.aside.insert(ticket, glance);
            }
        }
        if self.reading.len() >= AT_ONCE {
            return None;
        }
        let (path, rest) = self.waiting.pop_front()?;
        self.next_ticket += 1;
        self.reading.insert(self.next_ticket, Glance { path: path.clone(), rest, since: now });
        Some((self.next_ticket, path))
    }

    /// A glance ended. Gives the file back where it came to nothing, or where nobody waited for it any more.
    pub fn ended<F>(&mut self, ticket: u64, outcome: Outcome<F>) -> Option<(PathBuf, Result<Glanced, NotRead>)> {
        let in_time = self.reading.remove(&ticket);
        let late = in_time.is_none();
        let Glance { path, rest, .. } = in_time.or_else(|| self.aside.remove(&ticket))?;
        let glanced = outcome.and_then(|reading| {
            if !reading.state.same_content_as(&rest) || reading.state.inode != rest.inode {
                return Err(NotRead::Incomplete("it changed while it was read".to_owned()));
            }
            let fingerprint = reading.fingerprints.best();
            Ok(Glanced { path: path.clone(), rest, captured: reading.captured, fingerprint })
        });
        match glanced {
            Ok(glanced) if !late => {
                self.glanced.push(glanced);
                None
            }
            other => Some((path, other)),
        }
    }

    /// All that was glanced at, in the order of capture, once, when nothing is waited for any more.
    pub fn take_over(&mut self) -> Option<Vec<Glanced>> {
        if self.over || !self.resting.is_empty() || !self.waiting.is_empty() || !self.reading.is_empty() {
            return None;
        }
        self.over = true;
        let mut all = std::mem::take(&mut self.glanced);
        // A file without a time sorts by when it was written, before those that have one.
        all.sort_by(|a, b| (a.captured, a.rest.modified_ns, &a.path).cmp(&(b.captured, b.rest.modified_ns, &b.path)));
        Some(all)
    }

    pub fn is_over(&self) -> bool {
        self.over
    }

    /// When something is to be done without anybody saying so.
    pub fn next_due(&self) -> Option<Now> {
        let rested = (!self.resting.is_empty()).then_some(self.rested_at);
        let room = self.aside.len() < MOST_ASIDE;
        let slow = self.reading.values().filter(|_| room).map(|g| g.since + PATIENCE).min();
        rested.into_iter().chain(slow).min()
    }
}
