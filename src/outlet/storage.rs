//! The few disk operations that a log needs, so that tests can make each of them fail.

use std::fs::{File, OpenOptions};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::Path;

use crate::files;
use crate::intake::FileState;

/// An open log file.
pub trait Storage: Send {
    /// Writes at the end; may write a part only and fail.
    fn write(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Returns when everything written is on the disk.
    fn sync(&mut self) -> io::Result<()>;
    /// Cuts the file to a length and goes on writing there.
    fn cut(&mut self, length: u64) -> io::Result<()>;
    /// The open file's length and identity.
    fn state(&self) -> io::Result<FileState>;
}

/// Opens or creates a log file for appending.
pub type Open = Box<dyn Fn(&Path) -> io::Result<Box<dyn Storage>> + Send>;

/// Opens real files.
pub fn on_disk() -> Open {
    Box::new(|path| {
        let is_new = !path.exists();
        let mut options = OpenOptions::new();
        let mut file = files::open_own(path, options.read(true).write(true).create(true).truncate(false))?;
        file.seek(SeekFrom::End(0))?;
        if is_new {
            files::sync_folder_of(path);
        }
        Ok(Box::new(OnDisk(file)) as Box<dyn Storage>)
    })
}

struct OnDisk(File);

impl Storage for OnDisk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.write_all(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.0.sync_data()
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.0.set_len(length)?;
        self.0.seek(SeekFrom::Start(length)).map(|_| ())
    }

    fn state(&self) -> io::Result<FileState> {
        FileState::of_open(&self.0)
    }
}
