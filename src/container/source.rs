//! Where a file's bytes come from: a file that was opened without waiting, or memory.

use std::fs::{File, OpenOptions};
use std::io::{self, Cursor, Read, Seek};
use std::path::Path;

use serde::{Deserialize, Serialize};

/// Bytes with a known length that can be read anywhere.
pub trait Source: Read + Seek {
    /// How many bytes there are now.
    fn length(&self) -> io::Result<u64>;

    /// Appends the bytes from here on, so many at the most; fewer only where they end.
    fn append(&mut self, most: u64, to: &mut Vec<u8>) -> io::Result<u64> {
        Ok(Read::take(self, most).read_to_end(to)? as u64)
    }
}

impl Source for File {
    fn length(&self) -> io::Result<u64> {
        self.metadata().map(|m| m.len())
    }
}

impl<T: AsRef<[u8]>> Source for Cursor<T> {
    fn length(&self) -> io::Result<u64> {
        Ok(self.get_ref().as_ref().len() as u64)
    }
}

/// Whether a link may stand in the place of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Links {
    /// In a watched folder a link is somebody else's file.
    Refused,
    /// A person who names a link means what it points to.
    Followed,
}

/// Opens a regular file for reading. Never waits for a writer (a pipe would) and refuses whatever is no regular
/// file, by what was opened and not by its name.
pub fn open(path: &Path, links: Links) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.read(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        let no_link = if links == Links::Refused { libc::O_NOFOLLOW } else { 0 };
        options.custom_flags(libc::O_NONBLOCK | libc::O_CLOEXEC | no_link);
    }
    #[cfg(not(unix))]
    if links == Links::Refused && std::fs::symlink_metadata(path)?.is_symlink() {
        return Err(not_regular());
    }
    let file = options.open(path)?;
    if file.metadata()?.is_file() { Ok(file) } else { Err(not_regular()) }
}

fn not_regular() -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, "it is no regular file")
}
