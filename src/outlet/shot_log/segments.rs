//! The files of a log: its own, then `….2.jsonl` and so on. Which of them is read or written is for others.

use std::path::{Path, PathBuf};

/// So many in a row may be missing, and those behind are still the log's.
const MOST_MISSING: u32 = 16;

/// One file of a log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Segment {
    pub number: u32,
    pub path: PathBuf,
}

impl Segment {
    /// The `number`-th file of a log; the first is the log itself.
    pub fn of(log: &Path, number: u32) -> Segment {
        let path = if number <= 1 { log.to_owned() } else { log.with_extension(format!("{number}.jsonl")) };
        Segment { number, path }
    }

    /// Whether anything is there, be it what it may.
    fn is_there(&self) -> bool {
        self.path.symlink_metadata().is_ok()
    }
}

/// The files of a log that are there, in order.
pub(super) fn all(log: &Path) -> Vec<Segment> {
    let mut found: Vec<Segment> = Vec::new();
    while let Some(next) = after(log, found.last().map_or(0, |last| last.number)) {
        found.push(next);
    }
    found
}

/// The next file behind one, where there is one.
pub(super) fn after(log: &Path, number: u32) -> Option<Segment> {
    (number + 1..=number + 1 + MOST_MISSING).map(|n| Segment::of(log, n)).find(Segment::is_there)
}

/// The numbers that are missing between the files that are there.
pub(super) fn missing(files: &[Segment]) -> Vec<u32> {
    let last = files.last().map_or(0, |last| last.number);
    (1..last).filter(|n| files.binary_search_by_key(n, |f| f.number).is_err()).collect()
}

/// The existing files of a log, in order.
pub fn segments(log: &Path) -> Vec<PathBuf> {
    all(log).into_iter().map(|segment| segment.path).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_one_hides_none_behind_it_and_another_log_is_none_of_them() {
        let home = tempfile::tempdir().unwrap();
        let log = home.path().join("shots.jsonl");
        for name in ["shots.jsonl", "shots.2.jsonl", "shots.5.jsonl", "shots.2026.jsonl", "shots.copy.jsonl"] {
            std::fs::write(home.path().join(name), "").unwrap();
        }
        let numbers: Vec<u32> = all(&log).iter().map(|s| s.number).collect();
        assert_eq!(numbers, [1, 2, 5]);
        assert_eq!(missing(&all(&log)), [3, 4]);
        assert_eq!(after(&log, 5), None);
    }
}
