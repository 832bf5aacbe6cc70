//! On the job, with no calibration: settings that went to and fro under one light make the curve better known,
//! and a light that moved meanwhile teaches nothing. Through the real program.

use crate::harness::{Studio, shot};
use serde_json::{Value, json};

fn half_width(frame: &Value) -> f64 {
    frame["verdict"]["observed_uncertainty"].as_f64().unwrap()
}

/// Takes frames at these f-numbers and powers; gives the last one.
fn take(studio: &Studio, frames: &[(f64, f64)]) -> Value {
    let mut last = Value::Null;
    for (f_number, power) in frames {
        let number = studio.frames().len() as u64 + 1;
        // A still life: nothing but the settings changes from frame to frame.
        let still = crate::harness::Shot { number: 1, at: number as f64 * 10.0, ..shot(*f_number, *power, 1) };
        last = studio.take(&format!("f{number}.jpg"), still);
    }
    last
}

#[test]
fn to_and_fro_under_one_light_makes_the_uncertainty_shrink() {
    let mut studio = Studio::open();
    let before = take(&studio, &[(8.0, 0.0), (13.0, 0.0), (8.0, 0.0)]);
    assert!(studio.of_type("response").is_empty(), "once there and back proves nothing: {before}");
    let first = studio.frame("f2.jpg");
    take(&studio, &[(13.0, 0.0)]);
    let learned = studio.of_type("response");
    assert_eq!(learned.len(), 1);
    assert_eq!(learned[0]["how"], "settings_alone");
    assert_eq!(learned[0]["frames"], json!([1, 2, 3, 4]));
    let after = take(&studio, &[(13.0, 0.0)]);
    assert_eq!(after["verdict"]["response"], learned[0]["response"]);
    println!("f/13 against f/8: known to +-{:.2} before, to +-{:.2} after", half_width(&first), half_width(&after));
    assert!(half_width(&after) < half_width(&first) * 0.8);
    // The log is the memory: a restart keeps what was learned.
    studio.kill();
    studio.start();
    let again = take(&studio, &[(13.0, 0.0)]);
    assert_eq!(again["verdict"]["response"], learned[0]["response"]);
}

#[test]
fn a_light_that_moved_teaches_nothing() {
    let studio = Studio::open();
    // The lights follow half way, there and back.
    take(&studio, &[(8.0, 0.0), (13.0, 0.7), (8.0, 0.0), (13.0, 0.7), (8.0, 0.0), (13.0, 0.7)]);
    assert!(studio.of_type("response").is_empty());
}

#[test]
fn a_power_that_was_told_begins_anew() {
    let studio = Studio::open();
    take(&studio, &[(8.0, 0.0), (13.0, 0.0), (8.0, 0.0)]);
    // 'all lights' has no dial in this studio: a look made current counts as new light, too.
    assert_eq!(studio.tell(json!({"command": "look", "look": "main"}))["ok"], true);
    take(&studio, &[(13.0, 0.0)]);
    assert!(studio.of_type("response").is_empty());
}

#[test]
fn the_srgb_curve_is_not_made_better() {
    let studio = Studio::with_config("response_curve: srgb\n");
    take(&studio, &[(8.0, 0.0), (13.0, 0.0), (8.0, 0.0), (13.0, 0.0)]);
    assert!(studio.of_type("response").is_empty());
}
