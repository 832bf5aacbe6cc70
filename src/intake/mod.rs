//! Intake: which files in the capture folder are new, whole frames.
//!
//! Events are hints, a scan is the truth. Everything here works on file names and states; what a
//! picture shows is for others. One thread owns all of it and blocks on the disk by itself.

mod catch_up;
mod identity;
mod marks;
mod pairing;
mod polling;
mod scanning;
mod settling;
mod watcher_loop;
mod watching;

use std::path::PathBuf;
use std::time::Duration;

pub use catch_up::{FirstStart, KnownFile, spell};
pub use identity::FileState;
pub use pairing::stem_key;
pub use polling::is_network_share;
pub use scanning::{Rules, scan};
pub use settling::{Hint, QuietTimes, Settling, Step};
pub use watcher_loop::{CaptureTime, Control, Intake};

use crate::container::{Fingerprint, Kind};

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

/// What the intake tells, in order.
#[derive(Debug)]
pub enum Arrival {
    /// A whole new frame, or a raw file that may belong to one.
    Frame { path: PathBuf, name: String, kind: Kind, state: FileState, fingerprint: Fingerprint, late: bool },
    /// A file was rewritten or renamed; its picture is one already taken up.
    Rewritten { name: String, was: String, state: FileState },
    /// Old photographs found at the first start; `last` ends them.
    Known { files: Vec<KnownFile>, last: bool },
    /// A file that never became whole, or can't be one.
    Skipped { name: String, why: String },
    /// The folder's state changed.
    Folder(FolderNews),
    /// Everything that was in the folder before the mark was asked for has been told.
    Mark { token: u64, waiting: Vec<String> },
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
    /// Events were lost or unreliable; scans go on in their place.
    Polling {
        why: String,
    },
}
