//! A raw file is read as the linear light that it holds, and calibrates the picture beside it.
#![cfg(feature = "raw")]

use crate::harness::dng::{Sensor, dng};
use crate::harness::{Shot, Studio, greyhold, shot};
use greyhold::container::Kind;
use greyhold::frame;
use greyhold::meter::{Spot, WHOLE, meter};
use greyhold::photometry::{Series, Stops};
use greyhold::response::Response;
use serde_json::Value;

fn sensors() -> Vec<Sensor> {
    let usual = Sensor::usual();
    vec![
        usual.clone(),
        Sensor { filter: [2, 1, 1, 0], ..usual.clone() },
        Sensor { filter: [1, 0, 2, 1], black: [64, 256, 1024, 0], ..usual.clone() },
        Sensor { black: [0; 4], white: 4095, neutral: [1.0; 3], ..usual },
    ]
}

/// CHECK: the DNG specification's linear light: light is (sample - black) / (white - black) (from memory). The
/// file is written by a general-purpose TIFF library, from light that is known.
#[test]
fn patches_of_known_light_are_read_within_two_hundredths_of_a_stop() {
    let home = tempfile::tempdir().unwrap();
    let mut worst = 0.0_f64;
    for (n, sensor) in sensors().iter().enumerate() {
        for stops in [-4.0, -3.0, -2.0, -1.0, -0.333, 0.0, 0.333, 1.0, 2.0] {
            let grey = 0.18 * f32::exp2(stops);
            let path = home.path().join(format!("{n}.dng"));
            std::fs::write(&path, dng(&vec![[grey; 3]; 240 * 160], 240, 160, sensor, &shot(8.0, 0.0, 1))).unwrap();
            let read = frame::read(Kind::RawTiff, &path, Series::Thirds).unwrap();
            let picture = read.picture.unwrap_or_else(|| panic!("{:?}", read.notes));
            let reading = meter(&picture, &Spot::ready()).reading(WHOLE).unwrap().clone();
            let level = reading.level_by(&Response::raw());
            let off = (level - Stops(f64::from(stops))).abs().0;
            worst = worst.max(off);
            assert!(off <= 0.02, "sensor {n} at {stops}: {level}");
            assert_eq!(reading.clipped_high, [0.0; 3]);
            let [red_green, blue_green] = reading.tints_by(&Response::raw());
            assert!(red_green.abs() < Stops(0.05) && blue_green.abs() < Stops(0.05), "white is white: {red_green}");
        }
    }
    println!("patches in raw files: worst error {worst:.4} stop");
}

/// CHECK: the settings that the file was written with, exact thirds (definition).
#[test]
fn stops_between_raw_frames_are_the_stops_of_the_settings() {
    let home = tempfile::tempdir().unwrap();
    let put = |name: &str, shot: Shot| {
        let path = home.path().join(name);
        std::fs::write(&path, shot.raw()).unwrap();
        path.display().to_string()
    };
    let reference = put("a.dng", shot(8.0, 0.0, 1));
    let marks = [(5.6, 1.0), (7.1, 1.0 / 3.0), (9.0, -1.0 / 3.0), (11.0, -1.0), (16.0, -2.0)];
    let frames: Vec<String> = marks.iter().map(|(n, _)| put(&format!("{n}.dng"), shot(*n, 0.0, 1))).collect();
    let mut args = vec!["compare", "--json", "--light-alone", &reference];
    args.extend(frames.iter().map(String::as_str));
    let output = greyhold(&args);
    let answers: Vec<Value> =
        String::from_utf8(output.stdout).unwrap().lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    for (answer, (mark, truth)) in answers.iter().zip(marks) {
        let observed = answer["observed"].as_f64().unwrap();
        println!("f/8 to f/{mark}: {observed:+.3} for {truth:+.3} by the raw files' light alone");
        assert!((observed - truth).abs() <= 0.02, "f/{mark}: {observed} for {truth}");
        assert!(answer["observed_uncertainty"].as_f64().unwrap() < 0.12);
        assert_eq!(answer["response"], "raw");
        assert_eq!(answer["settings"]["f_number"], mark);
    }
}

#[test]
fn a_clipped_or_torn_raw_file_is_said_to_be_so() {
    let studio = Studio::open();
    let torn = shot(8.0, 0.0, 1).raw();
    studio.put("torn.dng", &torn[..torn.len() / 2]);
    assert_eq!(studio.sync().len(), 1, "half a file waits");
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("white.dng");
    std::fs::write(&path, dng(&vec![[1.2; 3]; 240 * 160], 240, 160, &Sensor::usual(), &shot(8.0, 0.0, 1))).unwrap();
    let picture = frame::read(Kind::RawTiff, &path, Series::Thirds).unwrap().picture.unwrap();
    let reading = meter(&picture, &Spot::ready()).reading(WHOLE).unwrap().clone();
    assert_eq!(reading.clipped_high, [1.0; 3]);
}

fn by(frame: &Value) -> &str {
    frame["verdict"]["response"].as_str().unwrap()
}

#[test]
fn one_exposure_has_two_readings_and_the_log_says_which_counts() {
    let mut studio = Studio::open();
    // The reference has both files.
    studio.take("f1.jpg", shot(8.0, 0.0, 1));
    studio.put("f1.dng", &shot(8.0, 0.0, 1).raw());
    assert!(studio.sync().is_empty());
    // Picture first, raw file later.
    let first = studio.take("f2.jpg", shot(5.6, 0.0, 2));
    assert!(by(&first).starts_with("stock-camera"), "{first}");
    studio.put("f2.dng", &shot(5.6, 0.0, 2).raw());
    assert!(studio.sync().is_empty());
    // Raw file first, picture later.
    studio.put("f3.dng", &shot(11.0, 0.0, 3).raw());
    assert!(studio.sync().is_empty());
    studio.take_member("f3.jpg", shot(11.0, 0.0, 3));
    assert_eq!(studio.frames(), ["f1.jpg", "f2.jpg", "f3.dng"]);
    let raw_first = studio.frame("f3.dng");
    assert_eq!(by(&raw_first), "raw");
    let members = studio.of_type("file_added");
    assert_eq!(members.len(), 3);
    // The last judgement of each exposure goes by the raw file, whichever came first.
    assert_eq!(by(&studio.frame("f1.jpg")), "raw");
    for (first, truth) in [("f2.jpg", 1.0), ("f3.dng", -1.0)] {
        let frame = studio.frame(first);
        assert_eq!(by(&frame), "raw", "{frame}");
        let observed = frame["verdict"]["observed"].as_f64().unwrap();
        assert!((observed - truth).abs() < 0.05, "{observed} for {truth}");
    }
    // A restart replays to the same, and nothing is taken up twice.
    studio.kill();
    studio.start();
    assert!(studio.sync().is_empty());
    assert_eq!(studio.frames().len(), 3);
    let next = studio.take("f4.jpg", shot(8.0, 0.0, 4));
    assert_ne!(by(&next), "raw", "only the picture has come");
    assert_eq!(next["verdict"]["finding"], "matched");
}

#[test]
fn raw_files_calibrate_the_pictures_beside_them() {
    let studio = Studio::open();
    let pair = |name: &str, shot: Shot| {
        studio.take(&format!("{name}.jpg"), shot);
        studio.put(&format!("{name}.dng"), &shot.raw());
        assert!(studio.sync().is_empty());
    };
    pair("a", shot(8.0, 0.0, 1));
    assert!(studio.of_type("response").is_empty(), "one pair proves nothing");
    let off = |frame: &Value| (frame["verdict"]["observed"].as_f64().unwrap() + 4.0 / 3.0).abs();
    let before = studio.take("before.jpg", shot(13.0, 0.0, 2));
    pair("b", shot(16.0, 0.0, 3));
    let learned = studio.of_type("response");
    assert_eq!(learned.len(), 1, "the second pair bears it out");
    assert_eq!(learned[0]["how"], "raw_beside_picture");
    let uncertainty: Vec<f64> =
        learned[0]["uncertainty"].as_array().unwrap().iter().map(|d| d.as_f64().unwrap()).collect();
    assert!(uncertainty[1] < uncertainty[0] / 2.0, "{uncertainty:?}");
    let after = studio.take("after.jpg", shot(13.0, 0.0, 4));
    println!(
        "-4/3 stop by a picture alone: off by {:.3} (+-{}) before, by {:.3} (+-{}) after two pairs",
        off(&before),
        before["verdict"]["observed_uncertainty"],
        off(&after),
        after["verdict"]["observed_uncertainty"]
    );
    assert!(off(&after) < 0.05, "{}", off(&after));
    assert_eq!(by(&after), learned[0]["response"]);
    let half = |f: &Value| f["verdict"]["observed_uncertainty"].as_f64().unwrap();
    assert!(half(&after) < half(&before) / 2.0, "the photographer sees the uncertainty shrink");
}

#[test]
fn another_picture_profile_is_noticed_by_the_raw_files_and_learned_anew() {
    let studio = Studio::open();
    let pair = |name: &str, picture: Vec<u8>, shot: Shot| {
        studio.put(&format!("{name}.jpg"), &picture);
        assert!(studio.sync().is_empty());
        studio.put(&format!("{name}.dng"), &shot.raw());
        assert!(studio.sync().is_empty());
    };
    for (name, f_number, number) in [("a", 8.0, 1), ("b", 16.0, 2)] {
        pair(name, shot(f_number, 0.0, number).jpeg(), shot(f_number, 0.0, number));
    }
    assert_eq!(studio.of_type("response").len(), 1);
    // The photographer sets the camera to another look, and tells nobody.
    for (name, f_number, number) in [("c", 8.0, 3), ("d", 16.0, 4)] {
        pair(name, shot(f_number, 0.0, number).plain_jpeg(), shot(f_number, 0.0, number));
    }
    let learned = studio.of_type("response");
    assert_eq!(learned.len(), 2, "two pairs of the new look make its curve");
    assert_eq!(learned[1]["frames"], serde_json::json!([3, 4]));
    studio.tell(serde_json::json!({"command": "reference"}));
    studio.put("e.jpg", &shot(11.0, 0.0, 5).plain_jpeg());
    assert!(studio.sync().is_empty());
    let frame = studio.frame("e.jpg");
    assert_eq!(by(&frame), learned[1]["response"]);
    let observed = frame["verdict"]["observed"].as_f64().unwrap();
    println!("f/16 to f/11 in the new look: {observed:+.3} for +1 by the picture alone");
    assert!((observed - 1.0).abs() < 0.05, "{observed}");
}
