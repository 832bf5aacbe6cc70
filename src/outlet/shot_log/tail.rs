//! Cuts what stands behind the last sound line of a log, and keeps it beside the log.

use std::fs::OpenOptions;
use std::io::{self, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use crate::files::open_own;

/// Cuts a file to its sound part; gives where the rest is kept. Nothing is cut before the rest is on the disk.
pub(super) fn cut(file: &Path, good: u64) -> io::Result<PathBuf> {
    let mut log = open_own(file, OpenOptions::new().read(true).write(true))?;
    let beside = file.with_extension(format!("torn-{}", jiff::Timestamp::now().as_millisecond()));
    let mut kept = open_own(&beside, OpenOptions::new().write(true).create_new(true))?;
    log.seek(SeekFrom::Start(good))?;
    io::copy(&mut log, &mut kept)?;
    kept.sync_all()?;
    log.set_len(good)?;
    log.sync_all()?;
    Ok(beside)
}

pub(super) fn was_cut(file: &Path, kept: &Path) -> String {
    let (file, kept) = (file.display(), kept.display());
    format!("the end of {file} was torn and is cut off; what stood there is kept in {kept}")
}

pub(super) fn stays(file: &Path, why: &io::Error) -> String {
    format!("the end of {} is torn and can't be cut ({why}): what follows goes into a file of its own", file.display())
}
