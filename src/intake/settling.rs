//! When a file has come to rest. A plain state machine: knows neither the disk nor the clock.
//!
//! Quiet alone proves nothing: a writer may stall. Whoever uses this checks the structure, too, and
//! reports back when the file was not whole.

use std::collections::BTreeMap;
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
}

impl QuietTimes {
    pub const LOCAL: QuietTimes = QuietTimes {
        closed: Duration::from_millis(100),
        unseen: Duration::from_millis(400),
        give_up: Duration::from_secs(60),
    };
    /// Longer than a share's attribute cache.
    pub const SHARE: QuietTimes = QuietTimes {
        closed: Duration::from_secs(4),
        unseen: Duration::from_secs(4),
        give_up: Duration::from_secs(600),
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
    unchanged_since: Now,
    hint: Hint,
    /// The close was heard since the last look: what changed until then was written before it.
    just_closed: bool,
    look_at: Now,
    pause: Duration,
    /// Checked at rest and found not whole.
    refused: bool,
}

const SHORTEST_PAUSE: Duration = Duration::from_millis(30);
const LONGEST_PAUSE: Duration = Duration::from_secs(1);
/// A refused file that has been quiet for this long is called stalled.
const STALLED: Duration = Duration::from_secs(2);

/// Files seen but not yet taken up.
#[derive(Debug)]
pub struct Settling {
    quiet: QuietTimes,
    waiting: BTreeMap<PathBuf, Pending>,
}

impl Settling {
    pub fn new(quiet: QuietTimes) -> Settling {
        Settling { quiet, waiting: BTreeMap::new() }
    }

    /// Something was heard of a file. Repeating it does no harm.
    pub fn notice(&mut self, path: &Path, hint: Hint, now: Now) {
        let entry = self.waiting.entry(path.to_owned()).or_insert(Pending {
            state: None,
            unchanged_since: now,
            hint,
            just_closed: false,
            look_at: now,
            pause: SHORTEST_PAUSE,
            refused: false,
        });
        if hint == Hint::Closed {
            entry.hint = Hint::Closed;
            entry.just_closed = true;
            entry.look_at = now;
            entry.pause = SHORTEST_PAUSE;
        }
    }

    /// Files to look at now.
    pub fn due(&self, now: Now) -> Vec<PathBuf> {
        self.waiting.iter().filter(|(_, p)| p.look_at <= now).map(|(path, _)| path.clone()).collect()
    }

    /// When the next file is to be looked at.
    pub fn next_look(&self) -> Option<Now> {
        self.waiting.values().map(|p| p.look_at).min()
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
        let just_closed = std::mem::replace(&mut pending.just_closed, false);
        if pending.state != Some(state) {
            let first = pending.state.is_none();
            *pending = Pending {
                state: Some(state),
                unchanged_since: now,
                // A change after the close means that the writer, or another one, is back.
                hint: if first || just_closed { pending.hint } else { Hint::Seen },
                just_closed: false,
                look_at: now + SHORTEST_PAUSE,
                pause: SHORTEST_PAUSE,
                refused: false,
            };
            return Step::Wait;
        }
        let quiet = if pending.hint == Hint::Closed { self.quiet.closed } else { self.quiet.unseen };
        if state.size > 0 && now >= pending.unchanged_since + quiet {
            return Step::Check;
        }
        pending.pause = (pending.pause * 2).min(LONGEST_PAUSE);
        let rest = (pending.unchanged_since + quiet).saturating_sub(now).max(SHORTEST_PAUSE);
        pending.look_at = now + if state.size > 0 { pending.pause.min(rest) } else { pending.pause };
        Step::Wait
    }

    /// A file at rest was not whole. `true` when it has been so for too long and should be reported;
    /// it is then no longer looked at until something is heard of it.
    pub fn not_whole(&mut self, path: &Path, now: Now) -> bool {
        let Some(pending) = self.waiting.get_mut(path) else {
            return false;
        };
        pending.refused = true;
        pending.pause = (pending.pause * 2).min(LONGEST_PAUSE);
        pending.look_at = now + pending.pause;
        let too_long = now >= pending.unchanged_since + self.quiet.give_up;
        if too_long {
            self.waiting.remove(path);
        }
        too_long
    }

    /// An empty file is at rest but never checked; reports and drops those that stayed so too long.
    pub fn take_stale(&mut self, now: Now) -> Vec<PathBuf> {
        let give_up = self.quiet.give_up;
        let stale = |p: &Pending| !p.refused && now >= p.unchanged_since + give_up * 2;
        let paths: Vec<PathBuf> = self.waiting.iter().filter(|(_, p)| stale(p)).map(|(path, _)| path.clone()).collect();
        for path in &paths {
            self.waiting.remove(path);
        }
        paths
    }

    /// A file was taken up or turned down for good.
    pub fn done(&mut self, path: &Path) {
        self.waiting.remove(path);
    }

    pub fn is_waiting(&self, path: &Path) -> bool {
        self.waiting.contains_key(path)
    }

    pub fn is_quiet_for(&self, path: &Path, time: Duration, now: Now) -> bool {
        self.waiting.get(path).is_none_or(|p| now >= p.unchanged_since + time)
    }

    /// Waiting, but quiet and not whole, or empty: it will not move by itself soon.
    pub fn is_stalled(&self, path: &Path, now: Now) -> bool {
        self.waiting.get(path).is_some_and(|p| {
            let resting = p.refused || p.state.is_some_and(|s| s.size == 0);
            resting && now >= p.unchanged_since + STALLED
        })
    }

    pub fn paths(&self) -> impl Iterator<Item = &PathBuf> {
        self.waiting.keys()
    }
}
