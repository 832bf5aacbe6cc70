//! How much a file may cost, and telling the system so.
//!
//! A worker bounds itself before each file: it is warm and serves many. Memory is bounded by what the process can
//! write to (`RLIMIT_DATA`); address space (`RLIMIT_AS`) would also count what allocators and threads only reserve,
//! 64 MiB a thread.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::container::Kind;

/// What one file may cost.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bounds {
    pub processor_seconds: u64,
    pub memory_mib: u64,
}

/// What files may cost, by their kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    pub picture: Bounds,
    /// Of raw files, and of HEIF pictures, which are decoded at full size.
    pub raw: Bounds,
    /// For so long a disk or share may give no byte.
    pub silence: Duration,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            picture: Bounds { processor_seconds: 5, memory_mib: 512 },
            raw: Bounds { processor_seconds: 20, memory_mib: 1024 },
            silence: Duration::from_secs(30),
        }
    }
}

impl Limits {
    pub(super) fn of(&self, kind: Kind) -> Bounds {
        if kind.is_raw() || kind == Kind::Heif { self.raw } else { self.picture }
    }
}

/// Once, at the start of a worker: a crash leaves no copy of a photograph on the disk, and no file grows by it.
#[cfg(unix)]
pub(super) fn forbid_files() {
    use rustix::process::{Resource, Rlimit, setrlimit};
    for resource in [Resource::Core, Resource::Fsize] {
        // Lowering can't fail; if it did, the sandbox still stands.
        let _ = setrlimit(resource, Rlimit { current: Some(0), maximum: Some(0) });
    }
}

/// Before each file. The processor time counts from now on, to the nearest second.
#[cfg(unix)]
pub(super) fn bound(bounds: Bounds) {
    use rustix::process::Resource;
    use rustix::time::{ClockId, clock_gettime};
    let used = clock_gettime(ClockId::ProcessCPUTime);
    let used_seconds = used.tv_sec as u64 + u64::from(used.tv_nsec >= 500_000_000);
    lower(Resource::Cpu, used_seconds + bounds.processor_seconds);
    lower(Resource::Data, bounds.memory_mib << 20);
}

/// Sets the limit at which the system acts, within what the user's own limit allows.
#[cfg(unix)]
fn lower(resource: rustix::process::Resource, to: u64) {
    use rustix::process::{Rlimit, getrlimit, setrlimit};
    let maximum = getrlimit(resource).maximum;
    let current = Some(maximum.map_or(to, |most| most.min(to)));
    // Within the maximum the system refuses only where it knows no such limit: then the pool's clock bounds the file.
    let _ = setrlimit(resource, Rlimit { current, maximum });
}

#[cfg(not(unix))]
pub(super) fn forbid_files() {}

#[cfg(not(unix))]
pub(super) fn bound(_: Bounds) {}
