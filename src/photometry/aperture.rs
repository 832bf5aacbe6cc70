//! The f-number: its mark, and its exact place on the aperture scale.

use std::fmt;
use std::str::FromStr;

use super::series::{ScaleMarks, Series};
use super::stops::Stops;

/// An f-number. Two of them are subtracted by their exact places: f/7.1 to f/5.6 is 2/3 of a stop
/// and not the 0.685 of the printed marks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FNumber {
    marked: f64,
    av: f64,
}

/// Marks as printed on cameras; places by definition `Av = 2 log2 N` (Exif 2.32, annex on APEX).
/// f/3.5, f/4.5, f/13 and f/19 are printed on both series.
const MARKS: ScaleMarks = ScaleMarks {
    first: -1.0,
    thirds: &[
        0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0,
        9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0, 25.0, 29.0, 32.0, 36.0, 40.0, 45.0, 51.0, 57.0, 64.0,
    ],
    halves: &[
        0.7, 0.8, 1.0, 1.2, 1.4, 1.7, 2.0, 2.4, 2.8, 3.3, 4.0, 4.8, 5.6, 6.7, 8.0, 9.5, 11.0, 13.0, 16.0, 19.0, 22.0,
        27.0, 32.0, 38.0, 45.0, 54.0, 64.0,
    ],
    also: &[
        (1.3, Series::Thirds, 2.0 / 3.0),
        (3.5, Series::Halves, 3.5),
        (4.5, Series::Halves, 4.5),
        (19.0, Series::Thirds, 25.0 / 3.0),
    ],
    stops_of: |n| 2.0 * n.log2(),
};

impl FNumber {
    /// From a written number. `apex` is the file's own ApertureValue, which settles a mark that
    /// stands on both series. `None` unless the number lies in 0.5 to 256.
    pub fn new(marked: f64, apex: Option<f64>, series: Series) -> Option<FNumber> {
        (0.5..=256.0).contains(&marked).then(|| FNumber { marked, av: MARKS.place(marked, apex, series) })
    }

    /// From its mark and exact place, as a record keeps them.
    pub fn from_parts(marked: f64, av: f64) -> Option<FNumber> {
        FNumber::new(marked, None, Series::Thirds).filter(|_| av.is_finite()).map(|n| FNumber { av, ..n })
    }

    /// The third-stop f-number nearest to a place on the aperture scale.
    pub fn nearest_third(av: Stops) -> Option<FNumber> {
        let index = ((av.0 - MARKS.first) * 3.0).round();
        let marked = *MARKS.thirds.get(index as usize).filter(|_| index >= 0.0)?;
        Some(FNumber { marked, av: MARKS.first + index / 3.0 })
    }

    /// The marks of a series, wide to narrow.
    pub fn marks(series: Series) -> &'static [f64] {
        MARKS.of(series)
    }

    /// The f-numbers of a series, wide to narrow.
    pub fn all(series: Series) -> impl DoubleEndedIterator<Item = FNumber> {
        FNumber::marks(series).iter().filter_map(move |mark| FNumber::new(*mark, None, series))
    }

    /// Aperture value, `Av = 2 log2 N`: its distance from f/1. Source: Exif 2.32, annex on APEX.
    pub fn av(self) -> Stops {
        Stops(self.av)
    }

    /// The number as written.
    pub fn marked(self) -> f64 {
        self.marked
    }

    /// The number that the mark stands for: 7.127 for f/7.1.
    pub fn exact(self) -> f64 {
        (self.av / 2.0).exp2()
    }
}

impl fmt::Display for FNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "f/{}", (self.marked * 100.0).round() / 100.0)
    }
}

impl FromStr for FNumber {
    type Err = String;

    fn from_str(text: &str) -> Result<FNumber, String> {
        FNumber::read(text, Series::Thirds)
    }
}

impl FNumber {
    /// From text such as `f/5.6`; `series` settles a mark that stands on both.
    pub fn read(text: &str, series: Series) -> Result<FNumber, String> {
        let digits = text.trim().trim_start_matches(['f', 'F']).trim_start_matches('/');
        let number: Option<f64> = digits.parse().ok();
        number
            .and_then(|n| FNumber::new(n, None, series))
            .ok_or_else(|| format!("'{text}' is no f-number: write it as f/5.6, from f/0.5 to f/256"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn f(n: f64) -> FNumber {
        FNumber::new(n, None, Series::Thirds).unwrap()
    }

    /// CHECK: definition of the third-stop series, k/3 of Av (Exif 2.32, annex on APEX).
    #[test]
    fn marked_differences_are_exact() {
        for (from, to, stops) in [(14.0, 7.1, 2.0), (7.1, 5.6, 2.0 / 3.0), (5.6, 2.8, 2.0), (11.0, 8.0, 1.0)] {
            let change = f(from).av() - f(to).av();
            assert!((change.0 - stops).abs() < 1e-12, "f/{from} to f/{to}: {change}");
        }
    }

    /// CHECK: Exif 2.32 (CIPA DC-008), annex on APEX: whole stops.
    #[test]
    fn whole_stops_have_whole_aperture_values() {
        let marks = [1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0];
        for (av, mark) in marks.iter().enumerate() {
            assert_eq!(f(*mark).av(), Stops(av as f64));
        }
    }

    #[test]
    fn the_files_own_apex_value_settles_a_mark_on_both_series() {
        for (mark, apex, av) in [(13.0, 7.5, 7.5), (13.0, 7.375, 22.0 / 3.0), (3.5, 3.5, 3.5), (4.5, 4.5, 4.5)] {
            let n = FNumber::new(mark, Some(apex), Series::Thirds).unwrap();
            assert!((n.av().0 - av).abs() < 1e-12, "f/{mark} with Av {apex}");
        }
        assert_eq!(FNumber::new(13.0, None, Series::Halves).unwrap().av(), Stops(7.5));
        assert!((f(13.0).av().0 - 22.0 / 3.0).abs() < 1e-12);
    }

    #[test]
    fn a_number_off_every_series_stays_what_it_is() {
        assert!((f(1.9).av().0 - 2.0 * 1.9_f64.log2()).abs() < 1e-12);
        assert_eq!(f(1.9).to_string(), "f/1.9");
        assert_eq!(FNumber::new(0.0, None, Series::Thirds), None);
    }
}
