//! Where things of the set stand, and what else is typed of them for the set-up sheet.

use serde::Deserialize;

use super::values::Scalar;
use super::wrong::Wrong;
use crate::optics::read_distance;
use crate::photometry::Metres;
use crate::rig::{Angle, CameraFacts, Stands};

/// More is no note but a letter.
const LONGEST_TEXT: usize = 200;
const MOST_NOTES: usize = 20;
/// No studio is larger, in metres.
const HEIGHTS: std::ops::RangeInclusive<f64> = 0.01..=20.0;
const DISTANCES: std::ops::RangeInclusive<f64> = 0.05..=50.0;

/// Of the camera, as the configuration writes it.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct WrittenCamera {
    height: Option<Scalar>,
    distance: Option<Scalar>,
    lens: Option<Scalar>,
}

impl WrittenCamera {
    pub fn checked(&self) -> Result<CameraFacts, Wrong> {
        Ok(CameraFacts {
            height: Scalar::text_of(&self.height).map(height).transpose()?,
            distance: Scalar::text_of(&self.distance).map(distance).transpose()?,
            lens: text("lens", Scalar::text_of(&self.lens))?,
        })
    }
}

/// `most` is how many things of the kind there are, each of which may have a direction of its own.
pub(super) fn stands(
    height_text: Option<&str>,
    distance_text: Option<&str>,
    angle: Option<&str>,
    most: u32,
) -> Result<Stands, Wrong> {
    Ok(Stands {
        height: height_text.map(height).transpose()?,
        distance: distance_text.map(distance).transpose()?,
        angles: angle.map_or_else(|| Ok(Vec::new()), |text| angles(text, most))?,
    })
}

pub(super) fn angles(text: &str, most: u32) -> Result<Vec<Angle>, Wrong> {
    let wrong = |fault: String| Wrong::new("angle", text, fault);
    let angles: Vec<Angle> = text.split(" and ").map(str::parse).collect::<Result<_, String>>().map_err(wrong)?;
    if angles.len() > most as usize {
        let fault = format!(
            "there are {} angles and {most} to stand there: write one each (heads: says how many lights a group has)",
            angles.len()
        );
        return Err(wrong(fault));
    }
    Ok(angles)
}

pub(super) fn height(text: &str) -> Result<Metres, Wrong> {
    length("height", text, HEIGHTS, "1 cm and 20 m")
}

pub(super) fn distance(text: &str) -> Result<Metres, Wrong> {
    length("distance", text, DISTANCES, "5 cm and 50 m")
}

fn length(key: &str, text: &str, range: std::ops::RangeInclusive<f64>, between: &str) -> Result<Metres, Wrong> {
    let wrong = |fault: String| Wrong::new(key, text, fault);
    let length = read_distance(text).map_err(|fault| wrong(fault.to_string()))?;
    match range.contains(&length.get()) {
        true => Ok(length),
        false => Err(wrong(format!("'{text}' is out of range: it lies between {between}"))),
    }
}

/// Text of somebody's own; `None` where it is empty.
pub(super) fn text(key: &str, text: Option<&str>) -> Result<Option<String>, Wrong> {
    let Some(text) = text else { return Ok(None) };
    let length = text.chars().count();
    if length > LONGEST_TEXT || text.chars().any(char::is_control) {
        let fault = format!("write at most {LONGEST_TEXT} printable characters, on one line");
        return Err(Wrong::new(key, text, fault));
    }
    Ok((length > 0).then(|| text.to_owned()))
}

pub(super) fn notes<'a>(written: impl ExactSizeIterator<Item = &'a str>) -> Result<Vec<String>, Wrong> {
    if written.len() > MOST_NOTES {
        return Err(Wrong::new("notes", "", format!("there are more than {MOST_NOTES} notes: leave some out")));
    }
    let notes: Result<Vec<Option<String>>, Wrong> = written.map(|note| text("notes", Some(note))).collect();
    Ok(notes?.into_iter().flatten().collect())
}

#[cfg(test)]
mod tests {
    use crate::config::Config;

    const SET: &str = "\
groups:
  - name: key
    modifier: softbox 60 x 90 cm
    height: 2.1 m
    distance: 120 cm
    angle: 45 left
    gel: 1 stop
    gel_colour: half warm
    note: grid folded back
  - {name: background, heads: 2, height: 1.5 m, distance: 2 m, angle: 150 left and 150 right}
passive:
  - {name: silver card, kind: reflector, side: left, height: 1 m, distance: 0.8 m, angle: 40 left, note: tilted up}
camera: {height: 1.5 m, distance: 2.4 m, lens: lens hood on}
notes: [white backdrop 3 m behind the sitter, stool on the cross]
";

    #[test]
    fn what_is_typed_of_a_set_is_read() {
        let config = Config::parse(SET, "x").unwrap();
        let [key, background] = &config.groups[..] else { panic!("{:?}", config.groups) };
        assert_eq!(key.facts.modifier.as_deref(), Some("softbox 60 x 90 cm"));
        assert_eq!((key.facts.gel_colour.as_deref(), key.facts.in_front.len()), (Some("half warm"), 1));
        assert_eq!(key.facts.note.as_deref(), Some("grid folded back"));
        assert_eq!(key.facts.stands.height.map(|m| m.get()), Some(2.1));
        assert_eq!(key.facts.stands.distance.map(|m| m.get()), Some(1.2));
        assert_eq!(key.facts.stands.angles_in_words().as_deref(), Some("45° left"));
        assert_eq!(background.facts.stands.places().len(), 2);
        let card = &config.passive[0];
        assert_eq!((card.note.as_deref(), card.stands.places().len()), (Some("tilted up"), 1));
        assert_eq!(config.camera.lens.as_deref(), Some("lens hood on"));
        assert_eq!(config.camera.distance.map(|m| m.get()), Some(2.4));
        assert_eq!(config.notes.len(), 2);
        let none = Config::parse("groups:\n  - {name: key}\nnotes:\n", "x").unwrap();
        assert!(none.groups[0].facts == crate::rig::LightFacts::default() && none.notes.is_empty());
        assert_eq!(Config::parse("notes: one alone\n", "x").unwrap().notes, ["one alone"]);
    }

    #[test]
    fn what_is_wrong_with_it_is_said_with_its_line_and_what_would_be_right() {
        let long = format!("notes: ['{}']\n", "x".repeat(201));
        let many = format!("notes: [{}]\n", vec!["a"; 21].join(", "));
        let group = |keys: &str| format!("groups:\n  - {{name: key, {keys}}}\n");
        let card = |keys: &str| format!("passive:\n  - {{name: card, kind: reflector, {keys}}}\n");
        for (text, parts) in [
            (group("angle: 45"), ["line 2: angle", "'45' has no side"]),
            (group("angle: 45 up"), ["line 2: angle", "such as 45 left"]),
            (group("angle: 200 left"), ["line 2: angle", "beyond 180 degrees"]),
            (group("angle: 45 left and 45 right"), ["line 2: angle", "2 angles and 1 to stand there"]),
            (group("height: 2.1"), ["line 2: height", "a number with its unit"]),
            (group("height: 0 m"), ["line 2: height", "out of range"]),
            (group("height: 30 m"), ["line 2: height", "between 1 cm and 20 m"]),
            (group("distance: far"), ["line 2: distance", "is no length"]),
            (group("distance: -1 m"), ["line 2: distance", "out of range"]),
            (group("distance: 60 m"), ["line 2: distance", "between 5 cm and 50 m"]),
            (group("modifer: softbox"), ["line 2: modifer", "unknown key"]),
            (card("side: left, angle: 45 right"), ["line 2: angle", "side says left"]),
            (card("angle: 45 left and 45 right"), ["line 2: angle", "2 angles and 1 to stand there"]),
            ("camera: {height: tall}\n".into(), ["line 1: height", "is no length"]),
            ("camera: {angle: 45 left}\n".into(), ["line 1: angle", "unknown key"]),
            ("camera: 50 mm\n".into(), ["line 1: camera", "write"]),
            (long, ["line 1: notes", "at most 200 printable characters"]),
            (many, ["line 1: notes", "more than 20 notes"]),
        ] {
            let said = Config::parse(&text, "x").unwrap_err().to_string();
            assert!(parts.iter().all(|part| said.contains(part)), "{text}: {said}");
        }
    }
}
