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

    /// Whether a path may be a frame of the capture folder `root`: no hidden folder lies on the way, and it isn't
    /// too deep. Events and scans go by this one rule.
    pub fn takes_below(&self, root: &Path, path: &Path) -> bool {
        let folders = path.strip_prefix(root).ok().and_then(Path::parent);
        folders.is_some_and(|folders| {
            folders.iter().count() <= DEEPEST && folders.iter().all(|name| enters(Path::new(name)))
        }) && self.takes(path)
    }
}

fn enters(folder: &Path) -> bool {
    folder.file_name().is_some_and(|n| !n.to_string_lossy().starts_with('.'))
}

/// What a scan found.
#[derive(Debug, Default)]
pub struct Found {
    /// Every file that may be a frame, oldest first.
    pub files: Vec<(PathBuf, FileState)>,
    /// Sub-folders that the system doesn't list, with its reason.
    pub unlisted: Vec<(PathBuf, String)>,
}

/// Every file that may be a frame, with its state. Links, pipes and devices are passed over.
/// Fails only when the folder itself can't be read; sub-folders that vanish meanwhile are passed.
pub fn scan(root: &Path, rules: &Rules) -> io::Result<Found> {
    let mut found = Found::default();
    let mut folders = vec![(root.to_owned(), 0)];
    while let Some((folder, depth)) = folders.pop() {
        let entries = match std::fs::read_dir(&folder) {
            Ok(entries) => entries,
            Err(e) if depth == 0 => return Err(e),
            Err(e) if e.kind() == io::ErrorKind::NotFound => continue,
            Err(e) => {
                found.unlisted.push((folder, e.to_string()));
                continue;
            }
        };
        for entry in entries.flatten() {
            let Ok(kind) = entry.file_type() else { continue };
            let path = entry.path();
            if kind.is_dir() && depth < DEEPEST && enters(&path) {
                folders.push((path, depth + 1));
            } else if kind.is_file()
                && rules.takes(&path)
                && let Some(state) = FileState::at(&path)
            {
                found.files.push((path, state));
            }
        }
    }
    found.files.sort_by(|a, b| (a.1.modified_ns, &a.0).cmp(&(b.1.modified_ns, &b.0)));
    found.unlisted.sort();
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn events_and_scans_pass_over_the_same_places() {
        let folder = tempfile::tempdir().unwrap();
        let deep = |n: usize| (0..n).fold(PathBuf::new(), |path, _| path.join("d"));
        let names =
            ["a.jpg", ".b.jpg", "c/d.jpg", ".hidden/e.jpg", "c/.hidden/f.jpg", ".hidden/c/g.jpg", "~h.jpg", "i.txt"];
        let deep = [16, 17].map(|n| deep(n).join("j.jpg"));
        let all: Vec<PathBuf> =
            names.iter().map(PathBuf::from).chain(deep).map(|name| folder.path().join(name)).collect();
        for path in &all {
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, "x").unwrap();
        }
        let rules = Rules::default();
        let scanned = scan(folder.path(), &rules).unwrap().files;
        let mut scanned: Vec<PathBuf> = scanned.into_iter().map(|(path, _)| path).collect();
        let mut by_event: Vec<PathBuf> = all.into_iter().filter(|p| rules.takes_below(folder.path(), p)).collect();
        scanned.sort();
        by_event.sort();
        assert_eq!(by_event, scanned);
        assert_eq!(by_event.len(), 3);
        assert!(!rules.takes_below(folder.path(), Path::new("/elsewhere/a.jpg")));
    }
}
