//! Known files that scans don't find any more. One is gone for good when it is still missed a while later: a rename shows as a
//! name that goes and another that comes, and the file under the new one has to be read before anybody can tell.
//!
//! Knows neither the disk nor the clock.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::identity::FileState;
use super::known::{Known, Relation};
use super::settling::{Now, QuietTimes, Settling};

/// Some programs take a file away before they put it there anew.
const MISSED_FOR: Duration = Duration::from_secs(5);

/// The known files that the last scans did not find.
#[derive(Debug)]
pub struct Missed {
    patience: Duration,
    files: BTreeMap<String, Miss>,
    /// A known file was found: it is the folder in which the others lay.
    is_their_folder: bool,
    /// Files that were on their way when somebody asked, and when that was: each of them may be a missed one, renamed.
    asked: Option<(Now, Vec<PathBuf>)>,
}

#[derive(Debug, Clone, Copy)]
struct Miss {
    since: Now,
    told: bool,
}

impl Missed {
    pub fn new(quiet: QuietTimes) -> Missed {
        let patience = MISSED_FOR.max(quiet.unseen * 3);
        Missed { patience, files: BTreeMap::new(), is_their_folder: false, asked: None }
    }

    /// Begins anew: what was missed lay in another folder, or can't be looked for.
    pub fn forget(&mut self) {
        self.files.clear();
        self.is_their_folder = false;
        self.asked = None;
    }

    /// Takes what a scan of the whole folder found, by names. Gives those that were told to be gone and are back.
    pub fn after_scan(&mut self, known: &Known, found: &HashMap<String, FileState>, now: Now) -> Vec<String> {
        let is_back = |name: &String| found.get(name).is_some_and(|s| known.relation(name, s) == Relation::Same);
        let told = self.files.iter().filter(|(_, miss)| miss.told).map(|(name, _)| name.clone());
        let back: Vec<String> = told.filter(is_back).collect();
        self.files.retain(|name, _| known.state(name).is_some() && !found.contains_key(name));
        for name in known.names() {
            match found.get(name) {
                Some(state) => self.is_their_folder |= known.relation(name, state) == Relation::Same,
                None if self.files.contains_key(name) => {}
                None => {
                    self.files.insert(name.clone(), Miss { since: now, told: false });
                }
            }
        }
        back
    }

    /// All files that are gone for good, if that is news of any of them. To be asked after each scan.
    pub fn gone(
        &mut self,
        known: &Known,
        settling: &Settling,
        is_stalled: impl Fn(&Path) -> bool,
        is_absent: impl Fn(&str) -> bool,
        now: Now,
    ) -> Option<Vec<String>> {
        let patience = self.patience;
        let is_due = move |miss: &Miss, at: Now| !miss.told && at.saturating_sub(miss.since) >= patience;
        if !self.is_their_folder || !self.files.values().any(|miss| is_due(miss, now)) {
            self.asked = None;
            return None;
        }
        let (at, mut files) = self.asked.take().unwrap_or_else(|| (now, settling.paths().cloned().collect()));
        files.retain(|file| settling.is_waiting(file));
        if files.iter().any(|file| !is_stalled(file)) {
            self.asked = Some((at, files));
            return None;
        }
        // What a rename keeps tells whether a file that nobody can read may be one of them.
        let stalled: Vec<FileState> = files.iter().filter_map(|file| settling.state(file)).collect();
        let may_be_renamed =
            |name: &str| known.state(name).is_some_and(|known| stalled.iter().any(|s| s.same_content_as(known)));
        let mut is_news = false;
        for (name, miss) in &mut self.files {
            if is_due(miss, at) && !may_be_renamed(name) && is_absent(name) {
                miss.told = true;
                is_news = true;
            }
        }
        is_news.then(|| self.files.iter().filter(|(_, miss)| miss.told).map(|(name, _)| name.clone()).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::super::known::KnownFile;
    use super::super::settling::Hint;
    use super::*;
    use crate::container::Fingerprint;

    const A_WHILE: Now = Duration::from_secs(6);

    fn state(number: u64) -> FileState {
        FileState { size: number, modified_ns: 0, changed_ns: 0, inode: number }
    }

    /// A folder in which the files 1 to 3 are known.
    struct Scans {
        missed: Missed,
        known: Known,
        settling: Settling,
        stalled: bool,
    }

    impl Scans {
        fn new() -> Scans {
            let mut known = Known::default();
            for number in 1..=3 {
                let file = KnownFile {
                    name: number.to_string(),
                    state: state(number),
                    fingerprint: Fingerprint::Whole(number),
                };
                known.add(file);
            }
            let (missed, settling) = (Missed::new(QuietTimes::LOCAL), Settling::new(QuietTimes::LOCAL));
            Scans { missed, known, settling, stalled: false }
        }

        /// What is gone after a scan that found these.
        fn scan(&mut self, found: &[u64], now: Now) -> Option<Vec<String>> {
            let files = found.iter().map(|number| (number.to_string(), state(*number))).collect();
            self.missed.after_scan(&self.known, &files, now);
            self.missed.gone(&self.known, &self.settling, |_| self.stalled, |_| true, now)
        }
    }

    #[test]
    fn a_file_is_told_once_and_only_when_it_is_missed_for_a_while() {
        let mut scans = Scans::new();
        assert_eq!(scans.scan(&[1, 2, 3], Now::ZERO), None);
        assert_eq!(scans.scan(&[1, 3], A_WHILE), None);
        assert_eq!(scans.scan(&[1, 3], A_WHILE + Duration::from_secs(4)), None, "it may be put back");
        assert_eq!(scans.scan(&[1, 3], A_WHILE * 2), Some(vec!["2".to_owned()]));
        assert_eq!(scans.scan(&[1, 3], A_WHILE * 3), None, "told once");
        assert_eq!(scans.scan(&[1], A_WHILE * 4), None);
        assert_eq!(scans.scan(&[1], A_WHILE * 5), Some(vec!["2".to_owned(), "3".to_owned()]), "with those before it");
        assert_eq!(scans.scan(&[1, 2], A_WHILE * 6), None);
        assert_eq!(scans.scan(&[1], A_WHILE * 7), None, "it was there in between");
        assert_eq!(scans.scan(&[1], A_WHILE * 8), Some(vec!["2".to_owned(), "3".to_owned()]));
    }

    #[test]
    fn a_rename_is_given_its_time_however_long_the_reading_takes() {
        let mut scans = Scans::new();
        scans.scan(&[1, 2, 3], Now::ZERO);
        scans.settling.notice(Path::new("new"), Hint::Seen, A_WHILE);
        assert_eq!(scans.scan(&[1, 3], A_WHILE), None);
        assert_eq!(scans.scan(&[1, 3], A_WHILE * 3), None, "what is on its way may be the missed one");
        scans.settling.done(Path::new("new"));
        scans.known.remove("2");
        assert_eq!(scans.scan(&[1, 3], A_WHILE * 4), None, "it was");
    }

    #[test]
    fn what_lands_later_holds_up_nothing_and_neither_does_a_stalled_file_of_another_size() {
        let mut scans = Scans::new();
        scans.scan(&[1, 3], Now::ZERO);
        for (name, number, stalled) in [("slow", 9, false), ("later", 8, false), ("stalled", 7, true)] {
            scans.settling.notice(Path::new(name), Hint::Seen, A_WHILE);
            scans.settling.observe(Path::new(name), Some(state(number)), A_WHILE);
            if name == "slow" {
                assert_eq!(scans.scan(&[1, 3], A_WHILE), None);
            }
            scans.stalled = stalled;
        }
        assert_eq!(scans.scan(&[1, 3], A_WHILE * 2), Some(vec!["2".to_owned()]));
    }

    #[test]
    fn a_stalled_file_that_may_be_the_missed_one_is_waited_for() {
        let mut scans = Scans::new();
        scans.scan(&[1, 3], Now::ZERO);
        scans.settling.notice(Path::new("stalled"), Hint::Seen, A_WHILE);
        scans.settling.observe(Path::new("stalled"), Some(state(2)), A_WHILE);
        scans.stalled = true;
        assert_eq!(scans.scan(&[1, 3], A_WHILE), None);
        assert_eq!(scans.scan(&[1], A_WHILE * 2), None);
        assert_eq!(scans.scan(&[1], A_WHILE * 4), Some(vec!["3".to_owned()]), "the other one is gone");
    }

    #[test]
    fn in_another_folder_nothing_is_gone() {
        let mut scans = Scans::new();
        assert_eq!(scans.scan(&[9], Now::ZERO), None);
        assert_eq!(scans.scan(&[9], A_WHILE * 2), None, "none of the known files ever lay there");
        scans.scan(&[1, 2, 3], A_WHILE * 3);
        scans.scan(&[], A_WHILE * 4);
        scans.missed.forget();
        assert_eq!(scans.scan(&[1, 2], A_WHILE * 6), None, "it is back: what is missed is missed from now on");
    }
}
