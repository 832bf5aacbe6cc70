//! A tap too many is taken back: the light stands as before and its correction is open again, also after a restart.

use crate::harness::{Studio, greyhold, shot};
use serde_json::{Value, json};

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");

fn status(studio: &Studio) -> Value {
    studio.tell(json!({"command": "status"}))["value"].clone()
}

/// What stands where, and what is asked; without the count of records.
fn standing(studio: &Studio) -> (Value, Value, Value) {
    let status = status(studio);
    (status["groups"].clone(), status["correction"].clone(), status["looks"].clone())
}

fn tell(studio: &Studio, command: Value) {
    let reply = studio.tell(command.clone());
    assert_eq!(reply["ok"], true, "{command}: {reply}");
}

#[test]
fn a_group_or_the_last_of_them_and_after_a_restart() {
    let mut studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(5.6, 0.0, 2));
    let asked = standing(&studio);
    assert!(asked.1.is_object());
    tell(&studio, json!({"command": "confirm", "group": "rim"}));
    tell(&studio, json!({"command": "undo", "group": "rim"}));
    assert_eq!(standing(&studio), asked);
    // All are set and the correction is over; the last word is taken back.
    tell(&studio, json!({"command": "confirm", "group": "rim"}));
    tell(&studio, json!({"command": "confirm", "group": "key"}));
    let before_last = standing(&studio);
    tell(&studio, json!({"command": "confirm", "group": "fill"}));
    assert_eq!(standing(&studio).1, Value::Null);
    studio.stop();
    studio.start();
    tell(&studio, json!({"command": "undo", "group": "fill"}));
    let again = standing(&studio);
    assert_eq!((&again.0, &again.2), (&before_last.0, &before_last.2));
    let mut told: Vec<&str> = again.1["confirmed"].as_array().unwrap().iter().map(|g| g.as_str().unwrap()).collect();
    told.sort_unstable();
    assert_eq!(told, ["key", "rim"]);
    // Once is all.
    assert_eq!(studio.tell(json!({"command": "undo", "group": "fill"}))["ok"], false);
}

#[test]
fn a_power_that_was_told_and_what_it_said_of_the_reference() {
    let studio = Studio::with_config(&RIG.replace(", power: 7.0", ""));
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let before = standing(&studio);
    tell(&studio, json!({"command": "power", "group": "rim", "setting": "6.0"}));
    assert_ne!(standing(&studio), before);
    tell(&studio, json!({"command": "undo", "group": "rim"}));
    assert_eq!(standing(&studio), before);
}

#[test]
fn not_after_a_frame_has_shown_what_is_so() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    tell(&studio, json!({"command": "power", "group": "key", "setting": "1/4"}));
    studio.take("2.jpg", shot(8.0, 0.0, 2));
    let reply = studio.tell(json!({"command": "undo", "group": "key"}));
    assert_eq!(reply["ok"], false);
    assert!(reply["message"].as_str().unwrap().contains("since the last frame"));
    assert_eq!(studio.tell(json!({"command": "undo", "group": "nobody"}))["ok"], false);
}

/// Two taps at once, on what is no longer asked, do nothing.
#[test]
fn what_was_overtaken_is_refused() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(5.6, 0.0, 2));
    let first = status(&studio)["correction"]["record"].as_u64().unwrap();
    studio.take("3.jpg", shot(4.0, 0.0, 3));
    let second = status(&studio)["correction"]["record"].as_u64().unwrap();
    assert_ne!(first, second);
    assert_eq!(studio.tell(json!({"command": "confirm", "group": "key", "correction": first}))["ok"], false);
    assert_eq!(studio.tell(json!({"command": "confirm", "group": "key", "correction": second}))["ok"], true);
    assert_eq!(
        studio.tell(json!({"command": "confirm", "group": "key", "correction": second}))["ok"],
        false,
        "it is set already"
    );
    assert_eq!(studio.tell(json!({"command": "reference", "frame": 2}))["ok"], false);
    assert_eq!(studio.tell(json!({"command": "reference", "frame": 3}))["ok"], true);
}

/// Thirds of a stop come back from the log rounded: to tell again where a light stands is no turn, and answers nothing.
#[test]
fn a_power_that_is_told_again_unchanged_answers_no_correction() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    tell(&studio, json!({"command": "power", "group": "key", "setting": "1/8 +0.7"}));
    studio.take("2.jpg", shot(5.6, 0.0, 2));
    assert!(status(&studio)["correction"].is_object());
    tell(&studio, json!({"command": "power", "group": "key", "setting": "1/8 +0.7"}));
    assert_eq!(status(&studio)["correction"]["confirmed"], json!([]), "{}", status(&studio)["correction"]);
    tell(&studio, json!({"command": "power", "group": "key", "setting": "1/8"}));
    assert_eq!(status(&studio)["correction"]["confirmed"], json!(["key"]), "somebody decided otherwise");
}

/// What a light can't reach, and somebody has confirmed, is not asked for again with the next frame.
#[test]
fn what_was_confirmed_at_the_end_of_a_range_is_not_asked_again() {
    let rig = "groups:\n  - {name: key, role: key, dial: fraction, step: 1/3, range: 1/8 to 1/1, power: 1/2}\n";
    let studio = Studio::with_config(rig);
    studio.take("1.jpg", shot(5.6, 0.0, 1));
    // Three stops are wanted, one is there.
    studio.take("2.jpg", shot(16.0, 0.0, 2));
    assert_eq!(status(&studio)["correction"]["correction"]["dial_changes"][0]["limit"], "maximum");
    tell(&studio, json!({"command": "confirm"}));
    let asked = studio.corrections().len();
    for n in 3..5 {
        let frame = studio.take(&format!("{n}.jpg"), shot(16.0, 1.0, n));
        assert!(frame["verdict"]["drift"].as_f64().unwrap() < -1.5, "{frame}");
    }
    assert_eq!(studio.corrections().len(), asked, "{:?}", studio.corrections());
    // Another aperture is another question.
    studio.take("5.jpg", shot(22.0, 1.0, 5));
    assert_eq!(studio.corrections().len(), asked + 1);
}

/// A light that stays as it is needs no word: what was asked is over, and no screen shows it any more.
#[test]
fn what_was_asked_is_over_when_every_light_that_was_to_be_turned_is_set() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.tell(json!({"command": "power", "group": "key", "setting": "1/4"}));
    studio.take("2.jpg", shot(8.0, -0.5, 2));
    studio.tell(json!({"command": "reference", "look": "soft"}));
    studio.tell(json!({"command": "look", "look": "main"}));
    let status = || studio.tell(json!({"command": "status"}))["message"].as_str().unwrap().to_owned();
    assert!(
        status().contains("asked: For look 'main', as 1.jpg was shot.") && status().contains("turn key up"),
        "{}",
        status()
    );
    studio.tell(json!({"command": "power", "group": "key", "setting": "1/2"}));
    assert!(!status().contains("asked:") && !status().contains("leave "), "{}", status());
    // And a word that is taken back opens it again.
    studio.tell(json!({"command": "undo", "group": "key"}));
    assert!(status().contains("turn key up"), "{}", status());
}

/// What a light can't give stays in sight when it is told to be set, also beside a frame of before that matched, until a frame shows
/// that something else made up for it.
#[test]
fn the_end_of_a_range_stays_in_sight_until_it_is_made_up_for() {
    let rig = "groups:\n  - {name: key, role: key, dial: fraction, step: 1/3, range: 1/8 to 1/1, power: 1/2}\n";
    let studio = Studio::with_config(rig);
    let told = || studio.tell(json!({"command": "status"}))["message"].as_str().unwrap().to_owned();
    let short = "key is set at the end of its range, 2 stops too weak";
    studio.take("1.jpg", shot(5.6, 0.0, 1));
    assert_eq!(studio.take("2.jpg", shot(5.6, 0.0, 2))["verdict"]["finding"], "matched");
    tell(&studio, json!({"command": "next", "f_number": "f/16"}));
    tell(&studio, json!({"command": "confirm"}));
    assert!(told().contains(short) && told().contains("Instead:"), "{}", told());
    studio.take("3.jpg", shot(16.0, 1.0, 3));
    assert!(told().contains(short), "{}", told());
    assert_eq!(studio.take("4.jpg", shot(8.0, 1.0, 4))["verdict"]["finding"], "matched");
    assert!(!told().contains("end of its range"), "{}", told());
}

/// Without a name it is the light that was told of last; the others are named.
#[test]
fn what_was_told_last_is_taken_back_without_a_name() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let before = standing(&studio);
    for (group, setting) in [("rim", "6.0"), ("key", "1/4")] {
        tell(&studio, json!({"command": "power", "group": group, "setting": setting}));
    }
    let socket = studio.socket().display().to_string();
    let undone = greyhold(&["undo", "--socket", &socket]);
    assert_eq!(
        String::from_utf8_lossy(&undone.stdout),
        "key stands at 1/2 again, as before; rim can be taken back, too\n",
        "{undone:?}"
    );
    assert_eq!(studio.tell(json!({"command": "undo"}))["message"], "rim stands at 7.0 again, as before");
    assert_eq!(standing(&studio), before);
    let nothing = studio.tell(json!({"command": "undo"}));
    assert!(
        nothing["ok"] == false && nothing["message"].as_str().unwrap().contains("nothing to take back"),
        "{nothing}"
    );
}
