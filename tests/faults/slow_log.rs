//! The disk under the shot log hangs, by `strace`: a log often lies on the same share as the photographs. Nothing but
//! the log waits for it, and every frame is in the log once in the end.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::calls::{can_trace, inject, through};
use crate::effort::FOUND_WITHIN;
use crate::sitting::Sitting;

/// Syncs that are as they should be: those of the program's own first records.
const SYNCS_BEFORE: u32 = 4;
/// Each sync takes so long in microseconds.
const HANGS: u32 = 10_000_000;

/// A sitting whose log is synced by a disk that hangs: at some syncs, counted from the start.
fn on_a_hanging_disk(name: &'static str, when: &str) -> Option<Sitting> {
    let mut sitting = Sitting::new(name);
    if !can_trace(name) {
        return None;
    }
    let log = sitting.place.log.clone();
    let what = format!("delay_enter={HANGS}:when={when}");
    sitting.place.through = through(&inject("fdatasync,fsync", &what, Some(&log)));
    sitting.start();
    Some(sitting)
}

fn status(sitting: &Sitting) -> Value {
    sitting.daemon().tell(&json!({"command": "status"})).unwrap_or_default()
}

/// Waits until the sitting has so many frames, logged or not.
fn wait_for_frames(sitting: &mut Sitting, count: usize) {
    let began = Instant::now();
    while status(sitting)["value"]["frames"].as_u64() != Some(count as u64) {
        if began.elapsed() > FOUND_WITHIN {
            let last = status(sitting);
            return sitting.promise(false, format!("there are not {count} frames while the log hangs: {last}"));
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn kept_elsewhere(sitting: &Sitting) -> Vec<PathBuf> {
    let user = sitting.place.home.path().join("user");
    let mut folders = vec![user];
    let mut kept = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap().flatten() {
            match entry.path() {
                path if path.is_dir() => folders.push(path),
                path if entry.file_name().to_string_lossy().starts_with("unwritten-") => kept.push(path),
                _ => {}
            }
        }
    }
    kept
}

#[test]
fn a_log_whose_disk_hangs_up_to_the_end() {
    let Some(mut sitting) = on_a_hanging_disk("the log's disk hangs", &format!("{SYNCS_BEFORE}+")) else { return };
    for _ in 0..4 {
        sitting.put_some(2);
        let count = sitting.whole.len();
        wait_for_frames(&mut sitting, count);
    }
    let lost = sitting.log().lost(&sitting.whole).len();
    sitting.promise(lost > 0, "the log's disk did not hang at all");
    let code = sitting.end();
    sitting.promise(code == Some(3), format!("it ended with {code:?} while records were in no log"));
    let kept = kept_elsewhere(&sitting).len();
    sitting.promise(kept == 1, format!("{kept} files keep what is not in the log"));
    sitting.tell(format!("{lost} frames were kept beside the log"));
    sitting.place.through = Vec::new();
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    let left = kept_elsewhere(&sitting);
    sitting.promise(left.is_empty(), format!("what is in the log by now is still in {left:?}"));
    sitting.done();
}

#[test]
fn a_log_whose_disk_hangs_for_a_while() {
    let Some(mut sitting) = on_a_hanging_disk("the log's disk hangs for a while", &SYNCS_BEFORE.to_string()) else {
        return;
    };
    let began = Instant::now();
    sitting.put_some(8);
    let count = sitting.whole.len();
    wait_for_frames(&mut sitting, count);
    sitting.wait_for_all();
    let hung = began.elapsed();
    let log = sitting.log();
    let warnings = log.of_type("warning").filter_map(|w| w["text"].as_str());
    let told = warnings.filter(|text| text.contains("its disk doesn't answer")).count();
    sitting.promise(told == 1, format!("it was told {told} times that the log's disk hangs"));
    sitting.tell(format!("all was logged after {:.1} s", hung.as_secs_f64()));
    let code = sitting.end();
    sitting.promise(code == Some(0), format!("it ended with {code:?} though all is logged"));
    sitting.place.through = Vec::new();
    sitting.start();
    sitting.done();
}
