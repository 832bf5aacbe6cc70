//! The lock that keeps a log to one process.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::path::{Path, PathBuf};

use super::LogError;
use crate::files::{open_own, replace_private_unsynced};

/// A process's number has no more digits.
const LONGEST_NUMBER: u64 = 20;

/// A log held for this process alone.
pub(super) struct Lock {
    file: File,
    /// The file beside it that has this process's number.
    number: Option<PathBuf>,
}

impl Drop for Lock {
    /// A program that is being started has all open files for a moment: closing alone would leave it locked.
    fn drop(&mut self) {
        if let Some(number) = self.number.as_ref().filter(|number| is_free_for_a_number(number)) {
            let _ = std::fs::remove_file(number);
        }
        let _ = self.file.unlock();
    }
}

/// Where the number of the process that holds the lock stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Number {
    /// In the locked file, which others may read.
    Within,
    /// Beside it: a locked file can be read by nobody else.
    Beside,
}

impl Number {
    const HERE: Number = if cfg!(windows) { Number::Beside } else { Number::Within };
}

/// Holds the log for this process alone. `None` where its folder takes no lock file.
pub(super) fn lock(log: &Path) -> Result<Option<Lock>, LogError> {
    lock_by(log, Number::HERE, read_number)
}

fn lock_by(log: &Path, at: Number, read: impl Fn(&mut File) -> io::Result<String>) -> Result<Option<Lock>, LogError> {
    let path = log.with_extension("lock");
    let beside = (at == Number::Beside).then(|| log.with_extension("process"));
    let refused = |why: &str| LogError::NoLock { lock: path.display().to_string(), why: why.to_owned() };
    let in_use = |process: String| LogError::InUse { log: log.display().to_string(), process };
    let mut options = OpenOptions::new();
    let mut file = match open_own(&path, options.read(true).write(true).create(true).truncate(false)) {
        Ok(file) => file,
        Err(_) if path.symlink_metadata().is_err() => return Ok(None),
        Err(_) if path.is_symlink() => return Err(refused("it is a link to another file")),
        // Another user's may still be locked, if not written to.
        Err(e) => open_own(&path, OpenOptions::new().read(true)).map_err(|_| refused(&e.to_string()))?,
    };
    let process = match (read(&mut file), at) {
        (Ok(process), _) => process,
        // Locked, or no text.
        (Err(_), Number::Beside) if is_locked(&file) => return Err(in_use(number_beside(log))),
        (Err(_), _) => return Err(refused("it is another program's file")),
    };
    if !is_number(&process) {
        return Err(refused("it is another program's file"));
    }
    match file.try_lock() {
        Ok(()) => {
            let own = std::process::id().to_string();
            // For whoever finds it locked; a lock that can only be read is a lock all the same.
            let _ = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| file.write_all(own.as_bytes()));
            let number = beside.filter(|number| {
                is_free_for_a_number(number) && replace_private_unsynced(number, own.as_bytes()).is_ok()
            });
            Ok(Some(Lock { file, number }))
        }
        Err(TryLockError::WouldBlock) if at == Number::Beside => Err(in_use(number_beside(log))),
        Err(TryLockError::WouldBlock) => Err(in_use(or_unknown(process))),
        // Some shares know no locks.
        Err(TryLockError::Error(_)) => Ok(None),
    }
}

fn read_number(file: &mut File) -> io::Result<String> {
    let mut text = String::new();
    file.take(LONGEST_NUMBER + 1).read_to_string(&mut text)?;
    Ok(text)
}

fn is_number(text: &str) -> bool {
    text.trim().chars().all(|c| c.is_ascii_digit()) && text.len() as u64 <= LONGEST_NUMBER
}

/// Whether nothing lies there, or nothing but a number. Another program's file of this name is left alone.
fn is_free_for_a_number(path: &Path) -> bool {
    let there = open_own(path, OpenOptions::new().read(true)).and_then(|mut file| read_number(&mut file));
    there.map_or_else(|_| path.symlink_metadata().is_err(), |text| is_number(&text))
}

fn is_locked(file: &File) -> bool {
    let tried = file.try_lock();
    if tried.is_ok() {
        let _ = file.unlock();
    }
    matches!(tried, Err(TryLockError::WouldBlock))
}

fn number_beside(log: &Path) -> String {
    let file = open_own(&log.with_extension("process"), OpenOptions::new().read(true));
    let number = file.and_then(|mut file| read_number(&mut file)).ok().filter(|number| is_number(number));
    or_unknown(number.unwrap_or_default())
}

fn or_unknown(process: String) -> String {
    if process.is_empty() { "unknown".to_owned() } else { process }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(taken: Result<Option<Lock>, LogError>) -> String {
        taken.err().unwrap().to_string()
    }

    #[test]
    fn who_holds_the_log_is_told_whether_a_locked_file_can_be_read_or_not() {
        let own = format!("(process {})", std::process::id());
        let unreadable = |_: &mut File| Err(io::Error::other("locked"));
        let home = tempfile::tempdir().unwrap();
        let log = home.path().join("shots.jsonl");

        let held = lock_by(&log, Number::Within, read_number).unwrap().unwrap();
        assert!(refusal(lock_by(&log, Number::Within, read_number)).contains(&own));
        drop(held);

        // As on Windows: whoever else opens it can't read a locked file.
        let held = lock_by(&log, Number::Beside, read_number).unwrap().unwrap();
        for said in
            [refusal(lock_by(&log, Number::Beside, unreadable)), refusal(lock_by(&log, Number::Beside, read_number))]
        {
            assert!(said.contains("another greyhold") && said.contains(&own), "{said}");
        }
        std::fs::remove_file(log.with_extension("process")).unwrap();
        assert!(refusal(lock_by(&log, Number::Beside, unreadable)).contains("(process unknown)"));
        drop(held);

        let held = lock_by(&log, Number::Beside, read_number).unwrap().unwrap();
        assert!(log.with_extension("process").exists());
        drop(held);
        assert!(!log.with_extension("process").exists(), "nobody holds it");

        std::fs::write(log.with_extension("process"), "notes of how it was processed").unwrap();
        drop(lock_by(&log, Number::Beside, read_number).unwrap().unwrap());
        let there = std::fs::read_to_string(log.with_extension("process")).unwrap();
        assert_eq!(there, "notes of how it was processed", "it is another program's");

        let said = refusal(lock_by(&log, Number::Beside, unreadable));
        assert!(said.contains("another program's file"), "not locked, and still not to be read: {said}");
    }
}
