//! Killed at any moment and started again: every frame is logged exactly once, in capture order.

use std::collections::HashSet;
use std::fs::{self, File};
use std::io::{Cursor, Write};
use std::time::Duration;

use crate::harness::{Shot, Studio, shot};
use image::ImageFormat;

#[test]
fn killed_in_mid_burst_again_and_again() {
    let mut studio = Studio::empty();
    studio.start();
    let jpegs: Vec<Vec<u8>> = (0..10).map(|n| shot(8.0, 0.0, n).jpeg()).collect();
    let folder = studio.folder.clone();
    let writer = std::thread::spawn(move || {
        for n in 0..120_usize {
            std::fs::write(folder.join(format!("shot_{n:03}.jpg")), &jpegs[n % 10]).unwrap();
            std::thread::sleep(Duration::from_millis(25));
        }
    });
    for round in 0..8 {
        std::thread::sleep(Duration::from_millis(130 + round * 47 % 200));
        studio.kill();
        studio.start();
    }
    writer.join().unwrap();
    assert!(studio.sync().is_empty());
    let frames = studio.frames();
    let once: HashSet<&String> = frames.iter().collect();
    assert_eq!(once.len(), 120, "every frame is there");
    assert_eq!(frames.len(), 120, "and once");
    let records = studio.records();
    let numbers: Vec<u64> = records.iter().map(|r| r.n.get()).collect();
    assert_eq!(numbers, (1..=records.len() as u64).collect::<Vec<_>>(), "no number twice, none missing");
}

#[test]
fn what_landed_meanwhile_is_caught_up_in_capture_order() {
    let mut studio = Studio::empty();
    studio.start();
    studio.put("first.jpg", &shot(8.0, 0.0, 1).jpeg());
    studio.sync();
    assert_eq!(studio.stop().0, Some(0));
    // Written in another order than captured.
    for (name, number) in [("c.jpg", 9), ("a.jpg", 30), ("b.jpg", 20)] {
        studio.put(name, &shot(8.0, 0.0, number).jpeg());
        std::thread::sleep(Duration::from_millis(15));
    }
    studio.start();
    studio.sync();
    assert_eq!(studio.frames(), ["first.jpg", "c.jpg", "b.jpg", "a.jpg"]);
    assert_eq!(studio.frame("b.jpg")["found_at_start"], true);
    studio.stop();
    studio.start();
    studio.sync();
    assert_eq!(studio.frames().len(), 4, "caught up once");
}

#[test]
fn old_photographs_are_known_at_a_first_start_unless_asked() {
    let mut studio = Studio::empty();
    for n in 0..5 {
        studio.put(&format!("old_{n}.jpg"), &shot(8.0, 0.0, n).jpeg());
    }
    studio.start();
    studio.put("new.jpg", &shot(8.0, 0.0, 9).jpeg());
    studio.sync();
    assert_eq!(studio.frames(), ["new.jpg"]);
    let known = studio.of_type("existing_files");
    assert_eq!(known[0]["files"].as_array().unwrap().len(), 5);
    assert_eq!(known.last().unwrap()["last"], true);
    studio.stop();
    studio.start();
    studio.sync();
    assert_eq!(studio.frames(), ["new.jpg"], "known at the second start, too");

    let mut asked = Studio::empty();
    asked.extra = vec!["--meter-old".into()];
    asked.put("old.jpg", &shot(8.0, 0.0, 1).jpeg());
    asked.start();
    asked.sync();
    assert_eq!(asked.frames(), ["old.jpg"]);
}

/// Killed before the first start was over: what lay there is still old.
#[test]
fn a_first_start_that_was_cut_short_is_still_a_first_start() {
    let mut studio = Studio::empty();
    for n in 0..3 {
        studio.put(&format!("old_{n}.jpg"), &shot(8.0, 0.0, n).jpeg());
    }
    studio.start();
    studio.kill();
    // Only its opening lines reached the disk.
    let text = std::fs::read_to_string(studio.log()).unwrap();
    let opening: String = text.lines().take(2).map(|l| l.to_owned() + "\n").collect();
    std::fs::write(studio.log(), opening).unwrap();
    studio.start();
    studio.sync();
    assert!(studio.frames().is_empty());
    assert_eq!(studio.of_type("existing_files")[0]["files"].as_array().unwrap().len(), 3);
}

#[test]
fn it_ends_cleanly_and_at_once_when_asked_to() {
    let mut studio = Studio::open();
    for n in 0..6 {
        studio.put(&format!("{n}.jpg"), &shot(8.0, 0.0, n).jpeg());
    }
    let (code, took) = studio.stop();
    assert_eq!(code, Some(0));
    assert!(took < Duration::from_secs(5), "{took:?}");
    assert_eq!(studio.of_type("closed").len(), 1);
    assert!(!studio.socket().exists(), "the socket is gone");
}

/// The daemon is started again in the middle of a copy whose file has its full length from the beginning.
#[test]
fn what_is_still_being_written_at_a_start_is_metered_when_it_is_whole_and_once() {
    let mut studio = Studio::empty();
    studio.extra = vec!["--no-page".into()];
    studio.start();
    studio.take("first.jpg", shot(8.0, 0.0, 1));
    studio.stop();
    let big = Shot { size: (900, 600), ..shot(8.0, 0.0, 2) };
    let rgb = image::load_from_memory(&big.jpeg()).unwrap();
    let encoded = |format| {
        let mut bytes = Cursor::new(Vec::new());
        rgb.write_to(&mut bytes, format).unwrap();
        bytes.into_inner()
    };
    let files = [("a.dng", big.raw()), ("b.tif", encoded(ImageFormat::Tiff)), ("c.webp", encoded(ImageFormat::WebP))];
    let mut writers: Vec<File> = files
        .iter()
        .map(|(name, bytes)| {
            let file = File::create(studio.folder.join(name)).unwrap();
            file.set_len(bytes.len() as u64).unwrap();
            file
        })
        .collect();
    for piece in 0..16 {
        for ((_, bytes), file) in files.iter().zip(&mut writers) {
            let size = bytes.len().div_ceil(16);
            file.write_all(&bytes[(piece * size).min(bytes.len())..((piece + 1) * size).min(bytes.len())]).unwrap();
        }
        if piece == 4 {
            studio.start();
        }
        std::thread::sleep(Duration::from_millis(250));
    }
    drop(writers);
    crate::harness::wait_for("the three copies", || studio.frames().len() == 4);
    // The same pictures, put there whole.
    for (name, bytes) in &files {
        studio.put(&format!("whole_{name}"), bytes);
        studio.sync();
        crate::harness::wait_for("the whole one", || studio.frames().iter().any(|f| *f == format!("whole_{name}")));
        let light = |name: &str| studio.frame(name)["observation"]["metered"].clone();
        assert!(light(name).is_object(), "{name} was metered");
        assert_eq!(light(name), light(&format!("whole_{name}")), "{name} was read before it was whole");
    }
    assert_eq!(studio.frames().len(), 7, "{:?}", studio.frames());
}

#[test]
fn what_can_not_be_a_frame_is_told_once_and_not_at_every_start() {
    let mut studio = Studio::empty();
    studio.start();
    studio.put("text.jpg", b"this is no photograph");
    studio.sync();
    for _ in 0..2 {
        assert_eq!(studio.of_type("skipped").len(), 1);
        studio.stop();
        studio.start();
        studio.sync();
    }
    assert_eq!(studio.of_type("skipped").len(), 1);
    studio.stop();
    // Changed while nobody watched, it is looked at again.
    studio.put("text.jpg", &shot(8.0, 0.0, 3).jpeg());
    studio.start();
    studio.sync();
    assert_eq!(studio.frames(), ["text.jpg"]);
}

#[test]
fn old_photographs_are_known_again_when_they_are_renamed_or_captioned() {
    let mut studio = Studio::empty();
    let jpegs: Vec<Vec<u8>> = (0..3).map(|n| shot(8.0, 0.0, n).jpeg()).collect();
    for (n, jpeg) in jpegs.iter().enumerate() {
        studio.put(&format!("old_{n}.jpg"), jpeg);
    }
    studio.start();
    studio.sync();
    fs::rename(studio.folder.join("old_0.jpg"), studio.folder.join("kept.jpg")).unwrap();
    let captioned = [&jpegs[1][..2], &[0xFF, 0xFE, 0, 7], b"rated", &jpegs[1][2..]].concat();
    studio.put("old_1.jpg", &captioned);
    studio.sync();
    assert!(studio.frames().is_empty(), "{:?}", studio.frames());
    assert_eq!(studio.of_type("file_changed").len(), 2);
    studio.put("old_2.jpg", &shot(5.6, 0.0, 9).jpeg());
    studio.sync();
    assert_eq!(studio.frames(), ["old_2.jpg"], "another picture under an old name is a frame");
}

/// What was opened is also closed: a start that fails half way leaves neither a record nor a socket.
#[test]
fn a_start_that_fails_leaves_nothing_open() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let mut studio = Studio::empty();
    studio.extra = vec!["--port".into(), taken.local_addr().unwrap().port().to_string()];
    let output = studio.start_and_end();
    assert!(!output.status.success());
    assert!(String::from_utf8_lossy(&output.stderr).contains("--port"), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(studio.of_type("opened").is_empty());
    assert!(!studio.socket().exists());
}
