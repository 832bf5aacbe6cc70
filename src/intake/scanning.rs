//! Scans: what lies in the capture folder and its sub-folders right now.

use std::io;
use std::path::{Path, PathBuf};

use super::identity::FileState;
use crate::container::Kind;

/// Which names are passed over, besides hidden files and everything that is no picture.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Rules {
    /// Endings of names, lower case.
    pub ignored_endings: Vec<String>,
}

/// Deeper folders are no capture folders.
const DEEPEST: usize = 16;

impl Rules {
    /// Whether a name may be a frame.
    pub fn takes(&self, path: &Path) -> bool {
        let Some(name) = path.file_name().map(|n| n.to_string_lossy().to_lowercase()) else {
            return false;
        };
        let passing = name.starts_with(['.', '~']) || self.ignored_endings.iter().any(|e| name.ends_with(e.as_str()));
        !passing && Kind::of(path).is_some()
    }

    fn enters(&self, folder: &Path) -> bool {
        folder.file_name().is_some_and(|n| !n.to_string_lossy().starts_with('.'))
    }
}

/// Every file that may be a frame, with its state. Links, pipes and devices are passed over.
/// Fails only when the folder itself can't be read; sub-folders that vanish meanwhile are passed.
pub fn scan(root: &Path, rules: &Rules) -> io::Result<Vec<(PathBuf, FileState)>> {
    let mut found = Vec::new();
    let mut folders = vec![(root.to_owned(), 0)];
    while let Some((folder, depth)) = folders.pop() {
        let entries = match std::fs::read_dir(&folder) {
            Ok(entries) => entries,
            Err(e) if depth == 0 => return Err(e),
            Err(_) => continue,
        };
        for entry in entries.flatten() {
            let Ok(kind) = entry.file_type() else { continue };
            let path = entry.path();
            if kind.is_dir() && depth < DEEPEST && rules.enters(&path) {
                folders.push((path, depth + 1));
            } else if kind.is_file()
                && rules.takes(&path)
                && let Some(state) = FileState::at(&path)
            {
                found.push((path, state));
            }
        }
    }
    found.sort_by(|a, b| (a.1.modified_ns, &a.0).cmp(&(b.1.modified_ns, &b.0)));
    Ok(found)
}
