//! Why a log can't be opened, a sentence each.

use std::io;

use thiserror::Error;

use crate::session::LineFault;

#[derive(Debug, Error)]
pub enum LogError {
    #[error("another greyhold (process {process}) writes to {log}: stop it first, or give this one its own log")]
    InUse { log: String, process: String },
    #[error("{log} is no shot log: name another file for it")]
    NoShotLog { log: String },
    #[error("there is no shot log {log}: name one, or the folder that it lies in")]
    Absent { log: String },
    #[error(
        "the shot log can't be kept to one greyhold, because its lock file {lock} can't be used ({why}): remove that, or name another log with --log"
    )]
    NoLock { lock: String, why: String },
    #[error("{log}, line {line}, was written by a newer greyhold: {fault}")]
    Newer { log: String, line: usize, fault: LineFault },
    #[error(
        "the shot log {log} can't be read from line {line} on ({bytes} bytes), which is more than a torn end: nothing of it is cut or written; put it right, or name another log with --log"
    )]
    Unsound { log: String, line: usize, bytes: u64 },
    #[error("the shot log {log} can't be read: {cause}")]
    Unreadable { log: String, cause: io::Error },
}
