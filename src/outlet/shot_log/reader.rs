//! Reading a log that is being written: in order, each record once, from any number on, and on from there when more
//! has come. Changes nothing.

use std::io;
use std::path::{Path, PathBuf};

use tokio::task::spawn_blocking;

use super::lines::Lines;
use super::place::resolved;
use super::segments::{Segment, after, all};
use crate::intake::FileState;
use crate::numbers::RecordNumber;
use crate::session::{Portion, Record};

/// Records that are read out of a log at one time, so that memory stays flat.
pub const PORTION: usize = 256;
/// Lines at the beginning of a file that are looked at for its first number.
const MOST_LOOKED_AT: usize = 64;

/// A reader that remembers its place: the log is passed over once, however often more of it is asked for.
#[derive(Debug)]
pub struct LogReader {
    log: PathBuf,
    /// The next record that it gives.
    next: RecordNumber,
    open: Option<OpenSegment>,
    /// There was no more when it was asked for last.
    is_at_end: bool,
}

#[derive(Debug)]
struct OpenSegment {
    file: Segment,
    lines: Lines,
}

impl OpenSegment {
    fn at_beginning_of(file: Segment) -> io::Result<OpenSegment> {
        Lines::of(&file.path).map(|lines| OpenSegment { file, lines })
    }

    /// Whether the file is still the one that was opened, and no shorter than what was read of it.
    fn holds(&self) -> bool {
        let here = FileState::of_open(self.lines.file()).ok();
        let there = FileState::at(&self.file.path);
        let same = here.zip(there).is_some_and(|(here, there)| here.inode == there.inode);
        same && there.is_some_and(|there| there.size >= self.lines.at())
    }
}

impl LogReader {
    /// A reader of the records from number `from` on.
    pub fn new(log: &Path, from: RecordNumber) -> LogReader {
        LogReader { log: resolved(log), next: from.max(RecordNumber::FIRST), open: None, is_at_end: true }
    }

    /// Passes over the records before number `n`.
    pub fn skip_to(&mut self, n: RecordNumber) {
        self.next = self.next.max(n);
    }

    /// The next record's number and line; none when that is all so far.
    pub fn next_line(&mut self) -> io::Result<Option<(RecordNumber, String)>> {
        // What was at its end may have been cut, moved or replaced since.
        if self.is_at_end && self.open.as_ref().is_none_or(|open| !open.holds()) {
            self.open = self.find()?;
        }
        let next = self.read_on();
        self.is_at_end = !matches!(next, Ok(Some(_)));
        next
    }

    fn read_on(&mut self) -> io::Result<Option<(RecordNumber, String)>> {
        loop {
            let Some(OpenSegment { file, lines }) = &mut self.open else { return Ok(None) };
            let Some(line) = lines.next()? else {
                match after(&self.log, file.number) {
                    Some(file) => self.open = Some(OpenSegment::at_beginning_of(file)?),
                    None => return Ok(None),
                }
                continue;
            };
            // A long log is not looked at closely for its last lines.
            let passed = Record::number_in(line.bytes()).is_some_and(|n| n < self.next);
            if passed || Portion::is_in(line.bytes()) {
                continue;
            }
            let text = line.text().unwrap_or_default();
            match Record::sound_number_in(text) {
                Some(n) if n >= self.next => {
                    self.next = n.next();
                    return Ok(Some((n, text.to_owned())));
                }
                // It is still being written, most likely.
                None if !line.is_ended && after(&self.log, file.number).is_none() => {
                    lines.back_to(&line)?;
                    return Ok(None);
                }
                _ => {}
            }
        }
    }

    /// The next records, at most [`PORTION`]; fewer when that is all so far.
    pub fn portion(&mut self) -> io::Result<Vec<(RecordNumber, String)>> {
        let mut lines = Vec::new();
        while lines.len() < PORTION
            && let Some(line) = self.next_line()?
        {
            lines.push(line);
        }
        Ok(lines)
    }

    /// The file that holds the next record, or would: the last one that doesn't begin behind it.
    fn find(&self) -> io::Result<Option<OpenSegment>> {
        let mut files = all(&self.log);
        while let Some(file) = files.pop() {
            if files.is_empty() || first_number(&file)?.is_some_and(|first| first <= self.next) {
                return OpenSegment::at_beginning_of(file).map(Some);
            }
        }
        Ok(None)
    }
}

/// The number of a file's first record, or of the first that can follow its carried state.
pub(super) fn first_number(file: &Segment) -> io::Result<Option<RecordNumber>> {
    let mut lines = Lines::of(&file.path)?;
    for _ in 0..MOST_LOOKED_AT {
        let Some(line) = lines.next()? else { break };
        let first = Record::number_in(line.bytes()).or_else(|| Portion::after(line.bytes()).map(RecordNumber::next));
        if first.is_some() {
            return Ok(first);
        }
    }
    Ok(None)
}

/// The reader's next portion, read where it holds up nobody.
pub async fn portion(reader: &mut LogReader) -> io::Result<Vec<(RecordNumber, String)>> {
    let mut aside = LogReader { log: reader.log.clone(), open: reader.open.take(), ..*reader };
    // Whoever doesn't wait for the end of this finds the place anew.
    reader.is_at_end = true;
    let read = spawn_blocking(move || {
        let lines = aside.portion();
        (aside, lines)
    });
    let (aside, lines) = read.await.map_err(io::Error::other)?;
    *reader = aside;
    lines
}

/// Reads a log without changing it: the lines of all good records from number `n` on, each once.
pub fn read_since(log: &Path, n: RecordNumber, mut each: impl FnMut(RecordNumber, &str) -> bool) -> io::Result<()> {
    let mut reader = LogReader::new(log, n);
    while let Some((n, line)) = reader.next_line()? {
        if !each(n, &line) {
            break;
        }
    }
    Ok(())
}
