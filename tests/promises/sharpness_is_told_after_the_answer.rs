//! A watch measures how sharp each frame is in the spots that have a place: after the light's answer, against the sharpest frame of the look,
//! and nothing waits for it.
//!
//! CHECK: the blurs are convolutions of light with Gaussians of known width, made here.

use std::fs;
use std::time::Duration;

use serde_json::{Value, json};

use crate::harness::http::Feed;
use crate::harness::{Studio, wait_for};
use crate::sharpness_is_measured_on_the_same_lashes::{SHARP, SPOTS, Sitting, Taken, round};

/// The spots as a configuration has them.
pub fn spots() -> String {
    let spot = |(name, [x, y]): (&str, [f64; 2])| {
        let (left, top) = (x - 0.11, y - 0.165);
        format!(
            "  - {{name: {name}, left: {left:.3}, top: {top:.3}, right: {:.3}, bottom: {:.3}}}\n",
            x + 0.11,
            y + 0.165
        )
    };
    format!("response_curve: srgb\nspots:\n{}", SPOTS.map(spot).concat())
}

pub fn land(studio: &Studio, sitting: &Sitting, name: &str, how: &Taken) {
    let jpeg = fs::read(sitting.put(name, how)).unwrap();
    studio.put(name, &jpeg);
    assert!(studio.sync().is_empty());
}

/// What was measured of a file, once it is.
pub fn measured(studio: &Studio, name: &str) -> Value {
    let of_it = || studio.of_type("sharpness").into_iter().find(|record| record["file"] == name);
    wait_for(&format!("the sharpness of {name}"), || of_it().is_some());
    of_it().unwrap()
}

fn blur(record: &Value, spot: usize) -> f64 {
    record["spots"][spot]["told"]["blur"].as_f64().unwrap_or_else(|| panic!("{record}"))
}

#[test]
fn each_frame_is_held_against_the_reference_and_after_a_restart_too() {
    let sitting = Sitting::new();
    let mut studio = Studio::with_config(&spots());
    land(&studio, &sitting, "a.jpg", &SHARP);
    land(&studio, &sitting, "b.jpg", &round(5.6, [0.0, 0.0, 1.0]));
    let b = measured(&studio, "b.jpg");
    assert_eq!(
        (b["against"]["file"].as_str(), b["against"]["f_number"]["marked"].as_f64()),
        (Some("a.jpg"), Some(14.0))
    );
    assert!((blur(&b, 2) - 1.0).abs() < 0.25 && blur(&b, 0).abs() < 0.4, "{b}");
    assert_eq!(b["cause"], "less depth of field: eyes and lips kept, ear softer");
    let judged = studio.of_type("judged").into_iter().find(|record| record["frame"] == b["frame"]).unwrap();
    assert!(judged["n"].as_u64() < b["n"].as_u64(), "the light's answer comes first");
    assert!(
        studio.of_type("sharpness").iter().all(|record| record["file"] != "a.jpg"),
        "nothing is held against itself"
    );
    studio.stop();
    studio.start();
    land(&studio, &sitting, "c.jpg", &Taken { moved: [23, 9], ..round(2.8, [0.0, 1.5, 4.0]) });
    let c = measured(&studio, "c.jpg");
    assert!((blur(&c, 1) - 1.5).abs() < 0.25 && (blur(&c, 2) - 4.0).abs() < 0.6, "{c}");
}

#[test]
fn a_sharper_frame_takes_the_references_place() {
    let sitting = Sitting::new();
    let studio = Studio::with_config(&spots());
    land(&studio, &sitting, "a.jpg", &round(5.6, [0.0, 0.0, 2.0]));
    land(&studio, &sitting, "b.jpg", &SHARP);
    let b = measured(&studio, "b.jpg");
    assert!(b["is_sharpest"] == true && blur(&b, 2) < -1.5, "{b}");
    land(&studio, &sitting, "c.jpg", &round(8.0, [0.0, 0.0, 1.0]));
    let c = measured(&studio, "c.jpg");
    assert_eq!((&c["against"]["file"], &c["reference"]), (&"b.jpg".into(), &"a.jpg".into()));
    assert!((blur(&c, 2) - 1.0).abs() < 0.25, "{c}");
}

/// What was measured where a spot lay before is nothing to where it lies now.
#[test]
fn spots_that_are_drawn_anew_begin_anew() {
    let sitting = Sitting::new();
    let studio = Studio::with_config(&spots());
    land(&studio, &sitting, "a.jpg", &SHARP);
    land(&studio, &sitting, "b.jpg", &round(5.6, [0.0, 0.0, 1.0]));
    measured(&studio, "b.jpg");
    let status = || studio.tell(json!({"command": "status"}))["message"].as_str().unwrap().to_owned();
    assert!(status().contains("sharpness of b.jpg: eyes 100 %"), "{}", status());
    let area = json!({"left": 0.1, "top": 0.2, "right": 0.3, "bottom": 0.5});
    let reply = studio.tell(json!({"command": "spot", "name": "ear", "area": area}));
    assert_eq!(reply["ok"], true, "{reply}");
    assert!(status().contains("it can't be told: its spots were drawn anew since"), "{}", status());
    land(&studio, &sitting, "c.jpg", &round(5.6, [0.0, 0.0, 1.0]));
    let c = measured(&studio, "c.jpg");
    assert!(blur(&c, 2).abs() < 0.4, "the ear's place is sharp now: {c}");
}

#[test]
fn what_can_not_be_read_costs_the_sharpness_alone() {
    let sitting = Sitting::new();
    let mut studio = Studio::with_config(&spots());
    land(&studio, &sitting, "a.jpg", &SHARP);
    fs::remove_file(studio.folder.join("a.jpg")).unwrap();
    land(&studio, &sitting, "b.jpg", &round(5.6, [0.0, 0.0, 1.0]));
    assert_eq!(studio.frame("b.jpg")["file"], "b.jpg");
    let fault = measured(&studio, "b.jpg")["fault"].clone();
    assert!(fault.as_str().is_some_and(|why| why.contains("a.jpg")), "{fault}");
    let status = studio.tell(json!({"command": "status"}))["message"].as_str().unwrap().to_owned();
    assert!(status.contains("sharpness of b.jpg: it can't be told: a.jpg: "), "{status}");
    let (code, took) = studio.stop();
    assert!(code == Some(0) && took < Duration::from_secs(3), "{code:?} {took:?}");
}

#[test]
fn it_can_be_left_out_and_needs_a_spot() {
    let sitting = Sitting::new();
    for yaml in [format!("sharpness: no\n{}", spots()), "response_curve: srgb\n".to_owned()] {
        let studio = Studio::with_config(&yaml);
        land(&studio, &sitting, "a.jpg", &SHARP);
        land(&studio, &sitting, "b.jpg", &round(5.6, [0.0, 0.0, 1.0]));
        std::thread::sleep(Duration::from_millis(2500));
        assert!(studio.of_type("sharpness").is_empty());
    }
}

fn stands(studio: &Studio) -> Value {
    let reply = studio.tell(json!({"command": "status"}));
    let mut schema: Value = serde_json::from_str(include_str!("../../config/messages.schema.json")).unwrap();
    schema = json!({"$ref": "#/$defs/reply", "$defs": schema["$defs"]});
    let described = jsonschema::draft202012::new(&schema).unwrap();
    let faults: Vec<String> = described.iter_errors(&reply).map(|e| format!("{e} at {}", e.instance_path())).collect();
    assert!(faults.is_empty(), "{faults:?} in {reply}");
    reply["value"]["sharpness"].clone()
}

#[test]
fn the_status_has_what_was_measured_last_for_programs() {
    let sitting = Sitting::new();
    let studio = Studio::with_config(&spots());
    land(&studio, &sitting, "a.jpg", &SHARP);
    assert_eq!(stands(&studio), Value::Null, "nothing is held against itself");
    land(&studio, &sitting, "b.jpg", &round(5.6, [0.0, 1.5, 2.0]));
    measured(&studio, "b.jpg");
    let now = stands(&studio);
    assert_eq!(
        (&now["file"], &now["against"]["file"], &now["fault"]),
        (&json!("b.jpg"), &json!("a.jpg"), &Value::Null)
    );
    assert_eq!((&now["f_number"]["marked"], &now["against"]["f_number"]["marked"]), (&json!(5.6), &json!(14.0)));
    assert_eq!(now["cause"], "less depth of field: eyes kept, lips and ear softer");
    for (spot, width) in now["spots"].as_array().unwrap().iter().zip([0.0, 1.5, 2.0]) {
        let [kept, blur, half] = ["kept", "blur", "half_width"].map(|key| spot[key].as_f64().unwrap());
        if width > 0.0 {
            assert!((blur - width).abs() < 0.3 && half > 0.0 && half < blur && kept < 0.5, "{spot}");
        } else {
            assert!(blur.abs() < 0.4 && half > blur.abs() && kept == 1.0, "{spot}");
        }
    }
    // Burnt out: it isn't told, and why.
    land(&studio, &sitting, "c.jpg", &Taken { stops: 5.0, ..SHARP });
    measured(&studio, "c.jpg");
    let now = stands(&studio);
    assert_eq!(now["file"], "c.jpg");
    let untold = json!({"spot": "eyes", "kept": null, "blur": null, "half_width": null, "untold": "clipped",
        "why": "it is burnt out or black in one of the two"});
    assert_eq!(now["spots"][0], untold);
}

#[test]
fn where_the_sharpest_frame_is_deleted_the_next_takes_its_place() {
    let sitting = Sitting::new();
    let mut studio = Studio::with_config(&spots());
    land(&studio, &sitting, "a.jpg", &round(5.6, [0.0, 0.0, 2.0]));
    land(&studio, &sitting, "b.jpg", &SHARP);
    assert_eq!(measured(&studio, "b.jpg")["is_sharpest"], true);
    land(&studio, &sitting, "c.jpg", &round(8.0, [0.0, 0.0, 1.0]));
    measured(&studio, "c.jpg");
    fs::remove_file(studio.folder.join("b.jpg")).unwrap();
    wait_for("the deletion to be told", || !studio.of_type("file_removed").is_empty());
    studio.stop();
    studio.start();
    let kept_at_once = kept_beside(&studio, "a.jpg");
    land(&studio, &sitting, "d.jpg", &round(4.0, [0.0, 1.5, 2.0]));
    let d = measured(&studio, "d.jpg");
    assert_eq!((&d["against"]["file"], &d["reference"], &d["fault"]), (&json!("c.jpg"), &json!("a.jpg"), &Value::Null));
    // Gaussians add by their squares: 1 and the square root of 3 make 2.
    assert!((blur(&d, 1) - 1.5).abs() < 0.25 && (blur(&d, 2) - 3.0_f64.sqrt()).abs() < 0.26, "{d}");
    let says = studio.tell(json!({"command": "status"}))["message"].as_str().unwrap().to_owned();
    assert!(says.contains("f/8, 1 frame: eyes 100 %, lips 100 %, ear 100 %"), "{says}");
    assert_eq!(kept_at_once, kept_beside(&studio, "a.jpg"), "the page held them against it before the next frame came");
}

/// CHECK: proc(5), Linux: fields 14 and 15 of `/proc/PID/stat` are a process's ticks, field 19 its nice value, which a child has from the
/// thread that started it. A worker that was started to measure stands back for good, and must never read a frame.
#[cfg(target_os = "linux")]
#[test]
fn no_frame_is_read_by_a_worker_that_stands_back() {
    let sitting = Sitting::new();
    let studio = Studio::with_config(&spots());
    let workers = || -> Vec<(u32, i64, u64)> {
        let children = fs::read_to_string(format!("/proc/{0}/task/{0}/children", studio.pid())).unwrap();
        let of_threads = fs::read_dir(format!("/proc/{}/task", studio.pid()))
            .unwrap()
            .flatten()
            .map(|thread| fs::read_to_string(thread.path().join("children")).unwrap_or_default());
        let all = of_threads.fold(children, |all, some| format!("{all} {some}"));
        let mut pids: Vec<u32> = all.split_whitespace().map(|pid| pid.parse().unwrap()).collect();
        pids.sort();
        pids.dedup();
        let of = |pid: u32| {
            let stat = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
            let after_name: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
            let number = |field: usize| after_name[field - 3].parse::<i64>().ok();
            Some((pid, number(19)?, (number(14)? + number(15)?) as u64))
        };
        pids.into_iter().filter_map(of).collect()
    };
    land(&studio, &sitting, "a.jpg", &SHARP);
    land(&studio, &sitting, "b.jpg", &round(5.6, [0.0, 0.0, 1.0]));
    measured(&studio, "b.jpg");
    // From now on nothing is measured any more.
    fs::write(studio.config(), format!("sharpness: no\n{}", spots())).unwrap();
    wait_for("the configuration to be taken up", || studio.of_type("config").len() > 1);
    let before = workers();
    for name in ["c.jpg", "d.jpg", "e.jpg", "f.jpg"] {
        land(&studio, &sitting, name, &SHARP);
    }
    let after = workers();
    let ticks = |of: &[(u32, i64, u64)], stand_back: bool| -> u64 {
        of.iter().filter(|(_, nice, _)| (*nice > 0) == stand_back).map(|(_, _, ticks)| ticks).sum()
    };
    assert!(before.iter().any(|(_, nice, _)| *nice > 0), "one was started to measure: {before:?}");
    assert!(ticks(&after, false) > ticks(&before, false), "frames were read: {before:?} {after:?}");
    assert_eq!(ticks(&after, true), ticks(&before, true), "{before:?} {after:?}");
}

/// The reference, and the first of all frames: what others keep is counted from the next sharpest on.
#[test]
fn where_the_very_first_frame_is_deleted_the_next_sharpest_takes_its_place() {
    let sitting = Sitting::new();
    let studio = Studio::with_config(&spots());
    land(&studio, &sitting, "a.jpg", &SHARP);
    for (name, ear) in [("b.jpg", 1.0), ("c.jpg", 2.0)] {
        land(&studio, &sitting, name, &round(if ear > 1.0 { 5.6 } else { 8.0 }, [0.0, 0.0, ear]));
        measured(&studio, name);
    }
    fs::remove_file(studio.folder.join("a.jpg")).unwrap();
    wait_for("the deletion to be told", || !studio.of_type("file_removed").is_empty());
    land(&studio, &sitting, "d.jpg", &round(4.0, [0.0, 1.5, 2.0]));
    let d = measured(&studio, "d.jpg");
    assert_eq!((&d["against"]["file"], &d["reference"], &d["fault"]), (&json!("b.jpg"), &json!("a.jpg"), &Value::Null));
    // Gaussians add by their squares: 1 and the square root of 3 make 2.
    assert!((blur(&d, 1) - 1.5).abs() < 0.25 && (blur(&d, 2) - 3.0_f64.sqrt()).abs() < 0.26, "{d}");
}

/// What the aperture view tells that a frame keeps.
fn kept_beside(studio: &Studio, file: &str) -> Value {
    let board = Feed::open(studio, None).unwrap().next("board");
    let frames = board["apertures"]["frames"].as_array().unwrap();
    frames.iter().find(|frame| frame["file"] == file).unwrap()["kept"].clone()
}

/// One release of the shutter is one column, by whichever of its files it is measured.
#[cfg(feature = "raw")]
#[test]
fn two_files_of_an_exposure_are_one_entry_beside_the_other_apertures() {
    let sitting = Sitting::new();
    let studio = Studio::with_config(&spots());
    let land_both = |stem: &str, how: &Taken| {
        land(&studio, &sitting, &format!("{stem}.jpg"), how);
        let raw = fs::read(sitting.put_raw(&format!("{stem}.dng"), how)).unwrap();
        studio.put(&format!("{stem}.dng"), &raw);
        assert!(studio.sync().is_empty());
    };
    land_both("a", &SHARP);
    land_both("b", &round(5.6, [0.0, 0.0, 1.0]));
    measured(&studio, "b.jpg");
    land_both("c", &round(5.6, [0.0, 1.0, 2.0]));
    measured(&studio, "c.jpg");
    assert_eq!(studio.of_type("frame").len(), 3, "each pair is one exposure");
    let of_b = studio.of_type("sharpness").iter().filter(|record| record["frame"] == 2).count();
    assert_eq!(of_b, 1, "and is measured once");
    let board = Feed::open(&studio, None).unwrap().next("board");
    let column = |frame: &Value| format!("{} {}", frame["f_number"].as_str().unwrap(), frame["file"].as_str().unwrap());
    let columns: Vec<String> = board["apertures"]["frames"].as_array().unwrap().iter().map(column).collect();
    assert_eq!(columns, ["f/14 a.jpg", "f/5.6 b.jpg"], "{board}");
    let says = studio.tell(json!({"command": "status"}))["message"].as_str().unwrap().to_owned();
    assert!(says.contains("f/5.6, 2 frames: ") && says.contains("f/14, 1 frame: "), "{says}");
}
