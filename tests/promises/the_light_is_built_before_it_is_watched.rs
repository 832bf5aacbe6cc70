//! Until a reference is accepted, what changed since the frame before is told, and nothing is asked of anybody. It is accepted by
//! hand, or by itself when two frames match and then the aperture changes. Through the real program.

use crate::harness::{Studio, shot, wait_for};
use greyhold::studio::exif_block;
use serde_json::{Value, json};

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");

/// As it is for who writes nothing about it.
fn building() -> Studio {
    Studio::with_config(&RIG.replace("reference: first frame", "# reference: when accepted"))
}

fn said(frame: &Value) -> String {
    frame["verdict"]["sentence"].as_str().unwrap().to_owned()
}

fn finding(frame: &Value) -> &str {
    frame["verdict"]["finding"].as_str().unwrap()
}

fn standing(studio: &Studio) -> Value {
    studio.tell(json!({"command": "status"}))["value"]["standing"].clone()
}

/// Records that ask something of people, or take a light to stand elsewhere.
fn asks_nothing(studio: &Studio) -> bool {
    studio.corrections().is_empty() && studio.powers().is_empty()
}

#[test]
fn what_changed_since_the_frame_before_is_told_and_nothing_asked() {
    let studio = building();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    for (number, power, side) in [(2, 1.0, "brighter"), (3, -0.5, "darker"), (4, 0.5, "brighter")] {
        let frame = studio.take(&format!("{number}.jpg"), shot(8.0, power, number));
        assert_eq!(finding(&frame), "building", "{frame}");
        assert!(said(&frame).contains(&format!("{side} than the frame before")), "{}", said(&frame));
    }
    // Settings are told as the cause of what they explain, and of no more.
    let apart = studio.take("5.jpg", shot(7.1, 1.5, 5));
    let why = "(f/8 to f/7.1 by itself makes it 1/3 stop brighter, the light did the rest)";
    assert!(said(&apart).contains(why), "{}", said(&apart));
    let alike = studio.take("6.jpg", shot(7.1, 1.5, 6));
    assert!(finding(&alike) == "matched" && said(&alike).contains("like the frame before"), "{alike}");
    assert!(asks_nothing(&studio));
    assert_eq!(standing(&studio), "building");
}

/// The last of two that match is what the photographer was content with.
#[test]
fn two_frames_that_match_and_then_another_aperture_make_a_reference() {
    let studio = building();
    studio.take("1.jpg", shot(8.0, 1.0, 1));
    studio.take("2.jpg", shot(8.0, 0.0, 2));
    studio.take("3.jpg", shot(8.0, 0.0, 3));
    let opened = studio.take("4.jpg", shot(5.6, 0.0, 4));
    assert_eq!(finding(&opened), "settings_changed", "{opened}");
    assert_eq!(studio.corrections().len(), 1, "a stop down");
    let reference = studio.of_type("reference").pop().unwrap();
    assert_eq!((&reference["frame"], &reference["by"]), (&json!(3), &json!("before_aperture")));
    assert_eq!(standing(&studio), "accepted");
}

#[test]
fn another_aperture_alone_makes_none() {
    let studio = building();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let opened = studio.take("2.jpg", shot(5.6, 0.0, 2));
    assert!(finding(&opened) == "building" && said(&opened).contains("f/8 to f/5.6"), "{opened}");
    // A stop more light, so nothing matches yet, and the next aperture makes none, either.
    assert_eq!(finding(&studio.take("3.jpg", shot(4.0, 0.0, 3))), "building");
    assert!(asks_nothing(&studio));
}

#[test]
fn a_frame_without_flash_is_nothing_that_others_are_held_against() {
    let studio = building();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert_eq!(finding(&studio.take("2.jpg", shot(8.0, -12.0, 2))), "misfire");
    let after = studio.take("3.jpg", shot(8.0, 0.0, 3));
    assert_eq!(finding(&after), "matched", "{after}");
}

/// What is burnt out, or black, shows nothing that the next frame could be held against.
#[test]
fn a_white_frame_is_nothing_that_others_are_held_against() {
    let studio = building();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let white = studio.take("2.jpg", shot(8.0, 7.0, 2));
    assert!(said(&white).contains("burnt out"), "{white}");
    let reply = studio.tell(json!({"command": "accept"}));
    assert!(reply["ok"] == false && reply["message"].as_str().unwrap().contains("burnt out"), "{reply}");
    let after = studio.take("3.jpg", shot(8.0, 0.0, 3));
    assert_eq!(finding(&after), "matched", "held against the first: {after}");
}

/// The first frame of all: nobody is told to accept what can't be accepted, and the reason is said once.
#[test]
fn a_black_first_frame_is_not_offered_as_the_reference() {
    for (power, why) in [(-8.0, "nearly black (a misfire?)"), (9.0, "burnt out")] {
        let studio = building();
        let first = studio.take("1.jpg", shot(8.0, power, 1));
        assert_eq!(said(&first), format!("Metered, but it is {why}: it is nothing to go by, shoot another."));
        assert_eq!(studio.of_type("warning"), Vec::<Value>::new());
        assert_eq!(studio.tell(json!({"command": "accept"}))["ok"], false);
        let second = studio.take("2.jpg", shot(8.0, 0.0, 2));
        assert!(finding(&second) == "no_reference" && said(&second).contains("greyhold accept"), "{second}");
    }
}

/// A file whose pixels are not metered says nothing of the light.
#[test]
fn a_frame_that_is_not_metered_is_nothing_that_others_are_held_against() {
    let studio = building();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.put("2.arw", &exif_block(&shot(8.0, 1.0, 2).exposure()).unwrap());
    wait_for("the raw file alone", || studio.frames().len() == 2);
    assert_eq!(finding(&studio.frame("2.arw")), "not_metered");
    assert_eq!(finding(&studio.take("3.jpg", shot(8.0, 0.0, 3))), "matched");
}

/// Lights are switched on one by one: a frame that is far darker and not black is a step like any other.
#[test]
fn a_weak_light_alone_is_no_misfire() {
    let studio = building();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert_eq!(finding(&studio.take("2.jpg", shot(8.0, -3.3, 2))), "building");
    assert_eq!(finding(&studio.take("3.jpg", shot(8.0, -3.3, 3))), "matched");
    assert_eq!(studio.tell(json!({"command": "accept"}))["ok"], true);
}

#[test]
fn it_is_accepted_by_hand_by_a_question_for_other_settings_or_by_a_survey() {
    let accepts =
        [json!({"command": "accept"}), json!({"command": "next", "f_number": "f/11"}), json!({"command": "survey"})];
    for command in accepts {
        let studio = building();
        studio.take("1.jpg", shot(8.0, 0.0, 1));
        studio.take("2.jpg", shot(8.0, 1.0, 2));
        let reply = studio.tell(command.clone());
        assert_eq!(reply["ok"], true, "{reply}");
        assert!(reply["message"].as_str().unwrap().contains("2.jpg is the reference"), "{reply}");
        let reference = studio.of_type("reference").pop().unwrap();
        assert_eq!((&reference["frame"], &reference["by"]), (&json!(2), &json!("accepted")), "{command}");
        assert_eq!(standing(&studio), "accepted");
    }
}

/// Nobody has said that the very first frame is exposed as it should be, and no other was held against it.
#[test]
fn who_goes_on_from_the_first_frame_alone_is_told_so() {
    let alone = "1.jpg is the reference now. It is the first frame, which nobody accepted";
    for command in [json!({"command": "next", "f_number": "f/11"}), json!({"command": "survey"})] {
        let studio = building();
        studio.take("1.jpg", shot(8.0, 0.0, 1));
        let said = studio.tell(command)["message"].as_str().unwrap().to_owned();
        assert!(said.starts_with(alone), "{said}");
    }
    let studio = building();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(8.0, 0.0, 2));
    let said = studio.tell(json!({"command": "next", "f_number": "f/11"}))["message"].as_str().unwrap().to_owned();
    assert!(said.starts_with("2.jpg is the reference now.\n"), "{said}");
}

/// Who turns the lights for the next aperture before it is shot, and says so, has turned them since the frame that he was content
/// with.
#[test]
fn a_power_that_is_told_after_the_frame_is_a_turn_since_it() {
    let studio = building();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(8.0, 0.0, 2));
    for (group, setting) in [("key", "1/4"), ("fill", "31.3"), ("rim", "6.0")] {
        let reply = studio.tell(json!({"command": "power", "group": group, "setting": setting}));
        assert_eq!(reply["ok"], true, "{reply}");
    }
    let opened = studio.take("3.jpg", shot(5.6, -1.0, 3));
    assert_eq!(finding(&opened), "matched", "{opened}");
    assert!(studio.corrections().is_empty());
}

#[test]
fn it_goes_on_over_a_restart_and_until_the_first_frame_is_enough() {
    let mut studio = building();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.stop();
    studio.start();
    assert_eq!(finding(&studio.take("2.jpg", shot(8.0, 1.0, 2))), "building");
    studio.stop();
    std::fs::write(studio.config(), RIG).unwrap();
    studio.start();
    let frame = studio.take("3.jpg", shot(5.6, 1.0, 3));
    assert_eq!(finding(&frame), "settings_changed", "held against the last one that was built: {frame}");
}

#[test]
fn who_has_written_no_configuration_builds_first() {
    let mut studio = Studio::without_configuration();
    studio.start();
    let first = studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert!(said(&first).contains("greyhold accept"), "{first}");
    assert_eq!(finding(&studio.take("2.jpg", shot(8.0, 1.0, 2))), "building");
}
