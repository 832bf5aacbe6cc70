//! Small files of greyhold's own, written so that nobody ever meets half of one, not even after a power cut. What
//! stands in them is for others; the shot log, which only grows, has its own way to the disk.

use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use tempfile::{NamedTempFile, PersistError};

/// Puts a file with these bytes at `path`, in place of one that is there: written beside it, synced, renamed over
/// it, and the folder synced. It keeps the old file's permissions, and a link is followed to the file that it
/// points to. Whatever stands there and is no regular file is refused and left alone.
pub fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let path = target_of(path)?;
    let fresh = for_everybody(&path)?;
    if let Ok(old) = fs::metadata(&path) {
        fresh.as_file().set_permissions(old.permissions())?;
    }
    put(fresh, &path, bytes)
}

/// Like [`replace`], but nobody besides this user may read or write the file, and a link is replaced, not followed.
pub fn replace_private(path: &Path, bytes: &[u8]) -> io::Result<()> {
    // A temporary file is for its user alone.
    put(beside().tempfile_in(folder_of(path))?, path, bytes)
}

/// Like [`replace_private`], but not synced: after a power cut it may be gone, or not whole. For what is checked when it is read,
/// and can be done without.
pub fn replace_private_unsynced(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut fresh = beside().tempfile_in(folder_of(path))?;
    fresh.write_all(bytes)?;
    fresh.persist(path).map(drop).map_err(|e| e.error)
}

/// Puts a file with these bytes at `path`, whole or not at all. Whatever stands there already is left alone, and an error of
/// the kind [`io::ErrorKind::AlreadyExists`].
pub fn create(path: &Path, bytes: &[u8]) -> io::Result<()> {
    finish(for_everybody(path)?, path, bytes, |fresh| fresh.persist_noclobber(path))
}

/// Puts several files in their places, all of them or none: each is written and synced beside its place before the first takes it.
/// Where `over` says so they take the place of files that are there, and one that can't be put there leaves those before it in
/// theirs; else such are left alone, and an error of the kind [`io::ErrorKind::AlreadyExists`].
pub fn put_all(files: &[(&Path, &[u8])], over: bool) -> io::Result<()> {
    let mut ready = Vec::new();
    for (path, bytes) in files {
        let path = if over { target_of(path)? } else { path.to_path_buf() };
        if !over && path.symlink_metadata().is_ok() {
            return Err(io::Error::new(io::ErrorKind::AlreadyExists, path.display().to_string()));
        }
        let mut fresh = for_everybody(&path)?;
        fresh.write_all(bytes)?;
        fresh.as_file().sync_all()?;
        ready.push((fresh, path));
    }
    let mut placed: Vec<PathBuf> = Vec::new();
    for (fresh, path) in ready {
        let put = if over { fresh.persist(&path) } else { fresh.persist_noclobber(&path) };
        if let Err(refused) = put {
            // What took another's place can't be brought back: then it stays, and each of these is whole.
            if !over {
                placed.iter().for_each(|file| drop(fs::remove_file(file)));
            }
            return Err(refused.error);
        }
        sync_folder_of(&path);
        placed.push(path);
    }
    Ok(())
}

fn put(fresh: NamedTempFile, path: &Path, bytes: &[u8]) -> io::Result<()> {
    finish(fresh, path, bytes, |fresh| fresh.persist(path))
}

/// Writes and syncs a new file, gives it its place, and syncs the folder.
fn finish(
    mut fresh: NamedTempFile,
    path: &Path,
    bytes: &[u8],
    take_its_place: impl FnOnce(NamedTempFile) -> Result<File, PersistError>,
) -> io::Result<()> {
    fresh.write_all(bytes)?;
    fresh.as_file().sync_all()?;
    take_its_place(fresh).map_err(|e| e.error)?;
    sync_folder_of(path);
    Ok(())
}

/// The folder for what greyhold remembers of itself; none where this user has no home.
pub fn state_folder() -> Option<PathBuf> {
    let own = directories::ProjectDirs::from("", "", "greyhold")?;
    Some(own.state_dir().unwrap_or_else(|| own.data_local_dir()).to_owned())
}

/// Makes a folder for what is this user's alone, with those that it lies in; one that is there already stays as it is.
pub fn make_private_folder(folder: &Path) -> io::Result<()> {
    let mut builder = DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)
}

/// Opens a file of greyhold's own, to be read or written as the options say. Never waits for another program (as a
/// pipe would make it) and follows no link; whatever is no regular file is refused, by what was opened and not by its
/// name.
pub fn open_own(path: &Path, options: &mut OpenOptions) -> io::Result<File> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.custom_flags(libc::O_NONBLOCK | libc::O_NOFOLLOW | libc::O_CLOEXEC);
    }
    #[cfg(not(unix))]
    if fs::symlink_metadata(path).is_ok_and(|found| found.is_symlink()) {
        return Err(not_regular());
    }
    let file = options.open(path)?;
    if file.metadata()?.is_file() { Ok(file) } else { Err(not_regular()) }
}

/// A file's name must be on the disk, too. Not every system can sync a folder; where it can't, it needn't.
pub fn sync_folder_of(path: &Path) {
    if let Ok(folder) = File::open(folder_of(path)) {
        let _ = folder.sync_all();
    }
}

/// The folder that a file lies in.
pub fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// The file that is meant by a path: what a link points to, or the path itself.
fn target_of(path: &Path) -> io::Result<PathBuf> {
    let found = match fs::symlink_metadata(path) {
        Ok(found) if found.is_symlink() => return regular(path.canonicalize()?),
        Ok(found) => found,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(path.to_owned()),
        Err(e) => return Err(e),
    };
    if found.is_file() { Ok(path.to_owned()) } else { Err(not_regular()) }
}

fn regular(path: PathBuf) -> io::Result<PathBuf> {
    if fs::metadata(&path)?.is_file() { Ok(path) } else { Err(not_regular()) }
}

fn not_regular() -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, "something that is no regular file stands there")
}

/// A new file beside a path, which others may read as this user's files usually are.
fn for_everybody(path: &Path) -> io::Result<NamedTempFile> {
    let builder = &mut beside();
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    builder.tempfile_in(folder_of(path))
}

/// A new file that takes the place of another.
fn beside() -> tempfile::Builder<'static, 'static> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".greyhold-").suffix(".new");
    builder
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_made_and_replaced_and_nothing_is_left_beside_it() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("a.yaml");
        for text in ["first", "second, which is longer", ""] {
            replace(&path, text.as_bytes()).unwrap();
            assert_eq!(fs::read_to_string(&path).unwrap(), text);
        }
        assert_eq!(fs::read_dir(home.path()).unwrap().count(), 1);
    }

    #[test]
    fn several_files_come_together_or_not_at_all() {
        let home = tempfile::tempdir().unwrap();
        let [one, two] = ["a.html", "b.csv"].map(|name| home.path().join(name));
        fs::write(&two, "somebody's").unwrap();
        let files = [(one.as_path(), b"page".as_slice()), (two.as_path(), b"table".as_slice())];
        assert_eq!(put_all(&files, false).unwrap_err().kind(), io::ErrorKind::AlreadyExists);
        assert_eq!((one.exists(), fs::read_to_string(&two).unwrap().as_str()), (false, "somebody's"));
        put_all(&files, true).unwrap();
        assert_eq!(fs::read_to_string(&two).unwrap(), "table");
        assert_eq!(fs::read_dir(home.path()).unwrap().count(), 2);
    }

    #[cfg(unix)]
    #[test]
    fn permissions_and_links_stay_as_they_are() {
        use std::fs::Permissions;
        use std::os::unix::fs::PermissionsExt;

        let home = tempfile::tempdir().unwrap();
        let (path, link) = (home.path().join("a.yaml"), home.path().join("link.yaml"));
        fs::write(&path, "old").unwrap();
        fs::set_permissions(&path, Permissions::from_mode(0o640)).unwrap();
        std::os::unix::fs::symlink(&path, &link).unwrap();
        replace(&link, b"new").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "new");
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o640);
    }

    #[test]
    fn what_is_no_file_is_left_alone() {
        let home = tempfile::tempdir().unwrap();
        let place = home.path().join("a.yaml");
        fs::create_dir(&place).unwrap();
        assert!(replace(&place, b"text").is_err());
        assert!(place.is_dir());
        assert!(replace(&home.path().join("nowhere/a.yaml"), b"text").is_err());
        assert_eq!(fs::read_dir(home.path()).unwrap().count(), 1);
    }
}
