//! What the state tells of files: which are logged, and which were passed over and need no second look.

use super::state::State;
use crate::intake::FileState;

impl State {
    /// A file could not be taken up; with a state it can't be as long as it is in that.
    pub(super) fn pass_over(&mut self, file: &str, state: Option<FileState>) {
        match state {
            Some(state) => self.skipped.insert(file.to_owned(), state),
            None => self.skipped.remove(file),
        };
    }

    /// Files that were passed over, with the state that they were in.
    pub fn skipped_files(&self) -> Vec<(String, FileState)> {
        self.skipped.iter().map(|(name, state)| (name.clone(), *state)).collect()
    }

    /// Whether a picture is logged under this name.
    pub fn knows(&self, file: &str) -> bool {
        self.files.contains_key(file)
    }
}
