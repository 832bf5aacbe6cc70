//! Intake: which files in the capture folder are new, whole frames.
//!
//! Events are hints, a scan is the truth. Everything here works on file names and states; what a
//! picture shows is for others. One thread owns all of it and blocks on the disk by itself.

mod catch_up;
mod control;
mod identity;
mod known;
mod limits;
mod line;
mod marks;
mod missed;
mod pairing;
mod polling;
mod reader;
mod scanning;
mod settling;
mod supervise;
mod taking_up;
mod watcher_loop;
mod watching;

use std::path::PathBuf;
use std::time::Duration;

pub use catch_up::FirstStart;
pub use control::Control;
pub use identity::FileState;
pub use known::{KnownFile, path_of, spell};
pub use limits::{Events, events_of};
pub use pairing::stem_key;
pub use polling::is_network_share;
pub use reader::{FileReading, Job, NotRead, Outcome, Reader, Reply, Scope};
pub use scanning::Rules;
pub use settling::{Closes, Hint, QuietTimes, Settling, Step};
pub use supervise::Seen;
pub use watcher_loop::Intake;

use crate::container::{Fingerprint, Kind};

/// Readings that are begun and not ended at one time, at most.
pub const MOST_READINGS: usize = line::MOST_READINGS + catch_up::MOST_ASIDE;

/// How the folder is watched.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Mode {
    /// By events, and by polling where the folder lies on a network share.
    #[default]
    Auto,
    Events,
    Poll,
}

/// What the intake is told.
#[derive(Debug, Clone)]
pub struct Options {
    pub folder: PathBuf,
    pub mode: Mode,
    /// Time between scans when polling.
    pub poll_every: Duration,
    /// Time between scans beside events.
    pub scan_every: Duration,
    pub rules: Rules,
    pub first_start: FirstStart,
}

/// What an earlier run left in the log.
#[derive(Debug, Clone, Default)]
pub struct Before {
    pub known: Vec<KnownFile>,
    /// Files that were turned down, with the state they were in.
    pub turned_down: Vec<(String, FileState)>,
}

/// What the intake tells, in order.
#[derive(Debug)]
pub enum Arrival<F> {
    /// A whole new frame, or a raw file that may belong to one, and what was found in it.
    /// `passed`: frames that landed behind it may have been told before it, because it took long to read.
    Frame {
        name: String,
        kind: Kind,
        state: FileState,
        fingerprint: Fingerprint,
        found_at_start: bool,
        passed: bool,
        found: F,
    },
    /// A file was rewritten or renamed; its picture is one already taken up.
    Rewritten { name: String, was: String, state: FileState },
    /// Known files are gone from the folder, neither renamed nor put back since; those that were told before and still are
    /// gone are among them.
    Gone { names: Vec<String> },
    /// Old photographs found at the first start; `last` ends them.
    Known { files: Vec<KnownFile>, last: bool },
    /// A file that never became whole, or can't be one. Without a state it is tried again.
    Skipped { name: String, why: String, state: Option<FileState> },
    /// Its disk or share gives no bytes: it is tried again for ever, and told once.
    Silent { name: String },
    /// The folder's state changed.
    Folder(FolderNews),
    /// Everything that was in the folder before the mark was asked for has been told, but these.
    Mark {
        token: u64,
        /// They are not whole yet.
        waiting: Vec<String>,
        /// Their disk or share gives no bytes.
        silent: Vec<String>,
        folder: FolderState,
    },
}

impl<F> Arrival<F> {
    /// Whether the intake waits until it is done with.
    pub fn is_counted(&self) -> bool {
        !matches!(self, Arrival::Folder(_) | Arrival::Mark { .. } | Arrival::Silent { .. })
    }
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FolderNews {
    /// The first scan is done and events are on.
    Watching {
        polling: bool,
    },
    /// Gone: unmounted, renamed or deleted. Never read as deletion of its frames.
    Offline,
    Back,
    /// Another folder lies at its place: made anew, or what a mount had covered.
    Replaced,
    /// The system doesn't list it, or one of its sub-folders.
    NotListed {
        name: Option<String>,
        why: String,
    },
    /// It can be listed again.
    Listed,
    /// Events were lost or unreliable; scans go on in their place.
    Polling {
        why: String,
    },
    /// Events came faster than the system keeps them; scans find what they would have named.
    EventsLost,
}

/// How the capture folder stands right now.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FolderState {
    pub stands: FolderStands,
    /// Another folder lies where the first one lay (that is unmounted, or was made anew): what the first one still held
    /// is out of reach.
    pub replaced: bool,
    pub polling: bool,
    /// Sub-folders that the system doesn't list.
    pub unlisted: Vec<String>,
}

#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub enum FolderStands {
    /// Nobody has looked yet.
    #[default]
    Unseen,
    Watched,
    Away,
    /// Its disk or share doesn't answer.
    Silent,
    NotListed {
        why: String,
    },
}
