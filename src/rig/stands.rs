//! Where a thing of the set stands about the sitter, as somebody typed it, and where that is on the floor.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::optics::distance_in_words;
use crate::photometry::Metres;

/// The direction in which a thing stands, seen from the sitter: 0 degrees is at the camera, 180 behind the sitter, and
/// between them it is left or right as the camera sees it. Written `45 left`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Angle {
    /// Degrees, above -180 and up to 180; to the right is positive.
    degrees: f64,
}

/// A place on the floor, in metres from below the sitter's face.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FloorPlace {
    /// As the camera sees it; to the left is negative.
    pub right: f64,
    /// Away from the sitter in the camera's direction; behind the sitter is negative.
    pub towards_camera: f64,
}

/// Where a thing stands, as far as somebody typed it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Stands {
    /// From the floor to its middle.
    pub height: Option<Metres>,
    /// Along the floor, from below the sitter's face to below its front.
    pub distance: Option<Metres>,
    /// Several where a group's lights stand in several directions, all as far away and as high.
    pub angles: Vec<Angle>,
}

/// What was typed of the camera.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CameraFacts {
    /// From the floor to the lens.
    pub height: Option<Metres>,
    /// Along the floor, from the lens to the sitter's face.
    pub distance: Option<Metres>,
    pub lens: Option<String>,
}

impl Angle {
    /// At the camera.
    pub const AT_CAMERA: Angle = Angle { degrees: 0.0 };

    /// `None` unless above -180 degrees and up to 180; to the right, as the camera sees it, is positive.
    pub fn new(degrees: f64) -> Option<Angle> {
        // A zero with a sign is none.
        (degrees > -180.0 && degrees <= 180.0).then_some(Angle { degrees: degrees + 0.0 })
    }

    pub fn degrees(self) -> f64 {
        self.degrees
    }

    /// `true` to the right as the camera sees it, `false` to the left; `None` at the camera and right behind the sitter.
    pub fn is_right(self) -> Option<bool> {
        (self.degrees != 0.0 && self.degrees != 180.0).then_some(self.degrees > 0.0)
    }
}

impl FloorPlace {
    /// `right = d sin a`, `towards_camera = d cos a` (polar coordinates about the sitter, the camera's direction being 0).
    pub fn of(distance: Metres, angle: Angle) -> FloorPlace {
        let radians = angle.degrees.to_radians();
        FloorPlace { right: distance.get() * radians.sin(), towards_camera: distance.get() * radians.cos() }
    }
}

impl Stands {
    /// Where on the floor: a place for each direction; none where distance or direction wasn't typed.
    pub fn places(&self) -> Vec<FloorPlace> {
        let at = |distance| self.angles.iter().map(|angle| FloorPlace::of(distance, *angle)).collect();
        self.distance.map_or_else(Vec::new, at)
    }

    /// '2.1 m high, 1.2 m away, 45° left': what of it was typed, each a part.
    pub fn in_words(&self) -> Vec<String> {
        let height = self.height.map(|height| format!("{} high", distance_in_words(height)));
        let distance = self.distance.map(|distance| format!("{} away", distance_in_words(distance)));
        height.into_iter().chain(distance).chain(self.angles_in_words()).collect()
    }

    /// '45° left', '150° left and 150° right'; `None` where it wasn't typed.
    pub fn angles_in_words(&self) -> Option<String> {
        let said: Vec<String> = self.angles.iter().map(|angle| angle.in_degrees()).collect();
        (!said.is_empty()).then(|| said.join(" and "))
    }
}

impl CameraFacts {
    /// What of it was typed, each a part.
    pub fn in_words(&self) -> Vec<String> {
        let height = self.height.map(|height| format!("{} high", distance_in_words(height)));
        let distance = self.distance.map(|distance| format!("{} from the sitter", distance_in_words(distance)));
        height.into_iter().chain(distance).chain(self.lens.clone()).collect()
    }
}

impl Angle {
    /// '45° left', '0° (at the camera)', '180° (behind the sitter)'.
    pub fn in_degrees(self) -> String {
        let size = self.degrees.abs();
        match self.is_right() {
            Some(is_right) => format!("{size}° {}", if is_right { "right" } else { "left" }),
            None if size == 0.0 => "0° (at the camera)".to_owned(),
            None => "180° (behind the sitter)".to_owned(),
        }
    }
}

/// As it is written in the configuration.
impl fmt::Display for Angle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let side = self.is_right().map_or("", |is_right| if is_right { " right" } else { " left" });
        write!(f, "{}{side}", self.degrees.abs())
    }
}

impl FromStr for Angle {
    type Err = String;

    /// From `45 left`, `30° right`, `0` or `180`.
    fn from_str(text: &str) -> Result<Angle, String> {
        const RIGHT: &str = "write the degrees from the camera as seen from the sitter, and the side as the camera sees it, \
                             such as 45 left (0 is at the camera, 180 behind the sitter)";
        let text = text.trim();
        let end = text.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(text.len());
        let side = text[end..].trim_start().trim_start_matches('°').trim();
        let size = text[..end].parse::<f64>().map_err(|_| format!("'{text}' is no angle: {RIGHT}"))?;
        let is_on_axis = size == 0.0 || size == 180.0;
        let degrees = match side {
            _ if !(0.0..=180.0).contains(&size) => return Err(format!("'{text}' is beyond 180 degrees: {RIGHT}")),
            "" if is_on_axis => size,
            "" => return Err(format!("'{text}' has no side: {RIGHT}")),
            "left" | "right" if is_on_axis => size,
            "left" => -size,
            "right" => size,
            _ => return Err(format!("'{side}' is no side: {RIGHT}")),
        };
        Angle::new(degrees).ok_or_else(|| format!("'{text}' is no angle: {RIGHT}"))
    }
}

impl TryFrom<String> for Angle {
    type Error = String;

    fn try_from(text: String) -> Result<Angle, String> {
        text.parse()
    }
}

impl From<Angle> for String {
    fn from(angle: Angle) -> String {
        angle.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn angles_are_read_as_they_are_written() {
        for (text, degrees) in [
            ("45 left", -45.0),
            ("30° right", 30.0),
            ("0", 0.0),
            ("180", 180.0),
            ("180 left", 180.0),
            ("7.5left", -7.5),
        ] {
            assert_eq!(text.parse::<Angle>().map(Angle::degrees), Ok(degrees), "{text}");
        }
        for (text, part) in [
            ("45", "'45' has no side"),
            ("45 north", "'north' is no side"),
            ("left", "is no angle"),
            ("-45 left", "is no angle"),
            ("190 right", "beyond 180 degrees"),
            ("", "is no angle"),
            ("1e3", "'e3' is no side"),
            ("..", "is no angle"),
        ] {
            let said = text.parse::<Angle>().unwrap_err();
            assert!(said.contains(part) && said.contains("such as 45 left"), "{text}: {said}");
        }
    }

    /// CHECK: the four main directions, by what left and right mean.
    #[test]
    fn left_is_left_as_the_camera_sees_it_and_behind_is_behind() {
        let at = |angle: &str| {
            let place = FloorPlace::of(Metres::new(2.0).unwrap(), angle.parse().unwrap());
            [place.right, place.towards_camera].map(|metres| (metres * 1e9).round() / 1e9)
        };
        assert_eq!(
            [at("0"), at("90 left"), at("90 right"), at("180")],
            [[0.0, 2.0], [-2.0, 0.0], [2.0, 0.0], [0.0, -2.0]]
        );
    }

    proptest! {
        #[test]
        fn a_place_tells_the_distance_and_the_angle_that_it_is_of(metres in 0.05_f64..50.0, degrees in -179.9_f64..180.0) {
            let place = FloorPlace::of(Metres::new(metres).unwrap(), Angle::new(degrees).unwrap());
            prop_assert!((place.right.hypot(place.towards_camera) - metres).abs() < 1e-9);
            let back = place.right.atan2(place.towards_camera).to_degrees();
            prop_assert!((back - degrees).abs() < 1e-6, "{back}");
        }

        #[test]
        fn what_is_written_is_read_again(tenths in -1799_i32..=1800) {
            let angle = Angle::new(f64::from(tenths) / 10.0).unwrap();
            prop_assert_eq!(angle.to_string().parse::<Angle>(), Ok(angle));
        }
    }
}
