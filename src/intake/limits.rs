//! What a folder would cost the system in event watches, tried and given back at once.

use std::path::Path;

use notify::ErrorKind;

use super::watching::Watch;

/// How a system answers the wish to be told of a folder's files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Events {
    Told,
    /// It has no more watches to give.
    NoMoreWatches,
    /// It tells of no such folder: whatever why, the folder is polled.
    NotTold,
}

/// Tries it, with all sub-folders.
pub fn events_of(folder: &Path) -> Events {
    match Watch::start(folder, || {}) {
        Ok(watch) if watch.take().no_more_watches => Events::NoMoreWatches,
        Ok(_) => Events::Told,
        Err(fault) => of_fault(&fault.kind),
    }
}

/// Linux tells a lack of watches by ENOSPC, which notify names, and of whole instances by EMFILE (inotify(7)).
fn of_fault(fault: &ErrorKind) -> Events {
    const TOO_MANY_OPEN: i32 = 24;
    match fault {
        ErrorKind::MaxFilesWatch => Events::NoMoreWatches,
        ErrorKind::Io(e) if cfg!(target_os = "linux") && e.raw_os_error() == Some(TOO_MANY_OPEN) => {
            Events::NoMoreWatches
        }
        _ => Events::NotTold,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io;

    #[test]
    fn a_lack_of_watches_is_told_from_other_faults() {
        assert_eq!(of_fault(&ErrorKind::MaxFilesWatch), Events::NoMoreWatches);
        assert_eq!(of_fault(&ErrorKind::PathNotFound), Events::NotTold);
        assert_eq!(of_fault(&ErrorKind::Io(io::Error::from_raw_os_error(2))), Events::NotTold);
        if cfg!(target_os = "linux") {
            assert_eq!(of_fault(&ErrorKind::Io(io::Error::from_raw_os_error(24))), Events::NoMoreWatches);
        }
    }

    #[test]
    fn a_usual_folder_is_told_of() {
        assert_eq!(events_of(tempfile::tempdir().unwrap().path()), Events::Told);
    }
}
