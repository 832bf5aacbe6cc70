//! A camera that nobody calibrated is known after a light survey: what the single lights give adds up to what all give, so its frames
//! say how the camera renders light. Through the real program.
//!
//! CHECK: the renderer's camera is known to it alone; what the settings say of the light must be read out of the picture.

use std::fs;

use crate::harness::set::Set;
use crate::harness::sittings::{Lamps, Take};
use serde_json::{Value, json};

/// A set whose camera has no curve of its own.
fn uncalibrated() -> Set {
    let mut set = Set::prepared("");
    fs::remove_dir_all(set.studio.home.path().join("curves")).unwrap();
    set.studio.start();
    set.shoot(set.usual());
    set
}

fn survey(set: &mut Set, groups: &[&str], firing: &[Lamps]) {
    assert_eq!(set.studio.tell(json!({"command": "survey", "groups": groups}))["ok"], true);
    for lamps in firing {
        let step = set.shoot_for_survey(*lamps);
        assert_ne!(step["step"]["what"], "refused", "{}", step["step"]["why"]);
    }
}

/// How far a brighter frame's light is read off what its settings say, with the reading's 95 % half-width.
fn read_off(set: &mut Set) -> [f64; 2] {
    let frame = set.shoot(Take { f_number: 5.6, ..set.usual() });
    let [expected, observed, half_width] =
        ["expected", "observed", "observed_uncertainty"].map(|number| frame["verdict"][number].as_f64().unwrap());
    assert!(expected > 1.0, "{expected}");
    [observed - expected, half_width]
}

#[test]
fn a_survey_makes_an_unknown_camera_known() {
    let mut set = uncalibrated();
    let before = read_off(&mut set);
    survey(&mut set, &[], &[Lamps::None, Lamps::Only(0), Lamps::Only(1), Lamps::Only(2), Lamps::All]);
    let learned = set.studio.of_type("response");
    assert_eq!(learned.len(), 1, "{learned:?}");
    assert_eq!(learned[0]["how"], "survey");
    assert_eq!(learned[0]["frames"], json!([3, 4, 5, 6, 7]));
    let after = read_off(&mut set);
    println!(
        "light off by {:+.2} +-{:.2} before the survey, by {:+.2} +-{:.2} after it",
        before[0], before[1], after[0], after[1]
    );
    assert!(after[0].abs() <= after[1] && after[1] < 0.3 * before[1], "{before:?} {after:?}");
    // The log is the memory: a restart keeps it, for the lights, too.
    set.studio.kill();
    set.studio.start();
    let forgotten = Take { powers: vec![0.0, 0.0, 1.0], ..set.usual() };
    let verdict = set.shoot(forgotten)["verdict"].clone();
    assert_eq!(verdict["response"], learned[0]["response"]);
    assert_eq!(verdict["finding"], "group_changed", "{}", verdict["sentence"]);
}

#[test]
fn a_survey_that_left_a_light_out_teaches_nothing() {
    let mut set = uncalibrated();
    survey(&mut set, &["key", "rim"], &[Lamps::None, Lamps::Only(0), Lamps::Only(2), Lamps::All]);
    assert_eq!(set.studio.of_type("response"), Vec::<Value>::new());
}
