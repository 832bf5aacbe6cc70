//! Windows: a socket is a pipe, in one list of names for the whole machine, and no file. So each path has a pipe of its own,
//! and at the path lies a mark, by which commands find the running greyhold and a later one knows what is left of a dead one.

use std::fs::{self, OpenOptions};
use std::io::{self, ErrorKind, Read, Write};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::files::{folder_of, open_own};

/// How a mark begins; the pipe's name follows.
const MARK: &str = "greyhold answers at the pipe ";
const LONGEST_MARK: u64 = 200;

/// The pipe for the socket at a path: no other path and no other user has the same. Upper and lower case are one there, and so are
/// both strokes.
fn pipe_name(user: &str, path: &str) -> String {
    let mut hash = Sha256::new();
    hash.update(user.to_lowercase());
    hash.update([0]);
    hash.update(path.to_lowercase().replace('\\', "/"));
    let digest: String = hash.finalize().iter().take(16).map(|byte| format!("{byte:02x}")).collect();
    format!("greyhold-{digest}")
}

/// A socket's path, whichever way leads to its folder.
fn real(path: &Path) -> PathBuf {
    let path = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let folder = folder_of(&path).canonicalize().unwrap_or_else(|_| folder_of(&path).to_owned());
    folder.join(path.file_name().unwrap_or_default())
}

/// What lies at a socket's path.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Lies {
    Nothing,
    Mark,
    SomethingElse,
}

fn lies_at(path: &Path) -> io::Result<Lies> {
    match path.symlink_metadata() {
        Err(e) if e.kind() == ErrorKind::NotFound => return Ok(Lies::Nothing),
        Err(e) => return Err(e),
        Ok(found) if !found.is_file() => return Ok(Lies::SomethingElse),
        Ok(_) => {}
    }
    let mut text = Vec::new();
    open_own(path, OpenOptions::new().read(true))?.take(LONGEST_MARK).read_to_end(&mut text)?;
    Ok(if text.starts_with(MARK.as_bytes()) { Lies::Mark } else { Lies::SomethingElse })
}

fn put_mark(path: &Path, pipe: &str) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create_new(true).open(path)?;
    write!(file, "{MARK}{pipe}")
}

/// Makes room for a socket; `answers` tells whether one is there. Only the mark of a dead greyhold is taken away.
fn clear_by(path: &Path, answers: impl FnOnce() -> io::Result<()>) -> io::Result<()> {
    let refused = |kind, why: String| Err(io::Error::new(kind, why));
    let lies = lies_at(path)?;
    if lies == Lies::SomethingElse {
        let why = "something that is no socket lies there, and stays: name a place where nothing lies";
        return refused(ErrorKind::AlreadyExists, why.to_owned());
    }
    match answers() {
        Ok(()) => refused(ErrorKind::AddrInUse, "another greyhold answers there".to_owned()),
        Err(e) if e.kind() == ErrorKind::NotFound => match lies {
            Lies::Mark => fs::remove_file(path),
            Lies::Nothing | Lies::SomethingElse => Ok(()),
        },
        Err(e) => refused(ErrorKind::AddrInUse, format!("a socket lies there that is in use: {e}")),
    }
}

#[cfg(windows)]
pub mod own {
    use std::io;
    use std::path::{Path, PathBuf};

    use interprocess::local_socket::{GenericNamespaced, ListenerOptions, Name, Stream, ToNsName};
    use interprocess::os::windows::local_socket::ListenerOptionsExt;
    use interprocess::os::windows::security_descriptor::SecurityDescriptor;
    use widestring::u16cstr;

    use super::{Lies, clear_by, lies_at, pipe_name, put_mark, real};
    use crate::intake::FileState;

    pub struct Folder {
        pub path: PathBuf,
    }

    /// In this user's own profile, which the system keeps to him.
    pub fn folders() -> Vec<Folder> {
        let temporary = std::env::temp_dir().join("greyhold");
        let own = crate::files::state_folder().unwrap_or(temporary);
        vec![Folder { path: own.join("sockets") }]
    }

    pub fn made(folder: &Folder) -> io::Result<()> {
        make(&folder.path, Parents::Made)
    }

    #[derive(Clone, Copy, PartialEq, Eq)]
    pub enum Parents {
        Made,
    }

    pub fn make(folder: &Path, _: Parents) -> io::Result<()> {
        std::fs::create_dir_all(folder)
    }

    pub fn is_private(_: &Path) -> io::Result<()> {
        Ok(())
    }

    fn pipe_of(path: &Path) -> String {
        let told = |name| std::env::var(name).unwrap_or_default();
        pipe_name(&format!("{}/{}", told("USERDOMAIN"), told("USERNAME")), &real(path).to_string_lossy())
    }

    pub fn name_of(path: &Path) -> io::Result<Name<'_>> {
        pipe_of(path).to_ns_name::<GenericNamespaced>()
    }

    /// The number of a mark.
    pub type Identity = u64;

    pub fn identity(path: &Path) -> Option<Identity> {
        let is_mark = lies_at(path).is_ok_and(|lies| lies == Lies::Mark);
        FileState::at(path).filter(|_| is_mark).map(|state| state.inode)
    }

    pub fn clear(path: &Path) -> io::Result<()> {
        clear_by(path, || super::super::connect(path).map(drop))
    }

    /// For the owner of the pipe and the system: without it everybody may read.
    pub fn owner_only(options: ListenerOptions<'_>) -> io::Result<ListenerOptions<'_>> {
        let rights = SecurityDescriptor::deserialize(u16cstr!("D:P(A;;GA;;;OW)(A;;GA;;;SY)"))?;
        Ok(options.security_descriptor(rights))
    }

    pub fn close_to_others(_: &Path) -> io::Result<()> {
        Ok(())
    }

    pub fn announce(path: &Path) -> io::Result<()> {
        put_mark(path, &pipe_of(path))
    }

    pub fn is_peer(_: &Stream, _: &Path) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_path_and_user_has_a_pipe_of_its_own() {
        let mine = pipe_name("studio/ann", r"C:\sets\a\greyhold.sock");
        assert_eq!(mine, pipe_name("STUDIO/Ann", r"c:\Sets\a/greyhold.sock"), "one file by two spellings");
        for (user, path) in [
            ("studio/ann", r"C:\sets\b\greyhold.sock"),
            ("studio/ben", r"C:\sets\a\greyhold.sock"),
            ("home/ann", r"C:\sets\a\greyhold.sock"),
        ] {
            assert_ne!(mine, pipe_name(user, path), "{user} {path}");
        }
        assert!(mine.len() < 60 && mine.chars().all(|c| c.is_ascii_alphanumeric() || c == '-'), "{mine}");
    }

    #[test]
    fn whichever_way_leads_to_its_folder() {
        let home = tempfile::tempdir().unwrap();
        fs::create_dir(home.path().join("set")).unwrap();
        let plain = real(&home.path().join("a.sock"));
        assert_eq!(real(&home.path().join("set/../a.sock")), plain);
        assert_eq!(plain.file_name().unwrap(), "a.sock");
        assert!(real(Path::new("nowhere/a.sock")).ends_with("nowhere/a.sock"));
    }

    #[test]
    fn a_dead_ones_mark_is_taken_away_and_nothing_else() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("a.sock");
        let (dead, alive) = (|| Err(ErrorKind::NotFound.into()), || Ok(()));
        clear_by(&path, dead).unwrap();
        assert_eq!(clear_by(&path, alive).unwrap_err().kind(), ErrorKind::AddrInUse, "a pipe whose mark is gone");
        put_mark(&path, "greyhold-1").unwrap();
        assert!(put_mark(&path, "greyhold-2").is_err(), "nothing is written over");
        assert_eq!(lies_at(&path).unwrap(), Lies::Mark);
        assert_eq!(clear_by(&path, alive).unwrap_err().kind(), ErrorKind::AddrInUse);
        let closed = || Err(ErrorKind::PermissionDenied.into());
        assert_eq!(clear_by(&path, closed).unwrap_err().kind(), ErrorKind::AddrInUse, "another user's");
        assert!(path.exists());
        clear_by(&path, dead).unwrap();
        assert!(!path.exists());
        fs::write(&path, "a shopping list").unwrap();
        assert_eq!(clear_by(&path, dead).unwrap_err().kind(), ErrorKind::AlreadyExists);
        assert_eq!(fs::read_to_string(&path).unwrap(), "a shopping list");
        assert_eq!(clear_by(home.path(), dead).unwrap_err().kind(), ErrorKind::AlreadyExists, "a folder");
    }
}
