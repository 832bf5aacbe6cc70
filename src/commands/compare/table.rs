//! Answers for a person: a block each, under one heading, on lines that a terminal holds.

use std::path::PathBuf;

use crate::advice::{Framing, Verdict};
use crate::outlet::plain::printable;
use crate::photometry::Stops;
use crate::session::MeteredFrame;
use crate::wording::{without_error_numbers, wrapped};

/// No line is longer, but one with a name that is.
const WIDTH: usize = 96;
/// The longest name that stands in a column.
const WIDEST_NAME: usize = 28;

/// See the module.
pub struct Table {
    /// Of the names' column.
    names: usize,
}

impl Table {
    pub fn for_files(files: &[PathBuf]) -> Table {
        let widths = files.iter().map(|f| f.display().to_string().chars().count());
        Table { names: widths.max().unwrap_or(0).clamp(4, WIDEST_NAME) }
    }

    fn line(&self, file: &str, [settings, expected, observed]: [&str; 3]) -> String {
        let width = self.names;
        let numbers = format!("  {settings:<26}  {expected:>12}  {observed:>14}");
        match file.chars().count() > width {
            true => format!("{file}\n{:width$}{numbers}", ""),
            false => format!("{file:width$}{numbers}"),
        }
    }

    pub fn head(&self) -> String {
        self.line("file", ["settings", "settings say", "light says"])
    }

    pub fn row(&self, file: &str, verdict: &Verdict, outcome: &MeteredFrame) -> String {
        let stops = |s: Option<Stops>| s.map_or_else(|| "?".to_owned(), |s| s.to_string());
        let within = |s: Option<Stops>, half: Option<Stops>| match half {
            Some(half) if s.is_some() => format!("{} ±{:.2}", stops(s), half.0),
            _ => stops(s),
        };
        let of_frame = self.line(
            &printable(file),
            [
                &outcome.observation.settings.in_short(),
                // By another sum where it is not known whether a flash lit both.
                &stops(verdict.expected.filter(|_| verdict.observed.is_some())),
                &within(verdict.observed, verdict.observed_uncertainty),
            ],
        );
        let drift = verdict.headline().map(|h| format!("drift {}", h.in_words()));
        let framing = verdict.framing.as_ref().map(|framing| format!("framing: {}", framing_in_short(framing)));
        let numbers: Vec<String> = drift.into_iter().chain(framing).collect();
        let notes = outcome.notes.iter().map(|note| format!("! {}", printable(note)));
        let below = [verdict.sentence.clone(), numbers.join("; ")].into_iter().chain(notes);
        std::iter::once(of_frame).chain(below.flat_map(|text| indented(&text))).collect::<Vec<String>>().join("\n")
    }

    pub fn refusal(&self, file: &str, why: &str) -> String {
        let why = indented(&format!("! {}", without_error_numbers(why)));
        format!("{}\n{}", printable(file), why.join("\n"))
    }
}

/// Below a row.
fn indented(text: &str) -> Vec<String> {
    wrapped(text, WIDTH - 2).iter().map(|line| format!("  {line}")).collect()
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
