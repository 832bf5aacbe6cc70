//! A frame is compared with its reference by the same parts of the scene: wherever they lie in it, from pose to pose, after the
//! reference's file is gone, and never with another scene.

use std::fs;

use greyhold::studio::{CameraSettings, with_exif};
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::harness::{Studio, shot};

const RIG: &str = "\
groups:
  - {name: key, role: key, dial: fraction, step: 1/3, range: 1/128 to 1/1, power: 1/4}
  - {name: fill, role: fill, dial: fraction, step: 1/3, range: 1/128 to 1/1, power: 1/8}
";

/// A wall hung with things of many sizes, wider than any frame of it.
struct Wall {
    seed: u64,
}

impl Wall {
    /// Its tone at a place, in stops about mid-grey.
    fn tone(&self, x: f64, y: f64) -> f64 {
        (1..=5_u32).map(|octave| self.blobs(x, y, 120.0 / f64::from(octave * octave)) / f64::from(octave).sqrt()).sum()
    }

    /// Values at the corners of a net, and smoothly between them.
    fn blobs(&self, x: f64, y: f64, size: f64) -> f64 {
        let (x, y) = (x / size, y / size);
        let (left, top) = (x.floor(), y.floor());
        let smooth = |t: f64| t * t * (3.0 - 2.0 * t);
        let (beside, below) = (smooth(x - left), smooth(y - top));
        let corner = |right: f64, down: f64| {
            let key = (left + right) as i64 as u64
                ^ ((top + down) as i64 as u64).rotate_left(32)
                ^ size.to_bits()
                ^ self.seed;
            let mut z = key.wrapping_mul(0x9E37_79B9_7F4A_7C15);
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            (z >> 11) as f64 / (1_u64 << 53) as f64 * 2.0 - 1.0
        };
        let line = |down: f64| corner(0.0, down) + (corner(1.0, down) - corner(0.0, down)) * beside;
        line(0.0) + (line(1.0) - line(0.0)) * below
    }

    /// What a camera takes of it: from a place, so much larger, under so many stops of light. `size` is the frame's.
    fn frame(&self, from: (f64, f64), zoom: f64, light: f64, size: (u32, u32)) -> Vec<u8> {
        let places = (0..size.1).flat_map(|y| (0..size.0).map(move |x| (f64::from(x), f64::from(y))));
        let code = |(x, y): (f64, f64)| {
            let stops = 0.9 * self.tone(from.0 + x / zoom, from.1 + y / zoom) + light;
            [(118.0 * (stops * 0.45).exp2()).clamp(0.0, 255.0) as u8; 3]
        };
        places.flat_map(code).collect()
    }
}

const SIZE: (u32, u32) = (480, 320);

fn exposure(number: u64) -> CameraSettings {
    shot(8.0, 0.0, number).exposure()
}

/// Puts a frame of a wall, and gives what was made of it.
fn put(studio: &Studio, number: u64, pixels: &[u8], size: (u32, u32)) -> Value {
    let name = format!("{number:03}.jpg");
    studio.put(&name, &with_exif(pixels, size.0, size.1, &exposure(number), 92).unwrap());
    studio.sync();
    studio.frame(&name)["verdict"].clone()
}

fn matched(verdict: &Value) -> &Value {
    assert!(verdict["framing"]["matched"].is_object(), "{verdict}");
    &verdict["framing"]["matched"]
}

#[test]
fn a_frame_that_is_shifted_and_closer_matches_and_says_how_it_lies() {
    let (studio, wall) = (Studio::with_config(RIG), Wall { seed: 1 });
    put(&studio, 1, &wall.frame((0.0, 0.0), 1.0, 0.0, SIZE), SIZE);
    // A fifth of the frame to the right, and a tenth closer.
    let verdict = put(&studio, 2, &wall.frame((96.0, 20.0), 1.1, 0.0, SIZE), SIZE);
    assert_eq!(verdict["finding"], "matched", "{}", verdict["sentence"]);
    let framing = matched(&verdict);
    assert!((framing["zoom"].as_f64().unwrap() - 1.1).abs() < 0.01, "{framing}");
    // The middle of the reference is at 240 of the wall, which the frame shows at (240 - 96) * 1.1 of its 480 pixels.
    assert!((framing["right"].as_f64().unwrap() - (144.0 * 1.1 / 480.0 - 0.5)).abs() < 0.01, "{framing}");
    assert!(
        verdict["observed"].as_f64().unwrap().abs() < 0.03 && verdict["observed_uncertainty"].as_f64().unwrap() < 0.1
    );
}

#[test]
fn an_upright_frame_of_a_lying_reference_and_one_in_a_mirror_are_read_by_the_same_parts() {
    let (studio, wall) = (Studio::with_config(RIG), Wall { seed: 2 });
    put(&studio, 1, &wall.frame((0.0, 0.0), 1.0, 0.0, SIZE), SIZE);
    let upright = put(&studio, 2, &wall.frame((80.0, -80.0), 1.0, 0.0, (320, 480)), (320, 480));
    assert_eq!(upright["finding"], "matched", "{}", upright["sentence"]);
    matched(&upright);
    let pixels = wall.frame((0.0, 0.0), 1.0, 0.0, SIZE);
    let mirrored: Vec<u8> =
        pixels.chunks(480 * 3).flat_map(|line| line.chunks(3).rev().flatten().copied().collect::<Vec<u8>>()).collect();
    let mirrored = put(&studio, 3, &mirrored, SIZE);
    assert_eq!((&mirrored["finding"], &matched(&mirrored)["mirrored"]), (&json!("matched"), &json!(true)));
}

#[test]
fn another_scene_gets_no_number_to_turn_by_with_settings_or_without() {
    let (studio, wall) = (Studio::with_config(RIG), Wall { seed: 3 });
    put(&studio, 1, &wall.frame((0.0, 0.0), 1.0, 0.0, SIZE), SIZE);
    let other = Wall { seed: 4 }.frame((0.0, 0.0), 1.0, -0.8, SIZE);
    let verdict = put(&studio, 2, &other, SIZE);
    assert_eq!((&verdict["finding"], &verdict["framing"]), (&json!("new_scene"), &json!("other_scene")));
    let mut plain = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut plain, 92)
        .encode(&other, SIZE.0, SIZE.1, image::ExtendedColorType::Rgb8)
        .unwrap();
    studio.put("sent-by-a-friend.jpg", &plain);
    studio.sync();
    assert_eq!(studio.frame("sent-by-a-friend.jpg")["verdict"]["finding"], "new_scene");
    assert!(studio.corrections().is_empty());
}

#[test]
fn a_plain_wall_claims_no_more_than_its_tones_can_tell() {
    let studio = Studio::with_config(RIG);
    let flat = |code: u8| vec![code; (SIZE.0 * SIZE.1 * 3) as usize];
    put(&studio, 1, &flat(118), SIZE);
    let verdict = put(&studio, 2, &flat(122), SIZE);
    assert_eq!((&verdict["finding"], &verdict["framing"]), (&json!("matched"), &json!("too_plain")));
    assert!(verdict["observed_uncertainty"].as_f64().unwrap() > 0.3, "{verdict}");
    // A fifth of a stop is less than they can tell, where nobody knows what lies where.
    let verdict = put(&studio, 3, &flat(127), SIZE);
    assert!(["matched", "uncertain"].contains(&verdict["finding"].as_str().unwrap()), "{verdict}");
    assert!(studio.corrections().is_empty());
}

/// From pose to pose: the last frame shows nothing of the reference, and is still on its scale.
#[test]
fn a_sitting_walks_from_anchor_to_anchor_on_one_scale() {
    let (studio, wall) = (Studio::with_config(RIG), Wall { seed: 5 });
    let mut last = Value::Null;
    for number in 1..=9 {
        // A fifth of the frame with every step, and the light as it was.
        last = put(&studio, number, &wall.frame((96.0 * number as f64, 0.0), 1.0, 0.0, SIZE), SIZE);
        if number > 1 {
            assert_eq!(last["finding"], "matched", "frame {number}: {}", last["sentence"]);
        }
    }
    assert!(matched(&last)["anchor"].as_u64().unwrap() > 1, "{last}");
    let far = put(&studio, 10, &wall.frame((96.0 * 9.0, 0.0), 1.0, -1.0, SIZE), SIZE);
    assert_eq!(far["finding"], "lights_changed", "{}", far["sentence"]);
    // What the wall's own curve makes of a stop by the stock curve is not the point here; the way is.
    assert!(far["observed"].as_f64().unwrap() < -0.5, "{far}");
    let sure = |verdict: &Value| verdict["observed_uncertainty"].as_f64().unwrap();
    assert!(sure(&last) > 0.03, "the anchors' own errors are carried: {last}");
}

#[test]
fn a_reference_outlives_its_file_and_a_restart() {
    let (mut studio, wall) = (Studio::with_config(RIG), Wall { seed: 6 });
    put(&studio, 1, &wall.frame((0.0, 0.0), 1.0, 0.0, SIZE), SIZE);
    put(&studio, 2, &wall.frame((10.0, 0.0), 1.0, 0.0, SIZE), SIZE);
    studio.stop();
    fs::remove_file(studio.folder.join("001.jpg")).unwrap();
    studio.start();
    let verdict = put(&studio, 3, &wall.frame((60.0, 30.0), 1.0, 0.0, SIZE), SIZE);
    assert_eq!(verdict["finding"], "matched", "{}", verdict["sentence"]);
    assert!(matched(&verdict)["right"].as_f64().unwrap() < -0.1);
}

/// As after an update from a program that kept none, or where somebody took the folder away.
#[test]
fn without_the_references_picture_its_tones_speak_until_a_new_one_is_set() {
    let (mut studio, wall) = (Studio::with_config(RIG), Wall { seed: 7 });
    put(&studio, 1, &wall.frame((0.0, 0.0), 1.0, 0.0, SIZE), SIZE);
    studio.stop();
    let mut pictures = studio.log().into_os_string();
    pictures.push(".pictures");
    fs::remove_dir_all(pictures).unwrap();
    studio.start();
    let verdict = put(&studio, 2, &wall.frame((4.0, 0.0), 1.0, 0.0, SIZE), SIZE);
    assert!(verdict["framing"].is_null() && verdict["observed_uncertainty"].as_f64().unwrap() > 0.3, "{verdict}");
    assert_eq!(studio.tell(json!({"command": "reference"}))["ok"], true);
    matched(&put(&studio, 3, &wall.frame((60.0, 0.0), 1.0, 0.0, SIZE), SIZE));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, ..ProptestConfig::default() })]

    /// A drawn spot rides on the scene: where it went is where its part of the wall lies.
    #[test]
    fn a_spot_lies_where_its_part_of_the_scene_does(right in -70.0_f64..70.0, down in -45.0_f64..45.0) {
        let spots = format!("spots:\n  - {{name: vase, left: 0.4, top: 0.4, right: 0.6, bottom: 0.6}}\n{RIG}");
        let (studio, wall) = (Studio::with_config(&spots), Wall { seed: 8 });
        put(&studio, 1, &wall.frame((0.0, 0.0), 1.0, 0.0, SIZE), SIZE);
        let verdict = put(&studio, 2, &wall.frame((right, down), 1.0, 0.0, SIZE), SIZE);
        let spot = verdict["spots"].as_array().unwrap().iter().find(|s| s["spot"] == "vase").unwrap().clone();
        prop_assert!(spot["drift"].as_f64().unwrap().abs() < 0.03, "{}", spot);
        let edge = |name: &str| spot["area"][name].as_f64().unwrap();
        prop_assert!((edge("left") - (0.4 - right / 480.0)).abs() < 0.01, "{}", spot);
        prop_assert!((edge("top") - (0.4 - down / 320.0)).abs() < 0.015, "{}", spot);
    }
}
