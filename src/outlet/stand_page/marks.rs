//! The settings that the page's picker offers: the marks of each series.

use serde_json::{Value, json};

use crate::photometry::{ExposureTime, FNumber, IsoSpeed, Series};

/// Longer exposures are no flash photography.
const LONGEST: f64 = 2.0;

/// All of them, as JSON.
pub fn all() -> String {
    let f_numbers = |marks: &[f64]| -> Vec<Value> {
        marks.iter().filter_map(|m| FNumber::new(*m, None, Series::Thirds)).map(|n| json!(n.to_string())).collect()
    };
    let times = |marks: &[f64]| -> Vec<Value> {
        let times = marks.iter().filter(|s| **s <= LONGEST);
        times.filter_map(|s| ExposureTime::new(*s, None, Series::Thirds)).map(|t| json!(t.to_string())).collect()
    };
    let isos = |marks: &[f64]| -> Vec<Value> {
        marks.iter().filter_map(|m| IsoSpeed::new(*m)).map(|s| json!(s.marked().to_string())).collect()
    };
    let whole = |thirds: &[f64]| -> Vec<f64> { thirds.iter().step_by(3).copied().collect() };
    let (thirds, halves) = (Series::Thirds, Series::Halves);
    json!({
        "f_number": {
            "thirds": f_numbers(FNumber::marks(thirds)),
            "halves": f_numbers(FNumber::marks(halves)),
            "whole": f_numbers(&whole(FNumber::marks(thirds))),
        },
        "exposure_time": {
            "thirds": times(ExposureTime::marks(thirds)),
            "halves": times(ExposureTime::marks(halves)),
            "whole": times(&whole(ExposureTime::marks(thirds))),
        },
        "iso": {"thirds": isos(IsoSpeed::marks()), "whole": isos(&whole(IsoSpeed::marks()))},
    })
    .to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: the full-stop series of f-numbers (ISO 517, from memory) and of exposure times (common practice, no source).
    #[test]
    fn whole_stops_are_the_well_known_series() {
        let all: Value = serde_json::from_str(&all()).unwrap();
        let series = |of: &str| -> Vec<String> {
            all[of]["whole"].as_array().unwrap().iter().map(|v| v.as_str().unwrap().to_owned()).collect()
        };
        let f = series("f_number");
        let expected = ["f/1", "f/1.4", "f/2", "f/2.8", "f/4", "f/5.6", "f/8", "f/11", "f/16", "f/22", "f/32"];
        assert_eq!(f[1..12], expected);
        let times = series("exposure_time");
        for mark in ["1/15 s", "1/30 s", "1/60 s", "1/125 s", "1/250 s", "1/500 s"] {
            assert!(times.iter().any(|t| t == mark), "{mark}: {times:?}");
        }
        assert_eq!(series("iso")[..4], ["25", "50", "100", "200"]);
    }

    /// Every mark that is offered is read back as the same mark.
    #[test]
    fn what_is_offered_is_understood() {
        let all: Value = serde_json::from_str(&all()).unwrap();
        let series = |of: &str, which: &str| all[of][which].as_array().unwrap().clone();
        for (name, marks) in [("thirds", Series::Thirds), ("halves", Series::Halves)] {
            let mut last = None;
            for mark in series("f_number", name) {
                let read = FNumber::read(mark.as_str().unwrap(), marks).unwrap();
                assert_eq!(read.to_string(), mark.as_str().unwrap());
                let step = last.map(|l: FNumber| (read.av() - l.av()).0);
                let wanted = if marks == Series::Thirds { 1.0 / 3.0 } else { 0.5 };
                assert!(step.is_none_or(|s| (s - wanted).abs() < 1e-9), "{mark} is a step after {last:?}");
                last = Some(read);
            }
            for mark in series("exposure_time", name) {
                let read = ExposureTime::read(mark.as_str().unwrap(), marks).unwrap();
                assert_eq!(read.to_string(), mark.as_str().unwrap());
            }
        }
    }
}
