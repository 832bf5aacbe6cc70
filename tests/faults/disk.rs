//! The disk of the log: full and enlarged, read-only, its folder removed.

use std::fs;
use std::time::{Duration, Instant};

use serde_json::json;

use crate::effort::FOUND_WITHIN;
use crate::mounts::Mount;
use crate::sitting::{Sitting, skip};

fn small_disk(sitting: &Sitting, kib: u64) -> Option<Mount> {
    Mount::memory(sitting.place.log.parent().unwrap(), kib).map_err(|why| skip(sitting.name, &why)).ok()
}

/// Until it says itself that its log takes nothing: however long that takes on a busy machine, a disk is not full before.
fn wait_until_full(sitting: &mut Sitting) {
    let began = Instant::now();
    let is_full = || {
        let reply = sitting.daemon().tell(&json!({"command": "status"}));
        reply.is_ok_and(|reply| reply["message"].as_str().is_some_and(|says| says.contains("log can't be written")))
    };
    let mut full = is_full();
    while !full && began.elapsed() < FOUND_WITHIN {
        std::thread::sleep(Duration::from_millis(100));
        full = is_full();
    }
    sitting.promise(full, "it did not say that its log can't be written");
}

#[test]
fn full_and_enlarged_it_writes_what_waited() {
    for round in 0..crate::effort::Effort::asked().up_to(6).div_ceil(3) {
        let mut sitting = Sitting::new("the log's disk is full");
        let Some(disk) = small_disk(&sitting, 200 + 40 * round) else { return };
        sitting.start();
        sitting.put_some(60);
        // Room for some twenty frames.
        wait_until_full(&mut sitting);
        let before = sitting.log().frames.len();
        sitting.promise(before > 0, "the disk had no room for a single frame");
        sitting.tell(format!("{before} frames before it was full"));
        if round % 2 == 0 {
            sitting.kill();
        } else {
            sitting.end();
        }
        sitting.start();
        sitting.put_some(15);
        // Asked to end while records wait: in time, and never as if nothing were amiss.
        wait_until_full(&mut sitting);
        let code = sitting.end();
        sitting.promise(code != Some(0), "it ended with records unwritten as if all were well");
        sitting.start();
        sitting.put_some(5);
        disk.change("size=64m").unwrap();
        sitting.wait_for_all();
        sitting.end();
        sitting.done_on(disk);
    }
}

#[test]
fn a_log_that_may_not_be_written_is_left_as_it_is() {
    let mut sitting = Sitting::new("the log is read-only");
    let Some(disk) = small_disk(&sitting, 65_536) else { return };
    sitting.start();
    sitting.put_some(5);
    sitting.wait_for_all();
    sitting.end();
    let before = fs::read(&sitting.place.log).unwrap();
    disk.change("ro").unwrap();
    match crate::daemon::Daemon::start(&sitting.place) {
        // It may refuse, with a sentence.
        Err(why) => sitting.promise(!why.contains("torn"), format!("a sound log is called torn: {why}")),
        Ok(daemon) => {
            sitting.put_some(5);
            std::thread::sleep(Duration::from_secs(2));
            let ended = daemon.end();
            sitting.promise(!ended.said.contains("torn"), format!("a sound log is called torn: {}", ended.said));
            sitting.promise(!ended.killed, "it did not end when it was asked to");
        }
    }
    sitting.promise(fs::read(&sitting.place.log).unwrap() == before, "the read-only log was changed");
    disk.change("rw").unwrap();
    sitting.start();
    sitting.put_some(3);
    sitting.wait_for_all();
    sitting.end();
    sitting.done_on(disk);
}

#[test]
fn the_logs_folder_removed_and_made_again() {
    let mut sitting = Sitting::new("the log's folder is removed");
    sitting.start();
    sitting.put_some(4);
    sitting.wait_for_all();
    let folder = sitting.place.log.parent().unwrap().to_owned();
    // What was in it is the remover's loss; what comes from now on is ours.
    let gone = std::mem::take(&mut sitting.whole);
    fs::remove_dir_all(&folder).unwrap();
    sitting.put_some(6);
    std::thread::sleep(Duration::from_secs(2));
    fs::create_dir(&folder).unwrap();
    sitting.put_some(2);
    sitting.wait_for_all();
    sitting.end();
    // Started again, the log has lost those before: they may be taken up anew, once.
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    sitting.whole.extend(gone.iter().filter(|p| sitting.log().has(p)).copied().collect::<Vec<_>>());
    sitting.gaps_allowed = 1;
    sitting.done();
}
