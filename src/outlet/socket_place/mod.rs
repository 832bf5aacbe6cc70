//! Where the local socket lies: in a folder that nobody but this user can have prepared, never in the place of
//! another file, and gone again with the program that made it. What is said over it is for others.

#[cfg(any(windows, test))]
mod pipes;
#[cfg(unix)]
mod users_files;

use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use interprocess::ConnectWaitMode;
use interprocess::local_socket::tokio::Listener;
use interprocess::local_socket::{ConnectOptions, ListenerOptions, Name, Stream};

#[cfg(windows)]
use pipes::own;
#[cfg(unix)]
use users_files as own;

/// Whoever is alive lets another in within this; the system does it, not the program.
const CONNECTING: Duration = Duration::from_secs(2);

/// The system's name for the socket at a path.
pub fn name_of(path: &Path) -> io::Result<Name<'_>> {
    own::name_of(path)
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
    let listener = match own::owner_only(options()?)?.create_tokio() {
        // Some systems know no mode for a socket before it has its name.
        Err(e) if e.kind() == io::ErrorKind::Unsupported => {
            let listener = options()?.create_tokio()?;
            own::close_to_others(path)?;
            Ok(listener)
        }
        other => other,
    }?;
    own::announce(path)?;
    Ok((listener, SocketFile { path: path.to_owned(), made: own::identity(path) }))
}
