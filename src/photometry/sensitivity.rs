//! The ISO speed: its mark, and its exact place on the speed scale.

use std::fmt;
use std::str::FromStr;

use super::series::{ScaleMarks, Series};
use super::stops::Stops;

/// An ISO speed setting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IsoSpeed {
    marked: f64,
    sv: f64,
}

/// ISO 25, the first mark of the series, by `Sv = log2(S / 3.125)` (Exif 2.32, annex on APEX).
const MARKS: ScaleMarks = ScaleMarks {
    first: 3.0,
    thirds: &[
        25.0, 32.0, 40.0, 50.0, 64.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 320.0, 400.0, 500.0, 640.0, 800.0,
        1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3200.0, 4000.0, 5000.0, 6400.0, 8000.0, 10000.0, 12800.0, 16000.0,
        20000.0, 25600.0, 32000.0, 40000.0, 51200.0, 64000.0, 80000.0, 102400.0,
    ],
    halves: &[],
    also: &[],
    stops_of: |s| (s / 3.125).log2(),
};

impl IsoSpeed {
    /// From a written speed. `None` for zero, negative, non-finite or above 10 million.
    pub fn new(marked: f64) -> Option<IsoSpeed> {
        (1.0..=1e7).contains(&marked).then(|| IsoSpeed { marked, sv: MARKS.place(marked, None, Series::Thirds) })
    }

    /// The third-stop mark nearest to a place on the speed scale, within ISO 25 to 102400.
    pub fn nearest_third(sv: Stops) -> Option<IsoSpeed> {
        let index = ((sv.0 - MARKS.first) * 3.0).round();
        MARKS.thirds.get(index as usize).filter(|_| index >= 0.0).and_then(|mark| IsoSpeed::new(*mark))
    }

    /// The marks of the third-stop series, low to high.
    pub fn marks() -> &'static [f64] {
        MARKS.thirds
    }

    /// The speeds of the third-stop series, low to high.
    pub fn all() -> impl DoubleEndedIterator<Item = IsoSpeed> {
        IsoSpeed::marks().iter().filter_map(|mark| IsoSpeed::new(*mark))
    }

    /// Speed value, `Sv = log2(S / 3.125)`. Source: Exif 2.32, annex on APEX.
    pub fn sv(self) -> Stops {
        Stops(self.sv)
    }

    /// The speed as written.
    pub fn marked(self) -> f64 {
        self.marked
    }
}

impl fmt::Display for IsoSpeed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "ISO {}", self.marked.round())
    }
}

impl FromStr for IsoSpeed {
    type Err = String;

    fn from_str(text: &str) -> Result<IsoSpeed, String> {
        let body = text.trim().to_ascii_lowercase();
        let digits = body.trim_start_matches("iso").trim();
        let number: Option<f64> = digits.parse().ok();
        number.and_then(IsoSpeed::new).ok_or_else(|| format!("'{text}' is no ISO speed: write it as 200 or iso200"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: Exif 2.32 (CIPA DC-008), annex on APEX: ISO 100, 200, 400 have Sv 5, 6, 7.
    #[test]
    fn speeds_have_the_published_speed_values() {
        for (mark, sv) in [(100.0, 5.0), (200.0, 6.0), (400.0, 7.0), (125.0, 16.0 / 3.0), (25600.0, 13.0)] {
            assert!((IsoSpeed::new(mark).unwrap().sv().0 - sv).abs() < 1e-12, "ISO {mark}");
        }
        assert_eq!(IsoSpeed::new(0.0), None);
        assert!("iso 320".parse::<IsoSpeed>().is_ok());
    }
}
