//! A file is looked into when it has come to rest. Case files by an injected clock; no sleeping.

use std::path::{Path, PathBuf};
use std::time::Duration;

use greyhold::intake::{Closes, FileState, Hint, QuietTimes, Settling, Step};
use proptest::prelude::*;

fn state(size: u64, touched: i64) -> FileState {
    FileState { size, modified_ns: touched, changed_ns: touched, inode: 1 }
}

/// What happens to one file: at these times (ms) it has these sizes; `closed` is when a close is heard.
struct Case {
    name: &'static str,
    sizes: &'static [(u64, u64)],
    closed: Option<u64>,
    checked_at: std::ops::RangeInclusive<u64>,
}

/// As Linux has it.
const CASES: [Case; 7] = [
    Case { name: "one write, no close heard", sizes: &[(0, 100)], closed: None, checked_at: 400..=520 },
    Case { name: "one write, closed", sizes: &[(0, 100)], closed: Some(0), checked_at: 0..=0 },
    Case {
        name: "closed while empty, then whole",
        sizes: &[(0, 0), (300, 100)],
        closed: Some(0),
        checked_at: 700..=900,
    },
    Case { name: "grows twice", sizes: &[(0, 100), (300, 200)], closed: None, checked_at: 700..=900 },
    Case { name: "empty for long, then whole", sizes: &[(0, 0), (5000, 50)], closed: None, checked_at: 5400..=6600 },
    Case {
        name: "written in two parts, then closed",
        sizes: &[(0, 100), (95, 200)],
        closed: Some(100),
        checked_at: 100..=100,
    },
    Case { name: "closed late", sizes: &[(0, 100)], closed: Some(250), checked_at: 250..=250 },
];

/// As Windows and macOS have it: no close is told, but on Windows a rename into place.
const WITHOUT_CLOSES: [Case; 4] = [
    Case { name: "one write", sizes: &[(0, 100)], closed: None, checked_at: 150..=240 },
    Case { name: "grows twice", sizes: &[(0, 100), (140, 200)], closed: None, checked_at: 290..=400 },
    Case { name: "empty, then whole", sizes: &[(0, 0), (300, 100)], closed: None, checked_at: 450..=900 },
    Case { name: "renamed into place", sizes: &[(0, 100)], closed: Some(0), checked_at: 0..=0 },
];

/// Looks whenever the machine wants to, and gives the time at which it wants the file checked.
fn play(case: &Case, closes: Closes) -> u64 {
    let path = Path::new("a.jpg");
    let mut settling = Settling::new(QuietTimes::local(closes));
    settling.notice(path, Hint::Seen, Duration::ZERO);
    for ms in 0..20_000 {
        let now = Duration::from_millis(ms);
        if case.closed == Some(ms) {
            settling.notice(path, Hint::Closed, now);
        }
        if settling.due(now).is_empty() {
            continue;
        }
        let (_, size) = case.sizes.iter().rev().find(|(at, _)| *at <= ms).unwrap();
        let touched = case.sizes.iter().rev().find(|(at, _)| *at <= ms).unwrap().0 as i64;
        if settling.observe(path, Some(state(*size, touched)), now) == Step::Check {
            return ms;
        }
    }
    panic!("{}: never checked", case.name);
}

#[test]
fn each_case_is_checked_in_its_time() {
    let told = CASES.iter().map(|case| (case, Closes::Told));
    let untold = WITHOUT_CLOSES.iter().map(|case| (case, Closes::Untold));
    for (case, closes) in told.chain(untold) {
        let at = play(case, closes);
        assert!(case.checked_at.contains(&at), "{}, closes {closes:?}: checked at {at} ms", case.name);
    }
}

#[test]
fn what_is_not_whole_is_looked_at_again_and_given_up_at_last() {
    let path = Path::new("a.jpg");
    let mut settling = Settling::new(QuietTimes::LOCAL);
    settling.notice(path, Hint::Seen, Duration::ZERO);
    let (mut checks, mut gave_up) = (0, None);
    for ms in 0..200_000 {
        let now = Duration::from_millis(ms);
        if settling.due(now).is_empty() {
            continue;
        }
        if settling.observe(path, Some(state(10, 0)), now) == Step::Check {
            checks += 1;
            settling.to_be_read(path);
            if settling.not_whole(path, now).is_some() {
                gave_up = Some(ms);
                break;
            }
        }
    }
    assert!((60_000..63_000).contains(&gave_up.unwrap()), "{gave_up:?}");
    assert!((30..100).contains(&checks), "{checks} checks: neither asleep nor busy");
}

#[test]
fn a_file_that_goes_is_forgotten() {
    let path = PathBuf::from("a.jpg");
    let mut settling = Settling::new(QuietTimes::LOCAL);
    settling.notice(&path, Hint::Seen, Duration::ZERO);
    assert_eq!(settling.observe(&path, None, Duration::ZERO), Step::Gone);
    assert!(!settling.is_waiting(&path));
}

/// Plays a file of one size, seen anew whenever the machine wants to, and gives what it is called empty at.
fn called_empty_at(size: u64, nobody_looks: std::ops::Range<u64>) -> Option<u64> {
    let path = Path::new("a.jpg");
    let mut settling = Settling::new(QuietTimes::LOCAL);
    settling.notice(path, Hint::Seen, Duration::ZERO);
    for ms in (0..600_000).step_by(10).filter(|ms| !nobody_looks.contains(ms)) {
        let now = Duration::from_millis(ms);
        // A scan may come before anybody has looked at the file.
        if let Some((_, state)) = settling.take_empty(now).pop() {
            assert_eq!(state.size, 0);
            return Some(ms);
        }
        if !settling.due(now).is_empty() && settling.observe(path, Some(state(size, 0)), now) == Step::Check {
            settling.to_be_read(path);
            assert!(settling.not_whole(path, now).is_none() || ms > 60_000);
        }
    }
    None
}

#[test]
fn only_an_empty_file_is_called_empty_however_long_nobody_looked() {
    assert_eq!(called_empty_at(10, 300..130_000), None);
    assert_eq!(called_empty_at(10, 0..0), None);
    let at = called_empty_at(0, 0..0).unwrap();
    assert!((120_000..122_000).contains(&at), "{at}");
}

/// The program was stopped, the machine slept, a disk held everybody up.
#[test]
fn time_in_which_nobody_looked_is_no_time_of_rest() {
    let at = called_empty_at(0, 1_000..400_000).unwrap();
    assert!((518_000..522_000).contains(&at), "{at}");
    // Nor does a file that is growing run out of patience meanwhile.
    let path = Path::new("a.jpg");
    let mut settling = Settling::new(QuietTimes::LOCAL);
    settling.notice(path, Hint::Seen, Duration::ZERO);
    for ms in [0, 30, 450, 500] {
        let now = Duration::from_millis(ms);
        if settling.observe(path, Some(state(10, 0)), now) == Step::Check {
            settling.to_be_read(path);
            assert_eq!(settling.not_whole(path, now), None);
        }
    }
    let later = Duration::from_secs(200);
    settling.observe(path, Some(state(10, 0)), later);
    settling.to_be_read(path);
    assert_eq!(settling.not_whole(path, later), None, "given up after no more than half a second of looking");
}

#[test]
fn a_file_that_is_being_read_is_left_alone_and_settles_anew_if_nothing_came_of_it() {
    let path = Path::new("a.jpg");
    let mut settling = Settling::new(QuietTimes::LOCAL);
    settling.notice(path, Hint::Seen, Duration::ZERO);
    settling.observe(path, Some(state(10, 0)), Duration::ZERO);
    assert_eq!(settling.to_be_read(path), Some(state(10, 0)));
    let soon = Duration::from_secs(1);
    settling.notice(path, Hint::Seen, soon);
    assert!(settling.due(soon).is_empty() && settling.is_waiting(path));
    settling.read_in_vain(path, soon);
    assert_eq!(settling.due(soon), [path]);
    // A change since then is a new beginning of its rest.
    assert_eq!(settling.observe(path, Some(state(20, 5)), soon), Step::Wait);
    assert_eq!(settling.observe(path, Some(state(20, 5)), soon + Duration::from_millis(90)), Step::Wait);
}

/// What is written after a close is another beginning, and needs its own close or its rest.
#[test]
fn what_is_written_after_a_close_settles_anew() {
    let path = Path::new("a.jpg");
    let mut settling = Settling::new(QuietTimes::LOCAL);
    let at = Duration::from_millis;
    settling.notice(path, Hint::Closed, at(0));
    assert_eq!(settling.observe(path, Some(state(10, 0)), at(0)), Step::Check);
    settling.to_be_read(path);
    // The reader found that it had changed meanwhile.
    settling.read_in_vain(path, at(60));
    assert_eq!(settling.observe(path, Some(state(20, 50)), at(60)), Step::Wait);
    assert_eq!(settling.observe(path, Some(state(20, 50)), at(120)), Step::Wait);
    settling.notice(path, Hint::Closed, at(130));
    assert_eq!(settling.observe(path, Some(state(20, 50)), at(130)), Step::Check);
    // And a close that comes while it is read counts when it was read in vain.
    settling.to_be_read(path);
    settling.notice(path, Hint::Closed, at(150));
    settling.read_in_vain(path, at(200));
    assert_eq!(settling.observe(path, Some(state(30, 140)), at(200)), Step::Check);
}

/// A share tells of a close before its bytes are there.
#[test]
fn on_a_share_a_close_is_no_proof() {
    let path = Path::new("a.jpg");
    let mut settling = Settling::new(QuietTimes::SHARE);
    settling.notice(path, Hint::Closed, Duration::ZERO);
    for ms in [0, 2000, 3900] {
        assert_eq!(settling.observe(path, Some(state(10, 0)), Duration::from_millis(ms)), Step::Wait);
    }
    assert_eq!(settling.observe(path, Some(state(10, 0)), Duration::from_secs(4)), Step::Check);
}

proptest! {
    /// Whatever is heard, in any order and any number of times: without a close since the last change never checked before the quiet
    /// time after it.
    #[test]
    fn never_checked_sooner_than_the_quiet_time_or_a_close(
        changes in prop::collection::vec(1_u64..900, 1..8),
        hints in prop::collection::vec((0_u64..6000, any::<bool>()), 0..20),
    ) {
        let path = Path::new("a.jpg");
        let mut times = vec![0];
        for gap in &changes {
            times.push(times.last().unwrap() + gap);
        }
        let mut settling = Settling::new(QuietTimes::LOCAL);
        settling.notice(path, Hint::Seen, Duration::ZERO);
        let mut closed = false;
        for ms in 0..20_000_u64 {
            let now = Duration::from_millis(ms);
            closed &= !times.contains(&ms);
            for (_, is_close) in hints.iter().filter(|(at, _)| *at == ms) {
                settling.notice(path, if *is_close { Hint::Closed } else { Hint::Seen }, now);
                closed |= is_close;
            }
            if settling.due(now).is_empty() {
                continue;
            }
            let last = *times.iter().rev().find(|t| **t <= ms).unwrap();
            if settling.observe(path, Some(state(10 + last, last as i64)), now) == Step::Check {
                // A look may come late, but the change itself is at least the quiet time ago.
                prop_assert!(closed || ms >= last + QuietTimes::LOCAL.unseen.as_millis() as u64, "changed at {last}, checked at {ms}");
                settling.done(path);
                return Ok(());
            }
        }
        prop_assert!(false, "never checked");
    }
}
