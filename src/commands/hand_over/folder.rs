//! The folder of a hand-over: it comes whole or not at all, and never takes the place of what somebody else put there.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use tempfile::TempDir;

use super::super::exit::CommandError;
use crate::files::{create, folder_of, sync_folder_of};
use crate::outlet::plain::printable;

/// By this file a folder is known for greyhold's own.
const MARK: &str = "greyhold-hand-over.json";
/// The mark of the largest hand-over is much shorter.
const LONGEST_MARK: u64 = 64 << 20;

/// What the mark says: which files were put there, and what was in them.
#[derive(Debug, Serialize, Deserialize)]
struct Marked {
    made_by: String,
    /// Of which sitting's frames; nothing in those that an earlier greyhold made.
    #[serde(default)]
    of: String,
    /// SHA-256 of each file's bytes, in hexadecimal.
    files: BTreeMap<String, String>,
}

pub struct NewFolder {
    path: PathBuf,
    /// The sitting that it is for.
    of: String,
    /// One that an earlier hand-over made stands there.
    replaces: bool,
}

impl NewFolder {
    /// # Errors
    /// What stands there is not greyhold's own, or somebody changed it since; there is no folder to make it in.
    pub fn checked(path: &Path, of: String) -> Result<NewFolder, CommandError> {
        let parent = folder_of(path);
        if !parent.is_dir() {
            let parent = printable(&parent.display().to_string());
            return Err(refused(path, &format!("there is no folder {parent} to make it in")));
        }
        if path.file_name().is_none() {
            return Err(refused(path, "it has no name of its own"));
        }
        let replaces = path.symlink_metadata().is_ok();
        if replaces {
            let before = check_own(path).map_err(|why| refused(path, &why))?;
            if before != of {
                return Err(refused(
                    path,
                    &format!("it holds the offsets of another sitting ({})", printable(&before)),
                ));
            }
        }
        Ok(NewFolder { path: path.to_owned(), of, replaces })
    }

    /// Makes it with these files. `go_on` is asked before each and at last before it takes its place.
    pub fn fill(
        &self,
        files: &[(String, Vec<u8>)],
        go_on: impl Fn() -> Result<(), CommandError>,
    ) -> Result<(), CommandError> {
        let failed = |e: io::Error| refused(&self.path, &e.to_string());
        let beside = beside(&self.path).map_err(failed)?;
        let (made_by, of) = (format!("greyhold {}", env!("CARGO_PKG_VERSION")), self.of.clone());
        let mut marked = Marked { made_by, of, files: BTreeMap::new() };
        for (name, bytes) in files {
            go_on()?;
            create(&beside.path().join(name), bytes).map_err(failed)?;
            marked.files.insert(name.clone(), checksum(bytes));
        }
        let mark = serde_json::to_vec_pretty(&marked).map_err(|e| failed(e.into()))?;
        create(&beside.path().join(MARK), &mark).map_err(failed)?;
        go_on()?;
        self.take_its_place(beside).map_err(failed)
    }

    fn take_its_place(&self, fresh: TempDir) -> io::Result<()> {
        if !self.replaces {
            // Something that came meanwhile and holds a file is not replaced by a folder.
            fs::rename(fresh.path(), &self.path)?;
            let _ = fresh.keep();
            sync_folder_of(&self.path);
            return Ok(());
        }
        check_own(&self.path).map_err(io::Error::other)?;
        if exchanged(fresh.path(), &self.path)? {
            // Under the other name the old one goes with the value.
            sync_folder_of(&self.path);
            return Ok(());
        }
        let old = beside(&self.path)?;
        let away = old.path().join("old");
        fs::rename(&self.path, &away)?;
        if let Err(e) = fs::rename(fresh.path(), &self.path) {
            if fs::rename(&away, &self.path).is_err() {
                let kept = old.keep();
                return Err(io::Error::other(format!("{e}; what was there before is in {}", kept.display())));
            }
            return Err(e);
        }
        let _ = fresh.keep();
        sync_folder_of(&self.path);
        Ok(())
    }
}

/// Lets two folders change places at one stroke. `false` where the file system or the system can't.
#[cfg(any(target_os = "linux", target_vendor = "apple"))]
fn exchanged(one: &Path, other: &Path) -> io::Result<bool> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    use rustix::io::Errno;
    match renameat_with(CWD, one, CWD, other, RenameFlags::EXCHANGE) {
        Ok(()) => Ok(true),
        Err(Errno::INVAL | Errno::NOSYS | Errno::NOTSUP) => Ok(false),
        Err(e) => Err(e.into()),
    }
}

#[cfg(not(any(target_os = "linux", target_vendor = "apple")))]
fn exchanged(_: &Path, _: &Path) -> io::Result<bool> {
    Ok(false)
}

/// An empty folder beside a path; it is gone with the value.
fn beside(path: &Path) -> io::Result<TempDir> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".greyhold-").suffix(".new");
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o777));
    builder.tempdir_in(folder_of(path))
}

/// Whether everything in a folder is as a hand-over left it, and of which sitting that is. `Err` says what isn't.
fn check_own(path: &Path) -> Result<String, String> {
    let not_own = || "it is there already, and no hand-over made it".to_owned();
    if !path.symlink_metadata().is_ok_and(|found| found.is_dir()) {
        return Err(not_own());
    }
    let mark = path.join(MARK);
    let length = mark.symlink_metadata().ok().filter(|found| found.is_file()).map(|found| found.len());
    let marked = length.filter(|length| *length <= LONGEST_MARK).and_then(|_| fs::read(&mark).ok());
    let marked: Marked = marked.and_then(|bytes| serde_json::from_slice(&bytes).ok()).ok_or_else(not_own)?;
    for entry in fs::read_dir(path).map_err(|e| e.to_string())? {
        let entry = entry.map_err(|e| e.to_string())?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let is_file = entry.file_type().is_ok_and(|kind| kind.is_file());
        let is_as_left = || {
            let left = marked.files.get(&name)?;
            Some(*left == checksum(&fs::read(entry.path()).ok()?))
        };
        if name != MARK && !(is_file && is_as_left() == Some(true)) {
            return Err(format!("{name} in it is not as the hand-over left it"));
        }
    }
    Ok(marked.of)
}

fn checksum(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

fn refused(path: &Path, why: &str) -> CommandError {
    let path = printable(&path.display().to_string());
    CommandError::CannotRun(format!("{path} can't be the folder of a hand-over: {why}; name a new folder with --into"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn files() -> Vec<(String, Vec<u8>)> {
        ["1.jpg.xmp", "2.jpg.xmp"].map(|name| (name.to_owned(), name.as_bytes().to_vec())).to_vec()
    }

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).unwrap().flatten();
        let mut names: Vec<String> = entries.map(|e| e.file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }

    #[test]
    fn who_interrupts_it_finds_nothing() {
        let home = tempfile::tempdir().unwrap();
        let place = home.path().join("offsets");
        for steps in 0..3 {
            let taken = std::cell::Cell::new(0);
            let go_on = || {
                taken.set(taken.get() + 1);
                if taken.get() > steps { Err(CommandError::Interrupted) } else { Ok(()) }
            };
            assert!(NewFolder::checked(&place, "monday".to_owned()).unwrap().fill(&files(), go_on).is_err());
            assert!(names(home.path()).is_empty(), "after {steps} steps");
        }
        NewFolder::checked(&place, "monday".to_owned()).unwrap().fill(&files(), || Ok(())).unwrap();
        assert_eq!(names(home.path()), ["offsets"]);
        assert_eq!(names(&place), ["1.jpg.xmp", "2.jpg.xmp", MARK]);
    }

    #[test]
    fn another_sittings_is_left_as_it_is() {
        let home = tempfile::tempdir().unwrap();
        let place = home.path().join("offsets");
        NewFolder::checked(&place, "monday".to_owned()).unwrap().fill(&files(), || Ok(())).unwrap();
        let refused = NewFolder::checked(&place, "tuesday".to_owned()).err().unwrap();
        assert!(refused.to_string().contains("another sitting (monday)"), "{refused}");
    }

    #[test]
    fn its_own_folder_is_made_anew_and_nobody_elses_is() {
        let home = tempfile::tempdir().unwrap();
        let place = home.path().join("offsets");
        NewFolder::checked(&place, "monday".to_owned()).unwrap().fill(&files(), || Ok(())).unwrap();
        NewFolder::checked(&place, "monday".to_owned()).unwrap().fill(&files()[1..], || Ok(())).unwrap();
        assert_eq!(names(&place), ["2.jpg.xmp", MARK]);
        assert_eq!(names(home.path()), ["offsets"], "nothing is left of the one before");
        // Another program's values in a sidecar, or a file beside them.
        for name in ["2.jpg.xmp", "notes.txt"] {
            let before = fs::read(place.join(name)).ok();
            fs::write(place.join(name), "somebody's").unwrap();
            assert!(NewFolder::checked(&place, "monday".to_owned()).is_err_and(|e| e.to_string().contains(name)));
            assert_eq!(fs::read_to_string(place.join(name)).unwrap(), "somebody's");
            before
                .map_or_else(|| fs::remove_file(place.join(name)), |bytes| fs::write(place.join(name), bytes))
                .unwrap();
        }
        NewFolder::checked(&place, "monday".to_owned()).unwrap();
        for other in ["empty", "letter.txt"] {
            let other = home.path().join(other);
            if other.extension().is_some() {
                fs::write(&other, "dear all").unwrap()
            } else {
                fs::create_dir(&other).unwrap()
            }
            assert!(
                NewFolder::checked(&other, "monday".to_owned())
                    .is_err_and(|e| e.to_string().contains("no hand-over made it"))
            );
        }
    }
}
