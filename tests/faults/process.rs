//! What `/proc` tells of a process: its children, its memory, its open files, whether it is still there.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use crate::harness::process::status_of;

/// A process, told from a later one of the same number by when it began.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Process {
    pub pid: u32,
    began: u64,
}

impl Process {
    pub fn of(pid: u32) -> Option<Process> {
        let (_, began) = stat(pid)?;
        Some(Process { pid, began })
    }

    /// Still there, and more than a name that nobody has waited for.
    pub fn lives(&self) -> bool {
        stat(self.pid).is_some_and(|(state, began)| began == self.began && state != 'Z' && state != 'X')
    }

    pub fn signal(&self, name: &str) {
        let _ = Command::new("kill").arg(format!("-{name}")).arg(self.pid.to_string()).output();
    }

    /// Most memory that it ever held, in KiB.
    pub fn peak_kib(&self) -> u64 {
        status_of(self.pid, "VmHWM:").unwrap_or(0)
    }

    pub fn resident_kib(&self) -> u64 {
        status_of(self.pid, "VmRSS:").unwrap_or(0)
    }

    pub fn open_files(&self) -> usize {
        fs::read_dir(format!("/proc/{}/fd", self.pid)).map_or(0, Iterator::count)
    }

    /// Children and theirs.
    pub fn descendants(&self) -> Vec<Process> {
        let mut found = Vec::new();
        let mut asked = vec![self.pid];
        while let Some(pid) = asked.pop() {
            for child in children(pid) {
                found.extend(Process::of(child));
                asked.push(child);
            }
        }
        found
    }

    pub fn runs(&self, program: &Path) -> bool {
        fs::read_link(format!("/proc/{}/exe", self.pid)).is_ok_and(|exe| exe == program)
    }

    /// Waits for its end; `false` when it is still there after that time.
    pub fn is_gone_within(&self, time: Duration) -> bool {
        let began = Instant::now();
        while self.lives() {
            if began.elapsed() > time {
                return false;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        true
    }
}

fn stat(pid: u32) -> Option<(char, u64)> {
    let text = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    // The name stands in brackets and may hold anything.
    let mut fields = text.rsplit_once(')')?.1.split_whitespace();
    let state = fields.next()?.chars().next()?;
    Some((state, fields.nth(18)?.parse().ok()?))
}

fn children(pid: u32) -> Vec<u32> {
    let Ok(threads) = fs::read_dir(format!("/proc/{pid}/task")) else { return Vec::new() };
    let lists = threads.flatten().filter_map(|t| fs::read_to_string(t.path().join("children")).ok());
    lists.flat_map(|list| list.split_whitespace().filter_map(|n| n.parse().ok()).collect::<Vec<u32>>()).collect()
}
