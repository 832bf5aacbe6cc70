//! greyhold's own files that nobody but this user may read: the token, the sessions, the certificate's key.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::Path;

use crate::files::{folder_of, make_private_folder, replace_private};

/// No file of these is longer.
const LONGEST: u64 = 256 << 10;

/// Its text, if it is there.
pub fn read(path: &Path) -> io::Result<Option<String>> {
    let file = match File::open(path) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
        other => other?,
    };
    if is_open_to_others(&file)? {
        return Err(io::Error::new(
            io::ErrorKind::PermissionDenied,
            "others can read it: delete it, a new one is made at the next start",
        ));
    }
    let mut text = String::new();
    file.take(LONGEST).read_to_string(&mut text)?;
    Ok(Some(text))
}

/// Puts a file in place at once and whole, after a power cut, too.
pub fn write(path: &Path, text: &str) -> io::Result<()> {
    make_folder(folder_of(path))?;
    replace_private(path, text.as_bytes())
}

/// Removes a file that says this and nothing else: another process may have put its own in its place.
pub fn remove(path: &Path, text: &str) {
    if read(path).is_ok_and(|there| there.as_deref() == Some(text)) {
        // What is left behind opens nothing.
        let _ = fs::remove_file(path);
    }
}

fn make_folder(folder: &Path) -> io::Result<()> {
    make_private_folder(folder)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        let there = folder.metadata()?;
        // Who may write to the folder may put files of his own in place of these.
        if there.uid() != rustix::process::geteuid().as_raw() && there.uid() != 0 || there.mode() & 0o022 != 0 {
            let fault = format!("others can write to the folder {}", folder.display());
            return Err(io::Error::new(io::ErrorKind::PermissionDenied, fault));
        }
    }
    Ok(())
}

#[cfg(unix)]
fn is_open_to_others(file: &File) -> io::Result<bool> {
    use std::os::unix::fs::MetadataExt;
    let there = file.metadata()?;
    Ok(there.mode() & 0o077 != 0 || there.uid() != rustix::process::geteuid().as_raw())
}

#[cfg(not(unix))]
fn is_open_to_others(_: &File) -> io::Result<bool> {
    // The folder is in this user's own profile, which the system keeps to him.
    Ok(false)
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn what_is_written_is_for_this_user_alone() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("state/greyhold/page.token");
        assert_eq!(read(&path).unwrap(), None);
        write(&path, "one").unwrap();
        write(&path, "two").unwrap();
        assert_eq!(read(&path).unwrap().as_deref(), Some("two"));
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!((mode(&path), mode(path.parent().unwrap())), (0o600, 0o700));
        assert_eq!(fs::read_dir(path.parent().unwrap()).unwrap().count(), 1, "nothing is left beside it");
        remove(&path, "one");
        assert!(path.exists(), "it is another one's by now");
        fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).unwrap();
        assert!(read(&path).is_err(), "what others could read is not trusted");
        fs::set_permissions(path.parent().unwrap(), fs::Permissions::from_mode(0o777)).unwrap();
        assert!(write(&path, "three").is_err(), "what others could replace is not written");
    }
}
