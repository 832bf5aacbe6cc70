//! Answers for a person: a row each, under one heading.

use std::path::PathBuf;

use crate::advice::{Framing, Verdict};
use crate::outlet::plain::printable;
use crate::photometry::Stops;
use crate::session::MeteredFrame;
use crate::wording::without_error_numbers;

/// See the module.
pub struct Table {
    widest: usize,
}

impl Table {
    pub fn for_files(files: &[PathBuf]) -> Table {
        let widths = files.iter().map(|f| f.display().to_string().chars().count());
        Table { widest: widths.max().unwrap_or(0).clamp(4, 40) }
    }

    fn line(&self, file: &str, rest: [&str; 6]) -> String {
        let [settings, expected, observed, drift, framing, verdict] = rest;
        let width = self.widest;
        format!("{file:width$}  {settings:<24}  {expected:>8}  {observed:>14}  {drift:<44}  {framing:<34}  {verdict}")
    }

    pub fn head(&self) -> String {
        self.line("file", ["settings", "settings", "light", "drift", "framing", "verdict"])
            + "\n"
            + &self.line("", ["", "say", "says", "", "", ""])
    }

    pub fn row(&self, file: &str, verdict: &Verdict, outcome: &MeteredFrame) -> String {
        let stops = |s: Option<Stops>| s.map_or_else(|| "?".to_owned(), |s| s.to_string());
        let within = |s: Option<Stops>, half: Option<Stops>| match half {
            Some(half) if s.is_some() => format!("{} ±{:.2}", stops(s), half.0),
            _ => stops(s),
        };
        let mut row = self.line(
            &printable(file),
            [
                &outcome.observation.settings.in_short(),
                &stops(verdict.expected),
                &within(verdict.observed, verdict.observed_uncertainty),
                &verdict.headline().map_or_else(|| "?".to_owned(), |h| h.in_words()),
                &verdict.framing.as_ref().map_or_else(|| "?".to_owned(), framing_in_short),
                &verdict.sentence,
            ],
        );
        for note in &outcome.notes {
            row.push_str(&format!("\n{:width$}  ! {}", "", printable(note), width = self.widest));
        }
        row
    }

    pub fn refusal(&self, file: &str, why: &str) -> String {
        format!("{:width$}  ! {}", printable(file), without_error_numbers(why), width = self.widest)
    }
}

/// How much of what both show was found, and how far the scene moved; what rounds to nothing is left out.
fn framing_in_short(framing: &Framing) -> String {
    let (share, moved, mirrored) = match framing {
        Framing::Matched { share, moved, mirrored, .. } => (share, moved, mirrored),
        Framing::TooPlain => return "too plain to match".to_owned(),
        Framing::OtherScene => return "another scene".to_owned(),
    };
    let far = (moved.right.hypot(moved.down) * 100.0).round();
    let zoom = (moved.zoom * 100.0).round() / 100.0;
    let turn = moved.turn.round() + 0.0;
    let parts = [
        Some(format!("matched {:.0} %", share * 100.0)),
        (far > 0.0).then(|| format!("moved {far} %")),
        (zoom != 1.0).then(|| format!("zoom {zoom:.2}")),
        (turn != 0.0).then(|| format!("turn {turn} deg")),
        mirrored.then(|| "mirrored".to_owned()),
    ];
    parts.into_iter().flatten().collect::<Vec<String>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::align::Moved;

    #[test]
    fn a_framing_is_said_without_what_is_nothing() {
        let matched = |share, right, down, zoom, turn, mirrored| {
            let moved = Moved { right, down, zoom, turn };
            framing_in_short(&Framing::Matched { share, moved, mirrored, anchor: None })
        };
        assert_eq!(matched(0.996, 0.001, -0.002, 1.002, -0.3, false), "matched 100 %");
        assert_eq!(matched(0.84, 0.036, -0.048, 1.05, 2.1, false), "matched 84 %, moved 6 %, zoom 1.05, turn 2 deg");
        assert_eq!(matched(0.4, 0.0, 0.0, 0.9, -3.0, true), "matched 40 %, zoom 0.90, turn -3 deg, mirrored");
        assert_eq!(framing_in_short(&Framing::OtherScene), "another scene");
        assert_eq!(framing_in_short(&Framing::TooPlain), "too plain to match");
    }
}
