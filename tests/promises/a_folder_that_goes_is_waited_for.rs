//! A folder that goes is never read as deletions: a warning, then waiting, then on as before.

use std::fs;

use crate::harness::{Studio, shot, wait_for};
use serde_json::json;

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
    let yaml = "detect: poll\npoll_every: 0.2 s\n";
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

#[test]
fn sync_and_status_say_how_the_folder_stands() {
    let studio = studio();
    studio.put("a.jpg", &shot(8.0, 0.0, 1).jpeg());
    let ask = |command: &str| studio.tell(json!({"command": command}));
    let all = ask("wait");
    assert_eq!((&all["value"]["complete"], &all["value"]["folder"]), (&json!(true), &json!("watched")), "{all}");
    assert_eq!(ask("status")["value"]["folder"]["state"], "watched");
    let aside = studio.home.path().join("aside");
    fs::rename(&studio.folder, &aside).unwrap();
    let away = ask("wait");
    assert_eq!((&away["value"]["complete"], &away["value"]["folder"]), (&json!(false), &json!("away")), "{away}");
    assert!(away["message"].as_str().unwrap().contains("the capture folder is gone"), "{away}");
    assert_eq!(ask("status")["value"]["folder"]["state"], "away");
    // Back with a frame that nobody saw landing: an answer that all is logged must count it.
    fs::write(aside.join("b.jpg"), shot(8.0, 0.0, 2).jpeg()).unwrap();
    fs::rename(&aside, &studio.folder).unwrap();
    assert_eq!(ask("wait")["value"]["complete"], true);
    assert_eq!(frames(&studio), 2);
}

#[test]
fn sync_names_what_was_passed_over_since_it_was_last_asked() {
    let studio = studio();
    studio.put("text.jpg", b"this is no photograph");
    studio.put("cut.jpg", &shot(8.0, 0.0, 1).jpeg()[..3000]);
    let told = studio.tell(json!({"command": "wait"}));
    assert_eq!(told["value"]["skipped"], json!(["text.jpg"]), "{told}");
    assert_eq!(told["value"]["waiting"], json!(["cut.jpg"]), "{told}");
    let says = told["message"].as_str().unwrap();
    assert!(says.contains("text.jpg") && says.contains("cut.jpg"), "{says}");
    assert_eq!(studio.tell(json!({"command": "wait"}))["value"]["skipped"], json!([]));
}

#[cfg(unix)]
#[test]
fn a_folder_that_may_not_be_listed_is_told_once() {
    use std::os::unix::fs::PermissionsExt;
    let studio = studio();
    let may_list = |folder: &std::path::Path, mode| {
        fs::set_permissions(folder, fs::Permissions::from_mode(mode)).unwrap();
    };
    let card = studio.folder.join("card");
    fs::create_dir(&card).unwrap();
    may_list(&card, 0o000);
    if fs::read_dir(&card).is_ok() {
        println!("skipped: whoever runs this may list every folder");
        return;
    }
    for _ in 0..3 {
        let told = studio.tell(json!({"command": "wait"}));
        assert_eq!(told["value"]["unlisted"], json!(["card"]), "{told}");
        assert_eq!(told["value"]["complete"], false);
    }
    assert_eq!(log(&studio).matches("the folder card can't be listed").count(), 1);
    may_list(&card, 0o755);
    may_list(&studio.folder, 0o300);
    assert_eq!(studio.tell(json!({"command": "wait"}))["value"]["folder"], "not_listed");
    assert_eq!(studio.tell(json!({"command": "status"}))["value"]["folder"]["state"], "not_listed");
    may_list(&studio.folder, 0o755);
    assert_eq!(studio.tell(json!({"command": "wait"}))["value"]["complete"], true);
}
