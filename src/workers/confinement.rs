//! Taking away from a worker what reading a photograph doesn't need: writing, the network, other programs.
//!
//! On Linux twice: by Landlock (what may be opened) and by seccomp (what the kernel may be asked for at all). Each is
//! used as far as the kernel has it, and the worker tells what holds. Elsewhere nothing is taken away, and that is told.

use std::fmt;
use std::path::Path;

use serde::{Deserialize, Serialize};

/// What keeps a worker in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Confinement {
    pub landlock: Landlocked,
    pub seccomp: bool,
    /// The system ends what takes too much memory.
    pub bounds_memory: bool,
}

/// How much of what was asked of Landlock the kernel knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Landlocked {
    Whole,
    /// Files, but not yet the network.
    Partly,
    No,
}

impl Confinement {
    /// What nothing keeps it from.
    fn missing(self) -> &'static str {
        match (self.seccomp, self.landlock) {
            (true, _) => "",
            // Landlock knows what is opened and TCP, but neither dates and permissions nor the rest of the network.
            (false, Landlocked::Whole | Landlocked::Partly) => {
                "reaching the network or changing a file's date and permissions"
            }
            (false, Landlocked::No) => "writing, reaching the network or starting programs",
        }
    }

    pub fn is_whole(self) -> bool {
        self.missing().is_empty()
    }
}

impl fmt::Display for Confinement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let landlock = match self.landlock {
            Landlocked::Whole => "in force",
            Landlocked::Partly => "in force in part",
            Landlocked::No => "not here",
        };
        let seccomp = if self.seccomp { "in force" } else { "not here" };
        let bounds = if self.bounds_memory { "time and memory" } else { "time, though not in memory" };
        write!(f, "photographs are read in processes of their own, bounded in {bounds}; this system ")?;
        match self.missing() {
            "" => f.write_str("keeps them from writing, from the network and from other programs")?,
            missing => write!(f, "does not keep them from {missing}")?,
        }
        write!(f, " (Landlock {landlock}, seccomp {seccomp})")
    }
}

#[cfg(target_os = "linux")]
pub(super) fn confine() -> Confinement {
    let landlock = linux::landlock().unwrap_or(Landlocked::No);
    Confinement { landlock, seccomp: linux::seccomp().is_some(), bounds_memory: true }
}

#[cfg(not(target_os = "linux"))]
pub(super) fn confine() -> Confinement {
    Confinement { landlock: Landlocked::No, seccomp: false, bounds_memory: cfg!(unix) }
}

/// Tries what a worker must not do, at a file that nobody needs, and tells how each attempt went.
pub(super) fn attempts(file: &Path) -> Vec<(&'static str, std::io::Result<()>)> {
    use std::fs;
    let beside = file.with_extension("made");
    let here = std::net::Ipv4Addr::LOCALHOST;
    let program = super::this_program();
    vec![
        ("opening for writing", fs::OpenOptions::new().write(true).open(file).map(drop)),
        ("making a file", fs::File::create(&beside).map(drop)),
        ("making a folder", fs::create_dir(&beside)),
        ("making a link", fs::hard_link(file, &beside)),
        ("renaming", fs::rename(file, &beside)),
        ("marking read-only", fs::File::open(file).and_then(|open| set_read_only(&open))),
        ("changing the date", fs::File::open(file).and_then(|open| open.set_modified(std::time::UNIX_EPOCH))),
        ("removing", fs::remove_file(file)),
        ("listening on the network", std::net::TcpListener::bind((here, 0)).map(drop)),
        ("sending on the network", std::net::UdpSocket::bind((here, 0)).map(drop)),
        ("starting a program", std::process::Command::new(program).arg("--version").output().map(drop)),
        #[cfg(unix)]
        ("a signal to another process", signal_to_parent()),
        ("a thread of its own", std::thread::Builder::new().spawn(|| ()).map(drop)),
        ("reading", fs::read(file).map(drop)),
    ]
}

fn set_read_only(file: &std::fs::File) -> std::io::Result<()> {
    let mut permissions = file.metadata()?.permissions();
    permissions.set_readonly(true);
    file.set_permissions(permissions)
}

/// Signal 0: whether one could be sent.
#[cfg(unix)]
fn signal_to_parent() -> std::io::Result<()> {
    let parent = rustix::process::getppid().ok_or(std::io::ErrorKind::NotFound)?;
    Ok(rustix::process::test_kill_process(parent)?)
}

#[cfg(target_os = "linux")]
mod linux {
    use std::collections::BTreeMap;

    use landlock::{
        ABI, Access, AccessFs, AccessNet, CompatLevel, Compatible, Ruleset, RulesetAttr, RulesetStatus, Scope,
    };
    use libc::{EPERM, c_int, c_long};
    use seccompiler::SeccompCmpArgLen::Dword;
    use seccompiler::SeccompCmpOp::{self, MaskedEq, Ne};
    use seccompiler::{BpfProgram, SeccompAction, SeccompCondition, SeccompFilter, SeccompRule, TargetArch};

    use super::Landlocked;

    /// Its rules are handled and none is granted: nothing below any folder may be written or executed.
    pub(super) fn landlock() -> Option<Landlocked> {
        let known = ABI::V6;
        let rules = Ruleset::default()
            .set_compatibility(CompatLevel::BestEffort)
            .handle_access(AccessFs::from_write(known) | AccessFs::Execute)
            .and_then(|rules| rules.handle_access(AccessNet::from_all(known)))
            .and_then(|rules| rules.scope(Scope::from_all(known)))
            .and_then(|rules| rules.create()?.restrict_self());
        Some(match rules.ok()?.ruleset {
            RulesetStatus::FullyEnforced => Landlocked::Whole,
            RulesetStatus::PartiallyEnforced => Landlocked::Partly,
            RulesetStatus::NotEnforced => Landlocked::No,
        })
    }

    /// What the kernel may not be asked for. `None` where it has no such filter.
    pub(super) fn seccomp() -> Option<()> {
        let denied = program(denied()?, EPERM)?;
        // The C library then does the same by older calls, whose flags can be looked at.
        let unknown = [libc::SYS_clone3, libc::SYS_openat2].map(|call| (call, Vec::new()));
        let unknown = program(unknown.into_iter().collect(), libc::ENOSYS)?;
        seccompiler::apply_filter(&unknown).ok()?;
        seccompiler::apply_filter(&denied).ok()
    }

    type Rules = BTreeMap<c_long, Vec<SeccompRule>>;

    fn program(rules: Rules, answer: c_int) -> Option<BpfProgram> {
        let here = TargetArch::try_from(std::env::consts::ARCH).ok()?;
        let answer = SeccompAction::Errno(answer as u32);
        SeccompFilter::new(rules, SeccompAction::Allow, answer, here).ok()?.try_into().ok()
    }

    fn denied() -> Option<Rules> {
        let mut rules: Rules = NEVER.iter().chain(OLDER).map(|call| (*call, Vec::new())).collect();
        rules.insert(libc::SYS_openat, opening_for_writing(2)?);
        #[cfg(target_arch = "x86_64")]
        rules.insert(libc::SYS_open, opening_for_writing(1)?);
        // Threads, but no processes; signals and limits for itself alone.
        rules.insert(libc::SYS_clone, vec![when(0, MaskedEq(libc::CLONE_THREAD as u64), 0)?]);
        rules.insert(libc::SYS_tgkill, vec![when(0, Ne, u64::from(std::process::id()))?]);
        rules.insert(libc::SYS_prlimit64, vec![when(0, Ne, 0)?]);
        // The same calls by another door: 32-bit pointers on a 64-bit processor, under numbers of their own
        // (arch/x86/entry/syscalls/syscall_64.tbl of the kernel: bit 30, and 512 to 547).
        #[cfg(target_arch = "x86_64")]
        {
            const X32: c_long = 0x4000_0000;
            let same: Vec<c_long> = rules.keys().copied().chain(512..=547).map(|call| call | X32).collect();
            rules.extend(same.into_iter().map(|call| (call, Vec::new())));
        }
        Some(rules)
    }

    fn opening_for_writing(flags: u8) -> Option<Vec<SeccompRule>> {
        let has = |flag: c_int| when(flags, MaskedEq(flag as u64), flag as u64);
        [libc::O_WRONLY, libc::O_RDWR, libc::O_CREAT, libc::O_TRUNC].into_iter().map(has).collect()
    }

    fn when(argument: u8, operator: SeccompCmpOp, value: u64) -> Option<SeccompRule> {
        let condition = SeccompCondition::new(argument, Dword, operator, value).ok()?;
        SeccompRule::new(vec![condition]).ok()
    }

    const NEVER: &[c_long] = &[
        // The network.
        libc::SYS_socket,
        libc::SYS_socketpair,
        libc::SYS_connect,
        libc::SYS_bind,
        libc::SYS_listen,
        libc::SYS_accept,
        libc::SYS_accept4,
        libc::SYS_sendto,
        libc::SYS_sendmsg,
        libc::SYS_sendmmsg,
        // Other programs and processes.
        libc::SYS_execve,
        libc::SYS_execveat,
        libc::SYS_ptrace,
        libc::SYS_process_vm_readv,
        libc::SYS_process_vm_writev,
        libc::SYS_process_madvise,
        libc::SYS_kill,
        libc::SYS_tkill,
        libc::SYS_rt_sigqueueinfo,
        libc::SYS_rt_tgsigqueueinfo,
        libc::SYS_pidfd_open,
        libc::SYS_pidfd_getfd,
        libc::SYS_pidfd_send_signal,
        libc::SYS_shmget,
        libc::SYS_msgget,
        libc::SYS_semget,
        libc::SYS_mq_open,
        // Files: their contents, names, dates, permissions, locks.
        libc::SYS_truncate,
        libc::SYS_ftruncate,
        libc::SYS_fallocate,
        libc::SYS_unlinkat,
        libc::SYS_renameat2,
        libc::SYS_mkdirat,
        libc::SYS_mknodat,
        libc::SYS_linkat,
        libc::SYS_symlinkat,
        libc::SYS_fchmod,
        libc::SYS_fchmodat,
        libc::SYS_fchmodat2,
        libc::SYS_fchown,
        libc::SYS_fchownat,
        libc::SYS_utimensat,
        libc::SYS_setxattr,
        libc::SYS_lsetxattr,
        libc::SYS_fsetxattr,
        libc::SYS_removexattr,
        libc::SYS_lremovexattr,
        libc::SYS_fremovexattr,
        libc::SYS_flock,
        libc::SYS_open_by_handle_at,
        libc::SYS_ioctl,
        // The system itself.
        libc::SYS_unshare,
        libc::SYS_setns,
        libc::SYS_mount,
        libc::SYS_umount2,
        libc::SYS_pivot_root,
        libc::SYS_chroot,
        libc::SYS_open_tree,
        libc::SYS_move_mount,
        libc::SYS_fsopen,
        libc::SYS_fsmount,
        libc::SYS_bpf,
        libc::SYS_perf_event_open,
        libc::SYS_userfaultfd,
        libc::SYS_keyctl,
        libc::SYS_add_key,
        libc::SYS_request_key,
        libc::SYS_io_uring_setup,
        libc::SYS_io_uring_enter,
        libc::SYS_io_uring_register,
        libc::SYS_fanotify_init,
    ];

    /// The same by calls that newer architectures don't have.
    #[cfg(target_arch = "x86_64")]
    const OLDER: &[c_long] = &[
        libc::SYS_creat,
        libc::SYS_unlink,
        libc::SYS_rename,
        libc::SYS_renameat,
        libc::SYS_mkdir,
        libc::SYS_rmdir,
        libc::SYS_mknod,
        libc::SYS_link,
        libc::SYS_symlink,
        libc::SYS_chmod,
        libc::SYS_chown,
        libc::SYS_lchown,
        libc::SYS_utime,
        libc::SYS_utimes,
        libc::SYS_futimesat,
        libc::SYS_fork,
        libc::SYS_vfork,
    ];
    #[cfg(target_arch = "aarch64")]
    const OLDER: &[c_long] = &[libc::SYS_renameat];
    #[cfg(not(any(target_arch = "x86_64", target_arch = "aarch64")))]
    const OLDER: &[c_long] = &[];
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_does_not_hold_is_said() {
        let said = |landlock, seccomp| Confinement { landlock, seccomp, bounds_memory: true }.to_string();
        for landlock in [Landlocked::Whole, Landlocked::Partly, Landlocked::No] {
            assert!(Confinement { landlock, seccomp: true, bounds_memory: true }.is_whole());
            assert!(said(landlock, true).contains("keeps them from writing, from the network"));
            assert!(!Confinement { landlock, seccomp: false, bounds_memory: true }.is_whole());
            assert!(said(landlock, false).contains("does not keep them from"));
        }
        assert!(said(Landlocked::Whole, false).contains("network"));
        assert!(said(Landlocked::No, false).contains("writing"));
        assert!(said(Landlocked::No, false).contains("in time and memory;"));
        let windows = Confinement { landlock: Landlocked::No, seccomp: false, bounds_memory: false };
        assert!(windows.to_string().contains("not in memory"));
    }
}
