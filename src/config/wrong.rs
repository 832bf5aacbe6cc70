//! Where in a configuration's text a value stands that can't be used.
//!
//! Owns the search for its line. What is wrong with it is said by who found it.

use std::ops::Range;

/// A value that can't be used, and where to look for it.
pub(super) struct Wrong {
    pub key: String,
    value: String,
    /// The list that it stands in, and which of its entries, from 0.
    within: Option<(&'static str, usize)>,
    pub fault: String,
}

impl Wrong {
    pub fn new(key: &str, value: impl ToString, fault: impl ToString) -> Wrong {
        Wrong { key: key.to_owned(), value: value.to_string(), within: None, fault: fault.to_string() }
    }

    pub fn within(self, list: &'static str, entry: usize) -> Wrong {
        Wrong { within: Some((list, entry)), ..self }
    }

    /// The line that writes the key with this value, or at least the key; otherwise where its list begins.
    pub fn line_in(&self, text: &str) -> usize {
        let lines: Vec<&str> = text.lines().collect();
        let range = self.within.map_or(0..lines.len(), |(list, entry)| entry_of(&lines, list, entry));
        let place = |value| range.clone().find(|i| writes(lines[*i], &self.key, value));
        place(Some(self.value.as_str())).or_else(|| place(None)).unwrap_or(range.start) + 1
    }
}

/// The lines that write a key, from one on; counted from 1.
pub(super) fn lines_that_write<'a>(key: &'a str, text: &'a str, from: usize) -> impl Iterator<Item = usize> + 'a {
    let lines = text.lines().enumerate().skip(from.saturating_sub(1));
    lines.filter(move |(_, line)| writes(line, key, None)).map(|(i, _)| i + 1)
}

/// Whether a line writes the key, with this value if one is asked for.
fn writes(line: &str, key: &str, value: Option<&str>) -> bool {
    let bare = |s: &str| s.trim().trim_matches(['"', '\'']).to_owned();
    line.match_indices(key).any(|(at, _)| {
        let (before, after) = (&line[..at], &line[at + key.len()..]);
        let before = before.trim_end_matches(['"', '\'']).trim_end();
        let begins = before.is_empty() || before.ends_with(['-', '{', ',']);
        let Some(written) = after.trim_start_matches(['"', '\'']).trim_start().strip_prefix(':').filter(|_| begins)
        else {
            return false;
        };
        let written = written.split(" #").next().unwrap_or_default();
        let in_braces = before.contains('{');
        let written = if in_braces { written.split([',', '}']).next().unwrap_or_default() } else { written };
        value.is_none_or(|value| bare(written) == value)
    })
}

/// The lines of one entry of a list; those of the whole list, or of everything, where they can't be told apart.
fn entry_of(lines: &[&str], list: &str, entry: usize) -> Range<usize> {
    let Some(start) = lines.iter().position(|l| writes(l, list, None) && !l.starts_with([' ', '-'])) else {
        return 0..lines.len();
    };
    let is_on = |line: &str| line.trim().is_empty() || line.starts_with([' ', '-', '#']);
    let end = (start + 1..lines.len()).find(|i| !is_on(lines[*i])).unwrap_or(lines.len());
    let indent = |line: &str| line.len() - line.trim_start().len();
    let is_entry = |line: &str| line.trim_start().starts_with("- ") || line.trim() == "-";
    let all: Vec<usize> = (start + 1..end).filter(|i| is_entry(lines[*i])).collect();
    let first = all.first().map(|i| indent(lines[*i]));
    let mut entries = all.into_iter().filter(|i| Some(indent(lines[*i])) == first).skip(entry);
    match entries.next() {
        Some(begin) => begin..entries.next().unwrap_or(end),
        None => start..end,
    }
}
