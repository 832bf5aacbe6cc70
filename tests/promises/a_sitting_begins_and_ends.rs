//! A log holds sitting after sitting. One begins by itself when frames come again after a long pause; whether the set-up is the one of
//! before is asked, and until somebody says so no light is asked to be turned. Through the real program.

use std::fs::{self, File};
use std::time::{Duration, SystemTime};

use crate::harness::{Shot, Studio, greyhold, shot};
use crate::what_was_meant_is_the_new_target::{refused, tell};
use greyhold::outlet::shot_log::{segments, sittings, state_after};
use greyhold::session::State;
use serde_json::{Value, json};

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");
const HOUR: u64 = 3600;

/// A frame that was shot, and written, so many hours after ten in the morning of the second of March.
fn take_at(studio: &Studio, name: &str, shot: Shot, hours: u64) -> Value {
    let aside = studio.home.path().join(name);
    fs::write(&aside, Shot { at: shot.at + (hours * HOUR) as f64, ..shot }.jpeg()).unwrap();
    let written = SystemTime::UNIX_EPOCH + Duration::from_secs(1_772_445_600 + hours * HOUR + shot.number * 10);
    File::options().write(true).open(&aside).unwrap().set_modified(written).unwrap();
    fs::rename(&aside, studio.folder.join(name)).unwrap();
    assert!(studio.sync().is_empty());
    studio.frame(name)
}

/// An evening of three frames; the reference is the first.
fn evening() -> Studio {
    let studio = Studio::with_config(RIG);
    for n in 1..=3 {
        take_at(&studio, &format!("{n}.jpg"), shot(8.0, 0.0, n), 0);
    }
    studio
}

fn board(studio: &Studio) -> Value {
    let log = greyhold::numbers::RecordNumber::new(u64::MAX);
    let state = state_after(&studio.log(), log).unwrap();
    let config = greyhold::config::Config::read(&studio.config()).unwrap();
    serde_json::to_value(greyhold::session::Board::of(&state.sitting, &config)).unwrap()
}

#[test]
fn a_frame_of_the_next_morning_asks_whether_the_set_up_is_the_same() {
    let studio = evening();
    // Chosen and renamed in the evening.
    fs::rename(studio.folder.join("3.jpg"), studio.folder.join("3_select.jpg")).unwrap();
    assert!(studio.sync().is_empty());
    let morning = take_at(&studio, "4.jpg", shot(8.0, 1.0, 4), 23);
    assert_ne!(morning["verdict"]["finding"], "matched");
    assert_eq!(
        board(&studio)["same_set_up"],
        "Same set-up as yesterday 10:00? f/8  1/160 s  ISO 100, key 1/2, fill 62.5 Ws, rim 7.0"
    );
    take_at(&studio, "5.jpg", shot(8.0, 1.0, 5), 23);
    assert!(studio.corrections().is_empty(), "two frames a stop too bright, and nobody is asked to turn a light");
    assert!(refused(&studio, json!({"command": "next", "f_number": "f/5.6"})).contains("Same set-up as yesterday"));
    // The frames since are answered as if it had not been asked.
    assert!(tell(&studio, json!({"command": "sitting", "what": "same"})).contains("held against 1.jpg"));
    assert_eq!(board(&studio)["same_set_up"], Value::Null);
    let asked = studio.corrections();
    assert_eq!(asked.len(), 1, "{asked:?}");
    assert_eq!(asked[0]["correction"]["dial_changes"][0]["clicks"], -3, "by the reference of the evening");
}

#[test]
fn of_another_set_up_no_look_and_no_power_of_before_holds() {
    let studio = evening();
    take_at(&studio, "4.jpg", shot(8.0, 1.0, 4), 23);
    tell(&studio, json!({"command": "sitting", "what": "new", "name": "spring coats"}));
    let status = studio.tell(json!({"command": "status"}))["value"].clone();
    assert_eq!(status["looks"], json!({}));
    assert!(status["groups"].as_array().unwrap().iter().all(|group| group["power"].is_null()), "{status}");
    // From here on it is as at the beginning.
    take_at(&studio, "5.jpg", shot(8.0, 1.0, 5), 23);
    assert_eq!(take_at(&studio, "6.jpg", shot(8.0, 1.0, 6), 23)["verdict"]["finding"], "matched");
    tell(&studio, json!({"command": "power", "group": "key", "setting": "1/8"}));
    // What somebody asks for before a frame is no correction of one.
    tell(&studio, json!({"command": "next", "f_number": "f/5.6"}));
    assert_eq!(
        studio.tell(json!({"command": "sitting"}))["message"],
        "sitting 2 (spring coats): 3 frames, 0 corrections"
    );
}

/// A look that is taken up before the first frame stays to be found where it was taken up.
#[test]
fn a_look_of_a_sitting_without_frames_is_not_lost() {
    let studio = evening();
    tell(&studio, json!({"command": "sitting", "what": "new", "name": "hats"}));
    tell(&studio, json!({"command": "reference", "file": "3.jpg"}));
    let said = tell(&studio, json!({"command": "sitting", "what": "new"}));
    assert!(said.contains("sitting 3 has a new set-up") && said.contains("--sitting 2"), "{said}");
    let rows = sittings(&studio.log()).unwrap();
    assert_eq!(rows.rows()[1].name.as_deref(), Some("hats"));
    let then = state_after(&studio.log(), rows.rows()[1].records[1]).unwrap();
    assert_eq!(then.sitting.setup.looks.len(), 1);
    // What is looked back on where none is named is the last one that was shot.
    let page = studio.folder.join("looked-back.html");
    let report = greyhold(&["report", studio.folder.to_str().unwrap(), "--out", page.to_str().unwrap()]);
    assert!(String::from_utf8_lossy(&report.stdout).contains(": 3 frames"), "{report:?}");
}

#[test]
fn a_short_pause_a_wrong_clock_and_copied_files_begin_none() {
    let studio = Studio::with_config(RIG);
    take_at(&studio, "1.jpg", shot(8.0, 0.0, 1), 0);
    take_at(&studio, "2.jpg", shot(8.0, 0.0, 2), 3);
    // By the camera's clock two days later; written at once.
    let aside = Shot { at: 48.0 * 3600.0, ..shot(8.0, 0.0, 3) };
    take_at(&studio, "3.jpg", aside, 3);
    // Written long after it was shot.
    take_at(&studio, "4.jpg", Shot { at: -20.0 * 3600.0, ..shot(8.0, 0.0, 4) }, 23);
    assert_eq!(sittings(&studio.log()).unwrap().rows().len(), 1);
}

#[test]
fn a_sitting_is_ended_by_hand_and_the_next_frame_begins_another() {
    let studio = evening();
    let said = tell(&studio, json!({"command": "sitting", "what": "end"}));
    assert_eq!(said, "sitting 1 ended: 3 frames, 0 corrections; the next frame begins another one");
    assert!(refused(&studio, json!({"command": "sitting", "what": "end"})).contains("ended already"));
    take_at(&studio, "4.jpg", shot(8.0, 0.0, 4), 0);
    assert!(board(&studio)["same_set_up"].as_str().unwrap().starts_with("Same set-up as 10:00 today?"));
    tell(&studio, json!({"command": "sitting", "what": "name", "name": "hats"}));
    for early in ["accept", "new_sitter", "reference"] {
        assert!(refused(&studio, json!({"command": early})).contains("first say: Same set-up"), "{early}");
    }
    tell(&studio, json!({"command": "sitting", "what": "same"}));
    assert_eq!(board(&studio)["same_set_up"], Value::Null);
    // Whoever answers at the same time begins no further one.
    let again = tell(&studio, json!({"command": "sitting", "what": "same"}));
    assert!(again.starts_with("that was said already: sitting 2 goes on"), "{again}");
    let listed = greyhold(&["sittings", studio.folder.to_str().unwrap()]);
    let listed = String::from_utf8(listed.stdout).unwrap();
    let lines: Vec<&str> = listed.lines().collect();
    assert_eq!(lines.len(), 3, "{listed}");
    assert!(lines[1].starts_with("1 ") && lines[1].contains("(ended)") && lines[2].ends_with("hats"), "{listed}");
    let as_json = greyhold(&["sittings", studio.folder.to_str().unwrap(), "--json"]);
    let rows: Value = serde_json::from_slice(&as_json.stdout).unwrap();
    assert_eq!((&rows[0]["frames"], &rows[1]["frames"], &rows[1]["name"]), (&json!(3), &json!(1), &json!("hats")));
}

#[test]
fn each_has_files_of_its_own_and_the_fold_goes_through_them_all() {
    let mut studio = evening();
    tell(&studio, json!({"command": "sitting", "what": "new"}));
    take_at(&studio, "4.jpg", shot(5.6, 0.0, 4), 1);
    tell(&studio, json!({"command": "sitting", "what": "same", "name": "hats"}));
    take_at(&studio, "5.jpg", shot(5.6, 0.0, 5), 1);
    assert_eq!(segments(&studio.log()).len(), 3);
    let state = state_after(&studio.log(), greyhold::numbers::RecordNumber::new(u64::MAX)).unwrap();
    let folded = studio.records().iter().fold(State::default(), |mut state, record| {
        state.apply(record);
        state
    });
    assert_eq!(state, folded);
    assert_eq!(sittings(&studio.log()).unwrap(), *folded.sitting.sittings);
    // One that is over stands as it stood.
    let first = &folded.sitting.sittings.rows()[0];
    assert_eq!(state_after(&studio.log(), first.records[1]).unwrap().sitting.frames.get(), 3);
    studio.stop();
    studio.start();
    assert_eq!(studio.tell(json!({"command": "sitting"}))["message"], "sitting 3 (hats): 1 frame, 0 corrections");
    let sound = greyhold(&["check", "--log", studio.log().to_str().unwrap()]);
    assert!(sound.status.success(), "{sound:?}");
}

#[test]
fn what_can_not_be_is_said() {
    let studio = Studio::with_config(RIG);
    assert!(refused(&studio, json!({"command": "sitting", "what": "end"})).contains("no frame yet"));
    let none = greyhold(&["sittings", studio.folder.join("elsewhere").to_str().unwrap()]);
    assert!(!none.status.success());
    assert!(String::from_utf8_lossy(&none.stderr).contains("there is no shot log"), "{none:?}");
}

/// What is looked back on is one sitting, whichever of a log.
#[test]
fn sheet_report_and_hand_over_take_any_of_them() {
    let studio = evening();
    tell(&studio, json!({"command": "sitting", "what": "new", "name": "hats"}));
    tell(&studio, json!({"command": "power", "group": "key", "setting": "1/64"}));
    for n in 4..=5 {
        take_at(&studio, &format!("{n}.jpg"), shot(5.6, 0.0, n), 1);
    }
    let folder = studio.folder.to_str().unwrap();
    let run = |words: &[&str]| {
        let done = greyhold(words);
        assert!(done.status.success(), "{words:?}: {done:?}");
        String::from_utf8(done.stdout).unwrap()
    };
    let config = studio.config();
    let sheet = |sitting: &[&str]| run(&[&["sheet", folder, "--config", config.to_str().unwrap()], sitting].concat());
    assert!(sheet(&["--sitting", "1"]).contains("1.jpg") && !sheet(&["--sitting", "1"]).contains("4.jpg"));
    assert!(sheet(&[]).contains("4.jpg") && sheet(&[]).contains("1/64"));
    let table = |name: &str, sitting: &[&str]| {
        let csv = studio.home.path().join(name);
        run(&[&["report", folder, "--csv", csv.to_str().unwrap()], sitting].concat());
        let text = fs::read_to_string(csv).unwrap();
        let has = |file: &str| text.lines().any(|line| line.contains(file));
        ["1.jpg", "3.jpg", "4.jpg", "5.jpg"].map(has)
    };
    assert_eq!(table("last.csv", &[]), [false, false, true, true]);
    assert_eq!(table("first.csv", &["--sitting", "1"]), [true, true, false, false]);
    assert_eq!(table("both.csv", &["--sitting", "1", "--sitting", "HATS"]), [true; 4]);
    let into = studio.home.path().join("offsets");
    run(&["hand-over", folder, "--sitting", "1", "--into", into.to_str().unwrap()]);
    let list = fs::read_to_string(into.join("offsets.csv")).unwrap();
    assert!(list.contains("3.jpg") && !list.contains("4.jpg"), "{list}");
    let none = greyhold(&[
        "report",
        folder,
        "--sitting",
        "gloves",
        "--csv",
        studio.home.path().join("x.csv").to_str().unwrap(),
    ]);
    assert!(!none.status.success() && String::from_utf8_lossy(&none.stderr).contains("there is no sitting 'gloves'"));
}
