//! A change that neither settings nor a turn explain is told at once, and answered by a turn only when the next frame shows it, too:
//! what passes, nobody turned a light for. What settings or a request explain is answered at once. Through the real program.

use crate::harness::set::Set;
use crate::harness::sittings::{Lamps, Take};
use crate::harness::{Studio, shot};
use serde_json::{Value, json};

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");

fn is_suspicion(frame: &Value) -> bool {
    let verdict = &frame["verdict"];
    let asks = verdict["sentence"].as_str().unwrap().contains("Shoot another before turning anything");
    assert_eq!(verdict["suspicion"] == true, asks, "{verdict}");
    asks
}

#[test]
fn light_that_changed_by_itself_is_answered_in_the_second_frame() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let first = studio.take("2.jpg", shot(8.0, -1.0, 2));
    assert!(first["verdict"]["finding"] == "lights_changed" && is_suspicion(&first), "{first}");
    assert!(studio.corrections().is_empty() && studio.powers().is_empty(), "nothing is turned, nor taken to be");
    let second = studio.take("3.jpg", shot(8.0, -1.0, 3));
    assert!(second["verdict"]["finding"] == "lights_changed" && !is_suspicion(&second), "{second}");
    let clicks = studio.corrections().pop().unwrap()["correction"]["dial_changes"][0]["clicks"].clone();
    assert_eq!(clicks, 3, "a stop up");
}

#[test]
fn what_passes_is_never_answered() {
    let studio = Studio::with_config(RIG);
    for (number, power) in [(1, 0.0), (2, -1.0), (3, 0.0), (4, -1.0), (5, 0.0), (6, 1.0), (7, -1.0)] {
        let frame = studio.take(&format!("{number}.jpg"), shot(8.0, power, number));
        assert_eq!(is_suspicion(&frame), power != 0.0, "{frame}");
    }
    assert!(studio.corrections().is_empty() && studio.powers().is_empty());
}

#[test]
fn what_the_settings_explain_is_answered_at_once() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert!(!is_suspicion(&studio.take("2.jpg", shot(11.0, 0.0, 2))));
    assert_eq!(studio.corrections().len(), 1);
    // Half way.
    assert!(!is_suspicion(&studio.take("3.jpg", shot(16.0, 1.0, 3))));
    assert_eq!(studio.corrections().len(), 2);
}

/// A request is open, and a frame shows far more than it asked: a weak flash, as likely as not.
#[test]
fn an_open_request_explains_no_change_of_any_size() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(9.0, 0.0, 2));
    assert_eq!(studio.corrections().len(), 1, "a third of a stop up");
    assert!(is_suspicion(&studio.take("3.jpg", shot(9.0, -1.5, 3))));
    assert_eq!(studio.corrections().len(), 1);
    assert!(studio.ends().is_empty(), "the request stays");
    // And what is told of it agrees with the frame.
    let said = status(&studio)["message"].as_str().unwrap().to_owned();
    assert!(said.contains("\nasked, once another frame is shot: For f/9"), "{said}");
}

fn status(studio: &Studio) -> Value {
    studio.tell(json!({"command": "status"}))
}

fn asks_for(studio: &Studio, f_number: f64) -> bool {
    status(studio)["value"]["correction"]["purpose"]["next"]["settings"]["f_number"] == json!(f_number)
}

/// The lights are asked for settings that come next. A frame of other ones tells nothing of that: nobody is taken to have turned them
/// ahead, not even where they changed by just as much.
#[test]
fn a_question_for_settings_to_come_explains_no_change_in_a_frame_of_others() {
    for light in [-1.0, -0.5, 0.5] {
        let studio = Studio::with_config(RIG);
        studio.take("1.jpg", shot(8.0, 0.0, 1));
        assert_eq!(studio.tell(json!({"command": "next", "f_number": "f/5.6"}))["ok"], true);
        let frame = studio.take("2.jpg", shot(8.0, light, 2));
        assert!(frame["verdict"]["finding"] == "lights_changed" && is_suspicion(&frame), "{frame}");
        assert_eq!(frame["verdict"]["assumption"], Value::Null, "{frame}");
        assert!(studio.powers().is_empty() && studio.ends().is_empty() && asks_for(&studio, 5.6));
        assert_eq!(studio.corrections().len(), 1);
    }
}

/// Two frames are a finding: the lights stand elsewhere, and what is asked for the settings to come goes on from there.
#[test]
fn a_question_for_settings_to_come_stays_open_and_goes_on_from_where_the_lights_are_found() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.tell(json!({"command": "next", "f_number": "f/5.6"}));
    studio.take("2.jpg", shot(8.0, 0.35, 2));
    let second = studio.take("3.jpg", shot(8.0, 0.35, 3));
    assert!(second["verdict"]["finding"] == "lights_changed" && !is_suspicion(&second), "{second}");
    assert!(studio.ends().is_empty() && asks_for(&studio, 5.6));
    let said = status(&studio)["message"].as_str().unwrap().to_owned();
    assert!(said.contains("turn key down to 1/4  (from 1/2 +0.3: 1 1/3 stops, 4 clicks)"), "{said}");
    // Shot at last, it is seen to be done.
    let done = studio.take("4.jpg", shot(5.6, -1.0, 4));
    assert_eq!(done["verdict"]["finding"], "matched", "{done}");
    assert_eq!(studio.ends().pop().unwrap()["how"], "observed");
}

/// Lights that were turned ahead, told by nobody, are found where they are to be: nothing is left to turn.
#[test]
fn lights_that_are_found_as_asked_for_settings_to_come_are_all_set() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.tell(json!({"command": "next", "f_number": "f/5.6"}));
    studio.take("2.jpg", shot(8.0, -1.0, 2));
    studio.take("3.jpg", shot(8.0, -1.0, 3));
    assert!(studio.ends().is_empty() && asks_for(&studio, 5.6));
    let said = status(&studio)["message"].as_str().unwrap().to_owned();
    assert!(said.contains("leave key at 1/4") && !said.contains("turn "), "{said}");
    assert_eq!(studio.take("4.jpg", shot(5.6, -1.0, 4))["verdict"]["finding"], "matched");
    assert_eq!(status(&studio)["value"]["correction"], Value::Null);
}

/// What the settings of such a frame explain is told, with how to have it answered; and what was asked stays asked.
#[test]
fn a_frame_of_third_settings_leaves_the_question_open() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.tell(json!({"command": "next", "f_number": "f/5.6"}));
    let frame = studio.take("2.jpg", shot(11.0, 0.0, 2));
    assert_eq!(frame["verdict"]["finding"], "settings_changed", "{frame}");
    let note = frame["notes"].as_array().unwrap().last().unwrap().as_str().unwrap().to_owned();
    assert!(note.contains("the lights are asked for f/5.6") && note.contains("greyhold next"), "{note}");
    assert!(studio.corrections().len() == 1 && studio.ends().is_empty() && asks_for(&studio, 5.6));
    // A part of the lights is told to be set: the others are still to come, and none is to be turned back.
    studio.tell(json!({"command": "confirm", "group": "key"}));
    studio.take("3.jpg", shot(8.0, -0.5, 3));
    assert!(studio.corrections().len() == 1 && studio.ends().is_empty() && asks_for(&studio, 5.6));
}

/// The same photograph under two names is no second frame.
#[test]
fn a_copy_bears_nothing_out() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let bumped = crate::harness::Shot { number: 2, ..shot(8.0, 1.0, 2) };
    studio.take_bytes("2.jpg", &bumped.jpeg());
    let mut copy = bumped.jpeg();
    // Another file of the same exposure: its caption differs.
    copy.splice(2..2, [0xFF, 0xFE, 0, 6, b'c', b'o', b'p', b'y']);
    studio.put("copy of 2.jpg", &copy);
    studio.sync();
    assert!(is_suspicion(&studio.frame("copy of 2.jpg")), "it is a frame of its own, and seen to be the same exposure");
    assert!(studio.corrections().is_empty());
}

#[test]
fn who_wants_it_at_once_gets_it() {
    let studio = Studio::with_config(&format!("patience: at once\n{RIG}"));
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert!(!is_suspicion(&studio.take("2.jpg", shot(8.0, -1.0, 2))));
    assert_eq!(studio.corrections().len(), 1);
}

/// A survey of all groups of a set.
fn surveyed() -> Set {
    let mut set = Set::open("");
    set.shoot(set.usual());
    assert_eq!(set.studio.tell(json!({"command": "survey"}))["ok"], true);
    for firing in [Lamps::None, Lamps::Only(0), Lamps::Only(1), Lamps::Only(2), Lamps::All] {
        assert_ne!(set.shoot_for_survey(firing)["step"]["what"], "refused");
    }
    set
}

#[test]
fn a_single_light_that_nobody_spoke_of_is_answered_in_the_second_frame_and_a_forgotten_one_at_once() {
    let mut set = surveyed();
    let turned = |set: &Set| Take { powers: vec![0.0, 0.0, 1.0], ..set.usual() };
    let first = set.shoot(turned(&set));
    assert!(first["verdict"]["finding"] == "group_changed" && is_suspicion(&first), "{first}");
    assert!(set.studio.corrections().is_empty() && set.studio.powers().is_empty());
    assert!(!is_suspicion(&set.shoot(turned(&set))));
    assert_eq!(set.studio.corrections().len(), 1);
    set.shoot(set.usual());
    // Asked to be turned, and forgotten: that is explained.
    assert_eq!(set.studio.tell(json!({"command": "next", "f_number": "f/7.1"}))["ok"], true);
    let forgotten = Take { f_number: 7.1, powers: vec![-2.0, -2.0, 0.0], ..set.usual() };
    assert!(!is_suspicion(&set.shoot(forgotten)));
    assert_eq!(set.studio.corrections().len(), 3, "the turn that was asked for, and the one that was forgotten");
}

/// One of the lights was turned ahead, for settings that are not shot yet.
#[test]
fn a_single_light_that_was_turned_ahead_is_no_answer_to_what_is_asked() {
    let mut set = surveyed();
    let usual = set.usual().f_number;
    assert_eq!(set.studio.tell(json!({"command": "next", "f_number": "f/10"}))["ok"], true);
    for powers in [vec![0.0, 0.0, -1.0], vec![-1.0; 3]] {
        let frame = set.shoot(Take { f_number: usual, powers, ..set.usual() });
        assert!(is_suspicion(&frame), "{}", frame["verdict"]["sentence"]);
        assert!(set.studio.ends().is_empty() && set.studio.powers().is_empty());
        assert!(asks_for(&set.studio, 10.0));
    }
    // Shot at last, they are seen to be done.
    let done = set.shoot(Take { f_number: 10.0, powers: vec![-1.0; 3], ..set.usual() });
    assert_eq!(done["verdict"]["finding"], "matched", "{}", done["verdict"]["sentence"]);
    assert_eq!(set.studio.ends().pop().unwrap()["how"], "observed");
}

#[test]
fn a_light_that_is_out_is_answered_by_no_turn_however_often_it_is_seen() {
    let mut set = surveyed();
    for _ in 0..3 {
        let out = Take { powers: vec![0.0, 0.0, f64::NEG_INFINITY], ..set.usual() };
        assert_eq!(set.shoot(out)["verdict"]["finding"], "group_not_fired");
    }
    assert!(set.studio.corrections().is_empty());
}
