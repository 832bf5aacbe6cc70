//! The lines of one file of the log, with their places. What they mean is for others.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use crate::container::{Links, open};

/// No record is longer; a longer line is damage.
pub(super) const LONGEST_LINE: u64 = 16 << 20;
/// Some editors put it in front of a text.
const BYTE_ORDER_MARK: &[u8] = b"\xef\xbb\xbf";

/// A file that is read line by line.
#[derive(Debug)]
pub(super) struct Lines {
    reader: BufReader<File>,
    at: u64,
}

/// One line, with its end. Of one that is too long only the beginning is here.
#[derive(Debug)]
pub(super) struct Line {
    pub start: u64,
    /// Where the next one begins.
    pub end: u64,
    bytes: Vec<u8>,
    /// It has an end.
    pub is_ended: bool,
}

impl Lines {
    /// Never waits, and refuses what is no regular file.
    pub fn of(path: &Path) -> io::Result<Lines> {
        Ok(Lines { reader: BufReader::with_capacity(256 << 10, open(path, Links::Refused)?), at: 0 })
    }

    pub fn file(&self) -> &File {
        self.reader.get_ref()
    }

    /// Where the next line begins.
    pub fn at(&self) -> u64 {
        self.at
    }

    /// Goes back to the beginning of a line.
    pub fn back_to(&mut self, line: &Line) -> io::Result<()> {
        self.at = line.start;
        self.reader.seek(SeekFrom::Start(line.start)).map(|_| ())
    }

    pub fn next(&mut self) -> io::Result<Option<Line>> {
        let mut line = Line { start: self.at, end: self.at, bytes: Vec::new(), is_ended: false };
        self.at += (&mut self.reader).take(LONGEST_LINE).read_until(b'\n', &mut line.bytes)? as u64;
        line.is_ended = line.bytes.last() == Some(&b'\n');
        if !line.is_ended && line.bytes.len() as u64 == LONGEST_LINE {
            line.is_ended = self.pass_over()?;
        }
        line.end = self.at;
        Ok((line.end > line.start).then_some(line))
    }

    /// Passes over the rest of a line. `false` when the file is at its end.
    fn pass_over(&mut self) -> io::Result<bool> {
        loop {
            let buffer = self.reader.fill_buf()?;
            let (length, is_end) = match memchr::memchr(b'\n', buffer) {
                Some(place) => (place + 1, true),
                None => (buffer.len(), false),
            };
            self.reader.consume(length);
            self.at += length as u64;
            if is_end || length == 0 {
                return Ok(is_end);
            }
        }
    }
}

impl Line {
    /// Without its end, whatever program wrote that, and without spaces around it.
    pub fn bytes(&self) -> &[u8] {
        let from_mark = self.bytes.strip_prefix(BYTE_ORDER_MARK).filter(|_| self.start == 0);
        from_mark.unwrap_or(&self.bytes).trim_ascii()
    }

    pub fn text(&self) -> Option<&str> {
        std::str::from_utf8(self.bytes()).ok()
    }

    /// There is nothing in it, and it is whole.
    pub fn is_blank(&self) -> bool {
        self.bytes().is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(bytes: &[u8]) -> Vec<Line> {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("a.jsonl");
        std::fs::write(&path, bytes).unwrap();
        let mut lines = Lines::of(&path).unwrap();
        std::iter::from_fn(|| lines.next().unwrap()).collect()
    }

    #[test]
    fn ends_and_marks_of_other_programs_are_none_of_the_line() {
        let read = lines(b"\xef\xbb\xbfone\r\n\xef\xbb\xbftwo\n\r\nthree \r");
        let texts: Vec<&str> = read.iter().map(|l| l.text().unwrap()).collect();
        assert_eq!(texts, ["one", "\u{feff}two", "", "three"]);
        assert_eq!(read.iter().map(|l| l.start).collect::<Vec<_>>(), [0, 8, 15, 17]);
        assert!(read[2].is_blank() && read[2].is_ended && !read[3].is_ended);
    }

    #[test]
    fn a_line_that_is_too_long_is_one_line() {
        let mut bytes = vec![b'x'; 40 << 20];
        bytes.extend_from_slice(b"\nnext\n");
        let read = lines(&bytes);
        assert_eq!(read.len(), 2);
        assert_eq!((read[0].end, read[1].text()), ((40 << 20) + 1, Some("next")));
        bytes.truncate(40 << 20);
        let read = lines(&bytes);
        assert!(read.len() == 1 && !read[0].is_ended);
    }
}
