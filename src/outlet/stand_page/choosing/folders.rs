//! What is shown of a folder to who chooses one: the folders in it, and how many pictures. Nothing is opened or changed.

use std::fs::{self, DirEntry};
use std::path::{Path, PathBuf};

use serde::Serialize;

use crate::container::Kind;
use crate::wording::without_error_numbers;

/// More than anybody looks through; a folder of all frames has hardly a folder in it.
const MOST_FOLDERS: usize = 500;
/// Counting a folder of a hundred thousand files on a share takes too long to wait for.
const MOST_COUNTED: usize = 20_000;

/// A folder with a name to show it by.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Named {
    pub name: String,
    pub path: PathBuf,
}

/// A folder as it is seen.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Seen {
    pub path: PathBuf,
    /// The folder that it lies in.
    pub above: Option<PathBuf>,
    pub folders: Vec<Named>,
    pub pictures: usize,
    /// There is more in it than was looked at.
    pub more: bool,
}

impl Seen {
    /// # Errors
    /// It can't be looked into: one sentence.
    pub fn of(path: &Path) -> Result<Seen, String> {
        // What is typed without a beginning would be meant from wherever this program was started.
        if !path.is_absolute() {
            return Err(format!("{}: write the whole path, from the beginning of the disk", path.display()));
        }
        let unread =
            |e: std::io::Error| without_error_numbers(&format!("{} can't be looked into: {e}", path.display()));
        let entries: Vec<_> = fs::read_dir(path).map_err(unread)?.take(MOST_COUNTED + 1).flatten().collect();
        let pictures = entries.iter().filter(|entry| Kind::of(&entry.path()).is_some()).count();
        let mut folders: Vec<Named> = entries.iter().filter_map(shown).collect();
        folders.sort_by_key(|folder| folder.name.to_lowercase());
        let more = entries.len() > MOST_COUNTED || folders.len() > MOST_FOLDERS;
        folders.truncate(MOST_FOLDERS);
        Ok(Seen { path: path.to_owned(), above: path.parent().map(Path::to_owned), folders, pictures, more })
    }
}

/// A folder that can be shown and named again: not a hidden one, and one whose name is text. Of a file nothing is asked but what the
/// listing tells: asking a share for the state of each takes minutes.
fn shown(entry: &DirEntry) -> Option<Named> {
    let name = entry.file_name().into_string().ok().filter(|name| !name.starts_with('.'))?;
    let (kind, path) = (entry.file_type().ok()?, entry.path());
    let is_folder = kind.is_dir() || kind.is_symlink() && path.is_dir();
    (is_folder && path.to_str().is_some()).then_some(Named { name, path })
}

/// The home of this user, whether it is there or not.
pub fn home() -> Option<Named> {
    let user = directories::UserDirs::new()?;
    let path = user.home_dir().to_owned();
    path.to_str().is_some().then(|| Named { name: "Home".to_owned(), path: path.clone() })
}

/// Where one begins to look: the pictures and the home of this user, and the disks that are attached. Waits for each of them.
pub fn beginnings() -> Vec<Named> {
    let user = directories::UserDirs::new();
    // A name that is no text can't be told to the page.
    let pictures = user.as_ref().and_then(|user| user.picture_dir()).filter(|at| at.to_str().is_some());
    let pictures = pictures.map(|at| Named { name: "Pictures".to_owned(), path: at.to_owned() });
    let own = pictures.into_iter().chain(home()).filter(|own| own.path.is_dir());
    let name = user.as_ref().and_then(|user| user.home_dir().file_name()?.to_str().map(str::to_owned));
    let disks = disk_folders(name.as_deref().unwrap_or_default());
    let attached = disks.iter().flat_map(|at| fs::read_dir(at).into_iter().flatten().flatten());
    let disks = attached.filter_map(|entry| shown(&entry));
    let letters = drive_letters().into_iter().map(|letter| Named { path: PathBuf::from(&letter), name: letter });
    own.chain(disks).chain(letters.filter(|letter| letter.path.is_dir())).collect()
}

/// Folders in which systems show attached disks: macOS, and Linux for this user.
fn disk_folders(user: &str) -> Vec<PathBuf> {
    if cfg!(windows) {
        return Vec::new();
    }
    let of_user = ["/media", "/run/media"].map(|at| Path::new(at).join(user));
    of_user.into_iter().chain([PathBuf::from("/Volumes"), PathBuf::from("/mnt")]).collect()
}

fn drive_letters() -> Vec<String> {
    if !cfg!(windows) {
        return Vec::new();
    }
    ('A'..='Z').map(|letter| format!("{letter}:\\")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_are_shown_and_pictures_counted() {
        let home = tempfile::tempdir().unwrap();
        for name in ["b", "A", ".hidden"] {
            fs::create_dir(home.path().join(name)).unwrap();
        }
        for name in ["1.jpg", "2.NEF", "notes.txt", ".hidden/3.jpg"] {
            fs::write(home.path().join(name), "").unwrap();
        }
        let seen = Seen::of(home.path()).unwrap();
        let names: Vec<&str> = seen.folders.iter().map(|folder| folder.name.as_str()).collect();
        assert_eq!((names, seen.pictures, seen.more), (vec!["A", "b"], 2, false));
        #[cfg(unix)]
        {
            std::os::unix::fs::symlink(home.path().join("b"), home.path().join("link")).unwrap();
            std::os::unix::fs::symlink(home.path().join("1.jpg"), home.path().join("other.jpg")).unwrap();
            let folders = Seen::of(home.path()).unwrap().folders;
            assert_eq!(folders.last().unwrap().name, "link", "a link to a folder is one, and one to a file isn't");
        }
        assert_eq!(seen.above.as_deref(), home.path().parent());
    }

    #[test]
    fn what_is_no_folder_is_told_so_in_one_sentence() {
        let home = tempfile::tempdir().unwrap();
        let file = home.path().join("1.jpg");
        fs::write(&file, "").unwrap();
        for path in [file.as_path(), &home.path().join("gone")] {
            let fault = Seen::of(path).unwrap_err();
            assert!(fault.contains("can't be looked into") && !fault.contains("os error"), "{fault}");
        }
        assert!(Seen::of(Path::new("tether")).unwrap_err().contains("whole path"));
    }
}
