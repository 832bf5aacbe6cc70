//! The capture folder that was named last, for a start that names none.

use std::fs;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use super::say;
use crate::files::{folder_of, make_private_folder, replace_private, state_folder};

/// Name of the file, among what greyhold remembers of itself.
const NAME: &str = "capture-folder";

/// The folder that was named last; none on this machine's first start.
pub fn last_folder() -> Option<PathBuf> {
    read(&state_folder()?.join(NAME))
}

/// Keeps a folder for the next start. One that can't be kept is asked for again then, which is no reason not to watch it.
pub fn remember(folder: &Path) {
    let kept = || {
        let state =
            state_folder().ok_or_else(|| io::Error::new(ErrorKind::NotFound, "this user has no home folder"))?;
        write(&state.join(NAME), &std::path::absolute(folder)?)
    };
    if let Err(e) = kept() {
        say(&format!("(the folder can't be remembered for the next start: {e})"));
    }
}

fn read(file: &Path) -> Option<PathBuf> {
    let text = fs::read_to_string(file).ok()?;
    let folder = text.lines().next().filter(|line| !line.is_empty())?;
    Some(PathBuf::from(folder))
}

fn write(file: &Path, folder: &Path) -> io::Result<()> {
    let said = folder.to_str().filter(|said| !said.contains('\n'));
    let said = said.ok_or_else(|| io::Error::new(ErrorKind::InvalidInput, "its name is no line of text"))?;
    make_private_folder(folder_of(file))?;
    replace_private(file, format!("{said}\n").as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_is_kept_as_it_was_named() {
        let home = tempfile::tempdir().unwrap();
        let file = home.path().join("state/greyhold/capture-folder");
        assert_eq!(read(&file), None);
        for folder in ["/studio/tether", "/studio/a folder with blanks "] {
            write(&file, Path::new(folder)).unwrap();
            assert_eq!(read(&file), Some(PathBuf::from(folder)));
        }
        assert!(write(&file, Path::new("two\nlines")).is_err());
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // The page's token lies there, too, and is refused a folder that others may write to.
            let mode = fs::metadata(folder_of(&file)).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, 0o700);
        }
    }
}
