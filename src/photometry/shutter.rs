//! The exposure time: its mark, and its exact place on the time scale.

use std::fmt;
use std::str::FromStr;

use super::series::{ScaleMarks, Series};
use super::stops::Stops;

/// An exposure time. 1/160 s stands for 2^(-22/3) s, 30 s for 32 s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExposureTime {
    seconds: f64,
    tv: f64,
}

/// Marks from 30 s to 1/32000 s; places by `Tv = -log2 t` (Exif 2.32, annex on APEX).
const MARKS: ScaleMarks = ScaleMarks {
    first: -5.0,
    thirds: &[
        30.0,
        25.0,
        20.0,
        15.0,
        13.0,
        10.0,
        8.0,
        6.0,
        5.0,
        4.0,
        3.2,
        2.5,
        2.0,
        1.6,
        1.3,
        1.0,
        0.8,
        0.6,
        0.5,
        0.4,
        0.3,
        1.0 / 4.0,
        1.0 / 5.0,
        1.0 / 6.0,
        1.0 / 8.0,
        1.0 / 10.0,
        1.0 / 13.0,
        1.0 / 15.0,
        1.0 / 20.0,
        1.0 / 25.0,
        1.0 / 30.0,
        1.0 / 40.0,
        1.0 / 50.0,
        1.0 / 60.0,
        1.0 / 80.0,
        1.0 / 100.0,
        1.0 / 125.0,
        1.0 / 160.0,
        1.0 / 200.0,
        1.0 / 250.0,
        1.0 / 320.0,
        1.0 / 400.0,
        1.0 / 500.0,
        1.0 / 640.0,
        1.0 / 800.0,
        1.0 / 1000.0,
        1.0 / 1250.0,
        1.0 / 1600.0,
        1.0 / 2000.0,
        1.0 / 2500.0,
        1.0 / 3200.0,
        1.0 / 4000.0,
        1.0 / 5000.0,
        1.0 / 6400.0,
        1.0 / 8000.0,
        1.0 / 10000.0,
        1.0 / 12800.0,
        1.0 / 16000.0,
        1.0 / 20000.0,
        1.0 / 25600.0,
        1.0 / 32000.0,
    ],
    halves: &[
        30.0,
        20.0,
        15.0,
        10.0,
        8.0,
        6.0,
        4.0,
        3.0,
        2.0,
        1.5,
        1.0,
        0.7,
        0.5,
        1.0 / 3.0,
        1.0 / 4.0,
        1.0 / 6.0,
        1.0 / 8.0,
        1.0 / 10.0,
        1.0 / 15.0,
        1.0 / 20.0,
        1.0 / 30.0,
        1.0 / 45.0,
        1.0 / 60.0,
        1.0 / 90.0,
        1.0 / 125.0,
        1.0 / 180.0,
        1.0 / 250.0,
        1.0 / 350.0,
        1.0 / 500.0,
        1.0 / 750.0,
        1.0 / 1000.0,
        1.0 / 1500.0,
        1.0 / 2000.0,
        1.0 / 3000.0,
        1.0 / 4000.0,
        1.0 / 6000.0,
        1.0 / 8000.0,
    ],
    also: &[(1.0 / 3.0, Series::Thirds, 5.0 / 3.0)],
    stops_of: |t| -t.log2(),
};

impl ExposureTime {
    /// 1/160 s: the longest of the usual sync speeds (common practice, no source).
    pub fn slowest_usual_sync() -> ExposureTime {
        let seconds = 1.0 / 160.0;
        // It stands on the series; else its place would still be this.
        ExposureTime::new(seconds, None, Series::Thirds).unwrap_or(ExposureTime { seconds, tv: 22.0 / 3.0 })
    }

    /// From written seconds. `apex` is the file's own ShutterSpeedValue. `None` unless the time
    /// lies between 1/1,000,000 s and one day.
    pub fn new(seconds: f64, apex: Option<f64>, series: Series) -> Option<ExposureTime> {
        (1e-6..=86_400.0).contains(&seconds).then(|| ExposureTime { seconds, tv: MARKS.place(seconds, apex, series) })
    }

    /// From its mark and exact place, as a record keeps them.
    pub fn from_parts(seconds: f64, tv: f64) -> Option<ExposureTime> {
        ExposureTime::new(seconds, None, Series::Thirds).filter(|_| tv.is_finite()).map(|t| ExposureTime { tv, ..t })
    }

    /// The marks of a series in seconds, long to short.
    pub fn marks(series: Series) -> &'static [f64] {
        MARKS.of(series)
    }

    /// Time value, `Tv = -log2 t`. Source: Exif 2.32, annex on APEX.
    pub fn tv(self) -> Stops {
        Stops(self.tv)
    }

    /// Seconds as written.
    pub fn marked_seconds(self) -> f64 {
        self.seconds
    }

    /// The seconds that the mark stands for.
    pub fn exact_seconds(self) -> f64 {
        (-self.tv).exp2()
    }
}

impl fmt::Display for ExposureTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.seconds >= 0.3 {
            write!(f, "{} s", (self.seconds * 10.0).round() / 10.0)
        } else {
            write!(f, "1/{} s", (1.0 / self.seconds).round())
        }
    }
}

impl FromStr for ExposureTime {
    type Err = String;

    fn from_str(text: &str) -> Result<ExposureTime, String> {
        ExposureTime::read(text, Series::Thirds)
    }
}

impl ExposureTime {
    /// From text such as `1/160`, in seconds; `series` settles a mark that stands on both.
    pub fn read(text: &str, series: Series) -> Result<ExposureTime, String> {
        let body = text.trim().trim_end_matches('s').trim();
        let seconds = match body.split_once('/') {
            Some((num, den)) => num.trim().parse::<f64>().ok().zip(den.trim().parse::<f64>().ok()).map(|(n, d)| n / d),
            None => body.parse().ok(),
        };
        seconds
            .and_then(|s| ExposureTime::new(s, None, series))
            .ok_or_else(|| format!("'{text}' is no exposure time: write it as 1/160 or 0.5, in seconds"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: Exif 2.32 (CIPA DC-008), annex on APEX; third stops by definition.
    #[test]
    fn marks_stand_for_exact_times() {
        for (mark, tv) in [
            ("1/30", 5.0),
            ("1/60", 6.0),
            ("1/125", 7.0),
            ("1/250", 8.0),
            ("1/160", 22.0 / 3.0),
            ("1/200", 23.0 / 3.0),
            ("30", -5.0),
        ] {
            let time: ExposureTime = mark.parse().unwrap();
            assert!((time.tv().0 - tv).abs() < 1e-12, "{mark}: {}", time.tv().0);
        }
        let t: ExposureTime = "1/160 s".parse().unwrap();
        assert!((t.exact_seconds() - (-22.0 / 3.0_f64).exp2()).abs() < 1e-15);
        assert_eq!(t.to_string(), "1/160 s");
    }

    #[test]
    fn a_time_off_every_series_stays_what_it_is() {
        let t = ExposureTime::new(1.0 / 119.0, None, Series::Thirds).unwrap();
        assert!((t.tv().0 - 119.0_f64.log2()).abs() < 1e-12);
        assert_eq!(ExposureTime::new(f64::NAN, None, Series::Thirds), None);
    }
}
