//! A filter on the lens stands in no file. Who tells it, in the question for what comes next, has it counted: no light is turned for what
//! a filter took, and a filter that is not on yet is told as that.

use serde_json::{Value, json};

use crate::harness::{Studio, greyhold, shot};

/// CHECK: a filter of density 0.9 takes 0.9 / log10(2) = 2.99 stops (ISO 5-2, from memory).
const ND_0_9: f64 = -2.9897;

fn tell(studio: &Studio, command: Value) -> Value {
    let reply = studio.tell(command.clone());
    assert_eq!(reply["ok"], true, "{command}: {reply}");
    reply
}

fn status(studio: &Studio) -> String {
    tell(studio, json!({"command": "status"}))["message"].as_str().unwrap().to_owned()
}

fn said(frame: &Value) -> (&str, &str) {
    (frame["verdict"]["finding"].as_str().unwrap(), frame["verdict"]["sentence"].as_str().unwrap())
}

/// At f/8, and asked for f/2.8 behind a filter that takes as much as the aperture gives.
fn a_filter_is_told() -> Studio {
    let studio = Studio::open();
    studio.take("a.jpg", shot(8.0, 0.0, 1));
    let socket = studio.socket().display().to_string();
    let told = greyhold(&["next", "f/2.8", "nd", "0.9", "--json", "--socket", &socket]);
    let told: Value = serde_json::from_slice(&told.stdout).unwrap();
    assert_eq!((&told["ok"], &told["value"]["settings"]["filter"]), (&json!(true), &json!(0.9)), "{told}");
    assert!(told["message"].as_str().unwrap().contains("ND 0.9: every light as it is"), "{told}");
    studio
}

#[test]
fn no_light_is_turned_for_what_it_takes() {
    let studio = a_filter_is_told();
    let frame = studio.take("b.jpg", shot(2.8, ND_0_9, 2));
    assert_eq!(said(&frame).0, "matched", "{frame}");
    assert_eq!(frame["observation"]["settings"]["filter"], 0.9);
    assert!(studio.corrections().is_empty() && studio.powers().is_empty());
    assert!(status(&studio).contains("ND 0.9"), "{}", status(&studio));
    // It stays on until somebody says otherwise.
    let frame = studio.take("c.jpg", shot(5.6, ND_0_9, 3));
    assert_eq!(said(&frame).0, "settings_changed", "{frame}");
    let off = tell(&studio, json!({"command": "next", "f_number": "f/8", "filter": "no filter"}));
    assert!(off["value"]["settings"].get("filter").is_none(), "{off}");
    assert!(status(&studio).contains("filter: no filter on the lens"), "{}", status(&studio));
    let frame = studio.take("d.jpg", shot(8.0, 0.0, 4));
    assert_eq!(said(&frame).0, "matched", "{frame}");
}

#[test]
fn what_is_not_on_yet_is_told_and_no_power_is_read_out_of_it() {
    let studio = a_filter_is_told();
    let frame = studio.take("b.jpg", shot(2.8, 0.0, 2));
    let (finding, sentence) = said(&frame);
    assert_eq!(finding, "filter_unchanged", "{sentence}");
    assert!(sentence.contains("ND 0.9"), "{sentence}");
    assert!(studio.corrections().is_empty() && studio.powers().is_empty());
    let frame = studio.take("c.jpg", shot(2.8, ND_0_9, 3));
    assert_eq!(said(&frame).0, "matched", "{frame}");
    // And one that is still on when it was told to be off.
    tell(&studio, json!({"command": "next", "f_number": "f/8", "filter": "0"}));
    let frame = studio.take("d.jpg", shot(8.0, ND_0_9, 4));
    assert_eq!(said(&frame).0, "filter_unchanged", "{frame}");
    assert!(studio.powers().is_empty());
}

/// Nobody knows which settings such a frame would be held for.
#[test]
fn a_frame_whose_filter_is_not_known_is_no_reference() {
    let studio = Studio::open();
    studio.take("a.jpg", shot(8.0, 0.0, 1));
    tell(&studio, json!({"command": "next", "f_number": "f/5.6", "filter": "0.3"}));
    let frame = studio.take("b.jpg", shot(5.6, 0.0, 2));
    assert_eq!(said(&frame).0, "filter_unchanged", "{frame}");
    let refused = studio.tell(json!({"command": "accept"}));
    assert!(refused["ok"] == false && refused["message"].as_str().unwrap().contains("ND 0.3"), "{refused}");
    // Once the word is taken back it is known: there was none.
    tell(&studio, json!({"command": "undo", "group": "filter"}));
    tell(&studio, json!({"command": "accept"}));
    assert_eq!(said(&studio.take("c.jpg", shot(5.6, 0.0, 3))).0, "matched");
}

/// The same picture comes of a filter and lights turned up for it, and of neither.
#[test]
fn where_the_picture_cant_tell_whether_it_is_on_nothing_is_concluded() {
    let studio = Studio::open();
    studio.take("a.jpg", shot(8.0, 0.0, 1));
    tell(&studio, json!({"command": "next", "filter": "nd 0.9"}));
    let frame = studio.take("b.jpg", shot(8.0, 0.0, 2));
    assert!(said(&frame).1.contains("ND 0.9"), "{frame}");
    assert!(studio.powers().is_empty() && studio.ends().is_empty());
    tell(&studio, json!({"command": "confirm"}));
    let frame = studio.take("c.jpg", shot(8.0, 0.0, 3));
    assert_eq!(said(&frame).0, "matched", "{frame}");
    assert_eq!(studio.powers().len(), 1, "told, and none was read");
}

#[test]
fn the_word_is_taken_back_by_undo() {
    let studio = a_filter_is_told();
    tell(&studio, json!({"command": "undo", "group": "filter"}));
    assert!(!status(&studio).contains("ND 0.9"), "{}", status(&studio));
    let frame = studio.take("b.jpg", shot(8.0, 0.0, 2));
    assert_eq!(said(&frame).0, "matched", "{frame}");
    let again = studio.tell(json!({"command": "undo", "group": "filter"}));
    assert_eq!(again["ok"], false, "{again}");
}

#[test]
fn a_reference_remembers_the_filter_that_it_was_shot_with() {
    let mut studio = a_filter_is_told();
    studio.take("b.jpg", shot(2.8, ND_0_9, 2));
    tell(&studio, json!({"command": "reference", "look": "open"}));
    let back = tell(&studio, json!({"command": "look", "look": "main"}));
    assert!(back["message"].as_str().unwrap().contains("Take the ND 0.9 off"), "{back}");
    assert_eq!(said(&studio.take("c.jpg", shot(8.0, 0.0, 3))).0, "matched");
    studio.stop();
    studio.start();
    // One that nobody compares with any more, by the name of its file.
    tell(&studio, json!({"command": "reference"}));
    let back = tell(&studio, json!({"command": "reference", "file": "b.jpg"}));
    assert!(back["message"].as_str().unwrap().contains("Put the ND 0.9 on"), "{back}");
    assert_eq!(said(&studio.take("d.jpg", shot(2.8, ND_0_9, 4))).0, "matched");
}

#[test]
fn a_plan_goes_by_it() {
    let studio = a_filter_is_told();
    let plan = tell(&studio, json!({"command": "plan", "apertures": ["f/2.8", "f/8"]}));
    let wanted = |at: usize| plan["value"]["apertures"][at]["wanted"].as_f64().unwrap();
    assert!(wanted(0).abs() < 0.05 && (wanted(1) - 3.0).abs() < 0.05, "{plan}");
    for (word, says) in [("8", "write 0.9"), ("dark", "such as 0.9")] {
        let refused = studio.tell(json!({"command": "next", "filter": word}));
        assert!(refused["ok"] == false && refused["message"].as_str().unwrap().contains(says), "{refused}");
    }
}
