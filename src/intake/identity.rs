//! The state of a file by which growth, replacement and rewriting are told.

use std::fs::Metadata;
use std::path::Path;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};

/// Size, times and identity. Equal states mean that nobody wrote in between.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct FileState {
    pub size: u64,
    pub modified_ns: i64,
    pub changed_ns: i64,
    pub inode: u64,
}

impl FileState {
    pub fn of(metadata: &Metadata) -> FileState {
        let (changed_ns, inode) = change_and_inode(metadata);
        FileState { size: metadata.len(), modified_ns: modified_ns(metadata), changed_ns, inode }
    }

    /// The state of a regular file, links not followed. `None` for anything else or nothing.
    pub fn at(path: &Path) -> Option<FileState> {
        let metadata = std::fs::symlink_metadata(path).ok()?;
        metadata.is_file().then(|| FileState::of(&metadata))
    }

    /// Whether it was last written or renamed this long ago, by the file system's clock.
    pub fn is_older_than(&self, age: Duration) -> bool {
        let touched = self.changed_ns.max(self.modified_ns);
        let now = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_nanos() as i64);
        now.saturating_sub(touched) > age.as_nanos() as i64
    }

    /// Whether two states may be of the same content: copies and archives keep these two only.
    pub fn same_content_as(&self, other: &FileState) -> bool {
        self.size == other.size && self.modified_ns == other.modified_ns
    }
}

/// The identity of a folder: a new folder under the old name is another one.
pub fn folder_identity(path: &Path) -> Option<(u64, u64)> {
    let metadata = std::fs::metadata(path).ok()?;
    metadata.is_dir().then(|| device_and_inode(&metadata))
}

fn modified_ns(metadata: &Metadata) -> i64 {
    let since = metadata.modified().ok().and_then(|t| t.duration_since(UNIX_EPOCH).ok());
    since.map_or(0, |d| d.as_nanos() as i64)
}

#[cfg(unix)]
fn change_and_inode(metadata: &Metadata) -> (i64, u64) {
    use std::os::unix::fs::MetadataExt;
    (metadata.ctime() * 1_000_000_000 + metadata.ctime_nsec(), metadata.ino())
}

#[cfg(not(unix))]
fn change_and_inode(_: &Metadata) -> (i64, u64) {
    (0, 0)
}

#[cfg(unix)]
fn device_and_inode(metadata: &Metadata) -> (u64, u64) {
    use std::os::unix::fs::MetadataExt;
    (metadata.dev(), metadata.ino())
}

/// Elsewhere a folder is told by its time of creation.
#[cfg(not(unix))]
fn device_and_inode(metadata: &Metadata) -> (u64, u64) {
    let since = metadata.created().ok().and_then(|t| t.duration_since(UNIX_EPOCH).ok());
    (0, since.map_or(0, |d| d.as_nanos() as u64))
}
