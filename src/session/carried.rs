//! The state as a file of the log begins with it, so that a restart needs no file before that one.
//!
//! It is no record: it has no number, tells nobody anything, and is what the records before it come to. It is written
//! as text in portions, a line each, none of which is longer than a record may be. Where it can't be read, the
//! records are read in its place.

use serde::{Deserialize, Serialize};

use super::sealed::{LineFault, VERSION, check_seal, check_version, seal};
use super::sittings::Sittings;
use super::state::State;
use crate::numbers::RecordNumber;

/// Bytes of text in one portion.
const PORTION: usize = 1 << 20;

/// What stands before the list of sittings in the text of a state.
const BEFORE_SITTINGS: &str = "{\"sitting\":{\"sittings\":";

/// One line of a carried state.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Portion {
    v: u32,
    /// The last record that the state holds.
    pub carried: RecordNumber,
    /// Which portion this is, from 1, and how many there are.
    part: u32,
    of: u32,
    state: String,
}

impl Portion {
    /// Whether a line is one of these and no record, without a look at the rest.
    pub fn is_in(line: &[u8]) -> bool {
        Portion::after(line).is_some()
    }

    /// The last record that a line's state holds, if it is such a line.
    pub fn after(line: &[u8]) -> Option<RecordNumber> {
        let head = std::str::from_utf8(line.get(..line.len().min(48))?).ok()?;
        let (version, rest) = head.strip_prefix("{\"v\":")?.split_once(",\"carried\":")?;
        version.parse::<u32>().ok()?;
        rest.split(',').next()?.parse().ok().map(RecordNumber::new)
    }

    /// A program of this format wrote it. What another one took for the state may lack something.
    pub fn is_of_this_format(&self) -> bool {
        self.v == VERSION
    }

    /// The list of sittings, with which the text of a state begins.
    pub fn sittings(&self) -> Option<Sittings> {
        let listed = self.state.strip_prefix(BEFORE_SITTINGS).filter(|_| self.part == 1 && self.is_of_this_format())?;
        serde_json::Deserializer::from_str(listed).into_iter().next()?.ok()
    }

    pub fn from_line(line: &str) -> Result<Portion, LineFault> {
        check_seal(line)?;
        let version = check_version(line)?;
        serde_json::from_str(line).map_err(|e| LineFault::NotUnderstood { version, why: e.to_string() })
    }
}

impl State {
    /// The state as lines without their ends.
    pub fn carried(&self) -> Result<Vec<String>, serde_json::Error> {
        let text = serde_json::to_string(self)?;
        let texts = portions_of(&text);
        let of = texts.len() as u32;
        let portion = |(part, state): (usize, &&str)| {
            let portion = Portion {
                v: VERSION,
                carried: self.sitting.records,
                part: part as u32 + 1,
                of,
                state: (*state).to_owned(),
            };
            serde_json::to_string(&portion).map(seal)
        };
        texts.iter().enumerate().map(portion).collect()
    }
}

fn portions_of(text: &str) -> Vec<&str> {
    let mut portions = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        // A character has four bytes at the most.
        let end = (0..=PORTION.min(rest.len())).rev().find(|end| rest.is_char_boundary(*end)).unwrap_or(rest.len());
        let (portion, after) = rest.split_at(end);
        portions.push(portion);
        rest = after;
    }
    portions
}

/// Puts a state together again.
#[derive(Debug, Default)]
pub struct Carried {
    text: String,
    /// The last record that it holds, and the portions there are and were taken.
    of: Option<(RecordNumber, u32, u32)>,
}

impl Carried {
    /// Takes the next portion. `false` when it is none that can follow.
    pub fn take(&mut self, portion: &Portion) -> bool {
        let expected = match self.of {
            None => portion.part == 1,
            Some((carried, of, taken)) => (portion.carried, portion.of, portion.part) == (carried, of, taken + 1),
        };
        if expected {
            self.text.push_str(&portion.state);
            self.of = Some((portion.carried, portion.of, portion.part));
        }
        expected
    }

    pub fn is_whole(&self) -> bool {
        self.of.is_some_and(|(_, of, taken)| of == taken)
    }

    /// The state, once it is whole.
    pub fn state(&self) -> Result<State, serde_json::Error> {
        serde_json::from_str(&self.text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_of_any_length_is_cut_between_characters_and_put_together_again() {
        let text = "ä€😀x".repeat(PORTION / 4);
        let portions = portions_of(&text);
        assert!(portions.len() > 2 && portions.iter().all(|p| p.len() <= PORTION && !p.is_empty()));
        assert_eq!(portions.concat(), text);
    }

    #[test]
    fn a_portion_out_of_its_turn_is_not_taken() {
        let portion = |carried, part, of| {
            let carried = RecordNumber::new(carried);
            Portion { v: VERSION, carried, part, of, state: String::new() }
        };
        let mut carried = Carried::default();
        assert!(!carried.take(&portion(9, 2, 3)));
        assert!(carried.take(&portion(9, 1, 3)));
        for wrong in [portion(9, 1, 3), portion(9, 3, 3), portion(8, 2, 3), portion(9, 2, 2)] {
            assert!(!carried.take(&wrong), "{wrong:?}");
        }
        assert!(carried.take(&portion(9, 2, 3)) && !carried.is_whole());
        assert!(carried.take(&portion(9, 3, 3)) && carried.is_whole());
    }
}
