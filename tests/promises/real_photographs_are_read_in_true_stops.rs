//! Real photographs of known exposure, by the light alone. Skipped, with a line, where they are not.
//!
//! CHECK: bracketed series that were published with their Exif settings; the true difference of two
//! frames is that of their settings (exact thirds).

use std::collections::BTreeMap;
use std::path::Path;

use crate::harness::{greyhold, real_frames};
use serde_json::Value;

/// Frames of a series with their exposure in stops.
pub fn series(frames: &Path, name: &str) -> Vec<(String, f64)> {
    let table = std::fs::read_to_string(frames.join("EXPOSURE.csv")).unwrap();
    let rows = table.lines().skip(1).map(|l| l.split(',').collect::<Vec<_>>());
    rows.filter(|r| r[0].starts_with(&format!("{name}/"))).map(|r| (r[0].to_owned(), r[4].parse().unwrap())).collect()
}

fn compare(frames: &Path, arguments: &[&str], reference: &str, others: &[String]) -> Vec<Value> {
    let path = |f: &str| frames.join(f).display().to_string();
    let mut args = vec!["compare".to_owned(), "--json".to_owned()];
    args.extend(arguments.iter().map(|a| (*a).to_owned()));
    args.push(path(reference));
    args.extend(others.iter().map(|o| path(o)));
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    let output = greyhold(&args);
    let text = String::from_utf8(output.stdout).unwrap();
    let answers: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(answers.len(), others.len(), "{}", String::from_utf8_lossy(&output.stderr));
    answers
}

/// Differences of up to two stops: true, answer.
fn pairs(frames: &Path, name: &str, arguments: &[&str]) -> Vec<(f64, Value)> {
    let all = series(frames, name);
    let mut found = Vec::new();
    for (reference, exposure) in &all {
        let near = all.iter().filter(|(f, e)| f != reference && (e - exposure).abs() <= 2.01);
        let (others, truths): (Vec<String>, Vec<f64>) = near.map(|(f, e)| (f.clone(), e - exposure)).unzip();
        found.extend(truths.into_iter().zip(compare(frames, arguments, reference, &others)));
    }
    found
}

#[test]
fn four_series_are_read_within_a_tenth_of_a_stop_and_the_interval_is_honest() {
    let Some(frames) = real_frames() else { return };
    for name in ["third-stops", "series-b", "series-c", "series-d"] {
        let pairs = pairs(&frames, name, &["--light-alone"]);
        let told: Vec<(f64, f64)> = pairs
            .iter()
            .filter_map(|(truth, a)| {
                assert_eq!(a["expected"], Value::Null, "the settings are left out");
                let (drift, half) = (a["observed"].as_f64()?, a["observed_uncertainty"].as_f64()?);
                Some(((drift - truth).abs(), half))
            })
            .collect();
        let mut errors: Vec<f64> = told.iter().map(|(e, _)| *e).collect();
        errors.sort_by(f64::total_cmp);
        let median = errors[errors.len() / 2];
        let inside = told.iter().filter(|(e, half)| e <= half).count() as f64 / told.len() as f64;
        println!(
            "{name}: {} of {} pairs told, median error {median:.3}, worst {:.3}, {:.1} % inside the interval",
            told.len(),
            pairs.len(),
            errors.last().unwrap(),
            inside * 100.0
        );
        assert!(median <= 0.12, "{name}: median error {median}");
        assert!(inside >= 0.9, "{name}: {inside} inside");
        assert!(told.len() * 10 >= pairs.len() * 7, "{name}: {} of {} told", told.len(), pairs.len());
    }
}

#[test]
fn with_the_settings_drift_and_expectation_are_the_true_ones() {
    let Some(frames) = real_frames() else { return };
    for name in ["third-stops", "series-b", "series-c"] {
        let pairs = pairs(&frames, name, &[]);
        // In series-b the light itself changed between frames, in some parts more than in others.
        let uneven = pairs.iter().filter(|(_, answer)| answer["finding"] == "uneven").count();
        assert!(uneven * 10 <= if name == "series-b" { pairs.len() } else { 0 }, "{name}: {uneven} are uneven");
        let even = pairs.iter().filter(|(_, answer)| answer["finding"] != "uneven");
        let known: Vec<_> = even.filter_map(|(t, a)| Some((t, a["expected"].as_f64()?, a["drift"].as_f64()))).collect();
        assert!(
            known.len() * 10 >= pairs.len() * 8,
            "{name}: the light is told for {} of {}",
            known.len(),
            pairs.len()
        );
        let drifts = known.iter().filter(|(.., drift)| drift.is_some()).count();
        assert!(drifts * 10 >= known.len() * 8, "{name}: a drift is told for {drifts} of {}", known.len());
        for (truth, expected, drift) in known {
            assert!((expected - truth).abs() < 0.02, "{name}: {expected} for {truth}");
            assert!(drift.is_none_or(|d| (d - truth).abs() < 0.25), "{name}: {drift:?} for {truth}");
        }
    }
}

#[test]
fn equal_exposures_of_the_aperture_grid_match_but_for_the_wide_open_ones() {
    let Some(frames) = real_frames() else { return };
    let (mut matched, mut wide_open) = (0, 0);
    for (truth, answer) in pairs(&frames, "aperture-grid", &["--light-alone"]) {
        if truth.abs() > 0.01 {
            continue;
        }
        let settings = &answer["settings"]["f_number"];
        let drift = answer["drift"].as_f64().unwrap();
        if drift.abs() > 0.2 {
            wide_open += 1;
        } else {
            matched += 1;
            assert_eq!(answer["finding"], "matched", "{answer}");
            assert_ne!(*settings, 1.4);
        }
    }
    // Two pairs of f/4 and f/11, both ways round; three of f/1.4, both ways round.
    assert_eq!((matched, wide_open), (4, 6));
}

#[test]
fn a_phones_series_is_flagged_and_its_interval_holds_the_truth() {
    let Some(frames) = real_frames() else { return };
    let pairs = pairs(&frames, "phone", &[]);
    assert!(pairs.len() >= 10);
    for (truth, answer) in pairs {
        assert_eq!(answer["finding"], "not_trustworthy");
        let (drift, half) = (answer["drift"].as_f64().unwrap(), answer["uncertainty"].as_f64().unwrap());
        assert!((drift - truth).abs() <= half, "{drift} +- {half} for {truth}");
    }
}

/// Every file of the odd collections: settings or a sentence, quickly, without a panic.
#[test]
fn every_odd_file_is_answered() {
    let Some(frames) = real_frames() else { return };
    let mut answered = BTreeMap::new();
    for folder in ["cameras", "containers", "hostile", "flash"] {
        let files: Vec<String> = std::fs::read_dir(frames.join(folder))
            .unwrap()
            .flatten()
            .map(|e| format!("{folder}/{}", e.file_name().to_string_lossy()))
            .collect();
        for answer in compare(&frames, &[], "third-stops/0008.jpg", &files) {
            let sentence = answer["sentence"].as_str().unwrap();
            assert!(!sentence.is_empty() && !sentence.contains("panick"), "{answer}");
            let told = answer["settings"]["f_number"].is_number() || answer["settings"]["exposure_time"].is_number();
            *answered.entry((folder, told)).or_insert(0) += 1;
        }
    }
    println!("answered (folder, with settings): {answered:?}");
    for folder in ["cameras", "containers", "hostile"] {
        assert!(answered.keys().any(|(of, _)| *of == folder), "no file of {folder}");
    }
    assert!(answered[&("flash", true)] == 17);
}
