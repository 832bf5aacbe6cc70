//! What every sentence about a frame keeps to, wherever a test reads one.
//!
//! `GREYHOLD_SENTENCES=FILE` adds each to a file, to be read at one go: `sort -u FILE`.

use std::fs::OpenOptions;
use std::io::Write;

/// What nobody should have to read: marks of a programmer's, abbreviations, and an interval without its sign.
const NEVER: [&str; 12] =
    ["+-", "--", "#", "os error", "None", "Some(", "NaN", "inf ", "dn ", " so ?", "  ", "at whole"];

/// Panics where a sentence is none that is understood at once.
pub fn assert_plain(sentence: &str) {
    if let Err(why) = plain(sentence) {
        panic!("{why}: {sentence}");
    }
    let Some(file) = std::env::var_os("GREYHOLD_SENTENCES") else { return };
    let mut file = OpenOptions::new().create(true).append(true).open(file).unwrap();
    file.write_all(format!("{sentence}\n").as_bytes()).unwrap();
}

fn plain(sentence: &str) -> Result<(), String> {
    let begins = sentence.chars().next().ok_or("it is empty")?;
    if !(begins.is_uppercase() || begins.is_numeric()) {
        return Err("it begins with a small letter".to_owned());
    }
    if !sentence.ends_with('.') {
        return Err("it has no end".to_owned());
    }
    if let Some(found) = NEVER.iter().find(|mark| sentence.contains(**mark)) {
        return Err(format!("'{found}' stands in it"));
    }
    let words: Vec<&str> = sentence.split_whitespace().collect();
    words.windows(2).try_for_each(|pair| sizes(pair[0], pair[1]))
}

/// A size in stops: more than one are several, and nobody turns a light by a hundredth.
fn sizes(number: &str, unit: &str) -> Result<(), String> {
    let unit = unit.trim_end_matches(|c: char| !c.is_alphabetic());
    let number = number.trim_start_matches(['(', '±', '+', '-', '−']);
    if unit != "stop" && unit != "stops" || !number.starts_with(|c: char| c.is_ascii_digit()) {
        return Ok(());
    }
    let is_hundredths = number.split('.').nth(1).is_some_and(|decimals| decimals.len() > 1);
    let size: f64 = number.parse().unwrap_or(0.0);
    match (is_hundredths, size > 1.0, unit) {
        (true, ..) => Err(format!("'{number}' is finer than anybody turns a light")),
        (_, true, "stop") => Err(format!("{number} are stops")),
        (_, false, "stops") if !number.contains('/') => Err(format!("{number} is a stop")),
        _ => Ok(()),
    }
}

#[test]
fn what_is_not_plain_is_found() {
    for fine in [
        "Matches the reference.",
        "1 1/3 stops too bright: f/8 to f/5.6.",
        "0.4 stop (±0.1 stop) darker.",
        "2 stops up.",
    ] {
        plain(fine).unwrap();
    }
    for (wrong, why) in [
        ("", "empty"),
        ("matches.", "small letter"),
        ("Matches", "no end"),
        ("It is +-0.1 stop.", "stands in it"),
        ("It is 0.25 stop up.", "finer"),
        ("It is 2 stop up.", "are stops"),
        ("It is 1 stops up.", "is a stop"),
    ] {
        let said = plain(wrong).unwrap_err();
        assert!(said.contains(why), "{wrong}: {said}");
    }
}
