//! The sensor: its size, its pixels, and the largest blur on it that still passes for sharp.

use std::fmt;
use std::str::FromStr;

use super::OpticsError;
use super::length::{Micrometres, Millimetres, read};

/// A sensor's picture area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sensor {
    width: Millimetres,
    height: Millimetres,
}

/// Formats that have a name, with width and height in millimetres. Those called aps-c differ by up to a twentieth, and 4/3 and
/// 1-inch are named after the tubes of early video cameras, not after a length of their own (from memory).
const FORMATS: [(&str, f64, f64); 4] =
    [("full-frame", 36.0, 24.0), ("aps-c", 23.6, 15.7), ("4/3", 17.3, 13.0), ("1-inch", 13.2, 8.8)];

impl Sensor {
    /// 36 x 24 mm.
    pub const FULL_FRAME: Sensor = Sensor { width: Millimetres::of_format(36.0), height: Millimetres::of_format(24.0) };

    /// `None` unless both sides lie between 1 and 500 mm.
    pub fn new(width: f64, height: f64) -> Option<Sensor> {
        let side = |mm: f64| Millimetres::new(mm).filter(|mm| (1.0..=500.0).contains(&mm.get()));
        Some(Sensor { width: side(width)?, height: side(height)? })
    }

    pub fn width(self) -> Millimetres {
        self.width
    }

    pub fn height(self) -> Millimetres {
        self.height
    }
}

impl fmt::Display for Sensor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} x {} mm", self.width.get(), self.height.get())
    }
}

impl FromStr for Sensor {
    type Err = OpticsError;

    /// A format's name, or width and height: `36x24mm`, `36 x 24`.
    fn from_str(text: &str) -> Result<Sensor, OpticsError> {
        let no_sensor = || OpticsError::NoSensor(text.trim().to_owned());
        let body = text.trim().to_ascii_lowercase();
        if let Some((_, width, height)) = FORMATS.iter().find(|(name, ..)| *name == body) {
            return Sensor::new(*width, *height).ok_or_else(no_sensor);
        }
        let (width, height) = body.split_once(['x', '\u{d7}']).ok_or_else(no_sensor)?;
        let side = |text: &str| match text.trim().parse() {
            Ok(mm) => Ok(mm),
            Err(_) => read(text, "36mm").map(|m| m * 1000.0).map_err(|_| no_sensor()),
        };
        // The last unit holds for both sides.
        let unit = height.trim_start_matches(|c: char| c.is_ascii_digit() || ". ".contains(c));
        let width = if width.trim().parse::<f64>().is_ok() { format!("{width}{unit}") } else { width.to_owned() };
        Sensor::new(side(&width)?, side(height)?).ok_or_else(no_sensor)
    }
}

/// The largest blur disk that still passes for a point, on the sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CircleOfConfusion(Micrometres);

impl CircleOfConfusion {
    /// The sensor's diagonal over 1500: 0.029 mm for 36 x 24 mm. A convention for a print looked at from about its own
    /// diagonal away, one of several (from 1/1000 to 1/2000; common practice, from memory). Who retouches at full size
    /// goes by pixels.
    pub fn usual(sensor: Sensor) -> CircleOfConfusion {
        CircleOfConfusion(Micrometres(sensor.width.get().hypot(sensor.height.get()) / 1500.0 * 1000.0))
    }

    /// `None` unless between a micrometre and a millimetre.
    pub fn new(millimetres: f64) -> Option<CircleOfConfusion> {
        (0.001..=1.0).contains(&millimetres).then_some(CircleOfConfusion(Micrometres(millimetres * 1000.0)))
    }

    pub fn diameter(self) -> Micrometres {
        self.0
    }

    pub(super) fn metres(self) -> f64 {
        self.0.0 * 1e-6
    }
}

impl FromStr for CircleOfConfusion {
    type Err = OpticsError;

    fn from_str(text: &str) -> Result<CircleOfConfusion, OpticsError> {
        CircleOfConfusion::new(read(text, "0.03mm")? * 1000.0).ok_or_else(|| OpticsError::OutOfRange {
            what: "circle of confusion",
            text: text.trim().to_owned(),
            least: "0.001 mm",
            most: "1 mm",
        })
    }
}

impl fmt::Display for CircleOfConfusion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Who goes by pixels types circles of a few micrometres.
        let fine = if self.0.0 < 10.0 { 10.0 } else { 1.0 };
        write!(f, "{} mm", (self.0.0 * fine).round() / fine / 1000.0)
    }
}

/// Pixels across the sensor's width, 100 to 100,000.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PixelsAcross(u32);

impl PixelsAcross {
    pub fn count(self) -> u32 {
        self.0
    }

    /// From the middle of one pixel to the next.
    pub fn pitch(self, sensor: Sensor) -> Micrometres {
        Micrometres(sensor.width.get() * 1000.0 / f64::from(self.0))
    }
}

impl FromStr for PixelsAcross {
    type Err = OpticsError;

    fn from_str(text: &str) -> Result<PixelsAcross, OpticsError> {
        let count = text.trim().parse().ok().filter(|count| (100..=100_000).contains(count));
        count.map(PixelsAcross).ok_or_else(|| OpticsError::NoPixels(text.trim().to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sensor_is_a_name_or_two_sides() {
        for text in ["full-frame", "36x24mm", "36 x 24 mm", "36\u{d7}24", "3.6x2.4cm", "36mm x 24mm"] {
            let sensor: Sensor = text.parse().unwrap();
            assert!(
                (sensor.width().get() - 36.0).abs() < 1e-9 && (sensor.height().get() - 24.0).abs() < 1e-9,
                "{text}"
            );
        }
        assert_eq!("36x24".parse::<Sensor>().unwrap(), Sensor::FULL_FRAME);
        for text in ["", "36", "36x", "x", "0x24", "36x24 yards", "big", "-36x24"] {
            assert!(text.parse::<Sensor>().unwrap_err().to_string().contains("36x24mm"), "{text}");
        }
    }

    /// CHECK: the diagonal of 36 x 24 mm is 43.27 mm; over 1500 that is 0.0288 mm (arithmetic; the convention from memory).
    #[test]
    fn the_usual_circle_is_a_part_of_the_diagonal() {
        let circle = CircleOfConfusion::usual(Sensor::FULL_FRAME);
        assert!((circle.diameter().0 - 28.844).abs() < 1e-3);
        assert_eq!(circle.to_string(), "0.029 mm");
        let pitch = "6000".parse::<PixelsAcross>().unwrap().pitch(Sensor::FULL_FRAME);
        assert!((pitch.0 - 6.0).abs() < 1e-12);
        assert!("0".parse::<PixelsAcross>().is_err() && "many".parse::<PixelsAcross>().is_err());
    }
}
