//! What a log comes to at a start: the state out of its last files, and how much of the last one is sound. Reads only.

use super::lines::{LONGEST_LINE, Line, Lines};
use super::place::is_of_a_log;
use super::segments::{Segment, missing};
use super::{LogError, Opened};
use crate::session::{Carried, LineFault, Portion, Record, State};

/// Of more than one line no more bytes than this are ever taken for a torn end.
const LONGEST_TAIL: u64 = 64 << 10;

/// How the last file of a log ends.
#[derive(Debug, Default, Clone, Copy)]
pub(super) struct End {
    /// The place behind the last sound line.
    pub good: u64,
    /// That line has an end: the next one can follow.
    pub is_ended: bool,
    /// Bytes behind it that can't be read.
    pub torn: u64,
}

/// How much was read.
#[derive(Debug, Default, Clone, Copy)]
pub(super) struct Extent {
    /// Bytes of the state that was gone on from.
    pub carried: u64,
    /// Bytes behind it.
    pub since: u64,
}

/// Takes the files of a log into a state.
pub(super) fn replay(files: &[Segment], opened: &mut Opened) -> Result<(End, Extent), LogError> {
    for number in missing(files) {
        let whole = files.first().filter(|f| f.number == 1).or(files.last());
        let of = whole.map(|f| f.path.display().to_string()).unwrap_or_default();
        opened
            .damage
            .push(format!("file {number} of the shot log {of} is missing: what it told can't be shown any more"));
    }
    let mut extent = Extent::default();
    let mut first = 0;
    for (place, file) in files.iter().enumerate().rev() {
        match carried(file)? {
            Begins::WithState(state, length) => {
                (opened.state, extent.carried, first) = (*state, length, place);
                break;
            }
            Begins::WithNone => {}
            Begins::NotUnderstood(why) => opened.damage.push(format!(
                "the state that {} begins with can't be read ({why}): the records before it were read in its place",
                file.path.display()
            )),
        }
    }
    let mut end = End { is_ended: true, ..End::default() };
    for (place, file) in files.iter().enumerate().skip(first) {
        let is_last = place + 1 == files.len();
        end = take_in(file, is_last, opened)?;
        extent.since += end.good;
    }
    extent.since = extent.since.saturating_sub(extent.carried);
    Ok((end, extent))
}

/// The state that a file begins with, where it does.
pub(super) fn state_at_the_beginning_of(file: &Segment) -> Result<Option<State>, LogError> {
    carried(file).map(|begins| match begins {
        Begins::WithState(state, _) => Some(*state),
        Begins::WithNone | Begins::NotUnderstood(_) => None,
    })
}

/// What a file begins with.
enum Begins {
    /// The state after the records before it; how long that is.
    WithState(Box<State>, u64),
    WithNone,
    NotUnderstood(String),
}

fn carried(file: &Segment) -> Result<Begins, LogError> {
    let mut lines = lines_of(file)?;
    let mut carried = Carried::default();
    while let Some(line) = next(&mut lines, file)? {
        let Some(text) = line.text().filter(|t| Portion::is_in(t.as_bytes())) else { break };
        match Portion::from_line(text) {
            // The records before it tell what it lacks.
            Ok(portion) if !portion.is_of_this_format() => break,
            Ok(portion) if carried.take(&portion) => {}
            Err(LineFault::Newer(version)) => return Err(newer(file, 1, LineFault::Newer(version))),
            Err(fault) if fault.is_of_another_program() => return Ok(Begins::NotUnderstood(fault.to_string())),
            _ => break,
        }
        if carried.is_whole() {
            return Ok(match carried.state() {
                Ok(state) => Begins::WithState(Box::new(state), lines.at()),
                Err(e) => Begins::NotUnderstood(e.to_string()),
            });
        }
    }
    Ok(Begins::WithNone)
}

/// What stands behind the last sound line of a file.
#[derive(Default)]
pub(super) struct Behind {
    /// The first and the last line of it.
    lines: Option<(usize, usize)>,
    /// Of these, lines that a log might hold.
    of_a_log: usize,
}

impl Behind {
    pub fn add(&mut self, line: usize, is_of_a_log: bool) {
        self.lines = Some((self.lines.map_or(line, |(first, _)| first), line));
        self.of_a_log += usize::from(is_of_a_log);
    }

    /// A sentence on lines that have a sound one behind them.
    pub fn was_passed_over(&self, file: &str) -> Option<String> {
        self.lines.map(|(first, last)| match first == last {
            true => format!("{file}, line {first}, is damaged and was passed over"),
            false => format!("{file}, lines {first} to {last}, are damaged and were passed over"),
        })
    }
}

/// Applies a file's records.
fn take_in(file: &Segment, is_last: bool, opened: &mut Opened) -> Result<End, LogError> {
    let name = file.path.display().to_string();
    let mut end = End { is_ended: true, ..End::default() };
    let mut behind = Behind::default();
    let mut lines = lines_of(file)?;
    let mut number = 0;
    while let Some(line) = next(&mut lines, file)? {
        number += 1;
        let sound = if line.is_blank() { Ok(None) } else { record_in(&line) };
        match sound {
            Ok(record) => {
                if let Some(record) = record {
                    apply(&record, &format!("{name}, line {number}"), opened);
                }
                opened.damage.extend(std::mem::take(&mut behind).was_passed_over(&name));
                end = End { good: line.end, is_ended: line.is_ended, torn: 0 };
            }
            Err(fault) if fault.is_of_another_program() => return Err(newer(file, number, fault)),
            Err(_) => {
                behind.add(number, is_of_a_log(&line));
            }
        }
    }
    end.torn = lines.at() - end.good;
    // More than that no loss of power leaves: somebody else wrote it, and it may be all that there is.
    match behind.lines {
        Some((first, last)) if is_last => {
            let most = if first == last { LONGEST_LINE } else { LONGEST_TAIL };
            if end.torn > most || (first != last && behind.of_a_log > 1) {
                return Err(LogError::Unsound { log: name, line: first, bytes: end.torn });
            }
            Ok(end)
        }
        _ => Ok(end),
    }
}

/// The record of a line; none in one of a carried state.
pub(super) fn record_in(line: &Line) -> Result<Option<Record>, LineFault> {
    let text = line.text().ok_or(LineFault::NoText)?;
    if !Portion::is_in(text.as_bytes()) {
        return Record::from_line(text).map(Some);
    }
    match Portion::from_line(text) {
        // It says nothing that the records before it don't.
        Ok(_) | Err(LineFault::NotUnderstood { .. }) => Ok(None),
        Err(fault) => Err(fault),
    }
}

fn apply(record: &Record, place: &str, opened: &mut Opened) {
    let known = opened.state.sitting.records;
    // A record that is known already was written again behind a failed sync.
    if record.n <= known {
        return;
    }
    if record.n > known.next() {
        opened.damage.push(format!("{place}: records {} to {} are missing", known.next(), record.n.back(1)));
    }
    opened.state.apply(record);
}

fn lines_of(file: &Segment) -> Result<Lines, LogError> {
    Lines::of(&file.path).map_err(|cause| unreadable(file, cause))
}

fn next(lines: &mut Lines, file: &Segment) -> Result<Option<Line>, LogError> {
    lines.next().map_err(|cause| unreadable(file, cause))
}

pub(super) fn unreadable(file: &Segment, cause: std::io::Error) -> LogError {
    LogError::Unreadable { log: file.path.display().to_string(), cause }
}

pub(super) fn newer(file: &Segment, line: usize, fault: LineFault) -> LogError {
    LogError::Newer { log: file.path.display().to_string(), line, fault }
}
