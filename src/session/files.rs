//! The files of a sitting: which are logged, to which frame they belong, and which were turned down and need no second
//! look.

use std::collections::HashMap;

use serde::{Deserialize, Serialize};

use super::record::{Body, FrameRecord};
use super::remembered::Stem;
use super::rows;
use crate::advice::Observation;
use crate::container::{Fingerprint, Kind};
use crate::frame::Captured;
use crate::intake::{FileState, KnownFile, stem_key};
use crate::numbers::FrameNumber;

/// Every file that is known.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Files {
    /// The first start is over: what is not known from now on is new.
    pub begun: bool,
    #[serde(with = "rows::files")]
    logged: HashMap<String, (FileState, Fingerprint)>,
    /// Files that could not be taken up, as they were then.
    #[serde(with = "rows::turned_down")]
    turned_down: HashMap<String, FileState>,
    #[serde(with = "rows::stems")]
    stems: HashMap<String, Stem>,
}

/// Files of one stem belong to one exposure when their capture times differ by no more than this.
const SAME_EXPOSURE_SECONDS: f64 = 2.0;

impl Files {
    pub(super) fn apply(&mut self, body: &Body) {
        match body {
            Body::Skipped { file, state, .. } => self.turn_down(file, *state),
            Body::ExistingFiles { files, last } => {
                self.begun |= last;
                for file in files {
                    self.note(&file.name, file.state, file.fingerprint);
                }
            }
            Body::Frame(frame) => {
                self.begun = true;
                let FrameRecord { file, state, fingerprint, .. } = &**frame;
                self.note(file, *state, *fingerprint);
                self.note_first(file, frame.frame, frame.observation.settings.captured.clone());
            }
            Body::FileAdded { frame, file, state, fingerprint, .. } => {
                self.note(file, *state, *fingerprint);
                self.note_further(file, *frame);
            }
            Body::FileChanged { file, was, state } => {
                if let Some((_, fingerprint)) = self.logged.remove(was) {
                    self.note(file, *state, fingerprint);
                }
            }
            _ => {}
        }
    }

    /// A picture is logged under this name.
    fn note(&mut self, name: &str, state: FileState, fingerprint: Fingerprint) {
        self.turned_down.remove(name);
        self.logged.insert(name.to_owned(), (state, fingerprint));
    }

    fn note_first(&mut self, file: &str, frame: FrameNumber, captured: Option<Captured>) {
        self.stems.insert(stem_key(file.as_ref()), Stem { frame, captured, picture: is_picture(file) });
    }

    fn note_further(&mut self, file: &str, frame: FrameNumber) {
        let stem = Stem { frame, captured: None, picture: false };
        self.stems.entry(stem_key(file.as_ref())).or_insert(stem).picture |= is_picture(file);
    }

    /// A file could not be taken up; with a state it can't be as long as it is in that.
    fn turn_down(&mut self, file: &str, state: Option<FileState>) {
        match state {
            Some(state) => self.turned_down.insert(file.to_owned(), state),
            None => self.turned_down.remove(file),
        };
    }

    /// Every file that could not be taken up, as it was then.
    pub fn turned_down(&self) -> Vec<(String, FileState)> {
        self.turned_down.iter().map(|(name, state)| (name.clone(), *state)).collect()
    }

    /// Whether a picture is logged under this name.
    pub fn knows(&self, file: &str) -> bool {
        self.logged.contains_key(file)
    }

    /// The picture that is logged under this name, and the file's state then.
    pub fn logged_as(&self, file: &str) -> Option<(FileState, Fingerprint)> {
        self.logged.get(file).copied()
    }

    /// Whether this very picture is logged under this name.
    pub fn has(&self, file: &str, fingerprint: Fingerprint) -> bool {
        self.logged.get(file).is_some_and(|(_, known)| *known == fingerprint)
    }

    /// Whether this very picture is logged under this name, as a file of this frame.
    pub fn is_of(&self, frame: FrameNumber, file: &str, fingerprint: Fingerprint) -> bool {
        let of = self.stems.get(&stem_key(file.as_ref())).map(|stem| stem.frame);
        of == Some(frame) && self.has(file, fingerprint)
    }

    /// The frame that a further file of one exposure belongs to.
    pub fn exposure_of(&self, file: &str, is_raw: bool, observation: &Observation) -> Option<FrameNumber> {
        let stem = self.stems.get(&stem_key(file.as_ref()))?;
        let apart = stem.captured.as_ref().zip(observation.settings.captured.as_ref());
        let together = apart.is_none_or(|(a, b)| b.seconds_since(a).abs() <= SAME_EXPOSURE_SECONDS);
        // Two pictures of one stem (an export beside the original) are two frames.
        (together && (is_raw || !stem.picture)).then_some(stem.frame)
    }

    /// Every file that needs no metering any more.
    pub fn known(&self) -> Vec<KnownFile> {
        let known = |(name, (state, fingerprint)): (&String, &(FileState, Fingerprint))| KnownFile {
            name: name.clone(),
            state: *state,
            fingerprint: *fingerprint,
        };
        self.logged.iter().map(known).collect()
    }
}

fn is_picture(file: &str) -> bool {
    !Kind::of(file.as_ref()).is_some_and(Kind::is_raw)
}
