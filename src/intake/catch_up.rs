//! What lies in the folder when the daemon starts: old, already logged, or landed meanwhile.

use std::collections::HashMap;
use std::fs::File;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::identity::FileState;
use crate::container::{self, Extent, Fingerprint, Fingerprints, Kind};

/// What to do with photographs that lie in the folder at the very first start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FirstStart {
    /// Take them as known; meter what comes from now on.
    TakeAsKnown,
    /// Meter them all, in the order of capture.
    MeterAll,
    /// Not a first start: there is a log.
    Resume,
}

/// A file whose picture needs no metering any more.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KnownFile {
    pub name: String,
    pub state: FileState,
    pub fingerprint: Fingerprint,
}

/// The pictures taken up so far, by file.
#[derive(Debug, Default)]
pub struct Known {
    files: HashMap<String, (FileState, Fingerprint)>,
    by_fingerprint: HashMap<Fingerprint, String>,
}

/// How a file relates to what is known.
#[derive(Debug, PartialEq, Eq)]
pub enum Relation {
    New,
    /// Nothing about it changed.
    Same,
    /// Its bytes changed; whether its picture did must be looked up.
    Touched,
}

impl Known {
    pub fn add(&mut self, file: KnownFile) {
        self.by_fingerprint.insert(file.fingerprint, file.name.clone());
        self.files.insert(file.name, (file.state, file.fingerprint));
    }

    pub fn relation(&self, name: &str, state: &FileState) -> Relation {
        match self.files.get(name) {
            None => Relation::New,
            Some((known, _)) if known == state || known.same_content_as(state) => Relation::Same,
            Some(_) => Relation::Touched,
        }
    }

    /// The name under which this picture is known: this very name, or one whose file is gone
    /// (renamed). A copy under a second name is a frame of its own.
    pub fn picture_of(&self, root: &Path, name: &str, fingerprint: Fingerprint) -> Option<String> {
        if self.files.get(name).is_some_and(|(_, known)| *known == fingerprint) {
            return Some(name.to_owned());
        }
        let other = self.by_fingerprint.get(&fingerprint)?;
        (!root.join(other).exists()).then(|| other.clone())
    }
}

/// A file's name as it is logged: relative to the capture folder. Names that are no text are
/// spelled with their bytes, so that two of them never look alike.
pub fn spell(root: &Path, path: &Path) -> String {
    let relative = path.strip_prefix(root).unwrap_or(path);
    match relative.to_str() {
        Some(text) => text.to_owned(),
        None => {
            let hex: String = relative.as_os_str().as_encoded_bytes().iter().map(|b| format!("{b:02x}")).collect();
            format!("{} (bytes {hex})", relative.to_string_lossy())
        }
    }
}

/// Whole files among `found`, with their fingerprints; the rest is left to settle.
pub fn whole_files(root: &Path, found: Vec<(PathBuf, FileState)>) -> (Vec<(PathBuf, KnownFile)>, Vec<PathBuf>) {
    let mut whole = Vec::new();
    let mut unfinished = Vec::new();
    for (path, state) in found {
        match fingerprint_if_whole(&path) {
            Some(fingerprint) => {
                let known = KnownFile { name: spell(root, &path), state, fingerprint };
                whole.push((path, known));
            }
            None => unfinished.push(path),
        }
    }
    (whole, unfinished)
}

fn fingerprint_if_whole(path: &Path) -> Option<Fingerprint> {
    let kind = Kind::of(path)?;
    let mut file = File::open(path).ok()?;
    let layout = container::examine(kind, &mut file).ok()?;
    Some(Fingerprints::of(&mut file, &layout, Extent::Whole).ok()?.best())
}
