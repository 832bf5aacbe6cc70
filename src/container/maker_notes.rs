//! Maker's notes, as far as the raw library follows them: one directory in a form that differs by maker.
//!
//! Only its budget is judged: makers write places that lie anywhere, and the library passes those over.

use std::io::{Read, Seek};

use super::Fault;
use super::directories::{Window, number, width};

/// Entries that the library reads of one directory.
const MOST_ENTRIES: u64 = 4096;
/// Bytes that the values of one directory may have together.
const MOST_CLAIMED: u64 = 128 << 20;
/// What a note may begin with, and how many bytes the library then passes over.
const BEGINNINGS: [(&[u8], u64); 7] = [
    (b"OLYMPUS", 12),
    (b"OLYMP", 8),
    (b"OM SYSTEM", 16),
    (b"EPSON", 8),
    (b"FUJIFILM", 12),
    (b"SONY DSC ", 12),
    (b"AOC\0", 4),
];
/// Entries by which one maker's notes point to directories of their own, counted from the note's beginning.
const DIRECTORIES_BELOW: [u64; 3] = [0x2010, 0x2020, 0x2040];

/// Checks the directories of a note of `size` bytes at `at`.
pub fn check<F: Read + Seek>(window: &mut Window<'_, F>, at: u64, size: u64, little: bool) -> Result<(), Fault> {
    const LONGEST_BEGINNING: u64 = 20;
    let Ok(head) = window.read(at, size.min(LONGEST_BEGINNING)) else { return Ok(()) };
    let (skipped, little) = beginning(&head, little);
    let mut budget = Budget { claimed: 0 };
    let below = budget.directory(window, at.saturating_add(skipped), little)?;
    for place in below {
        budget.directory(window, at.saturating_add(place), little)?;
    }
    Ok(())
}

/// Where a note's directory begins, and in which byte order it is.
fn beginning(head: &[u8], little: bool) -> (u64, bool) {
    let order_at = |at: u64| head.get(at as usize..at as usize + 2);
    if head.starts_with(b"PENTAX") {
        return (10, order_at(8) == Some(b"II"));
    }
    if head.starts_with(b"Nikon\0\x02") {
        return (18, order_at(10) == Some(b"II"));
    }
    let skipped = BEGINNINGS.iter().find(|(begins, _)| head.starts_with(begins)).map_or(0, |(_, skipped)| *skipped);
    match order_at(skipped) {
        Some(b"II") => (skipped + 2, true),
        Some(b"MM") => (skipped + 2, false),
        _ => (skipped, little),
    }
}

/// What the values of a note's directories may take together.
struct Budget {
    claimed: u64,
}

impl Budget {
    /// Counts a directory; gives the places of those that it points to.
    fn directory<F: Read + Seek>(
        &mut self,
        window: &mut Window<'_, F>,
        at: u64,
        little: bool,
    ) -> Result<Vec<u64>, Fault> {
        let Ok(head) = window.read(at, 2) else { return Ok(Vec::new()) };
        let there = (window.length - at - 2) / 12;
        let count = number(&head, little).min(MOST_ENTRIES).min(there);
        let table = window.read(at + 2, count * 12)?;
        let mut below = Vec::new();
        for entry in table.chunks_exact(12) {
            let size = number(&entry[4..8], little) * width(number(&entry[2..4], little));
            self.claimed += if size <= window.length { size } else { 0 };
            if DIRECTORIES_BELOW.contains(&number(&entry[..2], little)) && below.len() < DIRECTORIES_BELOW.len() {
                below.push(number(&entry[8..12], little));
            }
        }
        if self.claimed > MOST_CLAIMED { Err(Fault::Tangled) } else { Ok(below) }
    }
}
