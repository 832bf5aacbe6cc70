//! When a file has come to rest. A plain state machine: knows neither the disk nor the clock.
//!
//! Quiet alone proves nothing: a writer may stall. Whoever uses this checks the structure, too, and
//! reports back when the file was not whole. So a close that was heard needs no quiet time: what is whole by then is taken, and what
//! changes later is met by a new look.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::identity::FileState;

/// Time since the start of the watch.
pub type Now = Duration;

/// How long a file must be unchanged before it is looked into.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct QuietTimes {
    /// After a writer was seen to close it, or it was renamed into place.
    pub closed: Duration,
    /// Without such a sign.
    pub unseen: Duration,
    /// A quiet file that is not whole is reported after this long.
    pub give_up: Duration,
    /// At a start: what was touched this shortly before may still be written to.
    pub recent: Duration,
}

/// Whether the system tells that a writer closed its file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Closes {
    Told,
    Untold,
}

impl Closes {
    const HERE: Closes = if cfg!(target_os = "linux") { Closes::Told } else { Closes::Untold };
}

impl QuietTimes {
    pub const LOCAL: QuietTimes = QuietTimes::local(Closes::HERE);

    /// On a disk of this machine.
    pub const fn local(closes: Closes) -> QuietTimes {
        let unseen = match closes {
            Closes::Told => 400,
            // Every file waits for this.
            Closes::Untold => 150,
        };
        QuietTimes {
            closed: Duration::ZERO,
            unseen: Duration::from_millis(unseen),
            give_up: Duration::from_secs(60),
            recent: Duration::from_secs(2),
        }
    }

    /// Longer than a share's attribute cache.
    pub const SHARE: QuietTimes = QuietTimes {
        closed: Duration::from_secs(4),
        unseen: Duration::from_secs(4),
        give_up: Duration::from_secs(600),
        recent: Duration::from_secs(5),
    };
}

/// What was heard of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hint {
    Seen,
    /// Closed after writing, or renamed into place.
    Closed,
}

/// What to do with a file after looking at it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    Wait,
    /// It is at rest: check whether it is whole.
    Check,
    Gone,
}

#[derive(Debug)]
struct Pending {
    state: Option<FileState>,
    /// The time since then counts as quiet as far as somebody looked: see [`Pending::looked`].
    unchanged_since: Now,
    looked_at: Now,
    hint: Hint,
    /// The close was heard since the last look: what changed until then was written before it.
    just_closed: bool,
    examine_at: Now,
    pause: Duration,
    /// Read at rest and found not whole.
    refused: bool,
}

const SHORTEST_PAUSE: Duration = Duration::from_millis(30);
const LONGEST_PAUSE: Duration = Duration::from_secs(1);
/// Two looks at a file are never this far apart, unless nobody was there to look: the program was stopped, the
/// machine slept, the disk held it up.
const GAP: Duration = Duration::from_secs(3);
/// A refused file that has been quiet for this long is called stalled.
const STALLED: Duration = Duration::from_secs(2);

impl Pending {
    fn new(hint: Hint, now: Now) -> Pending {
        Pending {
            state: None,
            unchanged_since: now,
            looked_at: now,
            hint,
            just_closed: false,
            examine_at: now,
            pause: SHORTEST_PAUSE,
            refused: false,
        }
    }

    /// Somebody looks. Time in which nobody did says nothing of the file.
    fn looked(&mut self, now: Now) {
        let gap = now.saturating_sub(self.looked_at);
        if gap > GAP {
            self.unchanged_since = (self.unchanged_since + gap).min(now);
        }
        self.looked_at = now;
    }
}

/// Files seen but not yet taken up.
#[derive(Debug)]
pub struct Settling {
    quiet: QuietTimes,
    /// Looked at again and again, each at its time.
    waiting: BTreeMap<PathBuf, Pending>,
    /// At rest and on their way through the line of readings; not looked at meanwhile.
    read: HashMap<PathBuf, Pending>,
}

impl Settling {
    pub fn new(quiet: QuietTimes) -> Settling {
        Settling { quiet, waiting: BTreeMap::new(), read: HashMap::new() }
    }

    /// Something was heard of a file. Repeating it does no harm. What changes while a file is read shows when it
    /// was read; a close that was heard meanwhile counts then.
    pub fn notice(&mut self, path: &Path, hint: Hint, now: Now) {
        if let Some(read) = self.read.get_mut(path) {
            if hint == Hint::Closed {
                (read.hint, read.just_closed) = (hint, true);
            }
            return;
        }
        let entry = self.waiting.entry(path.to_owned()).or_insert_with(|| Pending::new(hint, now));
        if hint == Hint::Closed {
            entry.hint = Hint::Closed;
            entry.just_closed = true;
            entry.examine_at = now;
            entry.pause = SHORTEST_PAUSE;
        }
    }

    /// Files to look at now.
    pub fn due(&self, now: Now) -> Vec<PathBuf> {
        self.waiting.iter().filter(|(_, p)| p.examine_at <= now).map(|(path, _)| path.clone()).collect()
    }

    /// When the next file is to be looked at.
    pub fn next_look(&self) -> Option<Now> {
        self.waiting.values().map(|p| p.examine_at).min()
    }

    /// A look at a file. `state` is `None` when it isn't there or is no regular file.
    pub fn observe(&mut self, path: &Path, state: Option<FileState>, now: Now) -> Step {
        let Some(pending) = self.waiting.get_mut(path) else {
            return Step::Gone;
        };
        let Some(state) = state else {
            self.waiting.remove(path);
            return Step::Gone;
        };
        pending.looked(now);
        let just_closed = std::mem::replace(&mut pending.just_closed, false);
        if just_closed && state.size > 0 && self.quiet.closed.is_zero() {
            if pending.state.replace(state) != Some(state) {
                pending.unchanged_since = now;
            }
            return Step::Check;
        }
        if pending.state != Some(state) {
            let first = pending.state.is_none();
            *pending = Pending {
                state: Some(state),
                // A change after the close means that the writer, or another one, is back.
                examine_at: now + SHORTEST_PAUSE,
                ..Pending::new(if first || just_closed { pending.hint } else { Hint::Seen }, now)
            };
            return Step::Wait;
        }
        let quiet = if pending.hint == Hint::Closed { self.quiet.closed } else { self.quiet.unseen };
        if state.size > 0 && now >= pending.unchanged_since + quiet {
            return Step::Check;
        }
        pending.pause = (pending.pause * 2).min(LONGEST_PAUSE);
        let rest = (pending.unchanged_since + quiet).saturating_sub(now).max(SHORTEST_PAUSE);
        pending.examine_at = now + if state.size > 0 { pending.pause.min(rest) } else { pending.pause };
        Step::Wait
    }

    /// A file at rest joins the line of readings; its state at rest.
    pub fn to_be_read(&mut self, path: &Path) -> Option<FileState> {
        let pending = self.waiting.remove(path)?;
        let state = pending.state;
        self.read.insert(path.to_owned(), pending);
        state
    }

    /// A file that was at rest before anybody watched goes to the readings at once.
    pub fn found_at_rest(&mut self, path: &Path, state: FileState, now: Now) {
        self.waiting.remove(path);
        let pending = Pending { state: Some(state), ..Pending::new(Hint::Seen, now) };
        self.read.insert(path.to_owned(), pending);
    }

    /// It was read, and is to settle anew: it changed meanwhile, or nothing came of it.
    pub fn read_in_vain(&mut self, path: &Path, now: Now) {
        if let Some(mut pending) = self.read.remove(path) {
            pending.looked(now);
            pending.examine_at = now;
            self.waiting.insert(path.to_owned(), pending);
        }
    }

    /// It was read, and is to be read once more after this time: it may get more.
    pub fn leave_alone(&mut self, path: &Path, pause: Duration, now: Now) {
        self.read_in_vain(path, now);
        if let Some(pending) = self.waiting.get_mut(path) {
            pending.examine_at = now + pause;
            // The long pause is a wait, no time in which nobody looked.
            pending.looked_at = now + pause;
        }
    }

    /// It could not be read, and is to be tried again after this time.
    pub fn read_again_in(&mut self, path: &Path, pause: Duration, now: Now) {
        self.leave_alone(path, pause, now);
        if let Some(pending) = self.waiting.get_mut(path) {
            pending.refused = true;
        }
    }

    /// A file at rest was read and not whole. Gives its state when it has been so for too long and should be
    /// reported; it is then no longer looked at until something is heard of it.
    pub fn not_whole(&mut self, path: &Path, now: Now) -> Option<FileState> {
        self.read_in_vain(path, now);
        let pending = self.waiting.get_mut(path)?;
        pending.refused = true;
        pending.pause = (pending.pause * 2).min(LONGEST_PAUSE);
        pending.examine_at = now + pending.pause;
        if now < pending.unchanged_since + self.quiet.give_up {
            return None;
        }
        let state = pending.state;
        self.waiting.remove(path);
        state
    }

    /// An empty file is at rest but never read; reports and drops those that stayed so too long.
    pub fn take_empty(&mut self, now: Now) -> Vec<(PathBuf, FileState)> {
        let give_up = self.quiet.give_up;
        let empty = |p: &Pending| {
            // After a time in which nobody looked there must be a look first.
            let looked = now.saturating_sub(p.looked_at) <= GAP;
            p.state.filter(|s| looked && s.size == 0 && now >= p.unchanged_since + give_up * 2)
        };
        let over: Vec<(PathBuf, FileState)> =
            self.waiting.iter().filter_map(|(path, p)| Some((path.clone(), empty(p)?))).collect();
        for (path, _) in &over {
            self.waiting.remove(path);
        }
        over
    }

    /// A file was taken up or turned down for good.
    pub fn done(&mut self, path: &Path) {
        self.waiting.remove(path);
        self.read.remove(path);
    }

    pub fn is_waiting(&self, path: &Path) -> bool {
        self.waiting.contains_key(path) || self.read.contains_key(path)
    }

    /// The state in which a file was last seen.
    pub fn state(&self, path: &Path) -> Option<FileState> {
        self.read.get(path).or_else(|| self.waiting.get(path))?.state
    }

    /// How long a file that was read has been seen unchanged.
    pub fn quiet_for(&self, path: &Path, now: Now) -> Duration {
        let pending = self.read.get(path).or_else(|| self.waiting.get(path));
        pending.map_or(Duration::MAX, |p| now.saturating_sub(p.unchanged_since))
    }

    /// Waiting, but quiet and not whole, or empty: it will not move by itself soon.
    pub fn is_stalled(&self, path: &Path, now: Now) -> bool {
        self.waiting.get(path).is_some_and(|p| {
            let resting = p.refused || p.state.is_some_and(|s| s.size == 0);
            resting && now >= p.unchanged_since + STALLED
        })
    }

    pub fn paths(&self) -> impl Iterator<Item = &PathBuf> {
        self.waiting.keys().chain(self.read.keys())
    }
}
