//! Single values of the configuration's text: words, numbers with their units, lists.

use std::fmt;
use std::time::Duration;

use serde::Deserialize;

use super::wrong::Wrong;
use crate::photometry::{Density, ExposureTime};

const MOST_FILTERS: usize = 20;

/// Text, or a number that was meant as text; as it is written.
#[derive(Debug, Clone)]
pub(super) struct Scalar(pub String);

impl Scalar {
    /// The text of a key that may be left out.
    pub fn text_of(written: &Option<Scalar>) -> Option<&str> {
        written.as_ref().map(|scalar| scalar.0.as_str())
    }
}

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

/// A list of texts, or the one text that stands alone.
pub(super) fn list_or_one<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<Vec<Scalar>, D::Error> {
    struct Texts;
    impl<'de> serde::de::Visitor<'de> for Texts {
        type Value = Vec<Scalar>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("a text, or a list of texts")
        }

        fn visit_unit<E>(self) -> Result<Vec<Scalar>, E> {
            Ok(Vec::new())
        }

        fn visit_str<E>(self, text: &str) -> Result<Vec<Scalar>, E> {
            Ok(vec![Scalar(text.trim().to_owned())])
        }

        fn visit_seq<A: serde::de::SeqAccess<'de>>(self, list: A) -> Result<Vec<Scalar>, A::Error> {
            Vec::deserialize(serde::de::value::SeqAccessDeserializer::new(list))
        }
    }
    deserializer.deserialize_any(Texts)
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

/// The shutter's sync speed, as `1/160`.
pub(super) fn sync_speed(key: &str, text: &Scalar) -> Result<ExposureTime, Wrong> {
    let wrong = |fault: String| Wrong::new(key, &text.0, fault);
    // '160' is how it is spoken of, and 160 s how it would be read.
    if let Some(spoken) = text.0.parse::<u32>().ok().filter(|n| *n > 1) {
        return Err(wrong(format!("'{spoken}' would be {spoken} s: write 1/{spoken}")));
    }
    let time: ExposureTime = text.0.parse().map_err(wrong)?;
    if time.marked_seconds() > 1.0 {
        return Err(wrong(format!("'{}' is longer than 1 s, which no sync speed is: write one such as 1/160", text.0)));
    }
    Ok(time)
}

/// A place across the frame, as `0.44` or `44 %`.
pub(super) fn share_of_frame(key: &str, text: &Scalar) -> Result<f64, Wrong> {
    let body = text.0.strip_suffix('%');
    let number = body.unwrap_or(&text.0).trim_end().parse::<f64>().ok();
    let share = number.map(|n| if body.is_some() { n / 100.0 } else { n });
    match share {
        Some(share) if (0.0..=1.0).contains(&share) => Ok(share),
        Some(share) if body.is_none() && (1.0..=100.0).contains(&share) => {
            Err(Wrong::new(key, &text.0, format!("'{}' is more than 1: write {0} %, or {}", text.0, share / 100.0)))
        }
        _ => {
            let fault = format!("write a number, not '{}': 0 to 1, such as 0.44, or per cent, such as 44 %", text.0);
            Err(Wrong::new(key, &text.0, fault))
        }
    }
}

/// Densities of filters, as `0.9` or `ND 0.9`.
pub(super) fn densities(key: &str, written: &[Scalar]) -> Result<Vec<Density>, Wrong> {
    if written.len() > MOST_FILTERS {
        return Err(Wrong::new(key, "", format!("there are more than {MOST_FILTERS} filters: leave some out")));
    }
    written.iter().map(|text| text.0.parse().map_err(|fault: String| Wrong::new(key, &text.0, fault))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;

    fn refused(text: &str) -> String {
        Config::parse(text, "x").unwrap_err().to_string()
    }

    #[test]
    fn what_is_at_hand_is_read() {
        let at_hand = |text: &str| Config::parse(text, "x").unwrap().at_hand;
        let read = at_hand("lowest_iso: 64\nfilters: [0.3, ND 0.9, 'nd1.8']\n");
        assert_eq!(read.lowest_iso.map(|iso| iso.marked()), Some(64.0));
        assert_eq!(read.filters, [0.3, 0.9, 1.8].map(Density));
        assert_eq!(at_hand("lowest_iso: ISO 100\n").lowest_iso.map(|iso| iso.marked()), Some(100.0));
        assert!(at_hand("filters: []\n").filters.is_empty(), "who has none says so");
        assert_eq!(at_hand("filters:\n"), Config::default().at_hand);
        for (text, parts) in [
            ("\nlowest_iso: low\n", ["line 2: lowest_iso", "write it as 200"]),
            ("filters: [0.3, 8]\n", ["line 1: filters", "write 0.9"]),
            ("filters: [dark]\n", ["line 1: filters", "such as 0.9"]),
            ("filters: [-0.3]\n", ["line 1: filters", "such as 0.9"]),
            ("filters: 0.3\n", ["line 1: filters", "a list"]),
        ] {
            let said = refused(text);
            assert!(parts.iter().all(|part| said.contains(part)), "{text}: {said}");
        }
    }

    #[test]
    fn a_sync_speed_is_no_longer_than_a_second() {
        let read =
            |text: &str| Config::parse(&format!("sync_speed: {text}\n"), "x").unwrap().sync_speed.marked_seconds();
        assert_eq!([read("1/160"), read("1/160 s"), read("0.5"), read("1")], [1.0 / 160.0, 1.0 / 160.0, 0.5, 1.0]);
        for (text, part) in [
            ("sync_speed: 160\n", "line 1: sync_speed: '160' would be 160 s: write 1/160"),
            ("sync: 250\n", "write 1/250"),
            ("sync_speed: 160 s\n", "longer than 1 s"),
            ("sync_speed: 1.5\n", "longer than 1 s"),
            ("sync_speed: fast\n", "write it as 1/160"),
        ] {
            let said = refused(text);
            assert!(said.contains(part), "{said}");
        }
    }

    #[test]
    fn a_spot_lies_in_fractions_or_in_per_cent() {
        let area = |sides: &str| {
            let config = Config::parse(&format!("spots:\n  - {{name: cheek, {sides}}}\n"), "x").unwrap();
            config.spots.iter().find(|s| s.name == "cheek").and_then(|s| s.area()).unwrap()
        };
        let fractions = area("left: 0.44, top: 0.4, right: 0.56, bottom: 0.52");
        assert_eq!(area("left: 44%, top: 40 %, right: '56 %', bottom: 0.52"), fractions);
        assert_eq!(
            area("left: 0, top: 0 %, right: 1, bottom: 100 %"),
            area("left: 0.0, top: 0, right: 1.0, bottom: 1")
        );
        for (left, part) in [
            ("44", "'44' is more than 1: write 44 %, or 0.44"),
            ("140 %", "0 to 1, such as 0.44, or per cent"),
            ("-0.1", "0 to 1, such as 0.44, or per cent"),
            ("0.6", "left before right"),
        ] {
            let said = refused(&format!("spots:\n  - {{name: cheek, left: {left}, top: 0, right: 0.5, bottom: 1}}\n"));
            assert!(said.contains("line 2") && said.contains(part), "{said}");
        }
    }
}
