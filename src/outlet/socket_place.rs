//! Where the local socket lies: in a folder that nobody but this user can have prepared, never in the place of
//! another file, and gone again with the program that made it. What is said over it is for others.

use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use interprocess::ConnectWaitMode;
use interprocess::local_socket::tokio::Listener;
use interprocess::local_socket::{ConnectOptions, ListenerOptions, Name, Stream};

/// Whoever is alive lets another in within this; the system does it, not the program.
const CONNECTING: Duration = Duration::from_secs(2);

#[cfg(unix)]
pub fn name_of(path: &Path) -> io::Result<Name<'_>> {
    use interprocess::local_socket::{GenericFilePath, ToFsName};
    path.to_fs_name::<GenericFilePath>()
}

#[cfg(not(unix))]
pub fn name_of(path: &Path) -> io::Result<Name<'_>> {
    use interprocess::local_socket::{GenericNamespaced, ToNsName};
    path.file_name().unwrap_or(path.as_os_str()).to_ns_name::<GenericNamespaced>()
}

/// The socket of a capture folder's greyhold when nobody names another, in a folder that is this user's alone.
pub fn for_folder(capture: &Path) -> io::Result<PathBuf> {
    let refused = |why: Vec<String>| {
        let why = format!("no folder for it is this user's alone ({}): name a place with --socket", why.join("; "));
        io::Error::new(io::ErrorKind::PermissionDenied, why)
    };
    let mut faults = Vec::new();
    for folder in own::folders() {
        match own::made(&folder) {
            Ok(()) => return Ok(folder.path.join(file_name(capture))),
            Err(e) => faults.push(format!("{}: {e}", folder.path.display())),
        }
    }
    Err(refused(faults))
}

/// The socket by which the greyhold of a capture folder is found.
pub fn of_running(capture: &Path) -> PathBuf {
    let name = file_name(capture);
    let places: Vec<PathBuf> = trusted_folders().into_iter().map(|f| f.join(&name)).collect();
    let there = places.iter().find(|p| p.symlink_metadata().is_ok()).or(places.first());
    there.cloned().unwrap_or_else(|| PathBuf::from(name))
}

/// Sockets of this user's running greyholds. What a greyhold that died left behind is not counted.
pub fn running() -> Vec<PathBuf> {
    let entries = trusted_folders().into_iter().flat_map(|f| std::fs::read_dir(f).into_iter().flatten().flatten());
    let is_ours = |path: &PathBuf| {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        name.starts_with("greyhold-") && name.ends_with(".sock")
    };
    let mut found: Vec<PathBuf> = entries.map(|e| e.path()).filter(is_ours).filter(|p| !is_dead(p)).collect();
    found.sort();
    found
}

fn file_name(capture: &Path) -> String {
    let capture = capture.canonicalize().unwrap_or_else(|_| capture.to_owned());
    format!("greyhold-{:08x}.sock", crc32fast::hash(capture.as_os_str().as_encoded_bytes()))
}

fn trusted_folders() -> Vec<PathBuf> {
    own::folders().into_iter().filter(|f| own::is_private(&f.path).is_ok()).map(|f| f.path).collect()
}

/// Connects, and makes sure that it is this user's own program that answers.
pub fn connect(path: &Path) -> io::Result<Stream> {
    let options = ConnectOptions::new().name(name_of(path)?).wait_mode(ConnectWaitMode::Timeout(CONNECTING));
    let stream = options.connect_sync()?;
    own::is_peer(&stream, path)?;
    Ok(stream)
}

/// Whether nobody answers, and never will. One that hangs is not dead.
fn is_dead(path: &Path) -> bool {
    let is_gone = |e: &io::Error| matches!(e.kind(), io::ErrorKind::ConnectionRefused | io::ErrorKind::NotFound);
    connect(path).is_err_and(|e| is_gone(&e))
}

/// A socket that this program made. It is taken away with this, unless something else lies in its place by then.
#[derive(Debug)]
pub struct SocketFile {
    path: PathBuf,
    made: Option<own::Identity>,
}

impl Drop for SocketFile {
    fn drop(&mut self) {
        if self.made.is_some() && own::identity(&self.path) == self.made {
            let _ = std::fs::remove_file(&self.path);
        }
    }
}

/// Opens the socket for its owner alone. A dead greyhold's socket is replaced; whatever else lies there stays.
pub fn listen(path: &Path) -> io::Result<(Listener, SocketFile)> {
    if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty() && !f.exists()) {
        own::make(folder, own::Parents::Made)?;
    }
    own::clear(path)?;
    let options = || Ok::<_, io::Error>(ListenerOptions::new().name(name_of(path)?).reclaim_name(false));
    let listener = match own::owner_only(options()?).create_tokio() {
        // Some systems know no mode for a socket before it has its name.
        Err(e) if e.kind() == io::ErrorKind::Unsupported => {
            let listener = options()?.create_tokio()?;
            own::close_to_others(path)?;
            Ok(listener)
        }
        other => other,
    }?;
    Ok((listener, SocketFile { path: path.to_owned(), made: own::identity(path) }))
}

/// What belongs to this user, where sockets are files with an owner.
#[cfg(unix)]
mod own {
    use std::fs::{DirBuilder, Metadata};
    use std::io;
    use std::os::unix::fs::{DirBuilderExt, FileTypeExt, MetadataExt, PermissionsExt};
    use std::path::{Path, PathBuf};

    use interprocess::local_socket::{ListenerOptions, Stream, prelude::*};
    use interprocess::os::unix::local_socket::ListenerOptionsExt;

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

    pub fn owner_only(options: ListenerOptions<'_>) -> ListenerOptions<'_> {
        options.mode(0o600)
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
}

/// Elsewhere sockets are names that the system keeps, and no files.
#[cfg(not(unix))]
mod own {
    use std::io;
    use std::path::{Path, PathBuf};

    use interprocess::local_socket::{ListenerOptions, Stream};

    pub struct Folder {
        pub path: PathBuf,
    }

    pub fn folders() -> Vec<Folder> {
        let user = std::env::var("USERNAME").unwrap_or_else(|_| "user".to_owned());
        vec![Folder { path: std::env::temp_dir().join(format!("greyhold-{user}")) }]
    }

    pub fn made(_: &Folder) -> io::Result<()> {
        Ok(())
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

    pub type Identity = ();

    pub fn identity(_: &Path) -> Option<Identity> {
        None
    }

    pub fn clear(path: &Path) -> io::Result<()> {
        match super::connect(path) {
            Ok(_) => Err(io::Error::new(io::ErrorKind::AddrInUse, "another greyhold answers there")),
            Err(_) => Ok(()),
        }
    }

    pub fn owner_only(options: ListenerOptions<'_>) -> ListenerOptions<'_> {
        options
    }

    pub fn close_to_others(_: &Path) -> io::Result<()> {
        Ok(())
    }

    pub fn is_peer(_: &Stream, _: &Path) -> io::Result<()> {
        Ok(())
    }
}
