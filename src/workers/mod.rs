//! Strangers' files are read in processes of their own: bounded in time and memory, killed and started anew.

use std::path::PathBuf;
use std::sync::Arc;

use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::container::{self, Fault, Fingerprints, Kind, Links};
use crate::frame::{self, Frame, FrameError};
use crate::intake::FileState;
use crate::photometry::Series;

/// What is to be read of a file.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Task {
    pub path: PathBuf,
    pub kind: Kind,
    /// The series that the camera's marks belong to.
    pub series: Series,
    pub depth: Depth,
    pub links: Links,
}

/// How far a file is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Depth {
    /// Whether it is whole, its checksums by samples, and when it was captured.
    Structure,
    /// All of it, pixels too, and its whole checksum.
    Whole,
    /// Like whole; but of a raw file that is cut behind its metadata these are still told.
    Lenient,
}

/// What was read of one whole file, through one handle.
#[derive(Debug, Clone)]
pub struct Answer {
    /// The file's state as its open handle had it before and after: it did not change meanwhile.
    pub state: FileState,
    pub fingerprints: Option<Fingerprints>,
    pub captured: Option<DateTime>,
    /// The picture is whole but something announced behind it (a preview) is not.
    pub tail_missing: bool,
    /// Why the file may not be written wholly yet, although its structure is whole: while it was touched lately, wait.
    pub perhaps_unfinished: Option<String>,
    /// Absent when only the structure was asked for.
    pub frame: Option<Frame>,
}

/// Why nothing was read of a file.
#[derive(Debug, Clone, Error, PartialEq, Eq)]
pub enum Refused {
    /// More bytes are missing, or it changed while it was read: wait.
    #[error("{0}")]
    Incomplete(String),
    /// No amount of waiting helps.
    #[error("{0}")]
    Foreign(String),
    /// The system refuses to read it (denied, locked, vanished): perhaps later.
    #[error("the file can't be read: {0}")]
    Unreadable(String),
    #[error("reading it took more than {seconds} s of processor time")]
    TookTooLong { seconds: u64 },
    #[error("reading it took more than {mib} MiB of memory")]
    TookTooMuch { mib: u64 },
    /// The process that read it died.
    #[error("reading it failed: {0}")]
    Crashed(String),
    /// Nothing came from the disk for so long; the file may be sound.
    #[error("its disk or share gave no byte for {seconds} s")]
    Silent { seconds: u64 },
    /// greyhold is ending.
    #[error("greyhold is ending")]
    Stopped,
}

/// The workers. Clones share them.
#[derive(Debug, Clone)]
pub struct Pool(Arc<usize>);

impl Pool {
    /// At most `seats` processes at one time, started when they are needed and kept warm.
    pub fn new(seats: usize) -> Pool {
        Pool(Arc::new(seats))
    }

    /// Reads a file; blocks until it is read or given up.
    pub fn read(&self, task: &Task) -> Result<Answer, Refused> {
        read_here(task)
    }

    /// Ends all workers; whoever waits for one gets [`Refused::Stopped`].
    pub fn stop(&self) {}
}

/// Reads a file in this process.
fn read_here(task: &Task) -> Result<Answer, Refused> {
    let unreadable = |e: std::io::Error| Refused::Unreadable(e.to_string());
    let mut file = container::open(&task.path, task.links).map_err(unreadable)?;
    let before = FileState::of(&file.metadata().map_err(unreadable)?);
    let read = match task.depth {
        Depth::Structure => frame::look_over(task.kind, &mut file),
        Depth::Whole => frame::read_from(task.kind, &task.path, &mut file, task.series),
        Depth::Lenient => frame::read_leniently(task.kind, &task.path, &mut file, task.series),
    };
    let read = read.map_err(|FrameError(fault)| match fault {
        Fault::Incomplete(_) => Refused::Incomplete(fault.to_string()),
        Fault::Unreadable(e) => Refused::Unreadable(e.to_string()),
        _ => Refused::Foreign(fault.to_string()),
    })?;
    let state = FileState::of(&file.metadata().map_err(unreadable)?);
    if !before.same_content_as(&state) {
        return Err(Refused::Incomplete("it changed while it was read".to_owned()));
    }
    Ok(Answer {
        state,
        fingerprints: read.fingerprints,
        captured: read.captured,
        tail_missing: read.tail_missing,
        perhaps_unfinished: read.perhaps_unfinished,
        frame: read.frame,
    })
}
