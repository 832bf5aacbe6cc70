//! What the intake needs of whoever reads files for it. A file is opened and read by that somebody alone, in its
//! own time; the intake itself only looks at names and states.

use std::path::PathBuf;

use jiff::civil::DateTime;

use super::identity::FileState;
use crate::container::{Fingerprints, Kind};

/// How far a file is to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// Whether it is whole, which picture it is by samples, and when it was captured.
    Glance,
    /// All of it.
    Whole,
}

/// One file to read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Job {
    pub path: PathBuf,
    pub kind: Kind,
    pub scope: Scope,
}

/// What was read of a whole file, through one handle.
#[derive(Debug)]
pub struct FileReading<F> {
    /// The file's state as the open handle had it.
    pub state: FileState,
    pub fingerprints: Fingerprints,
    pub captured: Option<DateTime>,
    /// It is whole by its structure, and yet something speaks for more to come: it is taken once it was left alone
    /// for a while.
    pub perhaps_unfinished: bool,
    /// What it shows, for whoever takes the frames; a glance finds nothing.
    pub found: Option<F>,
}

/// Why a file was not read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NotRead {
    /// Bytes are missing, or it changed meanwhile.
    Incomplete(String),
    /// No amount of waiting helps.
    Foreign(String),
    /// The system refuses it: denied, locked, vanished.
    Unreadable(String),
    /// The reading broke off, which need not be the file's doing.
    BrokeOff(String),
    /// Its disk or share gives no bytes; the file may be sound.
    Silent,
    /// Nothing is read any more.
    Ended,
}

/// The outcome of a reading.
pub type Outcome<F> = Result<FileReading<F>, NotRead>;

/// Takes an outcome back to the intake.
pub type Reply<F> = Box<dyn FnOnce(Outcome<F>) + Send>;

/// Reads files beside the intake's thread.
pub trait Reader: Send + 'static {
    /// What a whole reading finds.
    type Found: Send + 'static;

    /// Begins to read a file and returns at once. The reply is given exactly once, sooner or later; up to
    /// [`MOST_READINGS`](super::MOST_READINGS) readings are begun and not replied to.
    fn begin(&self, job: Job, reply: Reply<Self::Found>);
}
