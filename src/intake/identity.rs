//! The state of a file by which growth, replacement and rewriting are told. What a system tells of a file differs; what is made of
//! it doesn't, and is decided in one place.

use std::fs::File;
use std::io;
use std::path::Path;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};

/// Size, times and identity. Equal states mean that nobody wrote in between.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct FileState {
    pub size: u64,
    pub modified_ns: i64,
    pub changed_ns: i64,
    pub inode: u64,
}

/// Whether a link stands for itself or for what it points to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Links {
    AsTheyAre,
    Followed,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    File,
    Folder,
    Other,
}

/// What a system tells of what lies under a name.
#[derive(Debug, Clone, Copy)]
struct Told {
    kind: Kind,
    size: u64,
    modified_ns: i64,
    /// When it was last written or renamed, by whatever clock a copy doesn't carry over. `None` where the system keeps none.
    changed_ns: Option<i64>,
    created_ns: i64,
    volume: u64,
    /// Its number on the volume, which stays with a rename.
    number: u64,
    /// Names that it has.
    names: u64,
}

impl FileState {
    fn of(told: &Told) -> FileState {
        // A copy keeps the time of writing: that it landed just now shows only by when this file was made.
        let changed_ns = told.changed_ns.unwrap_or(told.created_ns);
        FileState { size: told.size, modified_ns: told.modified_ns, changed_ns, inode: told.number }
    }

    /// The state of an open file.
    pub fn of_open(file: &File) -> io::Result<FileState> {
        system::of_open(file).map(|told| FileState::of(&told))
    }

    /// What lies under a name, links not followed: `None` where that is no regular file.
    pub fn look(path: &Path) -> io::Result<Option<FileState>> {
        let told = system::at(path, Links::AsTheyAre)?;
        Ok((told.kind == Kind::File).then(|| FileState::of(&told)))
    }

    /// The state of a regular file, links not followed. `None` for anything else or nothing.
    pub fn at(path: &Path) -> Option<FileState> {
        FileState::look(path).ok().flatten()
    }

    /// The same of the file that is meant, where a link stands.
    pub fn meant_by(path: &Path) -> Option<FileState> {
        let told = system::at(path, Links::Followed).ok()?;
        (told.kind == Kind::File).then(|| FileState::of(&told))
    }

    /// Whether it was last written or renamed this long ago, by the file system's clock.
    pub fn is_older_than(&self, age: Duration) -> bool {
        self.was_older_than(age, nanoseconds(SystemTime::now()))
    }

    fn was_older_than(&self, age: Duration, now_ns: i64) -> bool {
        let touched = self.changed_ns.max(self.modified_ns);
        now_ns.saturating_sub(touched) > age.as_nanos() as i64
    }

    /// Whether two states may be of the same content: copies and archives keep these two only.
    pub fn same_content_as(&self, other: &FileState) -> bool {
        self.size == other.size && self.modified_ns == other.modified_ns
    }
}

/// The identity of a folder: a new folder under the old name is another one.
pub fn folder_identity(path: &Path) -> Option<(u64, u64)> {
    let told = system::at(path, Links::Followed).ok()?;
    (told.kind == Kind::Folder).then_some((told.volume, told.number))
}

/// Whether two names, both of which lead to a file, are one name spelled in two ways: in upper and lower case, or long and short, as
/// some file systems take them.
pub fn are_one_name(one: &Path, other: &Path) -> bool {
    let told = |path| system::at(path, Links::AsTheyAre).ok();
    told(one).zip(told(other)).is_some_and(|(one, other)| are_one_file_by_one_name(&one, &other))
}

/// A file with two names of its own (hard links) counts two; where it counts one, the second is the first.
fn are_one_file_by_one_name(one: &Told, other: &Told) -> bool {
    one.number != 0 && (one.volume, one.number) == (other.volume, other.number) && (one.names, other.names) == (1, 1)
}

fn nanoseconds(time: SystemTime) -> i64 {
    time.duration_since(UNIX_EPOCH).map_or(0, |d| d.as_nanos() as i64)
}

#[cfg(unix)]
mod system {
    use std::fs::{File, Metadata};
    use std::io;
    use std::os::unix::fs::MetadataExt;
    use std::path::Path;

    use super::{Kind, Links, Told, nanoseconds};

    pub fn of_open(file: &File) -> io::Result<Told> {
        file.metadata().map(|metadata| told(&metadata))
    }

    pub fn at(path: &Path, links: Links) -> io::Result<Told> {
        let metadata = match links {
            Links::AsTheyAre => std::fs::symlink_metadata(path),
            Links::Followed => std::fs::metadata(path),
        }?;
        Ok(told(&metadata))
    }

    fn told(metadata: &Metadata) -> Told {
        Told {
            kind: match (metadata.is_file(), metadata.is_dir()) {
                (true, _) => Kind::File,
                (_, true) => Kind::Folder,
                _ => Kind::Other,
            },
            size: metadata.len(),
            modified_ns: metadata.modified().map_or(0, nanoseconds),
            changed_ns: Some(metadata.ctime() * 1_000_000_000 + metadata.ctime_nsec()),
            created_ns: 0,
            volume: metadata.dev(),
            number: metadata.ino(),
            names: metadata.nlink(),
        }
    }
}

#[cfg(windows)]
mod system {
    use std::fs::{File, OpenOptions};
    use std::io;
    use std::os::windows::fs::OpenOptionsExt;
    use std::path::Path;

    use super::{Kind, Links, Told, nanoseconds};

    /// CreateFileW: folders can be opened, too, and a link for itself.
    const FILE_FLAG_BACKUP_SEMANTICS: u32 = 0x0200_0000;
    const FILE_FLAG_OPEN_REPARSE_POINT: u32 = 0x0020_0000;

    pub fn of_open(file: &File) -> io::Result<Told> {
        let (metadata, numbered) = (file.metadata()?, winapi_util::file::information(file)?);
        Ok(Told {
            kind: match (metadata.is_file(), metadata.is_dir()) {
                (true, _) => Kind::File,
                (_, true) => Kind::Folder,
                _ => Kind::Other,
            },
            size: metadata.len(),
            modified_ns: metadata.modified().map_or(0, nanoseconds),
            changed_ns: None,
            created_ns: metadata.created().map_or(0, nanoseconds),
            volume: numbered.volume_serial_number(),
            number: numbered.file_index(),
            names: numbered.number_of_links(),
        })
    }

    /// Opened for its state alone, which no writer's lock is in the way of.
    pub fn at(path: &Path, links: Links) -> io::Result<Told> {
        let as_it_is = if links == Links::AsTheyAre { FILE_FLAG_OPEN_REPARSE_POINT } else { 0 };
        let mut options = OpenOptions::new();
        options.access_mode(0).custom_flags(FILE_FLAG_BACKUP_SEMANTICS | as_it_is);
        of_open(&options.open(path)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TOLD: Told = Told {
        kind: Kind::File,
        size: 5,
        modified_ns: 1_000,
        changed_ns: None,
        created_ns: 0,
        volume: 1,
        number: 7,
        names: 1,
    };

    #[test]
    fn a_copy_with_an_old_time_is_as_young_as_its_landing() {
        let now = 100_000_000_000;
        let second = Duration::from_secs(1);
        let landed = now - 500_000_000;
        // Where the system keeps a time of change, and where only that of the making is told.
        let unix = FileState::of(&Told { changed_ns: Some(landed), ..TOLD });
        let windows = FileState::of(&Told { created_ns: landed, ..TOLD });
        for state in [unix, windows] {
            assert!(!state.was_older_than(second, now), "{state:?}");
            assert!(state.was_older_than(second, now + second.as_nanos() as i64));
        }
        let written = FileState::of(&Told { modified_ns: landed, created_ns: 1, ..TOLD });
        assert!(!written.was_older_than(second, now), "made long ago, written just now");
    }

    #[test]
    fn a_file_that_counts_one_name_has_no_second_one() {
        assert!(are_one_file_by_one_name(&TOLD, &TOLD));
        for other in [
            Told { number: 8, ..TOLD },
            Told { volume: 2, ..TOLD },
            // Two names of its own.
            Told { names: 2, ..TOLD },
        ] {
            assert!(!are_one_file_by_one_name(&TOLD, &other), "{other:?}");
        }
        let unnumbered = Told { number: 0, ..TOLD };
        assert!(!are_one_file_by_one_name(&unnumbered, &unnumbered), "the system tells files apart by no number");
    }

    #[test]
    fn what_the_system_tells_of_real_files_is_told_apart() {
        let folder = tempfile::tempdir().unwrap();
        let [a, b] = ["a.jpg", "b.jpg"].map(|name| folder.path().join(name));
        std::fs::write(&a, "one").unwrap();
        std::fs::write(&b, "two").unwrap();
        let state = FileState::at(&a).unwrap();
        assert_eq!(FileState::of_open(&File::open(&a).unwrap()).unwrap(), state);
        assert_eq!(FileState::meant_by(&a), Some(state));
        assert_ne!(state.inode, FileState::at(&b).unwrap().inode);
        assert!(are_one_name(&a, &a) && !are_one_name(&a, &b));
        let linked = folder.path().join("linked.jpg");
        std::fs::hard_link(&a, &linked).unwrap();
        assert!(!are_one_name(&a, &linked), "two names of one file");
        std::fs::remove_file(&linked).unwrap();
        std::fs::rename(&a, &linked).unwrap();
        assert_eq!(FileState::at(&linked).unwrap().inode, state.inode, "a rename keeps it");
        assert_eq!(FileState::at(&a), None);
        assert_eq!(FileState::at(folder.path()), None);
        assert!(folder_identity(folder.path()).is_some() && folder_identity(&b).is_none());
    }
}
