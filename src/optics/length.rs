//! Lengths: of a lens, on a sensor, before and behind the point in focus.

use std::fmt;
use std::str::FromStr;

use serde::Serialize;

use super::OpticsError;
use crate::photometry::Metres;

/// A length on the sensor's side of the lens, in millimetres, above zero.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Millimetres(f64);

impl Millimetres {
    /// `None` unless finite and above zero.
    pub fn new(millimetres: f64) -> Option<Millimetres> {
        (millimetres.is_finite() && millimetres > 0.0).then_some(Millimetres(millimetres))
    }

    /// Of a format's own size, above zero by what is written there.
    pub(super) const fn of_format(millimetres: f64) -> Millimetres {
        Millimetres(millimetres)
    }

    pub fn get(self) -> f64 {
        self.0
    }
}

/// The diameter of a disk on the sensor, in micrometres; a point that is in focus has none.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Micrometres(pub f64);

impl Micrometres {
    /// How many times `other` it is.
    pub fn times(self, other: Micrometres) -> f64 {
        self.0 / other.0
    }
}

impl fmt::Display for Micrometres {
    /// Whole micrometres, with a decimal below ten.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let decimals = usize::from(self.0 < 9.95);
        write!(f, "{:.decimals$} µm", self.0)
    }
}

/// The focal length of a lens as it is engraved, 1 mm to 5 m.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct FocalLength(Millimetres);

impl FocalLength {
    /// `None` outside 1 mm to 5 m.
    pub fn new(millimetres: f64) -> Option<FocalLength> {
        (1.0..=5000.0).contains(&millimetres).then_some(FocalLength(Millimetres(millimetres)))
    }

    pub fn millimetres(self) -> Millimetres {
        self.0
    }

    pub(super) fn metres(self) -> f64 {
        self.0.0 / 1000.0
    }
}

impl fmt::Display for FocalLength {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} mm", self.0.0)
    }
}

impl FromStr for FocalLength {
    type Err = OpticsError;

    /// From text such as `85mm`; a bare number is millimetres, as lenses are engraved.
    fn from_str(text: &str) -> Result<FocalLength, OpticsError> {
        let bare = text.trim().parse().ok().map(|mm: f64| mm / 1000.0);
        let metres = bare.map_or_else(|| read(text, "85mm"), Ok)?;
        let (least, most) = ("1 mm", "5000 mm");
        // A thousand times a thousandth is not always what it was.
        FocalLength::new((metres * 1e9).round() / 1e6).ok_or_else(|| OpticsError::OutOfRange {
            what: "focal length",
            text: text.trim().to_owned(),
            least,
            most,
        })
    }
}

/// Where a point lies from the one in focus, in metres along the lens's axis: behind it is positive, nearer to the camera
/// negative.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Depth(f64);

impl Depth {
    /// In focus.
    pub const ZERO: Depth = Depth(0.0);

    /// In metres. `None` unless within a kilometre.
    pub fn new(metres: f64) -> Option<Depth> {
        (-1000.0..=1000.0).contains(&metres).then_some(Depth(metres))
    }

    pub fn metres(self) -> f64 {
        self.0
    }

    /// In metres; what is a kilometre away or more is a kilometre away.
    pub fn nearest(metres: f64) -> Depth {
        Depth(metres.clamp(-1000.0, 1000.0))
    }
}

impl fmt::Display for Depth {
    /// `3 cm before`, `10 cm behind`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let side = if self.0 < 0.0 { "before" } else { "behind" };
        write!(f, "{} {side}", length_in_words(self.0.abs()))
    }
}

impl FromStr for Depth {
    type Err = OpticsError;

    fn from_str(text: &str) -> Result<Depth, OpticsError> {
        let metres = read(text, "-3cm or 10cm")?;
        let (least, most) = ("-1000 m", "1000 m");
        Depth::new(metres).ok_or_else(|| OpticsError::OutOfRange {
            what: "depth",
            text: text.trim().to_owned(),
            least,
            most,
        })
    }
}

/// A distance to the subject from text such as `1.8m`, 1 mm to 1 km.
///
/// # Errors
/// A sentence where it is no length, or out of that range.
pub fn read_distance(text: &str) -> Result<Metres, OpticsError> {
    let metres = read(text, "1.8m")?;
    Metres::new(metres).filter(|m| (0.001..=1000.0).contains(&m.get())).ok_or_else(|| OpticsError::OutOfRange {
        what: "distance",
        text: text.trim().to_owned(),
        least: "1 mm",
        most: "1000 m",
    })
}

/// A distance as a person says it: `27 cm`, `1.8 m`.
pub fn distance_in_words(distance: Metres) -> String {
    length_in_words(distance.get())
}

/// Metres of a number with its unit.
pub(super) fn read(text: &str, such_as: &'static str) -> Result<f64, OpticsError> {
    let unreadable = || OpticsError::Unreadable { text: text.trim().to_owned(), such_as };
    let body = text.trim();
    let at = body.find(|c: char| c.is_alphabetic()).ok_or_else(unreadable)?;
    let (digits, unit) = body.split_at(at);
    // The inch and the foot are exact by definition (international yard and pound agreement, 1959).
    let metres = match unit.to_ascii_lowercase().as_str() {
        "mm" => 0.001,
        "cm" => 0.01,
        "m" => 1.0,
        "in" => 0.0254,
        "ft" => 0.3048,
        _ => return Err(unreadable()),
    };
    let number: f64 = digits.trim().replace('\u{2212}', "-").parse().map_err(|_| unreadable())?;
    if number.is_finite() { Ok(number * metres) } else { Err(unreadable()) }
}

/// A length of the scene as a person says it: `9 mm`, `12 cm`, `1.8 m`.
pub(super) fn length_in_words(metres: f64) -> String {
    match metres {
        m if m < 0.00995 => format!("{} mm", (m * 10_000.0).round() / 10.0),
        m if m < 0.0995 => format!("{} cm", (m * 1000.0).round() / 10.0),
        m if m < 0.995 => format!("{:.0} cm", m * 100.0),
        m if m < 9.95 => format!("{} m", (m * 100.0).round() / 100.0),
        m => format!("{m:.0} m"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_read_with_their_units() {
        for (text, metres) in
            [("1.8m", 1.8), ("180 cm", 1.8), ("6ft", 1.8288), ("-3cm", -0.03), ("\u{2212}3 cm", -0.03)]
        {
            assert!((read(text, "").unwrap() - metres).abs() < 1e-12, "{text}");
        }
        assert_eq!("85".parse::<FocalLength>().unwrap().to_string(), "85 mm");
        assert_eq!("8.5cm".parse::<FocalLength>().unwrap().to_string(), "85 mm");
    }

    #[test]
    fn what_is_no_length_is_told_with_what_would_be_right() {
        for (text, part) in [("1.8", "1.8m"), ("2 yards", "mm, cm, m"), ("m", "no length"), ("1.8e400m", "no length")] {
            let said = read_distance(text).unwrap_err().to_string();
            assert!(said.contains(part) && said.contains(text), "{text}: {said}");
        }
        for text in ["0m", "-1m", "2000m"] {
            assert!(read_distance(text).unwrap_err().to_string().contains("between 1 mm and 1000 m"), "{text}");
        }
        assert!("0mm".parse::<FocalLength>().is_err() && "nan".parse::<FocalLength>().is_err());
    }

    #[test]
    fn lengths_are_said_as_people_say_them() {
        for (metres, said) in [
            (0.004, "4 mm behind"),
            (0.0016, "1.6 mm behind"),
            (-0.03, "3 cm before"),
            (0.126, "13 cm behind"),
            (1.8, "1.8 m behind"),
            (12.3, "12 m behind"),
        ] {
            assert_eq!(Depth::new(metres).unwrap().to_string(), said);
        }
        assert_eq!((Micrometres(3.12).to_string(), Micrometres(12.4).to_string()), ("3.1 µm".into(), "12 µm".into()));
    }
}
