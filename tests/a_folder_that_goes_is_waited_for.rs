//! A folder that goes is never read as deletions: a warning, then waiting, then on as before.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod harness;

use std::fs;

use harness::{Studio, shot, wait_for};

/// The log must outlive its capture folder here.
fn studio() -> Studio {
    let mut studio = Studio::empty();
    studio.extra = vec!["--log".into(), studio.home.path().join("shots.jsonl").display().to_string()];
    studio.start();
    studio
}

fn log(studio: &Studio) -> String {
    fs::read_to_string(studio.home.path().join("shots.jsonl")).unwrap()
}

fn frames(studio: &Studio) -> usize {
    log(studio).matches("\"type\":\"frame\"").count()
}

#[test]
fn removed_and_made_again() {
    let studio = studio();
    studio.put("a.jpg", &shot(8.0, 0.0, 1).jpeg());
    studio.sync();
    fs::remove_dir_all(&studio.folder).unwrap();
    wait_for("the warning", || log(&studio).contains("the capture folder is gone"));
    fs::create_dir(&studio.folder).unwrap();
    studio.put("b.jpg", &shot(8.0, 0.0, 2).jpeg());
    wait_for("the frame in the new folder", || frames(&studio) == 2);
    assert!(log(&studio).contains("the capture folder is back"));
}

#[test]
fn renamed_away_and_another_put_in_its_place() {
    let studio = studio();
    studio.put("a.jpg", &shot(8.0, 0.0, 1).jpeg());
    studio.sync();
    let aside = studio.home.path().join("aside");
    fs::rename(&studio.folder, &aside).unwrap();
    fs::create_dir(&studio.folder).unwrap();
    // Events may go on under the old name for the folder that is now aside.
    fs::write(aside.join("stale.jpg"), shot(8.0, 0.0, 3).jpeg()).unwrap();
    studio.put("b.jpg", &shot(8.0, 0.0, 2).jpeg());
    wait_for("the frame in the new folder", || frames(&studio) == 2);
    studio.sync();
    assert!(log(&studio).contains("another folder lies at the capture folder's place"));
    assert!(!log(&studio).contains("stale.jpg"));
    // And the new folder is watched from now on.
    studio.put("c.jpg", &shot(8.0, 0.0, 4).jpeg());
    wait_for("the next frame", || frames(&studio) == 3);
}

#[test]
fn by_polling_alone_nothing_is_missed_either() {
    let yaml = "watch: poll\npoll_every: 0.2 s\n";
    let mut studio = Studio::empty();
    fs::write(studio.config(), yaml).unwrap();
    let config = studio.config().display().to_string();
    studio.extra = vec!["--config".into(), config];
    studio.start();
    for n in 0..20 {
        studio.put(&format!("p{n:02}.jpg"), &shot(8.0, 0.0, n).jpeg());
    }
    wait_for("all frames by polling", || studio.frames().len() == 20);
    // Replaced within the same second by another picture.
    studio.put("p00.jpg", &shot(5.6, 0.0, 77).jpeg());
    wait_for("the reused name", || studio.frames().len() == 21);
}
