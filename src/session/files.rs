//! What the state tells of files: which are logged, and which were turned down and need no second look.

use super::state::State;
use crate::container::Fingerprint;
use crate::frame::Settings;
use crate::intake::FileState;

impl State {
    /// A picture is logged under this name.
    pub(super) fn note_file(&mut self, name: &str, state: FileState, fingerprint: Fingerprint) {
        self.turned_down.remove(name);
        self.files.insert(name.to_owned(), (state, fingerprint));
    }

    /// A file could not be taken up; with a state it can't be as long as it is in that.
    pub(super) fn turn_down(&mut self, file: &str, state: Option<FileState>) {
        match state {
            Some(state) => self.turned_down.insert(file.to_owned(), state),
            None => self.turned_down.remove(file),
        };
    }

    /// Every file that could not be taken up, as it was then.
    pub fn turned_down_files(&self) -> Vec<(String, FileState)> {
        self.turned_down.iter().map(|(name, state)| (name.clone(), *state)).collect()
    }

    /// Whether a frame of these settings was shot before the last one, by the same camera's clock.
    pub fn is_overtaken(&self, settings: &Settings) -> bool {
        let Some(last) = self.last.as_ref().map(|last| &last.subject.settings) else { return false };
        let times = last.captured.as_ref().zip(settings.captured.as_ref());
        last.camera == settings.camera && times.is_some_and(|(last, this)| last.seconds_since(this) > 0.0)
    }

    /// Whether a picture is logged under this name.
    pub fn knows(&self, file: &str) -> bool {
        self.files.contains_key(file)
    }
}
