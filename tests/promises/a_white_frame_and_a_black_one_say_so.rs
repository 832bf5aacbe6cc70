//! A frame that is all white, or all black, shows no light that could be compared: it is told how far over it is at least and what
//! the settings ask of the powers, or where to look; never a number as if it had been read. Through the real program.

use crate::harness::{Shot, Studio, shot};
use serde_json::{Value, json};

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");

fn said(frame: &Value) -> String {
    let sentence = frame["verdict"]["sentence"].as_str().unwrap();
    assert!(!sentence.contains("+0.00") && !sentence.contains("atches"), "{frame}");
    sentence.to_owned()
}

/// The least that a sentence says the frame is brighter by.
fn at_least(sentence: &str) -> f64 {
    let (_, after) = sentence.split_once("at least ").unwrap_or_else(|| panic!("{sentence}"));
    after.split_whitespace().next().unwrap().parse().unwrap()
}

#[test]
fn white_by_the_settings_is_answered_by_what_they_say() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let frame = studio.take("2.jpg", shot(1.4, 0.0, 2));
    assert_eq!(frame["verdict"]["finding"], "clipped");
    let least = at_least(&said(&frame));
    assert!((1.5..=5.0).contains(&least), "true are 5 stops: {}", said(&frame));
    let asked = studio.corrections().pop().unwrap();
    assert_eq!(asked["correction"]["wanted"], json!(-5.0));
}

#[test]
fn white_by_a_light_says_so_and_turns_nothing() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    for (number, f_number, power) in [(2, 8.0, 6.0), (3, 5.6, 5.0)] {
        let frame = studio.take(&format!("{number}.jpg"), shot(f_number, power, number));
        assert_eq!((&frame["verdict"]["finding"], &frame["verdict"]["drift"]), (&json!("clipped"), &Value::Null));
        let least = at_least(&said(&frame));
        assert!((1.5..=6.0).contains(&least), "true are 6 stops: {}", said(&frame));
    }
    assert!(studio.corrections().is_empty() && studio.powers().is_empty());
}

/// As many stops as are told are there, whatever the frame is over by.
#[test]
fn at_least_is_at_least() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    for (number, power) in (2..).zip([3.5, 4.0, 4.5, 5.0, 5.5, 6.0, 7.0, 8.0]) {
        let frame = studio.take(&format!("{number}.jpg"), shot(8.0, power, number));
        if frame["verdict"]["finding"] == "clipped" {
            assert!(at_least(&said(&frame)) <= power + 0.05, "{power}: {}", said(&frame));
        }
    }
}

#[test]
fn black_says_where_to_look() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let frame = studio.take("2.jpg", Shot { f_number: 22.0, ..shot(8.0, -14.0, 2) });
    let sentence = said(&frame);
    assert_eq!((&frame["verdict"]["finding"], &frame["verdict"]["drift"]), (&json!("misfire"), &Value::Null));
    for place in ["trigger", "cable", "lens cap"] {
        assert!(sentence.contains(place), "{sentence}");
    }
    assert!(studio.corrections().is_empty());
}
