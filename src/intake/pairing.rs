//! Raw and JPEG files of one stem: the raw file waits a moment, so that its picture comes first.

use std::collections::{HashMap, HashSet, VecDeque};
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::settling::Now;

/// How long a raw file waits for the picture of the same stem, which is read much sooner.
const PATIENCE: Duration = Duration::from_millis(350);
/// After so many raw files in a row whose picture didn't come, none is waited for until a picture comes again.
const ALONE: usize = 3;
/// Stems of released pictures that are remembered.
const REMEMBERED: usize = 512;

/// Raw files that wait for their pictures.
#[derive(Debug, Default)]
pub struct Pairing {
    waiting: HashMap<PathBuf, Now>,
    released: HashSet<String>,
    order: VecDeque<String>,
    /// Raw files that waited in vain since the last picture.
    in_vain: usize,
}

/// Folder and name without extension, case folded: what the files of one exposure share.
pub fn stem_key(path: &Path) -> String {
    path.with_extension("").to_string_lossy().to_lowercase()
}

impl Pairing {
    /// A raw file is whole. `true` when it may go now.
    pub fn raw_ready(&mut self, path: &Path, now: Now) -> bool {
        let paired = self.released.contains(&stem_key(path));
        let ready = paired || self.in_vain >= ALONE;
        if !ready {
            self.waiting.insert(path.to_owned(), now + PATIENCE);
        }
        ready
    }

    /// A picture is released. Gives the raw files that waited for it.
    pub fn picture_released(&mut self, path: &Path) -> Vec<PathBuf> {
        let stem = stem_key(path);
        self.in_vain = 0;
        let freed: Vec<PathBuf> = self.waiting.keys().filter(|raw| stem_key(raw) == stem).cloned().collect();
        for raw in &freed {
            self.waiting.remove(raw);
        }
        if self.released.insert(stem.clone()) {
            self.order.push_back(stem);
        }
        while self.order.len() > REMEMBERED {
            if let Some(oldest) = self.order.pop_front() {
                self.released.remove(&oldest);
            }
        }
        freed
    }

    /// Raw files that have waited long enough.
    pub fn take_overdue(&mut self, now: Now) -> Vec<PathBuf> {
        let mut overdue: Vec<PathBuf> =
            self.waiting.iter().filter(|(_, until)| **until <= now).map(|(path, _)| path.clone()).collect();
        overdue.sort();
        for path in &overdue {
            self.waiting.remove(path);
        }
        self.in_vain += overdue.len();
        overdue
    }

    pub fn next_due(&self) -> Option<Now> {
        self.waiting.values().min().copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_raw_file_waits_for_its_picture_but_not_for_ever() {
        let mut pairing = Pairing::default();
        let (raw, jpeg) = (Path::new("a/IMG_1.NEF"), Path::new("a/img_1.jpg"));
        assert!(!pairing.raw_ready(raw, Duration::ZERO));
        assert_eq!(pairing.picture_released(jpeg), [raw]);
        assert!(pairing.raw_ready(raw, Duration::ZERO), "the picture is out already");
        let alone = Path::new("a/IMG_2.NEF");
        assert!(!pairing.raw_ready(alone, Duration::ZERO));
        assert!(pairing.take_overdue(Duration::from_millis(100)).is_empty());
        assert_eq!(pairing.take_overdue(Duration::from_secs(3)), [alone]);
    }

    #[test]
    fn where_raw_files_come_alone_none_waits_until_a_picture_comes_again() {
        let mut pairing = Pairing::default();
        let raw = |n: usize| PathBuf::from(format!("a/IMG_{n}.NEF"));
        for n in 0..ALONE {
            assert!(!pairing.raw_ready(&raw(n), Duration::ZERO), "{n}");
            assert_eq!(pairing.take_overdue(Duration::from_secs(1)), [raw(n)]);
        }
        assert!(pairing.raw_ready(&raw(90), Duration::ZERO));
        pairing.picture_released(Path::new("a/img_90.jpg"));
        assert!(!pairing.raw_ready(&raw(91), Duration::ZERO));
    }
}
