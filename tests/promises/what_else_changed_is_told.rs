//! What is no light's doing is told beside what is: another camera, one that was turned upright, light that burns all the time, a
//! flash that the camera did not see fire, a power that was told and that the picture doesn't show. Through the real program.

use crate::harness::set::Set;
use crate::harness::sittings::{Lamps, Take};
use crate::harness::{Shot, Studio, shot};
use greyhold::photometry::{ExposureTime, Series};
use greyhold::studio::{CameraSettings, expose};
use serde_json::{Value, json};

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");

fn said(frame: &Value) -> String {
    frame["verdict"]["sentence"].as_str().unwrap().to_owned()
}

/// The same bytes with a part of them exchanged for as many others.
fn with(mut jpeg: Vec<u8>, was: &[u8], is: &[u8]) -> Vec<u8> {
    assert_eq!(was.len(), is.len());
    let at = jpeg.windows(was.len()).position(|w| w == was).expect("it is in the file");
    jpeg[at..at + is.len()].copy_from_slice(is);
    jpeg
}

#[test]
fn another_camera() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert!(!said(&studio.take("2.jpg", shot(8.0, 0.0, 2))).contains("another camera"));
    let other = with(shot(8.0, 0.0, 3).jpeg(), b"a made-up camera", b"another of these");
    let frame = studio.take_bytes("3.jpg", &other);
    assert!(
        said(&frame).contains("another camera (another of these) than the reference (a made-up camera)"),
        "{frame}"
    );
}

#[test]
fn a_camera_that_was_turned_upright() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let upright = Shot { size: (320, 480), ..shot(8.0, 0.0, 2) };
    assert!(said(&studio.take("2.jpg", upright)).contains("held upright"), "{}", studio.frame("2.jpg"));
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", upright);
    assert!(said(&studio.take("2.jpg", shot(8.0, 0.0, 3))).contains("held level"), "{}", studio.frame("2.jpg"));
}

/// Taken with another exposure time, by flash and a share of light that burns all the time.
fn timed(power: f64, time: f64, number: u64) -> Vec<u8> {
    let shot = shot(8.0, power, number);
    let time = ExposureTime::new(time, None, Series::Thirds).unwrap();
    let settings = CameraSettings { time, ..shot.exposure() };
    expose(&shot.light(), shot.size.0, shot.size.1, &settings, 88, number).unwrap()
}

#[test]
fn light_that_burns_all_the_time() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    // All of it: twice the time, a stop more light.
    let all = studio.take_bytes("2.jpg", &timed(1.0, 1.0 / 80.0, 2));
    assert_eq!(all["verdict"]["finding"], "burning_light", "{all}");
    assert!(said(&all).contains("1/160 s to 1/80 s") && said(&all).contains("lighting: continuous"), "{}", said(&all));
    // 30 %: log2(0.7 + 0.3 * 4) stops in four times the time.
    let part = studio.take_bytes("3.jpg", &timed(1.9_f64.log2(), 1.0 / 40.0, 3));
    assert_eq!(part["verdict"]["finding"], "burning_light", "{part}");
    assert!(said(&part).contains("or a light was turned"), "no picture proves it: {}", said(&part));
    let share: f64 = said(&part).split_once("about ").unwrap().1.split(' ').next().unwrap().parse().unwrap();
    assert!((share - 30.0).abs() < 8.0, "{}", said(&part));
    assert!(studio.corrections().is_empty(), "no flash is turned for it");
    for frame in [&all, &part] {
        assert!(
            !said(frame).contains("the light is not") && !said(frame).contains("the light changed"),
            "{}",
            said(frame)
        );
    }
    // Flash alone doesn't heed the time.
    assert_eq!(studio.take_bytes("4.jpg", &timed(0.0, 1.0 / 80.0, 4))["verdict"]["finding"], "matched");
}

/// Exif's Flash tag (0x9209, SHORT): fired is 9, did not fire is 16.
#[test]
fn a_flash_that_the_camera_did_not_see_fire() {
    let tag = |value: u8| [&[0x92, 0x09, 0, 3, 0, 0, 0, 1, 0][..], &[value]].concat();
    let studio = Studio::with_config(RIG);
    let fired = |jpeg: Vec<u8>| with(jpeg, &tag(16), &tag(9));
    studio.take_bytes("1.jpg", &fired(shot(8.0, 0.0, 1).jpeg()));
    // What is left is a lamp's light: dark, but not as a frame without flash is.
    let frame = studio.take("2.jpg", shot(8.0, -1.0, 2));
    assert_eq!(frame["verdict"]["finding"], "misfire", "{frame}");
    assert!(said(&frame).contains("did not fire"), "{}", said(&frame));
    // A trigger that the camera doesn't see fires without a word of it.
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert_eq!(studio.take("2.jpg", shot(8.0, -1.0, 2))["verdict"]["finding"], "lights_changed");
}

#[test]
fn powers_that_were_told_and_that_the_picture_does_not_show() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    for (group, setting) in [("key", "1/4"), ("fill", "31.3"), ("rim", "6.0")] {
        assert_eq!(studio.tell(json!({"command": "power", "group": group, "setting": setting}))["ok"], true);
    }
    let frame = studio.take("2.jpg", shot(8.0, 0.0, 2));
    assert!(
        said(&frame).contains("told to be turned down 1 stop, but the picture shows that they were not"),
        "{frame}"
    );
    // What was told and is seen needs no word.
    for (group, setting) in [("key", "1/4"), ("fill", "31.3"), ("rim", "6.0")] {
        assert_eq!(studio.tell(json!({"command": "power", "group": group, "setting": setting}))["ok"], true);
    }
    let turned = studio.take("3.jpg", shot(8.0, -1.0, 3));
    assert!(!said(&turned).contains("but the picture"), "{turned}");
}

fn notes(frame: &Value) -> String {
    frame["notes"].as_array().unwrap().iter().map(|note| note.as_str().unwrap()).collect::<Vec<_>>().join("; ")
}

/// All lights are as they were asked to be, but one was told to be elsewhere: nothing is left open beside a match, and what was told
/// wrong is told.
#[test]
fn one_power_that_was_told_wrong_among_lights_that_did_as_asked() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(5.6, 0.0, 2));
    assert_eq!(studio.tell(json!({"command": "power", "group": "key", "setting": "1/8"}))["ok"], true);
    let frame = studio.take("3.jpg", shot(5.6, -1.0, 3));
    assert_eq!(frame["verdict"]["finding"], "matched", "{frame}");
    let said = notes(&frame);
    assert!(said.contains("key was told to be at 1/8") && said.contains("taken to be at 1/4"), "{said}");
    let status = studio.tell(json!({"command": "status"}));
    assert_eq!(status["value"]["correction"], Value::Null, "{status}");
    let powers: Vec<f64> =
        status["value"]["groups"].as_array().unwrap().iter().map(|g| g["since_reference"].as_f64().unwrap()).collect();
    assert!(powers.iter().all(|since| (since + 1.0).abs() < 1e-5), "{powers:?}");
    assert_eq!(studio.ends().pop().unwrap()["how"], "observed");
    // What is asked next goes by where the lights are.
    let next = studio.tell(json!({"command": "next", "f_number": "f/8"}))["message"].as_str().unwrap().to_owned();
    assert!(next.contains("every light up 1 stop") && next.contains("turn key up to 1/2  (from 1/4"), "{next}");
}

/// Nothing is asked, and one of three is told to be turned that was not.
#[test]
fn one_power_that_was_told_and_makes_no_difference() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert_eq!(studio.tell(json!({"command": "power", "group": "key", "setting": "1/8"}))["ok"], true);
    let frame = studio.take("2.jpg", shot(8.0, 0.0, 2));
    assert_eq!(frame["verdict"]["finding"], "matched", "{frame}");
    let said = notes(&frame);
    assert!(said.contains("key was told to be turned down 2 stops, but this frame shows no difference"), "{said}");
    assert_eq!(notes(&studio.take("3.jpg", shot(8.0, 0.0, 3))), "", "once");
}

#[test]
fn one_power_that_was_told_and_that_the_picture_does_not_show() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    assert_eq!(set.studio.tell(json!({"command": "survey"}))["ok"], true);
    for firing in [Lamps::None, Lamps::Only(0), Lamps::Only(1), Lamps::Only(2), Lamps::All] {
        assert_ne!(set.shoot_for_survey(firing)["step"]["what"], "refused");
    }
    assert_eq!(set.studio.tell(json!({"command": "power", "group": "rim", "setting": "1/8"}))["ok"], true);
    let untouched = set.shoot(set.usual());
    let sentence = said(&untouched);
    assert!(
        sentence.contains("Rim was told to be turned down 1 stop, but the picture shows that it was not"),
        "{untouched}"
    );
    assert_eq!(set.studio.tell(json!({"command": "power", "group": "rim", "setting": "1/8"}))["ok"], true);
    let turned = set.shoot(Take { powers: vec![0.0, 0.0, -1.0], ..set.usual() });
    assert!(!said(&turned).contains("but the picture"), "{turned}");
}
