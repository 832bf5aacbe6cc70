//! Where a log lies, and whether what lies there is one. Nothing is made, locked or cut before it is known that it is a
//! shot log's.

use std::io;
use std::path::{Path, PathBuf};

use super::LogError;
use super::lines::{Line, Lines};
use crate::session::{Portion, Record};

/// Links from link to link that are followed.
const MOST_LINKS: usize = 16;
/// A file in which so much is nothing of a log's is none.
const FOREIGN: u64 = 64 << 20;

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
