//! A file that a command makes, and that isn't there yet: nothing is ever written over.

use std::fmt::Display;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use super::exit::CommandError;
use crate::files;
use crate::outlet::plain::printable;

pub struct NewFile {
    path: PathBuf,
    /// As sentences name it: 'the map'.
    what: &'static str,
}

impl NewFile {
    /// # Errors
    /// Something of that name is there: told before any work is done.
    pub fn checked(path: &Path, what: &'static str) -> Result<NewFile, CommandError> {
        let file = NewFile { path: path.to_owned(), what };
        // A link that leads nowhere is something, too.
        if path.symlink_metadata().is_ok() { Err(file.is_there()) } else { Ok(file) }
    }

    /// Writes all of it, or nothing.
    ///
    /// # Errors
    /// Something of that name has come meanwhile, or it can't be written.
    pub fn create(&self, bytes: &[u8]) -> Result<(), CommandError> {
        files::create(&self.path, bytes).map_err(|e| match e.kind() {
            ErrorKind::AlreadyExists => self.is_there(),
            _ => self.unwritten(e),
        })
    }

    /// For a sentence.
    pub fn name(&self) -> String {
        printable(&self.path.display().to_string())
    }

    pub fn unwritten(&self, why: impl Display) -> CommandError {
        CommandError::CannotRun(format!("{} can't be written to {}: {why}", self.what, self.name()))
    }

    fn is_there(&self) -> CommandError {
        let (name, what) = (self.name(), self.what);
        CommandError::CannotRun(format!("{name} is there already, and stays as it is: name a new file for {what}"))
    }
}
