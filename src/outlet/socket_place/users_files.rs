//! What belongs to this user, where sockets are files with an owner.

use std::fs::{DirBuilder, Metadata};
use std::io;
use std::os::unix::fs::{DirBuilderExt, FileTypeExt, MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};

use interprocess::local_socket::{GenericFilePath, ListenerOptions, Name, Stream, prelude::*};
use interprocess::os::unix::local_socket::ListenerOptionsExt;

pub fn name_of(path: &Path) -> io::Result<Name<'_>> {
    path.to_fs_name::<GenericFilePath>()
}

/// Nothing but its owner's.
const PRIVATE: u32 = 0o700;

/// A folder that sockets may lie in.
pub struct Folder {
    pub path: PathBuf,
    /// How greyhold makes it; `None` where it is the system's to make.
    making: Option<Parents>,
}

/// Whether folders above may be made, too. Beside other users' files one step is made, so that none can slip in.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Parents {
    There,
    Made,
}

/// Where sockets are looked for, the best place first: the system's folder for this user, one of greyhold's own
/// among the temporary files, and one in this user's home, where no other user can make it first.
pub fn folders() -> Vec<Folder> {
    let runtime = std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from).filter(|p| p.is_absolute());
    let shared = std::env::temp_dir().join(format!("greyhold-{}", user()));
    let home = crate::files::state_folder().map(|folder| folder.join("sockets"));
    let given = runtime.map(|path| Folder { path, making: None });
    let shared = Folder { path: shared, making: Some(Parents::There) };
    let home = home.map(|path| Folder { path, making: Some(Parents::Made) });
    given.into_iter().chain([shared]).chain(home).collect()
}

/// Makes the folder where it is greyhold's to make, and says what is wrong with it otherwise.
pub fn made(folder: &Folder) -> io::Result<()> {
    if let Some(parents) = folder.making.filter(|_| folder.path.symlink_metadata().is_err()) {
        make(&folder.path, parents)?;
    }
    is_private(&folder.path)
}

pub fn make(folder: &Path, parents: Parents) -> io::Result<()> {
    DirBuilder::new().recursive(parents == Parents::Made).mode(PRIVATE).create(folder)
}

/// Whether a folder is this user's, open to nobody else, and no link that another could turn.
pub fn is_private(folder: &Path) -> io::Result<()> {
    let found = folder.symlink_metadata()?;
    let refused = |why: &str| Err(io::Error::new(io::ErrorKind::PermissionDenied, why.to_owned()));
    if !found.is_dir() {
        return refused("it is no folder, or a link to one");
    }
    if found.uid() != user() {
        return refused("it belongs to another user");
    }
    if found.mode() & 0o077 != 0 {
        return refused("other users can come in");
    }
    // Who can rename things in the folder above can put another in its place.
    let above = folder.parent().map(std::fs::metadata).transpose()?;
    if above.is_some_and(|above| !keeps_names(&above)) {
        return refused("other users can put another in its place");
    }
    Ok(())
}

fn keeps_names(folder: &Metadata) -> bool {
    let is_trusted = folder.uid() == user() || folder.uid() == 0;
    let (is_open, is_sticky) = (folder.mode() & 0o022 != 0, folder.mode() & 0o1000 != 0);
    is_trusted && (!is_open || is_sticky)
}

/// Device and number of a socket.
pub type Identity = (u64, u64);

pub fn identity(path: &Path) -> Option<Identity> {
    let found = path.symlink_metadata().ok()?;
    found.file_type().is_socket().then(|| (found.dev(), found.ino()))
}

/// Takes a dead socket of this user's away. Anything else stays, and is said.
pub fn clear(path: &Path) -> io::Result<()> {
    let refused = |kind, why: &str| Err(io::Error::new(kind, why.to_owned()));
    let found = match path.symlink_metadata() {
        Ok(found) => found,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(e) => return Err(e),
    };
    if !found.file_type().is_socket() {
        let why = "something that is no socket lies there, and stays: name a place where nothing lies";
        return refused(io::ErrorKind::AlreadyExists, why);
    }
    if found.uid() != user() {
        return refused(io::ErrorKind::PermissionDenied, "another user's socket lies there: name another place");
    }
    match super::connect(path) {
        Ok(_) => refused(io::ErrorKind::AddrInUse, "another greyhold answers there"),
        Err(e) if e.kind() == io::ErrorKind::ConnectionRefused => {
            // What nobody listens at any more, and nobody put anew meanwhile.
            if identity(path) == Some((found.dev(), found.ino())) { std::fs::remove_file(path) } else { Ok(()) }
        }
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(e) => Err(io::Error::new(io::ErrorKind::AddrInUse, format!("a socket lies there that is in use: {e}"))),
    }
}

pub fn owner_only(options: ListenerOptions<'_>) -> io::Result<ListenerOptions<'_>> {
    Ok(options.mode(0o600))
}

/// The socket is found by its file.
pub fn announce(_: &Path) -> io::Result<()> {
    Ok(())
}

pub fn close_to_others(path: &Path) -> io::Result<()> {
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600))
}

/// Refuses to speak with another user's program.
pub fn is_peer(stream: &Stream, path: &Path) -> io::Result<()> {
    let told = stream.peer_creds().ok().and_then(|c| c.euid());
    // A system that doesn't tell who is there still tells whose the socket is.
    let other = match told {
        Some(other) => other,
        None => path.symlink_metadata()?.uid(),
    };
    if other == user() {
        return Ok(());
    }
    let why = "another user's program answers there, and greyhold doesn't speak with it";
    Err(io::Error::new(io::ErrorKind::PermissionDenied, why))
}

fn user() -> u32 {
    rustix::process::geteuid().as_raw()
}
