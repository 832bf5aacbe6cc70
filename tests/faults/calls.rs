//! Calls to the system that fail, by `strace`: syncs, writes, opens and reads.

use std::process::Command;
use std::time::Duration;

use crate::mounts::has;
use crate::sitting::{Sitting, skip};

/// Whether processes may be traced here.
pub fn can_trace(name: &str) -> bool {
    let tried = Command::new("strace").args(["-qq", "-o", "/dev/null", "true"]).output();
    let can = has("strace") && tried.is_ok_and(|o| o.status.success());
    if !can {
        skip(name, "no process can be traced here");
    }
    can
}

/// `-D`: the tracer runs beside the program, which keeps its place and its number.
pub fn through(faults: &[String]) -> Vec<String> {
    let mut words: Vec<String> =
        ["strace", "-D", "-f", "--seccomp-bpf", "-qq", "-o", "/dev/null"].map(str::to_owned).to_vec();
    words.extend_from_slice(faults);
    words
}

pub fn inject(calls: &str, what: &str, path: Option<&std::path::Path>) -> Vec<String> {
    let mut words = vec![format!("-etrace={calls}"), format!("-einject={calls}:{what}")];
    if let Some(path) = path {
        words.push(format!("-P{}", path.display()));
    }
    words
}

#[test]
fn a_disk_that_fails_now_and_then() {
    let whole = crate::effort::Effort::asked().is_whole();
    let kinds = [
        ("fdatasync,fsync", "error=EIO:when=4", false),
        ("fdatasync,fsync", "error=EIO:when=3+4", false),
        ("fdatasync,fsync", "delay_enter=400000:when=3+3", false),
        ("write", "error=ENOSPC:when=5+7", true),
        ("read,pread64", "error=EIO:when=60+40", false),
        ("openat", "error=EMFILE:when=120+60", false),
    ];
    let mut tried = 0;
    for (calls, what, only_log) in kinds.iter().take(if whole { 6 } else { 3 }) {
        let mut sitting = Sitting::new("calls that fail");
        if !can_trace(sitting.name) {
            return;
        }
        let log = sitting.place.log.clone();
        sitting.place.through = through(&inject(calls, what, only_log.then_some(log.as_path())));
        match crate::daemon::Daemon::start(&sitting.place) {
            Ok(daemon) => drop(daemon),
            // It may fail at the start, with a sentence; then it starts without the fault.
            Err(why) => sitting.promise(!why.contains("panicked"), why),
        }
        sitting.place.through = Vec::new();
        sitting.start();
        sitting.end();
        sitting.place.through = through(&inject(calls, what, only_log.then_some(log.as_path())));
        if let Ok(daemon) = crate::daemon::Daemon::start(&sitting.place) {
            sitting.adopt(daemon);
            sitting.put_some(8);
            std::thread::sleep(Duration::from_secs(3));
            sitting.end();
        } else {
            sitting.put_some(8);
        }
        sitting.place.through = Vec::new();
        sitting.start();
        sitting.wait_for_all();
        sitting.damage_allowed = usize::from(*only_log) * 4;
        sitting.tell(format!("{calls} {what}"));
        sitting.done();
        tried += 1;
    }
    assert!(tried > 0);
}

/// A file system without syncs: the log must not write itself anew for ever.
#[test]
fn a_disk_whose_syncs_always_fail() {
    let mut sitting = Sitting::new("syncs that always fail");
    if !can_trace(sitting.name) {
        return;
    }
    sitting.place.through = through(&inject("fdatasync,fsync", "error=EIO", None));
    sitting.start();
    sitting.put_some(20);
    std::thread::sleep(sitting.effort.wait(8, 25));
    let log = sitting.log();
    let per_frame = log.bytes / 20;
    sitting.tell(format!("{} segments, {} KiB", log.segments, log.bytes >> 10));
    // A record of a frame has some 8 KiB; a dozen copies are patience, hundreds are a leak.
    sitting.promise(log.segments <= 20, format!("the log has {} segments for 20 frames", log.segments));
    sitting.promise(per_frame < 400 << 10, format!("the log has {} KiB a frame", per_frame >> 10));
    sitting.end();
    sitting.place.through = Vec::new();
    sitting.start();
    sitting.wait_for_all();
    sitting.done();
}
