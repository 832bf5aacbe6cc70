//! Where a log lies, whether what lies there is one, and the lock that keeps it to one process. Nothing is made,
//! locked or cut before it is known that it is a shot log's.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::path::{Path, PathBuf};

use super::LogError;
use super::lines::{Line, Lines};
use crate::files::open_own;
use crate::session::{Portion, Record};

/// Links from link to link that are followed.
const MOST_LINKS: usize = 16;
/// A file in which so much is nothing of a log's is none.
const FOREIGN: u64 = 64 << 20;
/// A process's number has no more digits.
const LONGEST_LOCK: u64 = 20;

/// The file that a log's name stands for: links are followed once, and it is gone on with what they point to.
pub(super) fn resolved(log: &Path) -> PathBuf {
    let mut path = std::path::absolute(log).unwrap_or_else(|_| log.to_owned());
    for _ in 0..MOST_LINKS {
        match (path.read_link(), path.parent()) {
            (Ok(target), Some(folder)) => path = folder.join(target),
            _ => break,
        }
    }
    path
}

/// Whether a file may be gone on with as a log: one that isn't there or is empty may.
pub(super) fn check(file: &Path) -> Result<(), LogError> {
    let name = || file.display().to_string();
    let unreadable = |cause| LogError::Unreadable { log: name(), cause };
    match file.symlink_metadata() {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(e) => return Err(unreadable(e)),
        Ok(found) if !found.is_file() => return Err(LogError::NoShotLog { log: name() }),
        Ok(found) if found.len() == 0 => return Ok(()),
        Ok(_) => {}
    }
    let mut lines = Lines::of(file).map_err(unreadable)?;
    while let Some(line) = lines.next().map_err(unreadable)? {
        if is_of_a_log(&line) {
            return Ok(());
        }
        if lines.at() > FOREIGN {
            break;
        }
    }
    Err(LogError::NoShotLog { log: name() })
}

/// Whether a line is one of a log's, sound or not.
pub(super) fn is_of_a_log(line: &Line) -> bool {
    const HEAD: &[u8] = b"{\"v\":";
    let bytes = line.bytes();
    // A first line that was torn right away; a system that lost power leaves zeros in the place of what it had not written.
    let torn = !line.is_ended
        && line.start == 0
        && (bytes.starts_with(HEAD) || HEAD.starts_with(bytes) || bytes.iter().all(|b| *b == 0));
    torn || Record::number_in(bytes).is_some() || Portion::is_in(bytes)
}

/// A log held for this process alone.
pub(super) struct Lock(File);

impl Drop for Lock {
    /// A program that is being started has all open files for a moment: closing alone would leave it locked.
    fn drop(&mut self) {
        let _ = self.0.unlock();
    }
}

/// Holds the log for this process alone. `None` where its folder takes no lock file.
pub(super) fn lock(log: &Path) -> Result<Option<Lock>, LogError> {
    let path = log.with_extension("lock");
    let refused = |why: String| LogError::NoLock { lock: path.display().to_string(), why };
    let mut options = OpenOptions::new();
    let mut file = match open_own(&path, options.read(true).write(true).create(true).truncate(false)) {
        Ok(file) => file,
        Err(_) if path.symlink_metadata().is_err() => return Ok(None),
        Err(_) if path.is_symlink() => return Err(refused("it is a link to another file".to_owned())),
        // Another user's may still be locked, if not written to.
        Err(e) => open_own(&path, OpenOptions::new().read(true)).map_err(|_| refused(e.to_string()))?,
    };
    let mut process = String::new();
    let read = (&mut file).take(LONGEST_LOCK + 1).read_to_string(&mut process);
    if read.is_err() || !process.trim().chars().all(|c| c.is_ascii_digit()) || process.len() as u64 > LONGEST_LOCK {
        return Err(refused("it is another program's file".to_owned()));
    }
    match file.try_lock() {
        Ok(()) => {
            // For whoever finds it locked; a lock that can only be read is a lock all the same.
            let _ = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| write!(file, "{}", std::process::id()));
            Ok(Some(Lock(file)))
        }
        Err(TryLockError::WouldBlock) => {
            let process = if process.is_empty() { "unknown".to_owned() } else { process };
            Err(LogError::InUse { log: log.display().to_string(), process })
        }
        // Some shares know no locks.
        Err(TryLockError::Error(_)) => Ok(None),
    }
}
