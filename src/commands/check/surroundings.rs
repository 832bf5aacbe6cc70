//! What a machine tells of itself and of a capture folder, without changing anything: rights, room, limits, clocks, a firewall.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant, SystemTime};

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::container::Kind;
use crate::intake::{Events, events_of, is_network_share};

/// A system, as far as its troubles differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum System {
    Linux,
    Mac,
    Windows,
    Other,
}

/// A firewall that is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Firewall {
    Ufw,
    Firewalld,
}

/// What was found; `None` where a system doesn't tell.
#[derive(Debug, Clone)]
pub struct Surroundings {
    pub system: System,
    pub can_read: Option<bool>,
    pub can_write: Option<bool>,
    /// What this user may still write to the folder's disk.
    pub free_bytes: Option<u64>,
    pub is_share: bool,
    pub events: Option<Events>,
    /// The system's limit of watched folders, of all programs of this user together.
    pub most_watches: Option<u64>,
    /// Folders right in the capture folder.
    pub folders: Option<usize>,
    /// Files that a program may hold open.
    pub open_files: Option<u64>,
    /// By this machine's clock, in universal time.
    pub year: i16,
    /// By how much the newest picture in the folder is ahead of this machine's clock.
    pub newest_ahead: Option<Duration>,
    /// By how much this machine's clock was set during the look.
    pub jumped: Option<Duration>,
    pub firewall: Option<Firewall>,
}

/// A clock that jumps is noticed within this; nobody waits longer for a look.
const LOOK: Duration = Duration::from_millis(300);
/// More than anybody's folder has before it is looked at otherwise.
const MOST_LOOKED_AT: usize = 20_000;

impl Surroundings {
    /// Looks at this machine and at a folder, where one is known. Takes a moment.
    pub fn look(folder: Option<&Path>) -> Surroundings {
        let clocks = (Instant::now(), SystemTime::now());
        let (now, year) = (clocks.1, Timestamp::now().to_zoned_datetime(TimeZone::UTC).year());
        let folder = folder.filter(|folder| folder.is_dir());
        let listed = folder.map(|folder| Listed::of(folder, now));
        let of_folder = Surroundings {
            system: system(std::env::consts::OS),
            can_read: listed.as_ref().map(Option::is_some),
            can_write: folder.and_then(can_write),
            free_bytes: folder.and_then(free_bytes),
            is_share: folder.is_some_and(is_network_share),
            events: folder.map(events_of),
            most_watches: number_in("/proc/sys/fs/inotify/max_user_watches"),
            folders: listed.as_ref().and_then(Option::as_ref).map(|listed| listed.folders),
            open_files: open_files(),
            year,
            newest_ahead: listed.flatten().and_then(|listed| listed.newest_ahead),
            jumped: None,
            firewall: firewall(),
        };
        std::thread::sleep(LOOK.saturating_sub(clocks.0.elapsed()));
        let shown = SystemTime::now().duration_since(clocks.1).ok();
        Surroundings { jumped: Some(jump(clocks.0.elapsed(), shown)), ..of_folder }
    }
}

/// By how much a clock was set while so much time passed and it went on by so much; `None`: it went back.
fn jump(passed: Duration, shown: Option<Duration>) -> Duration {
    shown.map_or(passed + Duration::from_secs(1), |shown| shown.abs_diff(passed))
}

/// By the name that Rust has for it.
pub fn system(name: &str) -> System {
    match name {
        "linux" => System::Linux,
        "macos" => System::Mac,
        "windows" => System::Windows,
        _ => System::Other,
    }
}

struct Listed {
    folders: usize,
    newest_ahead: Option<Duration>,
}

impl Listed {
    /// `None` where it can't be read.
    fn of(folder: &Path, now: SystemTime) -> Option<Listed> {
        let entries: Vec<_> = fs::read_dir(folder).ok()?.take(MOST_LOOKED_AT).flatten().collect();
        let folders = entries.iter().filter(|entry| entry.file_type().is_ok_and(|kind| kind.is_dir())).count();
        let pictures = entries.iter().filter(|entry| Kind::of(&entry.path()).is_some());
        let written = pictures.filter_map(|entry| entry.metadata().ok()?.modified().ok());
        let newest_ahead = written.filter_map(|at| at.duration_since(now).ok()).max();
        Some(Listed { folders, newest_ahead })
    }
}

#[cfg(unix)]
pub fn can_write(folder: &Path) -> Option<bool> {
    use rustix::fs::{Access, access};
    Some(access(folder, Access::WRITE_OK | Access::EXEC_OK).is_ok())
}

/// Rights there are lists of their own; the first start tells.
#[cfg(not(unix))]
pub fn can_write(_: &Path) -> Option<bool> {
    None
}

#[cfg(unix)]
fn free_bytes(folder: &Path) -> Option<u64> {
    let disk = rustix::fs::statvfs(folder).ok()?;
    Some(disk.f_bavail.saturating_mul(disk.f_frsize))
}

#[cfg(not(unix))]
fn free_bytes(_: &Path) -> Option<u64> {
    None
}

#[cfg(unix)]
fn open_files() -> Option<u64> {
    use rustix::process::{Resource, getrlimit};
    getrlimit(Resource::Nofile).current
}

#[cfg(not(unix))]
fn open_files() -> Option<u64> {
    None
}

fn number_in(file: &str) -> Option<u64> {
    fs::read_to_string(file).ok()?.trim().parse().ok()
}

/// Of the two that Linux desktops bring. Others, and other systems' own, ask by themselves.
fn firewall() -> Option<Firewall> {
    let ufw = fs::read_to_string("/etc/ufw/ufw.conf").ok();
    firewall_by(ufw.as_deref(), Path::new("/run/firewalld").is_dir())
}

/// By ufw's configuration (ufw(8)), and by whether firewalld runs.
fn firewall_by(ufw: Option<&str>, firewalld_runs: bool) -> Option<Firewall> {
    let is_on = |line: &str| line.trim().eq_ignore_ascii_case("ENABLED=yes");
    if ufw.is_some_and(|text| text.lines().any(is_on)) {
        return Some(Firewall::Ufw);
    }
    firewalld_runs.then_some(Firewall::Firewalld)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_was_set_is_noticed_both_ways() {
        let second = Duration::from_secs(1);
        assert_eq!(jump(second, Some(second)), Duration::ZERO);
        assert_eq!(jump(second, Some(3 * second)), 2 * second);
        assert_eq!(jump(2 * second, Some(second)), second);
        assert!(jump(second, None) >= second, "it went back behind where it was");
    }

    #[test]
    fn a_firewall_that_is_off_is_none() {
        assert_eq!(firewall_by(Some("# ufw\nENABLED=yes\nLOGLEVEL=low\n"), false), Some(Firewall::Ufw));
        assert_eq!(firewall_by(Some("#ENABLED=yes\nENABLED=no\n"), false), None);
        assert_eq!(firewall_by(None, true), Some(Firewall::Firewalld));
    }

    #[test]
    fn a_folder_of_this_machine_is_looked_at() {
        let home = tempfile::tempdir().unwrap();
        fs::create_dir(home.path().join("sub")).unwrap();
        let found = Surroundings::look(Some(home.path()));
        assert_eq!((found.can_read, found.folders, found.events), (Some(true), Some(1), Some(Events::Told)));
        if cfg!(unix) {
            assert!(found.can_write == Some(true) && found.free_bytes > Some(0) && found.open_files > Some(0));
        }
        assert_eq!(found.newest_ahead, None);
        let ahead = home.path().join("1.jpg");
        let file = fs::File::create(&ahead).unwrap();
        file.set_modified(SystemTime::now() + Duration::from_secs(7200)).unwrap();
        assert!(Surroundings::look(Some(home.path())).newest_ahead > Some(Duration::from_secs(7000)));
    }
}
