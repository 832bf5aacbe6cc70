//! Killed at any moment and started again: every frame is logged exactly once, in capture order.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod harness;

use std::collections::HashSet;
use std::time::Duration;

use harness::{Studio, shot};

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
    let numbers: Vec<u64> = records.iter().map(|r| r.n).collect();
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
    assert_eq!(studio.frame("b.jpg")["late"], true);
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
    let known = studio.of_type("known");
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
    assert_eq!(studio.of_type("known")[0]["files"].as_array().unwrap().len(), 3);
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
