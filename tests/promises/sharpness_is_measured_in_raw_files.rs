//! Raw files: a blur of known width is told by their linear light, neither exposure nor framing passes for one, and a raw file that can't be
//! read says so.
//!
//! CHECK: the blurs are convolutions of light with Gaussians of known width, made here; the light of real raw files is that of
//! ../shared/frames/raw.
#![cfg(feature = "raw")]

use std::path::{Path, PathBuf};

use greyhold::container::{Kind, Links};
use greyhold::frame::{CutPlace, cut_from};
use serde_json::Value;

use crate::harness::{greyhold, real_frames};
use crate::sharpness_is_measured_on_the_same_lashes::{Light, SHARP, SIZE, SPOTS, Sitting, Taken, round};

/// Within 0.25 pixels or 15 %, whichever is larger.
fn good_enough(blur: f64) -> f64 {
    (0.15 * blur).max(0.25)
}

#[test]
fn a_known_blur_is_told_by_the_light_of_raw_files() {
    let sitting = Sitting::new();
    let blurs = [[0.5, 1.0, 2.0], [4.0, 6.0, 8.0]];
    let files = [
        sitting.put_raw("a.dng", &SHARP),
        sitting.put_raw("b.dng", &round(5.6, blurs[0])),
        sitting.put_raw("c.dng", &round(2.8, blurs[1])),
    ];
    let told = sitting.told(&files);
    let spots = |told: &Value| told["spots"].as_array().unwrap().clone();
    let mut within = 0;
    for (spot, width) in told[1..3].iter().flat_map(spots).zip(blurs.into_iter().flatten()) {
        match spot["softness"]["blur"].as_f64() {
            Some(blur) => {
                assert!((blur - width).abs() <= good_enough(width), "{width}: {spot}");
                within += 1;
            }
            None => println!("a raw file's blur of {width} pixels is not told: {}", spot["untold"]),
        }
    }
    assert!(within >= 5, "{told:?}");
}

#[test]
fn neither_an_exposure_nor_a_moved_frame_is_a_change_of_sharpness_in_raw_files() {
    let sitting = Sitting::new();
    let files = [
        sitting.put_raw("a.dng", &SHARP),
        sitting.put_raw("b.dng", &Taken { stops: 1.0, ..SHARP }),
        sitting.put_raw("c.dng", &Taken { stops: -1.0, moved: [23, 9], ..SHARP }),
    ];
    let told = sitting.told(&files);
    assert!(told[1..files.len()].iter().all(|told| told["cause"]["kind"] == "as_sharp"), "{told:?}");
    let spots = told[..files.len()].iter().flat_map(|told| told["spots"].as_array().unwrap());
    let shares: Vec<f64> = spots.filter_map(|spot| spot["softness"]["detail"]["share"].as_f64()).collect();
    assert_eq!(shares.len(), 2 * SPOTS.len());
    // One more per cent than of pictures: a raw file's green is half of the samples.
    assert!(shares.iter().all(|share| (share - 1.0).abs() <= 0.03), "{shares:?}");
}

fn real_raw_files() -> Option<Vec<PathBuf>> {
    let folder = real_frames()?.join("raw");
    let is_raw = |path: &PathBuf| path.extension().is_some_and(|end| end != "md");
    let files: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    Some(files.into_iter().filter(is_raw).collect())
}

#[test]
fn a_real_raw_file_is_as_sharp_as_itself_or_says_why_it_can_not_be_read() {
    let Some(files) = real_raw_files() else { return };
    let (mut measured, mut refused) = (0, 0);
    for file in files {
        let name = file.display().to_string();
        let output = greyhold(&["compare", "--sharpness", "--json", &name, &name]);
        let why = String::from_utf8(output.stderr).unwrap();
        if !output.status.success() {
            assert_eq!(why.lines().count(), 1, "{why}");
            assert!(why.contains(&format!("{name} can't be the reference: ")) && !why.contains("panic"), "{why}");
            println!("{why}");
            refused += 1;
            continue;
        }
        for told in String::from_utf8(output.stdout).unwrap().lines().take(2) {
            let told: Value = serde_json::from_str(told).unwrap();
            for spot in told["spots"].as_array().unwrap() {
                if let Some(blur) = spot["softness"]["blur"].as_f64() {
                    assert!(blur.abs() < 0.01, "{told}");
                    measured += 1;
                }
            }
        }
    }
    println!("{measured} spots of real raw files measured, {refused} files refused");
    assert!(measured >= 8 && refused >= 1, "{measured} {refused}");
}

/// The light of the middle of a raw file; `None` where it can't be read or is too small.
fn light_of(path: &Path) -> Option<Light> {
    let [width, height] = SIZE;
    let mut file = greyhold::container::open(path, Links::Followed).ok()?;
    // As the width that is cut at once is bounded: two halves, side by side.
    let halves = |frame: [usize; 2]| {
        let part = |at: usize, of: usize| at as f64 / of as f64;
        [0, width / 2].map(|left| CutPlace {
            left: part(left, frame[0]),
            top: 0.0,
            right: part(left + width / 2, frame[0]),
            bottom: part(height, frame[1]),
            most: 1024,
            margin: 0,
        })
    };
    let mut cut = |places: &[CutPlace]| cut_from(Kind::of(path)?, path, &mut file, places).ok()?.ok();
    let frame = cut(&halves(SIZE))?.first()?.frame;
    if frame[0] < width || frame[1] < height {
        return None;
    }
    let cuts = cut(&halves(frame))?;
    let linear: Vec<&[f32]> = cuts.iter().filter_map(|cut| cut.picture.linear.as_deref()).collect();
    let line = |row: usize| linear.iter().flat_map(move |half| &half[row * width / 2..][..width / 2]);
    Some((0..height).flat_map(line).map(|light| f64::from(*light)).collect())
}

/// The texture is a real sensor's, with its own noise; it is blurred, gets noise of its own once more, and is written as a raw file.
#[test]
fn a_known_blur_of_a_real_raw_file_is_told() {
    let Some(files) = real_raw_files() else { return };
    let (mut told, mut untold) = (0, 0);
    for light in files.iter().filter_map(|file| light_of(file)) {
        let sitting = Sitting::before(light);
        let widths = [1.0, 2.0, 4.0];
        let files = [sitting.put_raw("a.dng", &SHARP), sitting.put_raw("b.dng", &round(5.6, widths))];
        for (spot, width) in sitting.told(&files)[1]["spots"].as_array().unwrap().iter().zip(widths) {
            match spot["softness"]["blur"].as_f64() {
                Some(blur) => {
                    assert!((blur - width).abs() <= good_enough(width), "{width}: {spot}");
                    told += 1;
                }
                None => untold += 1,
            }
        }
    }
    println!("known blurs of real raw files: {told} told within limits, {untold} not told");
    assert!(told >= 3, "{told} told, {untold} not");
}
