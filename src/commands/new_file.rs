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
    /// Something of that name is there, or no folder for it: told before any work is done.
    pub fn checked(path: &Path, what: &'static str) -> Result<NewFile, CommandError> {
        let file = NewFile { path: path.to_owned(), what };
        // A link that leads nowhere is something, too.
        if path.symlink_metadata().is_ok() {
            return Err(file.is_there());
        }
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        if folder.is_dir() { Ok(file) } else { Err(file.has_no_folder(folder)) }
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

    fn has_no_folder(&self, folder: &Path) -> CommandError {
        let folder = printable(&folder.display().to_string());
        self.unwritten(format!("there is no folder {folder}: make it, or name another"))
    }

    fn is_there(&self) -> CommandError {
        let (name, what) = (self.name(), self.what);
        CommandError::CannotRun(format!("{name} is there already, and stays as it is: name a new file for {what}"))
    }
}
