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
    // A spot's name stands in quotes as it is written.
    if !(begins.is_uppercase() || begins.is_numeric() || begins == '\'') {
        return Err("it begins with a small letter".to_owned());
    }
    if !sentence.ends_with('.') {
        return Err("it has no end".to_owned());
    }
    if let Some(found) = NEVER.iter().find(|mark| sentence.contains(**mark)) {
        return Err(format!("'{found}' stands in it"));
    }
    let words: Vec<&str> = sentence.split_whitespace().collect();
    words.iter().enumerate().try_for_each(|(at, word)| sizes(&words[..at], word))
}

/// A size in stops: more than one are several, and nobody turns a light by a hundredth.
fn sizes(before: &[&str], unit: &str) -> Result<(), String> {
    let unit = unit.trim_end_matches(|c: char| !c.is_alphabetic());
    let number = |word: &&str| word.trim_start_matches(['(', '±', '+', '-', '−']).to_owned();
    let Some(last) = before.last().map(number).filter(|_| unit == "stop" || unit == "stops") else { return Ok(()) };
    let fraction =
        last.split_once('/').and_then(|(above, below)| Some(above.parse::<f64>().ok()? / below.parse::<f64>().ok()?));
    let Some(part) = fraction.or_else(|| last.parse().ok()) else { return Ok(()) };
    // '1 2/3 stops'.
    let whole = before.iter().rev().nth(1).and_then(|word| number(word).parse::<u32>().ok());
    let size = part + f64::from(whole.filter(|_| fraction.is_some()).unwrap_or(0));
    let is_hundredths = last.split('.').nth(1).is_some_and(|decimals| decimals.len() > 1);
    match (is_hundredths, size > 1.0, unit) {
        (true, ..) => Err(format!("'{last}' is finer than anybody turns a light")),
        (_, true, "stop") => Err(format!("{size} are stops")),
        (_, false, "stops") => Err(format!("{size} is a stop")),
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
        ("It is 1 1/3 stop up.", "are stops"),
        ("It is 2/3 stops up.", "is a stop"),
        ("It is 1 stops up.", "is a stop"),
    ] {
        let said = plain(wrong).unwrap_err();
        assert!(said.contains(why), "{wrong}: {said}");
    }
}
