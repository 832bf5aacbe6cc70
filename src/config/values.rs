//! Single values of the configuration's text: words, numbers with their units, lists.

use std::fmt;
use std::time::Duration;

use serde::Deserialize;

use super::wrong::Wrong;

/// Text, or a number that was meant as text; as it is written.
#[derive(Debug, Clone)]
pub(super) struct Scalar(pub String);

impl<'de> Deserialize<'de> for Scalar {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Scalar, D::Error> {
        struct AsWritten;
        impl serde::de::Visitor<'_> for AsWritten {
            type Value = Scalar;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a word, or a number with its unit")
            }

            fn visit_str<E>(self, text: &str) -> Result<Scalar, E> {
                Ok(Scalar(text.trim().to_owned()))
            }
        }
        deserializer.deserialize_str(AsWritten)
    }
}

/// A list; a key whose entries are all commented out is an empty one.
pub(super) fn list<'de, D: serde::Deserializer<'de>, T: Deserialize<'de>>(deserializer: D) -> Result<Vec<T>, D::Error> {
    Option::deserialize(deserializer).map(Option::unwrap_or_default)
}

/// One of a few words.
pub(super) fn word<T: Copy>(key: &str, text: Option<&Scalar>, words: &[(&str, T)]) -> Result<Option<T>, Wrong> {
    let Some(text) = text else {
        return Ok(None);
    };
    let found = words.iter().find(|(word, _)| *word == text.0).map(|(_, value)| *value);
    found.map(Some).ok_or_else(|| {
        let right: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        Wrong::new(key, &text.0, format!("'{}' is not known here: write {}", text.0, right.join(" or ")))
    })
}

/// A number with its unit, in a range.
pub(super) fn quantity(
    key: &str,
    text: &str,
    units: &[&str],
    range: std::ops::RangeInclusive<f64>,
) -> Result<f64, Wrong> {
    let digits = text.trim_end_matches(|c: char| c.is_alphabetic() || c == '%');
    let unit = text[digits.len()..].trim();
    let right = format!(
        "write a number from {} to {} with its unit, such as {} {}",
        range.start(),
        range.end(),
        range.start().max(0.2),
        units[0]
    );
    match digits.trim().parse::<f64>() {
        Ok(_) if !units.contains(&unit) => {
            let said = if unit.is_empty() { "no unit".to_owned() } else { format!("the unit '{unit}'") };
            Err(Wrong::new(key, text, format!("'{text}' has {said}: {right}")))
        }
        Ok(number) if range.contains(&number) => Ok(number),
        _ => Err(Wrong::new(key, text, format!("'{text}' can't be used: {right}"))),
    }
}

pub(super) fn seconds(
    key: &str,
    text: Option<&Scalar>,
    range: std::ops::RangeInclusive<f64>,
) -> Result<Option<Duration>, Wrong> {
    text.map(|t| quantity(key, &t.0, &["s", "seconds"], range).map(Duration::from_secs_f64)).transpose()
}
