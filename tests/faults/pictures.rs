//! Small pictures, each told from every other by its capture time and its pixels, of known exposure.

use crate::harness::random::Random;
use crate::harness::{Shot, shot};

/// Apertures in turn: a frame read from half of its bytes is off by more than these are apart.
const APERTURES: [f64; 5] = [5.6, 7.1, 8.0, 9.0, 11.0];
pub const VARIANTS: u64 = APERTURES.len() as u64;
/// Seconds between two captures.
const APART: u64 = 10;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Jpeg,
    Raw,
    /// A raw file and a picture of one exposure: one frame.
    Pair,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Picture {
    pub number: u64,
    pub kind: Kind,
}

impl Picture {
    pub fn jpeg(number: u64) -> Picture {
        Picture { number, kind: Kind::Jpeg }
    }

    pub fn raw(number: u64) -> Picture {
        Picture { number, kind: Kind::Raw }
    }

    /// Half of them pictures, a third pairs, the rest raw files alone.
    pub fn any(number: u64, random: &mut Random) -> Picture {
        let kind = random.pick(&[Kind::Jpeg, Kind::Jpeg, Kind::Jpeg, Kind::Pair, Kind::Pair, Kind::Raw]);
        Picture { number, kind }
    }

    pub fn variant(&self) -> u64 {
        self.number % VARIANTS
    }

    fn shot(&self) -> Shot {
        let aperture = APERTURES[self.variant() as usize];
        Shot { size: (120, 80), at: (self.number * APART) as f64, ..shot(aperture, 0.0, self.number) }
    }

    pub fn stem(&self) -> String {
        format!("frame_{:06}", self.number)
    }

    /// Its files: name and bytes.
    pub fn files(&self) -> Vec<(String, Vec<u8>)> {
        let jpeg = || (format!("{}.jpg", self.stem()), self.shot().jpeg());
        let raw = || (format!("{}.dng", self.stem()), self.shot().raw());
        match self.kind {
            Kind::Jpeg => vec![jpeg()],
            Kind::Raw => vec![raw()],
            Kind::Pair => vec![raw(), jpeg()],
        }
    }
}

/// The number of the picture that was captured then.
pub fn number_at(captured: &str) -> Option<u64> {
    let at: jiff::civil::DateTime = captured.parse().ok()?;
    let first = jiff::civil::date(2026, 3, 2).at(10, 0, 0, 0);
    let seconds = u64::try_from(at.duration_since(first).as_secs()).ok()?;
    seconds.is_multiple_of(APART).then_some(seconds / APART)
}
