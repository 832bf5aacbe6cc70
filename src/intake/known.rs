//! The pictures that were taken up: by the names of their files, and by their checksums.

use std::collections::{BTreeSet, HashMap, VecDeque};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::identity::{FileState, are_one_name};
use crate::container::{Fingerprint, Fingerprints};

/// A file whose picture needs no metering any more.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KnownFile {
    pub name: String,
    pub state: FileState,
    pub fingerprint: Fingerprint,
}

/// The pictures taken up so far.
#[derive(Debug, Default)]
pub struct Known {
    files: HashMap<String, (FileState, Fingerprint)>,
    /// Two files may hold one picture.
    names: HashMap<Fingerprint, BTreeSet<String>>,
    /// Pictures whose name went to another file before they were seen under a new one, the last ones.
    displaced: VecDeque<(FileState, Fingerprint)>,
}

/// Two files that change names, or a name that is used again at once, are told within seconds.
const MOST_DISPLACED: usize = 512;

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
        if let Some((state, fingerprint)) = self.remove(&file.name)
            && fingerprint != file.fingerprint
        {
            self.displaced.push_back((state, fingerprint));
            if self.displaced.len() > MOST_DISPLACED {
                self.displaced.pop_front();
            }
        }
        self.names.entry(file.fingerprint).or_default().insert(file.name.clone());
        self.files.insert(file.name, (file.state, file.fingerprint));
    }

    pub fn remove(&mut self, name: &str) -> Option<(FileState, Fingerprint)> {
        let (state, fingerprint) = self.files.remove(name)?;
        if let Some(names) = self.names.get_mut(&fingerprint) {
            names.remove(name);
            if names.is_empty() {
                self.names.remove(&fingerprint);
            }
        }
        Some((state, fingerprint))
    }

    pub fn names(&self) -> impl Iterator<Item = &String> {
        self.files.keys()
    }

    /// The state in which a known file was last.
    pub fn state(&self, name: &str) -> Option<&FileState> {
        self.files.get(name).map(|(state, _)| state)
    }

    pub fn relation(&self, name: &str, state: &FileState) -> Relation {
        match self.files.get(name) {
            None => Relation::New,
            Some((known, _)) if known == state || known.same_content_as(state) => Relation::Same,
            Some(_) => Relation::Touched,
        }
    }

    /// The name under which the picture of a file is known: this very name, or one whose file is gone (renamed).
    /// A copy under a second name is a frame of its own.
    pub fn picture_of(&self, root: &Path, name: &str, prints: &Fingerprints, state: &FileState) -> Option<String> {
        if let Some((known, print)) = self.files.get(name)
            && prints.are_of(*print)
            // The head of a picture alone doesn't tell one high-key portrait from the next.
            && (!matches!(print, Fingerprint::Head(_)) || known.size == state.size)
        {
            return Some(name.to_owned());
        }
        let others =
            possible(prints).filter_map(|print| self.names.get(&print)).flatten().filter(|other| *other != name);
        let mut renamed = others.filter(|other| self.is_renamed(root, name, other, state));
        renamed.next().cloned()
    }

    /// Whether the file known as `other` is the one that now has `state`, under the name `name`.
    fn is_renamed(&self, root: &Path, name: &str, other: &str, state: &FileState) -> bool {
        let Some((known, print)) = self.files.get(other) else { return false };
        if !may_be_renamed(print, known, state) {
            return false;
        }
        let before = path_of(root, other);
        match FileState::look(&before) {
            Err(e) => is_absence(&e),
            // Its name is in use again already, for another file; or it leads there still, being the new name spelled otherwise.
            Ok(now) => {
                let is_it = state.inode != 0 && known.inode == state.inode;
                let in_use = now.is_none_or(|now| now.inode != known.inode);
                is_it && (in_use || are_one_name(&before, &path_of(root, name)))
            }
        }
    }

    /// Whether this picture was known under a name that another one has now. Asked once: it is then forgotten.
    pub fn take_displaced(&mut self, prints: &Fingerprints, state: &FileState) -> bool {
        let is_it =
            |(known, print): &(FileState, Fingerprint)| prints.are_of(*print) && may_be_renamed(print, known, state);
        self.displaced.iter().position(is_it).and_then(|at| self.displaced.remove(at)).is_some()
    }

    /// Whether the file that was read is known under any name at all: it may have been renamed while it was read.
    pub fn has_this_file(&self, prints: &Fingerprints, state: &FileState) -> bool {
        possible(prints).filter_map(|print| self.names.get(&print)).flatten().any(|name| {
            let known = self.files.get(name).map(|(known, _)| known);
            known.is_some_and(|known| known.inode == state.inode && known.same_content_as(state))
        })
    }
}

/// Whether a file with a known picture may be the known one under another name. Where the picture is told by a part of
/// its bytes, what else a rename keeps must agree, too.
fn may_be_renamed(print: &Fingerprint, known: &FileState, state: &FileState) -> bool {
    matches!(print, Fingerprint::Whole(_)) || known.same_content_as(state)
}

/// Nothing lies under a name; any other fault says nothing of that.
fn is_absence(fault: &std::io::Error) -> bool {
    matches!(fault.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory)
}

/// Whether nothing at all lies under a name.
pub fn is_absent(path: &Path) -> bool {
    std::fs::symlink_metadata(path).is_err_and(|fault| is_absence(&fault))
}

/// Every fingerprint by which this picture may be known.
fn possible(prints: &Fingerprints) -> impl Iterator<Item = Fingerprint> {
    let whole = prints.whole.map(Fingerprint::Whole);
    whole.into_iter().chain([Fingerprint::Sampled(prints.sampled), Fingerprint::Head(prints.head)])
}

/// A file's name as it is logged: relative to the capture folder. Names that are no text are
/// spelled with their bytes, so that two of them never look alike.
pub fn spell(root: &Path, path: &Path) -> String {
    let relative = path.strip_prefix(root).unwrap_or(path);
    match relative.to_str() {
        Some(text) => with_slashes(text, std::path::MAIN_SEPARATOR),
        None => {
            let hex: String = relative.as_os_str().as_encoded_bytes().iter().map(|b| format!("{b:02x}")).collect();
            format!("{} (bytes {hex})", relative.to_string_lossy())
        }
    }
}

/// A name as every system reads it, so that a log may be gone on with on another one.
fn with_slashes(name: &str, separator: char) -> String {
    // Where folders are parted by a slash, a backslash is a letter of a name.
    if separator == '/' { name.to_owned() } else { name.replace(separator, "/") }
}

/// The file that [`spell`] named.
pub fn path_of(root: &Path, name: &str) -> PathBuf {
    match spelled_bytes(name) {
        Some(bytes) => root.join(bytes),
        None => root.join(name),
    }
}

#[cfg(unix)]
fn spelled_bytes(name: &str) -> Option<PathBuf> {
    use std::os::unix::ffi::OsStringExt;
    let (_, hex) = name.strip_suffix(')')?.rsplit_once(" (bytes ")?;
    let pairs = hex.as_bytes().chunks(2).map(|pair| std::str::from_utf8(pair).ok());
    let bytes: Vec<u8> = pairs.map(|pair| u8::from_str_radix(pair?, 16).ok()).collect::<Option<_>>()?;
    // A name that only looks like this is text, and stands for itself.
    String::from_utf8(bytes.clone()).is_err().then(|| std::ffi::OsString::from_vec(bytes).into())
}

#[cfg(not(unix))]
fn spelled_bytes(_: &str) -> Option<PathBuf> {
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn prints(picture: u64) -> Fingerprints {
        // Of all pictures the heads are one: white from edge to edge.
        Fingerprints { whole: Some(picture), sampled: picture, head: 7 }
    }

    fn at(path: &Path, text: &str) -> FileState {
        std::fs::write(path, text).unwrap();
        FileState::at(path).unwrap()
    }

    fn known(name: &str, state: FileState, fingerprint: Fingerprint) -> KnownFile {
        KnownFile { name: name.to_owned(), state, fingerprint }
    }

    #[test]
    fn two_files_with_one_picture_stay_two_and_each_may_be_renamed() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        let mut all = Known::default();
        for name in ["a.jpg", "b.jpg"] {
            all.add(known(name, at(&root.join(name), "one"), Fingerprint::Whole(1)));
        }
        let copy = at(&root.join("c.jpg"), "one");
        assert_eq!(all.picture_of(root, "c.jpg", &prints(1), &copy), None, "a copy is a frame of its own");
        std::fs::rename(root.join("a.jpg"), root.join("d.jpg")).unwrap();
        let renamed = FileState::at(&root.join("d.jpg")).unwrap();
        assert_eq!(all.picture_of(root, "d.jpg", &prints(1), &renamed), Some("a.jpg".to_owned()));
    }

    /// As where upper and lower case are one, or a long name has a short one: here two ways lead to one folder.
    #[cfg(unix)]
    #[test]
    fn a_name_that_is_spelled_otherwise_is_no_second_file() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        std::fs::create_dir(root.join("DAY")).unwrap();
        std::os::unix::fs::symlink(root.join("DAY"), root.join("day")).unwrap();
        let mut all = Known::default();
        all.add(known("DAY/a.jpg", at(&root.join("DAY/a.jpg"), "one"), Fingerprint::Whole(1)));
        let again = FileState::at(&root.join("day/a.jpg")).unwrap();
        assert_eq!(all.picture_of(root, "day/a.jpg", &prints(1), &again), Some("DAY/a.jpg".to_owned()));
        std::fs::hard_link(root.join("DAY/a.jpg"), root.join("b.jpg")).unwrap();
        let linked = FileState::at(&root.join("b.jpg")).unwrap();
        assert_eq!(all.picture_of(root, "b.jpg", &prints(1), &linked), None, "a name of its own");
    }

    #[test]
    fn a_name_that_is_used_again_at_once_hides_no_rename() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        let mut all = Known::default();
        all.add(known("a.jpg", at(&root.join("a.jpg"), "one"), Fingerprint::Whole(1)));
        std::fs::rename(root.join("a.jpg"), root.join("keeper.jpg")).unwrap();
        let next = at(&root.join("a.jpg"), "two");
        let keeper = FileState::at(&root.join("keeper.jpg")).unwrap();
        assert_eq!(all.picture_of(root, "keeper.jpg", &prints(1), &keeper), Some("a.jpg".to_owned()));
        assert_eq!(all.picture_of(root, "a.jpg", &prints(2), &next), None);
    }

    #[test]
    fn a_picture_whose_name_went_to_another_is_found_again_though_its_file_was_written_anew() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        let mut all = Known::default();
        all.add(known("a.jpg", at(&root.join("a.jpg"), "one"), Fingerprint::Whole(1)));
        all.add(known("a.jpg", at(&root.join("b.jpg"), "two"), Fingerprint::Whole(2)));
        let written_anew = at(&root.join("c.jpg"), "one, with a caption");
        assert!(!all.take_displaced(&prints(3), &written_anew), "another picture");
        assert!(all.take_displaced(&prints(1), &written_anew));
        assert!(!all.take_displaced(&prints(1), &written_anew), "a further copy is a frame of its own");
    }

    #[test]
    fn what_is_known_by_its_head_alone_is_renamed_only_with_its_size_and_time() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        let old = at(&root.join("old.jpg"), "old");
        let mut all = Known::default();
        all.add(known("old.jpg", old, Fingerprint::Head(7)));
        std::fs::rename(root.join("old.jpg"), root.join("kept.jpg")).unwrap();
        let kept = FileState::at(&root.join("kept.jpg")).unwrap();
        assert_eq!(all.picture_of(root, "kept.jpg", &prints(1), &kept), Some("old.jpg".to_owned()));
        let other = at(&root.join("next.jpg"), "another white one");
        assert_eq!(all.picture_of(root, "next.jpg", &prints(2), &other), None);
        assert_eq!(all.picture_of(root, "old.jpg", &prints(2), &other), None, "not even under its own name");
    }

    #[test]
    fn a_name_is_logged_alike_on_every_system() {
        assert_eq!(with_slashes(r"card\day 1\a.jpg", '\\'), "card/day 1/a.jpg");
        assert_eq!(with_slashes(r"card/a\b.jpg", '/'), r"card/a\b.jpg", "a letter of the name");
        let root = std::env::temp_dir();
        let path = root.join("card").join("a.jpg");
        assert_eq!(spell(&root, &path), "card/a.jpg");
        assert_eq!(path_of(&root, "card/a.jpg"), path);
    }

    #[cfg(unix)]
    #[test]
    fn names_that_are_no_text_are_found_again() {
        use std::os::unix::ffi::OsStrExt;
        let root = Path::new("/capture");
        for bytes in [&b"\xff\xfe.jpg"[..], b"sub/\xe4.jpg", b"plain.jpg", b"a (bytes 61).jpg", b"a (bytes 61)"] {
            let path = root.join(std::ffi::OsStr::from_bytes(bytes));
            assert_eq!(path_of(root, &spell(root, &path)), path);
        }
    }
}
