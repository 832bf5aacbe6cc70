//! The clock steps both ways, and the machine sleeps.

use std::fs;
use std::path::PathBuf;
use std::time::Duration;

use crate::harness::random::Random;
use crate::pictures::Picture;
use crate::sitting::{Sitting, skip};

/// Debian's `faketime` has it.
fn library() -> Option<PathBuf> {
    let folders = fs::read_dir("/usr/lib").ok()?.flatten().map(|e| e.path()).chain([PathBuf::from("/usr/local/lib")]);
    let mut found = folders.map(|f| f.join("faketime/libfaketimeMT.so.1"));
    found.find(|p| p.exists())
}

#[test]
fn the_clock_steps_to_and_fro() {
    let mut sitting = Sitting::new("the clock steps");
    let Some(library) = library() else { return skip(sitting.name, "there is no libfaketime") };
    let clock = sitting.place.home.path().join("clock");
    let step = |to: &str| {
        let next = clock.with_extension("next");
        fs::write(&next, to).unwrap();
        fs::rename(next, &clock).unwrap();
    };
    step("+0");
    // Only the clock on the wall steps; what measures time goes on, as in a real machine.
    let set = |name: &str, value: &str| (name.to_owned(), value.to_owned());
    sitting.place.environment = vec![
        set("LD_PRELOAD", library.to_str().unwrap()),
        set("FAKETIME_TIMESTAMP_FILE", clock.to_str().unwrap()),
        set("FAKETIME_NO_CACHE", "1"),
        set("FAKETIME_DONT_FAKE_MONOTONIC", "1"),
        set("NO_FAKE_STAT", "1"),
    ];
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    let steps = ["+3600", "-3600", "-315360000", "+315360000", "@1970-01-01 00:00:30", "@2099-12-31 23:59:50", "+0"];
    for to in steps.iter().take(if sitting.effort.is_whole() { 7 } else { 4 }) {
        step(to);
        sitting.put_some(2);
        sitting.wait_for_all();
        // A frame that is being written as it steps.
        let picture = sitting.fresh_jpeg();
        let (name, bytes) = picture.files().remove(0);
        let path = sitting.place.folder.join(name);
        let half = bytes.len() / 2;
        fs::write(&path, &bytes[..half]).unwrap();
        std::thread::sleep(Duration::from_millis(300));
        step("-7200");
        std::thread::sleep(Duration::from_millis(300));
        fs::write(&path, &bytes).unwrap();
        sitting.whole.push(picture);
        sitting.wait_for_all();
    }
    step("@1971-02-03 04:05:06");
    sitting.end();
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    sitting.done();
}

/// Stopped, as by a lid that closes or Ctrl-Z, while frames are half written. The whole form stops it for longer than two
/// minutes, the longest time that the program waits for anything.
#[test]
fn the_machine_sleeps_while_frames_are_written() {
    let mut sitting = Sitting::new("stopped for a while");
    sitting.start();
    for long in [false, true] {
        let pictures: Vec<Picture> = (0..5).map(|_| sitting.fresh_jpeg()).collect();
        let files: Vec<(String, Vec<u8>)> = pictures.iter().flat_map(Picture::files).collect();
        let mut random: Random = sitting.effort.random("parts of frames");
        for (name, bytes) in &files {
            let part = (bytes.len() as f64 * random.between(0.3, 0.9)) as usize;
            fs::write(sitting.place.folder.join(name), &bytes[..part]).unwrap();
        }
        sitting.put_some(3);
        std::thread::sleep(Duration::from_millis(40));
        sitting.daemon().pulse().look_away();
        sitting.daemon().process.signal("STOP");
        std::thread::sleep(if long { sitting.effort.wait(7, 130) } else { Duration::from_secs(2) });
        for (name, bytes) in &files {
            fs::write(sitting.place.folder.join(name), bytes).unwrap();
        }
        sitting.whole.extend(pictures);
        sitting.daemon().process.signal("CONT");
        sitting.daemon().pulse().look_again();
        sitting.wait_for_all();
    }
    sitting.end();
    sitting.done();
}
