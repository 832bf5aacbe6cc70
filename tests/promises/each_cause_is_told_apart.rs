//! What a photographer meets in a sitting, and what greyhold says of it. Through the real program,
//! on rendered frames of known light.

use crate::harness::{Shot, Studio, shot, wait_for};
use greyhold::studio::with_exif;
use serde_json::{Value, json};

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");

fn near(value: &Value, expected: f64, by: f64) {
    let v = value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    assert!((v - expected).abs() <= by, "{v} is not {expected} +- {by}");
}

fn turns(studio: &Studio) -> Vec<(String, String)> {
    let correction = studio.corrections().pop().expect("a correction");
    let turns = correction["correction"]["dial_changes"].as_array().unwrap().clone();
    let text = |v: &Value| v.as_str().unwrap_or("?").to_owned();
    turns.iter().map(|t| (text(&t["group"]), text(&t["to"]))).collect()
}

fn cause(frame: &Value) -> &str {
    frame["verdict"]["finding"].as_str().unwrap()
}

/// CHECK: f/14 with lights at 1/2, then f/7.1: 1/8 (common practice, no source; exact by definition).
#[test]
fn aperture_opened_two_stops_and_lights_forgotten_then_followed() {
    let studio = Studio::with_config(RIG);
    let first = studio.take("1.jpg", shot(14.0, 0.0, 1));
    assert_eq!(cause(&first), "no_reference");
    let second = studio.take("2.jpg", shot(7.1, 0.0, 2));
    assert_eq!(cause(&second), "settings_changed");
    near(&second["verdict"]["expected"], 2.0, 1e-6);
    near(&second["verdict"]["drift"], 2.0, 0.05);
    let expected = [("key", "1/8"), ("fill", "15.6 Ws"), ("rim", "5.0")];
    assert_eq!(turns(&studio), expected.map(|(g, t)| (g.to_owned(), t.to_owned())));
    let third = studio.take("3.jpg", shot(7.1, -2.0, 3));
    assert_eq!(cause(&third), "matched");
    assert_eq!(third["verdict"]["assumption"], "correction_followed");
    assert_eq!(studio.ends()[0]["how"], "observed");
}

/// CHECK: f/7.1 to f/5.6 is 2/3 of a stop (definition); a whole stop down leaves the frame 1/3 dark.
#[test]
fn a_two_third_move_answered_with_a_whole_stop_asks_for_a_third() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(7.1, 0.0, 1));
    let frame = studio.take("2.jpg", shot(5.6, -1.0, 2));
    assert_eq!(cause(&frame), "both_changed");
    near(&frame["verdict"]["drift"], -1.0 / 3.0, 0.1);
    let correction = studio.corrections().pop().unwrap();
    for turn in correction["correction"]["dial_changes"].as_array().unwrap() {
        assert_eq!(turn["clicks"], 1, "{turn}");
    }
    // What the lights must be at now, each on its own dial, one stop under where they were told.
    let powers = studio.powers();
    let shown: Vec<&str> = powers.iter().map(|p| p["shown"].as_str().unwrap()).collect();
    assert_eq!(shown, ["1/4", "31.2 Ws", "6.0"]);
}

/// The settings are the cause of what they explain, and of no more.
#[test]
fn a_turn_that_was_told_is_not_laid_to_the_settings() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    for (group, setting) in [("key", "1/8"), ("fill", "15.6 Ws"), ("rim", "5.0")] {
        assert_eq!(studio.tell(json!({"command": "power", "group": group, "setting": setting}))["ok"], true);
    }
    let frame = studio.take("2.jpg", shot(7.1, -2.0, 2));
    assert_eq!(cause(&frame), "settings_changed");
    near(&frame["verdict"]["drift"], -5.0 / 3.0, 0.1);
    assert_eq!(
        frame["verdict"]["sentence"],
        "1 2/3 stops too dark: f/8 to f/7.1 needs the lights down 1/3 stop, and since the reference they were turned down 2 stops."
    );
    // Burnt out, the turn is all that is known beside the settings.
    let clipped = studio.take("3.jpg", shot(1.4, 0.0, 3));
    let said = clipped["verdict"]["sentence"].as_str().unwrap();
    assert!(
        said.contains("the settings (f/8 to f/1.4) and the lights, turned down 2 stops, say 3 stops brighter"),
        "{said}"
    );
}

/// A light at the end of its range was not turned on, whatever the others did.
#[test]
fn a_light_that_stood_at_its_end_is_not_estimated_to_have_been_turned_there() {
    let studio = Studio::with_config(
        "patience: at once\nreference: first frame\ngroups:\n  \
         - {name: key, dial: fraction, step: 1/3, range: 1/128 to 1/1, power: 1/2}\n  \
         - {name: fill, dial: fraction, step: 1/3, range: 1/128 to 1/1, power: 1/64}\n",
    );
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    for (group, setting) in [("key", "1/4"), ("fill", "1/128")] {
        assert_eq!(studio.tell(json!({"command": "power", "group": group, "setting": setting}))["ok"], true);
    }
    studio.take("2.jpg", shot(8.0, -2.0, 2));
    let judged = studio.of_type("judged").pop().unwrap();
    let read: Vec<&str> =
        judged["positions"].as_array().unwrap().iter().map(|read| read["group"].as_str().unwrap()).collect();
    assert_eq!(read, ["key"], "{judged}");
    let note = judged["notes"][0].as_str().unwrap();
    assert!(note.starts_with("fill can't have been turned down "), "{note}");
    assert!(note.ends_with(" with the others: its range ends at 1/128, where it stood already"), "{note}");
}

#[test]
fn lights_changed_and_settings_not() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let frame = studio.take("2.jpg", shot(8.0, 2.0 / 3.0, 2));
    assert_eq!(cause(&frame), "lights_changed");
    near(&frame["verdict"]["observed"], 2.0 / 3.0, 0.2);
    let said = frame["verdict"]["sentence"].as_str().unwrap();
    assert!(said.contains("too bright"), "{said}");
}

#[test]
fn within_the_tolerance_a_frame_matches_and_beyond_it_does_not() {
    let studio = Studio::with_config(&format!("tolerance: 0.3 stop\n{RIG}"));
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert_eq!(cause(&studio.take("2.jpg", shot(8.0, 0.15, 2))), "matched");
    for (name, number) in [("3.jpg", 3), ("4.jpg", 4)] {
        assert_eq!(cause(&studio.take(name, shot(8.0, 0.6, number))), "lights_changed");
    }
    assert_eq!(studio.corrections().len(), 1);
}

#[test]
fn a_misfire_is_held_and_nothing_is_turned() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    // Black, and nearly black by a little room light.
    for (name, power, number) in [("2.jpg", -30.0, 2), ("3.jpg", -7.0, 3)] {
        let frame = studio.take(name, shot(8.0, power, number));
        assert_eq!(cause(&frame), "misfire", "{}", frame["verdict"]["sentence"]);
        assert!(frame["verdict"]["sentence"].as_str().unwrap().contains("Leave every power as it is"));
    }
    assert!(studio.corrections().is_empty());
    assert!(studio.powers().is_empty());
    assert_eq!(cause(&studio.take("4.jpg", shot(8.0, 0.0, 4))), "matched");
}

#[test]
fn lights_turned_far_down_to_fit_a_wide_aperture_are_no_misfire() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(14.0, 0.0, 1));
    let frame = studio.take("2.jpg", shot(2.8, -14.0 / 3.0, 2));
    assert_eq!(cause(&frame), "matched", "{}", frame["verdict"]["sentence"]);
    near(&frame["verdict"]["light_change"], -14.0 / 3.0, 0.1);
    let lights = studio.tell(json!({"command": "status"}))["value"]["groups"].clone();
    near(&lights[0]["power"], -1.0 - 14.0 / 3.0, 1e-5);
}

#[test]
fn a_weak_frame_right_after_the_last_is_a_flash_that_had_not_recycled() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let soon = Shot { at: 10.5, ..shot(8.0, -0.8, 2) };
    assert_eq!(cause(&studio.take("2.jpg", soon)), "recycle");
    assert!(studio.corrections().is_empty());
    // The same dip much later is somebody's hand.
    assert_eq!(cause(&studio.take("3.jpg", Shot { at: 60.0, ..shot(8.0, -0.8, 3) })), "lights_changed");
}

#[test]
fn clipped_too_hard_the_settings_alone_are_said() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(14.0, 0.0, 1));
    let frame = studio.take("2.jpg", shot(1.4, 0.0, 2));
    assert_eq!(cause(&frame), "clipped");
    assert_eq!(frame["verdict"]["observed"], Value::Null);
    near(&frame["verdict"]["drift"], 20.0 / 3.0, 1e-6);
    assert_eq!(frame["verdict"]["evidence_used"], "settings");
}

/// An untouched copy of the Exif-less picture: JPEG without its metadata segment.
fn without_exif(jpeg: &[u8]) -> Vec<u8> {
    let at = jpeg.windows(6).position(|w| w == b"Exif\0\0").unwrap() - 4;
    let length = usize::from(u16::from_be_bytes([jpeg[at + 2], jpeg[at + 3]]));
    [&jpeg[..at], &jpeg[at + 2 + length..]].concat()
}

#[test]
fn without_settings_the_light_alone_counts() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.put("2.jpg", &without_exif(&shot(8.0, -1.0, 2).jpeg()));
    studio.sync();
    let frame = studio.frame("2.jpg");
    assert_eq!(cause(&frame), "settings_unknown");
    assert_eq!(frame["verdict"]["expected"], Value::Null);
    near(&frame["verdict"]["drift"], -1.0, 0.3);
    assert!(frame["notes"][0].as_str().unwrap().contains("no camera metadata"));
    // What the light alone says is answered, too, once a second frame says it.
    assert!(studio.corrections().is_empty());
    studio.put("3.jpg", &without_exif(&shot(8.0, -1.0, 3).jpeg()));
    studio.sync();
    assert_eq!(studio.corrections().len(), 1);
}

#[test]
fn another_scene_is_asked_about_and_never_assumed() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let stripes = image::RgbImage::from_fn(480, 320, |x, y| {
        let v = if (y / 80) % 2 == 0 { 210 } else { 40 + (x / 4) as u8 % 60 };
        image::Rgb([v, v, v / 2])
    });
    let exposure = shot(8.0, 0.0, 2).exposure();
    studio.put("2.jpg", &greyhold::studio::with_exif(&stripes, 480, 320, &exposure, 90).unwrap());
    studio.sync();
    let frame = studio.frame("2.jpg");
    assert_eq!(cause(&frame), "new_scene");
    assert!(
        frame["verdict"]["sentence"]
            .as_str()
            .unwrap()
            .contains("Where it is a new look, make it the reference; else go on")
    );
    assert_eq!(studio.of_type("reference").len(), 1, "the reference stays");
    assert!(studio.corrections().is_empty());
}

#[test]
fn several_looks_each_have_their_reference() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(8.0, -2.0, 2));
    let reply = studio.tell(json!({"command": "reference", "look": "low key"}));
    assert_eq!(reply["ok"], true, "{reply}");
    assert_eq!(cause(&studio.take("3.jpg", shot(8.0, -2.0, 3))), "matched");
    assert_eq!(studio.tell(json!({"command": "look", "look": "main"}))["ok"], true);
    let frame = studio.take("4.jpg", shot(8.0, 0.0, 4));
    assert_eq!((cause(&frame), &frame["look"]), ("matched", &json!("main")));
    let unknown = studio.tell(json!({"command": "look", "look": "high key"}));
    assert_eq!(unknown["ok"], false);
    assert!(unknown["message"].as_str().unwrap().contains("low key"));
    // A file by name can be a reference, too.
    let reply = studio.tell(json!({"command": "reference", "file": "2.jpg", "look": "from file"}));
    assert_eq!(reply["ok"], true, "{reply}");
    assert_eq!(cause(&studio.take("5.jpg", shot(8.0, -2.0, 5))), "matched");
}

#[test]
fn next_answers_before_the_frame_and_the_next_frame_checks_it() {
    let studio = Studio::with_config(RIG);
    assert_eq!(studio.tell(json!({"command": "next", "f_number": "f/5.6"}))["ok"], false, "no reference yet");
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let reply = studio.tell(json!({"command": "next", "f_number": "f/5.6"}));
    let to: Vec<&Value> =
        reply["value"]["correction"]["dial_changes"].as_array().unwrap().iter().map(|t| &t["to"]).collect();
    assert_eq!(to, [&json!("1/4"), &json!("31.2 Ws"), &json!("6.0")]);
    // Not yet: a frame at the old settings leaves it open.
    assert_eq!(cause(&studio.take("2.jpg", shot(8.0, 0.0, 2))), "matched");
    assert!(studio.ends().is_empty());
    let frame = studio.take("3.jpg", shot(5.6, -1.0, 3));
    assert_eq!((cause(&frame), &frame["verdict"]["assumption"]), ("matched", &json!("correction_followed")));
    let status = studio.tell(json!({"command": "status"}));
    assert_eq!(status["value"]["correction"], Value::Null);
    near(&status["value"]["groups"][0]["power"], -2.0, 1e-6);
    let nonsense = studio.tell(json!({"command": "next", "f_number": "f/zero"}));
    assert!(nonsense["message"].as_str().unwrap().contains("f/5.6"), "{nonsense}");
}

#[test]
fn a_correction_told_by_hand_closes_as_told() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(5.6, 0.0, 2));
    assert_eq!(studio.tell(json!({"command": "confirm", "group": "key"}))["ok"], true);
    assert!(studio.ends().is_empty(), "two groups are still open");
    assert_eq!(studio.tell(json!({"command": "power", "group": "fill", "setting": "31.2 Ws"}))["ok"], true);
    assert_eq!(studio.tell(json!({"command": "confirm"}))["ok"], true);
    assert_eq!(studio.ends()[0]["how"], "confirmed");
    assert_eq!(cause(&studio.take("3.jpg", shot(5.6, -1.0, 3))), "matched");
    assert_eq!(studio.tell(json!({"command": "confirm"}))["ok"], false, "nothing is open any more");
}

#[test]
fn a_ratio_changed_on_purpose_is_not_taken_for_an_even_change() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert_eq!(studio.tell(json!({"command": "power", "group": "rim", "setting": "6.0"}))["ok"], true);
    // The whole frame falls a little, for the rim light lights part of it.
    studio.take("2.jpg", shot(8.0, -0.4, 2));
    let lights = studio.tell(json!({"command": "status"}))["value"]["groups"].clone();
    near(&lights[0]["power"], -1.0, 1e-6);
    near(&lights[2]["power"], -3.0, 1e-6);
    assert!(studio.powers().iter().all(|p| p["source"] == "told"));
}

/// Nobody made a survey, so nobody knows what each light gives: turning all of them would make it worse.
#[test]
fn one_light_that_changed_by_itself_is_not_answered_by_turning_all() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let out = studio.take_bytes("2.jpg", &shot(8.0, 0.0, 2).jpeg_lit_by([-20.0, 0.0]));
    assert_eq!(cause(&out), "uneven", "{out}");
    assert_eq!(out["verdict"]["assumption"], Value::Null);
    let said = out["verdict"]["sentence"].as_str().unwrap();
    assert!(said.contains("darker than the settings explain") && said.contains("is out"), "{said}");
    assert!(studio.corrections().is_empty());
    assert_eq!(cause(&studio.take("3.jpg", shot(8.0, 0.0, 3))), "matched");
    for (name, number) in [("4.jpg", 4), ("5.jpg", 5)] {
        assert_eq!(cause(&studio.take(name, shot(8.0, -1.0, number))), "lights_changed");
    }
    assert_eq!(studio.corrections().len(), 1, "all changed alike: all are turned");
    // A reference that was taken while a light was out: then it comes on.
    assert_eq!(studio.tell(json!({"command": "reference", "file": "2.jpg"}))["ok"], true);
    let asked = studio.corrections().len();
    assert_eq!(asked, 2, "back to where they stood for it");
    let on = studio.take("6.jpg", shot(8.0, 0.0, 6));
    assert_eq!(cause(&on), "uneven", "{on}");
    let said = on["verdict"]["sentence"].as_str().unwrap();
    assert!(said.contains("brighter than the settings explain") && !said.contains("is out"), "{said}");
    assert_eq!(studio.corrections().len(), asked);
}

#[test]
fn a_frame_of_one_tone_is_no_match_and_turns_nothing() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    for (number, code) in [(2, 118), (3, 225)] {
        let shot = shot(8.0, 0.0, number);
        let rgb = vec![code; (shot.size.0 * shot.size.1 * 3) as usize];
        let jpeg = with_exif(&rgb, shot.size.0, shot.size.1, &shot.exposure(), 88).unwrap();
        let frame = studio.take_bytes(&format!("{number}.jpg"), &jpeg);
        assert_eq!(cause(&frame), "uncertain", "{frame}");
        assert!(frame["verdict"]["uncertainty"].as_f64().unwrap() > 0.35, "{frame}");
    }
    assert!(studio.corrections().is_empty());
}

#[test]
fn a_reference_from_elsewhere_tells_nothing_of_the_powers_it_was_shot_with() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, -1.0, 1));
    let outside = studio.home.path().join("elsewhere.jpg");
    std::fs::write(&outside, shot(8.0, 0.0, 2).jpeg()).unwrap();
    assert_eq!(studio.tell(json!({"command": "reference", "file": outside}))["ok"], true);
    let frame = studio.take("2.jpg", shot(8.0, -1.0, 3));
    assert_eq!((cause(&frame), &frame["verdict"]["evidence_used"]), ("lights_changed", &json!("light")));
    // The present power stays as told; from here on the moves are known again.
    let lights = studio.tell(json!({"command": "status"}))["value"]["groups"].clone();
    near(&lights[0]["power"], -1.0, 1e-6);
    near(&lights[0]["since_reference"], -1.0, 1e-6);
    assert_eq!(studio.tell(json!({"command": "next", "f_number": "f/5.6"}))["ok"], true);
}

#[test]
fn a_light_at_the_end_of_its_range_is_told_with_the_other_ways() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(5.6, 0.0, 1));
    studio.take("2.jpg", shot(11.0, 0.0, 2));
    let correction = studio.corrections().pop().unwrap();
    let key = &correction["correction"]["dial_changes"][0];
    assert_eq!((&key["to"], &key["limit"]), (&json!("1/1"), &json!("maximum")));
    near(&key["remainder"], 1.0, 0.05);
    let ways = &correction["correction"]["other_ways"][0];
    assert_eq!((&ways["iso"], &ways["f_number"]), (&json!(200.0), &json!(8.0)));
    near(&ways["distance_factor"], 0.5_f64.sqrt(), 0.02);
}

/// A plan for one aperture, and a frame with another: it tells nothing of the plan, whatever it shows.
#[test]
fn a_frame_by_other_settings_is_not_taken_to_carry_out_a_plan() {
    for (plan, f_number, turned, assumption, drift) in
        [("f/13", 7.1, 0.0, json!("lights_untouched"), 2.0), ("f/10", 14.0, -1.0, Value::Null, -1.0)]
    {
        let studio = Studio::with_config(RIG);
        studio.take("1.jpg", shot(14.0, 0.0, 1));
        assert_eq!(studio.tell(json!({"command": "next", "f_number": plan}))["ok"], true);
        let verdict = studio.take("2.jpg", shot(f_number, turned, 2))["verdict"].clone();
        assert_eq!(verdict["assumption"], assumption, "{verdict}");
        // By the light alone, and the stock curve.
        near(&verdict["drift"], drift, 0.3);
    }
}

#[test]
fn without_any_configuration_it_speaks_in_stops_and_thirds() {
    let studio = Studio::open();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(7.1, 0.0, 2));
    let turn = studio.corrections().pop().unwrap()["correction"]["dial_changes"][0].clone();
    assert_eq!((&turn["group"], &turn["clicks"], &turn["to"]), (&json!("all lights"), &json!(-1), &Value::Null));
    let list = studio.folder.join("greyhold-corrections.txt");
    wait_for("the list", || {
        std::fs::read_to_string(&list).is_ok_and(|text| text.contains("turn all lights down by 1/3 stop"))
    });
}

/// What the camera has not, or is not wanted to do, is not worked out.
#[test]
fn a_speed_beyond_the_cameras_is_refused_with_its_limit() {
    let studio = Studio::with_config(&format!("lowest_iso: 100\nhighest_iso: 800\n{RIG}"));
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    for (iso, why) in [
        ("iso50", "ISO 50 is below the camera's lowest speed, ISO 100 (lowest_iso: in the configuration)"),
        ("iso1600", "ISO 1600 is above the highest speed that is wanted, ISO 800 (highest_iso: in the configuration)"),
    ] {
        for told in [
            studio.tell(json!({"command": "next", "iso": iso})),
            studio.tell(json!({"command": "plan", "apertures": ["f/8"], "iso": iso})),
        ] {
            assert_eq!((&told["ok"], &told["message"]), (&json!(false), &json!(why)));
        }
    }
    assert!(studio.corrections().is_empty());
    for iso in ["iso100", "iso800"] {
        assert_eq!(studio.tell(json!({"command": "next", "iso": iso}))["ok"], true, "the limit itself is had");
    }
}

#[test]
fn who_leaves_an_aperture_is_not_sent_back_to_it() {
    let studio = Studio::with_config(
        "reference: first frame\ngroups:\n  - {name: key, dial: fraction, step: 1/3, range: 1/128 to 1/1, power: 1/128}\n",
    );
    studio.take("1.jpg", shot(16.0, 0.0, 1));
    let told = studio.tell(json!({"command": "next", "f_number": "f/8"}));
    let said = told["message"].as_str().unwrap();
    assert!(said.contains("2 stops too strong. Instead: an ND 0.6 filter on the lens. Then key 1/128."), "{said}");
    assert_eq!(told["value"]["correction"]["other_ways"][0]["f_number"], Value::Null);
}

/// A dial in thirds has no half: what is taken for it is told.
#[test]
fn a_power_between_two_clicks_is_told_to_be_taken_for_another() {
    let studio = Studio::with_config(RIG);
    for (setting, said) in [
        ("1/8 +0.5", "key is at 1/8 +0.7, the click of its dial nearest to 1/8 +0.5"),
        ("1/8 +0.3", "key is at 1/8 +0.3"),
    ] {
        let told = studio.tell(json!({"command": "power", "group": "key", "setting": setting}));
        assert_eq!(told["message"], said);
    }
}

#[test]
fn only_what_is_at_hand_is_offered_instead() {
    let studio = Studio::with_config(&format!("lowest_iso: 100\nfilters: [0.9]\n{RIG}"));
    studio.take("1.jpg", shot(14.0, 0.0, 1));
    // 6 2/3 stops, of which the key light has 6.
    let told = studio.tell(json!({"command": "next", "f_number": "f/1.4"}));
    let ways = &told["value"]["correction"]["other_ways"][0];
    assert_eq!((&ways["group"], &ways["iso"], &ways["filters"]), (&json!("key"), &Value::Null, &json!([0.9])));
    let message = told["message"].as_str().unwrap();
    assert!(message.contains("an ND 0.9 filter on the lens") && !message.contains("ISO 64"), "{message}");
}

/// An exposure time that was mistyped stays for what is asked next: so does its warning.
#[test]
fn a_time_beyond_the_sync_speed_is_warned_of_in_each_answer_that_uses_it() {
    let studio = Studio::with_config(&format!("sync_speed: 1/200\n{RIG}"));
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let said = |command: Value| studio.tell(command)["message"].as_str().unwrap().to_owned();
    let warning = "1/2000 s is shorter than the sync speed (1/200 s";
    let first = said(json!({"command": "next", "f_number": "f/5.6", "exposure_time": "1/2000"}));
    assert!(first.contains(warning), "{first}");
    let second = said(json!({"command": "next", "f_number": "f/4"}));
    assert!(second.contains("For f/4  1/2000 s") && second.contains(warning), "{second}");
    let plan = said(json!({"command": "plan", "apertures": ["f/8"]}));
    assert!(plan.contains(warning), "{plan}");
    let mended = said(json!({"command": "next", "f_number": "f/4", "exposure_time": "1/160"}));
    assert!(!mended.contains("sync speed"), "{mended}");
}
