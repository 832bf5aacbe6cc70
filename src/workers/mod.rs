//! Strangers' files are read in processes of their own: bounded in time and memory, killed and started anew.
//!
//! Metadata and pixels are decoded by a hidden subcommand of this same program ([`serve`]), never in the daemon.
//! A [`Pool`] starts it, keeps it warm, hands it one file after the other and judges what comes of it.
//!
//! What holds where:
//!
//! | | Linux | macOS | elsewhere |
//! |---|---|---|---|
//! | a crash, an abort or a hang costs one file | yes | yes | yes |
//! | processor time a file | by the system | by the system | wall-clock time, by the pool |
//! | memory a file | by the system | not bounded | not bounded |
//! | no writing, no network, no other program | Landlock and seccomp, where the kernel has them | no | no |
//!
//! On every system the pool also bounds the wall-clock time of a file, generously.

mod confinement;
mod framing;
mod gauge;
mod limits;
mod packing;
mod patience;
mod pool;
mod process;
mod reading;
mod serving;
mod wire;

use std::path::PathBuf;

use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::container::{Fingerprints, Kind, Links};
use crate::frame::{Cut, CutPlace, Frame};
use crate::intake::FileState;
use crate::photometry::Series;

pub use confinement::{Confinement, Landlocked};
pub use limits::{Bounds, Limits};
pub use pool::Pool;
pub use serving::{SUBCOMMAND, attempt, serve};

/// What is to be read of a file.
#[derive(Debug, Clone)]
pub struct Task {
    pub path: PathBuf,
    pub kind: Kind,
    /// The series that the camera's marks belong to.
    pub series: Series,
    pub depth: Depth,
    pub links: Links,
    /// Pieces to be cut out of it, where that is how far it is read.
    pub cuts: Vec<CutPlace>,
}

impl Task {
    /// One that follows no link and cuts nothing out.
    pub fn of(path: PathBuf, kind: Kind, series: Series, depth: Depth) -> Task {
        Task { path, kind, series, depth, links: Links::Refused, cuts: Vec::new() }
    }
}

/// How far a file is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Depth {
    /// Whether it is whole, its checksums by samples, and when it was captured.
    Structure,
    /// All of it, pixels too, and its whole checksum.
    Whole,
    /// Like whole; of a raw file the picture embedded in it as well.
    WithEmbedded,
    /// Like whole; but of a raw file only the picture embedded in it, where one serves.
    EmbeddedFirst,
    /// A small picture for people to look at, the file's own where it has one.
    Glance,
    /// Like whole; but of a raw file that is cut behind its metadata these are still told.
    Lenient,
    /// Pieces of its pixels at full resolution, and nothing else.
    Cuts,
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
    /// The pieces that were asked for, in their order.
    pub cuts: Vec<Cut>,
}

/// Why nothing was read of a file.
#[derive(Debug, Clone, Error, PartialEq, Eq, Serialize, Deserialize)]
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
    /// It was not read within a time that is ample on a machine with processor time to spare.
    #[error("it could not be read within {seconds} s: the machine is too busy, or the file keeps its decoder busy")]
    Unfinished { seconds: u64 },
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

/// The program that is running, to be started once more. On Linux it is named so that it is found even after its file
/// was replaced by another version.
pub fn this_program() -> PathBuf {
    let running = PathBuf::from("/proc/self/exe");
    if cfg!(target_os = "linux") && running.exists() {
        return running;
    }
    std::env::current_exe().unwrap_or_else(|_| PathBuf::from("greyhold"))
}
