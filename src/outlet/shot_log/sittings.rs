//! The sittings of a log that nobody need have open: their list, and how things stood at the end of one. Changes nothing.

use std::io;
use std::path::Path;

use super::lines::Lines;
use super::place::{check, resolved};
use super::reader::{first_number, read_since};
use super::replay::state_at_the_beginning_of;
use super::segments::{Segment, all};
use crate::numbers::RecordNumber;
use crate::session::{Portion, Record, Sittings, State};

/// The sittings of a log, without reading more of it than its last file.
///
/// # Errors
/// The log can't be read, or is none.
pub fn sittings(log: &Path) -> io::Result<Sittings> {
    let files = all(&resolved(log));
    files.first().map_or(Ok(()), |first| check(&first.path)).map_err(io::Error::other)?;
    let mut begun = None;
    for file in files.iter().rev() {
        begun = listed_at_the_beginning_of(file)?;
        if begun.is_some() {
            break;
        }
    }
    let (mut sittings, after) = begun.unwrap_or_default();
    read_since(log, after.next(), |n, line| {
        sittings.take_line(n, line);
        true
    })?;
    Ok(sittings)
}

/// The list in the state that a file begins with, and the last record that it holds.
fn listed_at_the_beginning_of(file: &Segment) -> io::Result<Option<(Sittings, RecordNumber)>> {
    let Some(line) = Lines::of(&file.path)?.next()? else { return Ok(None) };
    let portion = line.text().filter(|text| Portion::is_in(text.as_bytes())).map(Portion::from_line);
    Ok(portion.and_then(Result::ok).and_then(|portion| Some((portion.sittings()?, portion.carried))))
}

/// How things stood after a record.
///
/// # Errors
/// The log can't be read.
pub fn state_after(log: &Path, record: RecordNumber) -> io::Result<State> {
    let mut state = State::default();
    for file in all(&resolved(log)).iter().rev() {
        // A state of later records need not be read to know that it is one.
        if first_number(file)?.is_none_or(|first| first.back(1) > record) {
            continue;
        }
        let begun = state_at_the_beginning_of(file).map_err(io::Error::other)?;
        if let Some(begun) = begun.filter(|begun| begun.sitting.records <= record) {
            state = begun;
            break;
        }
    }
    read_since(log, state.sitting.records.next(), |n, line| {
        if n <= record
            && let Ok(record) = Record::from_line(line)
        {
            state.apply(&record);
        }
        n < record
    })?;
    Ok(state)
}
