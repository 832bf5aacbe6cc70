//! People say what they meant: a change that was meant is the new target, with the powers that the lights have in it; another
//! sitter gets a reference and keeps the powers; a look that is gone back to says what to turn. Through the real program.

use crate::harness::http::Feed;
use crate::harness::set::Set;
use crate::harness::sittings::{Lamps, Take};
use crate::harness::{Studio, greyhold, shot, wait_for};
use serde_json::{Value, json};

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");

pub fn tell(studio: &Studio, command: Value) -> String {
    let reply = studio.tell(command.clone());
    assert_eq!(reply["ok"], true, "{command}: {reply}");
    reply["message"].as_str().unwrap().to_owned()
}

pub fn refused(studio: &Studio, command: Value) -> String {
    let reply = studio.tell(command);
    assert_eq!(reply["ok"], false, "{reply}");
    reply["message"].as_str().unwrap().to_owned()
}

fn finding(frame: &Value) -> &str {
    frame["verdict"]["finding"].as_str().unwrap()
}

/// The power of a group, in stops from full.
fn power(studio: &Studio, group: &str) -> f64 {
    let status = studio.tell(json!({"command": "status"}))["value"].clone();
    let groups = status["groups"].as_array().unwrap().clone();
    groups.iter().find(|g| g["group"] == group).unwrap()["power"].as_f64().unwrap()
}

#[test]
fn a_light_that_was_turned_on_purpose_stays_as_it_is() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    tell(&set.studio, json!({"command": "survey"}));
    for firing in [Lamps::None, Lamps::Only(0), Lamps::Only(1), Lamps::Only(2), Lamps::All] {
        assert_ne!(set.shoot_for_survey(firing)["step"]["what"], "refused");
    }
    let before = power(&set.studio, "rim");
    let turned = |set: &Set| Take { powers: vec![0.0, 0.0, 1.0], ..set.usual() };
    assert_eq!(finding(&set.shoot(turned(&set))), "group_changed");
    tell(&set.studio, json!({"command": "accept"}));
    assert!((power(&set.studio, "rim") - before - 1.0).abs() < 0.05, "its power is what the picture showed");
    let next = set.shoot(turned(&set));
    assert_eq!(finding(&next), "matched", "{next}");
    assert!(set.studio.corrections().is_empty());
    let back = set.shoot(set.usual());
    assert_eq!(finding(&back), "group_changed", "the old light is off now: {back}");
}

#[test]
fn what_was_asked_is_over_when_the_frame_is_accepted() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(5.6, 0.0, 2));
    assert_eq!(studio.corrections().len(), 1);
    let socket = studio.socket().display().to_string();
    let done = greyhold(&["accept", "--socket", &socket]);
    assert!(done.status.success(), "{done:?}");
    assert_eq!(studio.ends().len(), 1);
    assert_eq!(finding(&studio.take("3.jpg", shot(5.6, 0.0, 3))), "matched");
    assert_eq!(studio.of_type("reference").pop().unwrap()["by"], "accepted");
}

#[test]
fn a_frame_in_which_a_light_failed_is_no_target() {
    let studio = Studio::with_config(RIG);
    assert!(refused(&studio, json!({"command": "accept"})).contains("no frame yet"));
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(8.0, -12.0, 2));
    assert!(refused(&studio, json!({"command": "accept"})).contains("2.jpg"));
    assert_eq!(studio.of_type("reference").len(), 1);
    // Who taps on what was shown a frame ago doesn't mean this one.
    assert!(refused(&studio, json!({"command": "accept", "frame": 1})).contains("not the last one"));
}

#[test]
fn another_sitter_gets_a_reference_and_keeps_the_powers() {
    let studio = Studio::with_config(RIG);
    assert!(refused(&studio, json!({"command": "new_sitter"})).contains("no reference yet"));
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let before = ["key", "fill", "rim"].map(|group| power(&studio, group));
    let socket = studio.socket().display().to_string();
    assert!(greyhold(&["new-sitter", "--socket", &socket]).status.success());
    // Of darker skin, which is no change of light.
    let first = studio.take("2.jpg", shot(8.0, -0.8, 2));
    assert_eq!(finding(&first), "no_reference", "{first}");
    let reference = studio.of_type("reference").pop().unwrap();
    assert_eq!(
        (&reference["frame"], &reference["by"], &reference["look"]),
        (&json!(2), &json!("new_sitter"), &json!("main"))
    );
    assert_eq!(finding(&studio.take("3.jpg", shot(8.0, -0.8, 3))), "matched");
    assert!(studio.corrections().is_empty());
    assert_eq!(["key", "fill", "rim"].map(|group| power(&studio, group)), before);
    // And the powers go on from there.
    studio.take("4.jpg", shot(5.6, -0.8, 4));
    assert_eq!(studio.corrections().pop().unwrap()["correction"]["dial_changes"][0]["clicks"], -3);
}

/// Whoever shoots before the lights are turned is not told to turn all of them alike.
#[test]
fn a_look_that_is_gone_back_to_keeps_asking_for_its_own_turns() {
    let studio = with_lights_turned_apart();
    tell(&studio, json!({"command": "reference", "look": "low key"}));
    tell(&studio, json!({"command": "look", "look": "main"}));
    let asked = studio.tell(json!({"command": "status"}))["value"]["correction"].clone();
    let requests = studio.corrections().len();
    studio.take("3.jpg", shot(8.0, -1.5, 3));
    assert_eq!(studio.tell(json!({"command": "status"}))["value"]["correction"], asked, "it is what it was");
    assert_eq!(studio.corrections().len(), requests);
}

/// What is told after the accepted frame was turned after it.
#[test]
fn powers_that_are_told_after_the_accepted_frame_are_turns_since() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(8.0, 0.0, 2));
    let told = [("key", "1/4"), ("fill", "31.3"), ("rim", "6.0")];
    for (group, setting) in told {
        tell(&studio, json!({"command": "power", "group": group, "setting": setting}));
    }
    tell(&studio, json!({"command": "accept"}));
    let before = told.map(|(group, _)| power(&studio, group));
    let opened = studio.take("3.jpg", shot(5.6, -1.0, 3));
    assert_eq!(finding(&opened), "matched", "{opened}");
    assert_eq!(told.map(|(group, _)| power(&studio, group)), before);
}

/// Who names a reference, or goes back to a look, while another person is waited for is told that nobody is any more.
#[test]
fn the_end_of_the_waiting_for_a_new_sitter_is_said() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    for command in [json!({"command": "reference"}), json!({"command": "look", "look": "main"})] {
        tell(&studio, json!({"command": "new_sitter"}));
        let said = tell(&studio, command.clone());
        assert!(said.contains("No new sitter is waited for any more"), "{said}");
        assert!(!tell(&studio, command).contains("No new sitter"), "once");
    }
}

#[test]
fn a_new_sitters_first_frame_is_one_of_the_new_sitter_and_as_bright_as_the_settings_allow() {
    let studio = Studio::with_config(RIG);
    let standing = || studio.tell(json!({"command": "status"}))["value"]["standing"].clone();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let said = tell(&studio, json!({"command": "new_sitter"}));
    assert!(
        said.contains("the next frame is the new sitter's reference, unless it is nearly black or burnt out"),
        "{said}"
    );
    assert!(refused(&studio, json!({"command": "new_sitter"})).contains("already"));
    assert!(refused(&studio, json!({"command": "accept"})).contains("last sitter"));
    // A raw file of the last sitter lands late.
    studio.put("1.dng", &shot(8.0, 0.0, 1).raw());
    assert!(studio.sync().is_empty());
    assert_eq!(standing(), "awaits_sitter");
    // Two stops over by the settings, with the lights as they were: no reference, and said so.
    studio.take("2.jpg", shot(4.0, -0.8, 2));
    assert_eq!(standing(), "awaits_sitter");
    assert!(
        studio.of_type("warning").pop().unwrap()["text"]
            .as_str()
            .unwrap()
            .contains("2 stops brighter than the last sitter's")
    );
    let why = refused(&studio, json!({"command": "new_sitter"}));
    assert!(why.contains("2.jpg is not taken") && why.contains("2 stops brighter"), "{why}");
    studio.take("3.jpg", shot(8.0, -12.0, 3));
    assert!(studio.of_type("warning").pop().unwrap()["text"].as_str().unwrap().contains("nearly black"));
    let why = refused(&studio, json!({"command": "new_sitter"}));
    assert!(why.contains("3.jpg is nearly black") && why.contains("shoot another"), "{why}");
    studio.take("4.jpg", shot(8.0, -0.8, 4));
    assert_eq!((standing(), &studio.of_type("reference").pop().unwrap()["frame"]), (json!("accepted"), &json!(4)));
}

#[test]
fn a_survey_of_the_last_sitter_reads_no_lights_of_the_next() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    tell(&set.studio, json!({"command": "survey"}));
    assert!(refused(&set.studio, json!({"command": "new_sitter"})).contains("survey"));
    for firing in [Lamps::None, Lamps::Only(0), Lamps::Only(1), Lamps::Only(2), Lamps::All] {
        assert_ne!(set.shoot_for_survey(firing)["step"]["what"], "refused");
    }
    assert!(!set.shoot(set.usual())["verdict"]["groups"].as_array().unwrap().is_empty());
    assert!(tell(&set.studio, json!({"command": "new_sitter"})).contains("survey anew"));
    set.shoot(set.usual());
    assert!(set.shoot(set.usual())["verdict"].get("groups").is_none());
}

#[test]
fn a_new_look_tells_its_powers_and_one_that_is_gone_back_to_what_to_turn() {
    let studio = with_lights_turned_apart();
    let begun = tell(&studio, json!({"command": "reference", "look": "low key"}));
    assert!(begun.contains("key 1/8") && begun.contains("greyhold set GROUP SETTING"), "{begun}");
    let back = tell(&studio, json!({"command": "look", "look": "main"}));
    assert!(back.contains("f/8") && back.contains("key"), "{back}");
    let asked = studio.corrections().pop().unwrap();
    assert_eq!(asked["purpose"], json!({"look": {"look": "main"}}));
    let clicks = |group: &str| {
        let turns = asked["correction"]["dial_changes"].as_array().unwrap();
        turns.iter().find(|t| t["group"] == group).map_or(0, |t| t["clicks"].as_i64().unwrap())
    };
    assert_eq!((clicks("key"), clicks("rim"), clicks("fill")), (6, 3, 0), "two stops and one, in thirds");
    tell(&studio, json!({"command": "confirm"}));
    assert_eq!(finding(&studio.take("3.jpg", shot(8.0, 0.0, 3))), "matched");
    let there = tell(&studio, json!({"command": "look", "look": "main"}));
    assert!(there.contains("stand as they did"), "{there}");
}

/// The picture alone tells how far the lights are off all together; where they stood for that frame is known.
#[test]
fn who_goes_back_to_an_earlier_frame_is_told_what_to_turn() {
    let studio = with_lights_turned_apart();
    tell(&studio, json!({"command": "accept"}));
    studio.take("3.jpg", shot(8.0, -1.5, 3));
    // From a terminal a file is named by where it lies.
    let path = studio.home.path().join("capture/1.jpg").display().to_string();
    let done = greyhold(&["reference", &path, "--socket", &studio.socket().display().to_string()]);
    let said = String::from_utf8(done.stdout).unwrap();
    for part in
        ["1.jpg is the reference of 'main'", "turn key up to 1/2  (from 1/8", "turn rim up to 7.0", "leave fill at"]
    {
        assert!(said.contains(part), "{part}: {said}");
    }
    let reference = studio.of_type("reference").pop().unwrap();
    assert_eq!((&reference["file"], &reference["frame"]), (&json!("1.jpg"), &json!(1)));
    near(&reference["powers"]["key"], -1.0);
    tell(&studio, json!({"command": "confirm"}));
    assert_eq!(finding(&studio.take("4.jpg", shot(8.0, 0.0, 4))), "matched");
    let looks = studio.tell(json!({"command": "status"}))["value"]["looks"].clone();
    near(&looks["main"]["powers"]["key"], -1.0);
    near(&looks["main"]["powers"]["rim"], -2.0);
    // And on to the frame that was the reference between.
    let on = tell(&studio, json!({"command": "reference", "file": "2.jpg"}));
    assert!(on.contains("turn key down to 1/8") && on.contains("turn rim down to 6.0"), "{on}");
}

/// The configuration may say otherwise than the dials: what is told then is where the light stood, and no turn.
#[test]
fn a_power_that_was_another_is_told_as_the_sentence_says() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let said = tell(&studio, json!({"command": "accept"}));
    assert!(said.contains("Where one stood otherwise: greyhold set GROUP SETTING, then greyhold reference."), "{said}");
    tell(&studio, json!({"command": "power", "group": "key", "setting": "1/4"}));
    tell(&studio, json!({"command": "reference"}));
    let next = tell(&studio, json!({"command": "next", "f_number": "f/5.6"}));
    assert!(next.contains("turn key down to 1/8  (from 1/4: 1 stop, 3 clicks)"), "{next}");
}

/// What was told since is a turn since, by whatever name the last frame is made the reference.
#[test]
fn the_last_frame_by_its_name_stood_as_it_was_shot() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(8.0, 0.0, 2));
    tell(&studio, json!({"command": "power", "group": "key", "setting": "1/8"}));
    let said = tell(&studio, json!({"command": "reference", "file": "2.jpg"}));
    assert!(said.contains("turn key up to 1/2  (from 1/8"), "{said}");
    near(&studio.of_type("reference").pop().unwrap()["powers"]["key"], -1.0);
}

/// Groups that bear other names now stood nobody knows where for the frames of before.
#[test]
fn where_nobody_knows_a_frame_stood_nothing_is_taken_for_granted() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(8.0, 0.0, 2));
    let renamed = ["key", "fill", "rim"]
        .iter()
        .fold(RIG.to_owned(), |yaml, name| yaml.replace(&format!("name: {name},"), &format!("name: {name} two,")));
    std::fs::write(studio.config(), renamed).unwrap();
    wait_for("the new names", || studio.of_type("config").len() > 1);
    studio.take("3.jpg", shot(8.0, -1.0, 3));
    let said = tell(&studio, json!({"command": "reference", "file": "2.jpg"}));
    assert!(said.contains("It isn't known what the lights were set to for it"), "{said}");
    assert_eq!(studio.of_type("reference").pop().unwrap()["powers"]["key two"], Value::Null);
}

/// A light that was met later stood nobody knows where for an earlier frame: its card says so, and not that there is nothing to do.
#[test]
fn the_card_of_a_light_that_nobody_knows_of_says_so() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(8.0, 0.0, 2));
    let hair = "  - {name: hair, dial: fraction, step: 1/3, range: 1/128 to 1/1, power: 1/4}\n# The first";
    let with_hair = RIG.replacen("# The first", hair, 1);
    std::fs::write(studio.config(), with_hair).unwrap();
    wait_for("the new light", || studio.of_type("config").len() > 1);
    tell(&studio, json!({"command": "power", "group": "key", "setting": "1/8"}));
    studio.take("3.jpg", shot(8.0, -1.0, 3));
    let said = tell(&studio, json!({"command": "reference", "file": "2.jpg"}));
    assert!(said.contains("It isn't known what hair was set to for it"), "{said}");
    let does = || {
        let board = Feed::open(&studio, None).unwrap().next("board");
        let cards = board["cards"].as_array().unwrap();
        cards.iter().find(|card| card["group"] == "hair").unwrap()["does"].as_str().unwrap().to_owned()
    };
    assert!(does().contains("set it by eye"), "{}", does());
    tell(&studio, json!({"command": "power", "group": "hair", "setting": "1/8"}));
    assert_eq!(does(), "nothing to do");
}

/// A name is given again where a frame was deleted: then it is the frame that lies there.
#[test]
fn another_frame_under_the_name_of_a_reference_that_was_deleted_is_itself() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(8.0, 0.0, 2));
    tell(&studio, json!({"command": "reference"}));
    studio.take("3.jpg", shot(8.0, 0.0, 3));
    tell(&studio, json!({"command": "reference"}));
    std::fs::remove_file(studio.folder.join("2.jpg")).unwrap();
    wait_for("the deletion to be told", || !studio.of_type("file_removed").is_empty());
    tell(&studio, json!({"command": "power", "group": "key", "setting": "1/8"}));
    studio.take("2.jpg", shot(8.0, -1.0, 4));
    studio.take("5.jpg", shot(8.0, -1.0, 5));
    tell(&studio, json!({"command": "reference", "file": "2.jpg"}));
    let reference = studio.of_type("reference").pop().unwrap();
    assert_eq!(reference["frame"], json!(4));
    near(&reference["powers"]["key"], -3.0);
}

/// What was asked for the look still stands; the last frame says that something is to be looked at before anything is turned.
#[test]
fn what_is_to_be_looked_at_first_leads_before_what_was_asked_earlier() {
    let studio = with_lights_turned_apart();
    tell(&studio, json!({"command": "reference", "look": "low key"}));
    tell(&studio, json!({"command": "look", "look": "main"}));
    let board = || Feed::open(&studio, None).unwrap().next("board");
    assert!(board()["leads"].as_str().unwrap().starts_with("Turn 2 lights"), "{}", board()["leads"]);
    let uneven = studio.take_bytes("3.jpg", &shot(8.0, 0.0, 3).jpeg_lit_by([-20.0, 0.0]));
    assert_eq!(finding(&uneven), "uneven");
    let board = board();
    assert!(board["leads"].as_str().unwrap().starts_with("Look first. Then: Turn 2 lights"), "{}", board["leads"]);
    assert_eq!(board["why"], uneven["verdict"]["sentence"]);
}

#[test]
fn of_a_file_from_elsewhere_nobody_knows_where_the_lights_stood() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let outside = studio.home.path().join("elsewhere.jpg");
    std::fs::write(&outside, shot(8.0, 1.0, 2).jpeg()).unwrap();
    let said = tell(&studio, json!({"command": "reference", "file": outside}));
    assert!(said.contains("isn't known") && said.contains("tell their powers (greyhold set GROUP SETTING)"), "{said}");
    assert!(studio.corrections().is_empty());
}

/// A frame, and one before which key and rim were told to be turned unlike each other.
fn with_lights_turned_apart() -> Studio {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    for (group, setting) in [("key", "1/8"), ("rim", "6.0")] {
        tell(&studio, json!({"command": "power", "group": group, "setting": setting}));
    }
    studio.take("2.jpg", shot(8.0, -1.5, 2));
    studio
}

fn near(value: &Value, expected: f64) {
    assert!((value.as_f64().unwrap() - expected).abs() < 1e-3, "{value} is not {expected}");
}
