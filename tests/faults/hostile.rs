//! A stranger's files among good ones: bombs, loops, directories without end, and what is no file at all. Every good frame is
//! metered, status is answered, memory holds, and the end comes when it is asked for.

use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::symlink;
use std::os::unix::net::UnixListener;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::json;

use crate::effort::Effort;
use crate::harness::random::Random;
use crate::sitting::{Sitting, skip};
use crate::{jpeg_bombs, other_bombs};

/// All bombs may have their whole time, two at once, before the last good frame's turn comes.
const BEHIND_BOMBS: Duration = Duration::from_secs(240);

type Bomb = (&'static str, fn() -> Vec<u8>);

/// Small to write and quick to judge.
const CHEAP: [Bomb; 6] = [
    ("claim.jpg", || jpeg_bombs::a_claim(65_500)),
    ("boxes_in_boxes.cr3", other_bombs::boxes_in_boxes),
    ("loop.tif", other_bombs::tiff_that_loops),
    ("loop.nef", other_bombs::tiff_that_loops),
    ("directories.nef", || other_bombs::tiff_of_directories(4_000)),
    ("flat.webp", || other_bombs::flat_webp(14_000)),
];
/// They take their whole time, or much memory, if they are let.
const DEAR: [Bomb; 8] = [
    ("empty_scans.jpg", || jpeg_bombs::empty_scans(9_000, 20_000)),
    ("many_tables.jpg", || jpeg_bombs::many_tables(300_000)),
    ("a_scan_a_colour.jpg", || jpeg_bombs::a_scan_a_colour(14_000)),
    ("behind_much_else.jpg", || jpeg_bombs::behind_much_else(11_000)),
    ("flat.png", || other_bombs::flat_png(12_000)),
    ("profile.png", || other_bombs::png_with_profile(1 << 30)),
    ("flat.tif", || other_bombs::flat_tiff(9_900)),
    ("many_boxes.cr3", || other_bombs::many_boxes(2_000_000)),
];

/// The cheap ones, and as many of the dear ones as there are rounds, in an order of the seed's.
fn chosen(effort: Effort, random: &mut Random) -> Vec<Bomb> {
    let mut dear = DEAR.to_vec();
    for k in (1..dear.len()).rev() {
        dear.swap(k, ((random.next() * (k + 1) as f64) as usize).min(k));
    }
    dear.truncate(effort.up_to(DEAR.len() as u64) as usize / 2 * 2);
    let dear = if effort.is_whole() { DEAR.to_vec() } else { dear };
    CHEAP.into_iter().chain(dear).collect()
}

#[test]
fn bombs_among_good_frames() {
    let mut sitting = Sitting::new("bombs");
    sitting.strangers_allowed = true;
    sitting.start();
    let bombs = chosen(sitting.effort, &mut sitting.random);
    for (name, make) in &bombs {
        fs::write(sitting.place.folder.join(name), make()).unwrap();
        let picture = sitting.fresh();
        sitting.put(picture);
        // Each right behind its bomb in the queue, and some after it.
        std::thread::sleep(Duration::from_millis(300));
    }
    sitting.wait_for_all_within(BEHIND_BOMBS);
    // Asked to end while one is at work, and started with all of them there.
    let names: Vec<String> = bombs.iter().rev().take(2).map(|b| format!("again_{}", b.0)).collect();
    for (name, bomb) in names.iter().zip(bombs.iter().rev()) {
        fs::write(sitting.place.folder.join(name), bomb.1()).unwrap();
    }
    std::thread::sleep(Duration::from_millis(700));
    sitting.end();
    sitting.put_some(3);
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all_within(BEHIND_BOMBS);
    let told = sitting.log();
    let said: Vec<String> = told.of_type("skipped").map(|r| r["file"].to_string()).collect();
    sitting.tell(format!("{} bombs, {} told as skipped", bombs.len() + 2, said.len()));
    sitting.done();
}

/// The corpus beside the checkout, each file with a good frame behind it.
#[test]
fn damaged_files_of_the_corpus() {
    let mut sitting = Sitting::new("the corpus of damaged files");
    let Some(frames) = crate::harness::real_frames() else { return };
    let Ok(corpus) = fs::read_dir(frames.join("hostile")) else { return skip(sitting.name, "it is not here") };
    sitting.strangers_allowed = true;
    sitting.start();
    let mut count = 0;
    for file in corpus.flatten().map(|e| e.path()).filter(|p| p.is_file()) {
        fs::copy(&file, sitting.place.folder.join(file.file_name().unwrap())).unwrap();
        let picture = sitting.fresh();
        sitting.put(picture);
        count += 1;
    }
    sitting.wait_for_all_within(BEHIND_BOMBS);
    sitting.end();
    sitting.start();
    sitting.put_some(1);
    sitting.wait_for_all_within(BEHIND_BOMBS);
    sitting.tell(format!("{count} files"));
    sitting.done();
}

/// Cameras' own bytes with some of them changed: whatever a reader makes of them, the next frame is read.
#[test]
fn frames_with_changed_bytes() {
    let mut sitting = Sitting::new("frames with changed bytes");
    sitting.strangers_allowed = true;
    sitting.start();
    for round in 0..sitting.effort.up_to(400).max(20) {
        // Captured weeks later: no changed digit of its time makes it one of the good ones.
        let worn = crate::pictures::Picture::any(500_000 + round, &mut sitting.random);
        let (name, mut bytes) = worn.files().remove(0);
        for _ in 0..1 + (sitting.random.next() * 12.0) as u32 {
            let heads = if round % 2 == 0 { bytes.len() } else { bytes.len().min(700) };
            let at = (sitting.random.next() * heads as f64) as usize;
            bytes[at.min(heads - 1)] = (sitting.random.next() * 256.0) as u8;
        }
        fs::write(sitting.place.folder.join(format!("worn_{name}")), bytes).unwrap();
        if round % 4 == 0 {
            sitting.put_some(1);
        }
    }
    // A changed one may be read as the picture that it nearly is: those are none of the oracle's pictures.
    sitting.wait_for_all();
    sitting.end();
    sitting.start();
    sitting.put_some(1);
    sitting.wait_for_all();
    sitting.done();
}

fn fifo(at: &Path) -> bool {
    Command::new("mkfifo").arg(at).output().is_ok_and(|o| o.status.success())
}

/// Names and things that are no pictures: pipes, links, sockets, devices; and pictures with names that are odd.
#[test]
fn what_is_no_file_and_what_is_oddly_named() {
    let mut sitting = Sitting::new("pipes, links and odd names");
    sitting.start();
    let folder = sitting.place.folder.clone();
    let outside = sitting.place.home.path().join("outside.jpg");
    fs::write(&outside, crate::pictures::Picture::jpeg(900_000).files().remove(0).1).unwrap();
    let pipes = fifo(&folder.join("pipe.jpg")) && fifo(&folder.join("pipe.dng"));
    symlink(&outside, folder.join("out.jpg")).unwrap();
    symlink("/dev/zero", folder.join("zeros.jpg")).unwrap();
    symlink("itself.jpg", folder.join("itself.jpg")).unwrap();
    symlink("nowhere", folder.join("dangling.jpg")).unwrap();
    symlink(&folder, folder.join("round_and_round")).unwrap();
    let _listens = UnixListener::bind(folder.join("socket.jpg")).unwrap();
    let _ = Command::new("mknod").arg(folder.join("device.jpg")).args(["c", "1", "5"]).output();
    let long = "n".repeat(251);
    let names: [&[u8]; 6] =
        [b"caf\xe9.jpg", b"a\nb.jpg", long.as_bytes(), b"<b>'\".JPG", b"-rf.jpg", " \u{202e}gpj.jpg".as_bytes()];
    for name in names {
        let picture = sitting.fresh_jpeg();
        let mut name = name.to_vec();
        if name.len() > 200 {
            name.extend(b".jpg");
        }
        fs::write(folder.join(OsStr::from_bytes(&name)), picture.files().remove(0).1).unwrap();
        sitting.whole.push(picture);
    }
    // A pipe in a frame's place while the frame waits its turn.
    for k in 0..sitting.effort.up_to(20) {
        let aside = sitting.place.home.path().join(format!("pipe_{k}"));
        sitting.put_some(2);
        let queued = folder.join(format!("taken_away_{k}.jpg"));
        fs::write(&queued, crate::pictures::Picture::jpeg(910_000 + k).files().remove(0).1).unwrap();
        std::thread::sleep(Duration::from_secs_f64(sitting.random.between(0.0, 0.25)));
        if fifo(&aside) {
            fs::rename(aside, queued).unwrap();
        }
    }
    sitting.wait_for_all();
    if pipes {
        let began = Instant::now();
        let pipe = sitting.daemon().tell(&json!({"command": "reference", "file": "pipe.jpg"}));
        let refused = pipe.is_ok_and(|r| r["ok"] == false);
        sitting.promise(refused, format!("a pipe as reference was not refused within {:.1?}", began.elapsed()));
    }
    sitting.end();
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    // Those that were taken away may have been read before; what lies outside must not have been.
    let outsiders = sitting.log().frames.iter().filter(|f| f.number == Some(900_000)).count();
    sitting.promise(outsiders == 0, "a link's target outside the folder has a frame");
    sitting.strangers_allowed = true;
    sitting.done();
}

/// A folder of thousands of empty pictures beside the good ones.
#[test]
fn a_huge_folder_of_empty_pictures() {
    let mut sitting = Sitting::new("a huge folder");
    let many = if sitting.effort.is_whole() { 50_000 } else { 3_000 };
    sitting.start();
    let junk = sitting.place.folder.join("junk");
    fs::create_dir(&junk).unwrap();
    for k in 0..many {
        fs::write(junk.join(format!("empty_{k:05}.jpg")), b"").unwrap();
        if k % (many / 6) == 0 {
            sitting.put_some(1);
        }
    }
    sitting.wait_for_all();
    sitting.end();
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    sitting.done();
}
