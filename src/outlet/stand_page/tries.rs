//! How often a machine may offer a token or a session that is wrong: ten times within any minute, and not once more.

use std::collections::{BTreeMap, VecDeque};
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

const TRIES: usize = 10;
const WITHIN: Duration = Duration::from_secs(60);
/// Machines that are remembered; more have others' addresses among them.
const MOST_MACHINES: usize = 1000;

/// What came of a try.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tried {
    Right,
    Wrong,
    /// It was not even looked at.
    TooOften,
}

/// The wrong tries of each machine within the last minute.
#[derive(Debug, Default)]
pub struct Tries(Mutex<BTreeMap<IpAddr, VecDeque<Instant>>>);

impl Tries {
    /// Looks whether it is right, unless this machine was wrong too often. `is_right` is quick: others wait meanwhile.
    pub fn attempt(&self, machine: IpAddr, now: Instant, is_right: impl FnOnce() -> bool) -> Tried {
        let mut machines = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let is_past = |at: &Instant| now.saturating_duration_since(*at) >= WITHIN;
        if machines.len() >= MOST_MACHINES && !machines.contains_key(&machine) {
            machines.retain(|_, wrong| wrong.back().is_some_and(|at| !is_past(at)));
            let longest_ago = machines.iter().min_by_key(|(_, wrong)| wrong.back().copied()).map(|(ip, _)| *ip);
            if let Some(forgotten) = longest_ago.filter(|_| machines.len() >= MOST_MACHINES) {
                machines.remove(&forgotten);
            }
        }
        let wrong = machines.entry(machine).or_default();
        while wrong.front().is_some_and(is_past) {
            wrong.pop_front();
        }
        if wrong.len() >= TRIES {
            return Tried::TooOften;
        }
        if is_right() {
            return Tried::Right;
        }
        wrong.push_back(now);
        Tried::Wrong
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const ONE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 168, 1, 1));

    proptest! {
        /// Whenever they come: no minute has more than ten that were looked at.
        #[test]
        fn no_minute_has_more_than_ten(pauses in prop::collection::vec(0_u64..20_000, 1..200)) {
            let tries = Tries::default();
            let mut now = Instant::now();
            let mut looked_at = Vec::new();
            for pause in pauses {
                now += Duration::from_millis(pause);
                if tries.attempt(ONE, now, || false) == Tried::Wrong {
                    looked_at.push(now);
                }
            }
            for window in looked_at.windows(TRIES + 1) {
                prop_assert!(window[TRIES] - window[0] >= WITHIN);
            }
        }
    }

    #[test]
    fn what_is_right_is_no_try_and_each_machine_has_its_own() {
        let (tries, now) = (Tries::default(), Instant::now());
        for _ in 0..50 {
            assert_eq!(tries.attempt(ONE, now, || true), Tried::Right);
        }
        for _ in 0..TRIES {
            assert_eq!(tries.attempt(ONE, now, || false), Tried::Wrong);
        }
        assert_eq!(tries.attempt(ONE, now, || true), Tried::TooOften);
        assert_eq!(tries.attempt(IpAddr::from([192, 168, 1, 2]), now, || true), Tried::Right);
        assert_eq!(tries.attempt(ONE, now + WITHIN, || true), Tried::Right);
    }

    #[test]
    fn a_crowd_of_machines_is_not_remembered_without_end() {
        let (tries, now) = (Tries::default(), Instant::now());
        for n in 0..3000_u16 {
            let [high, low] = n.to_be_bytes();
            tries.attempt(IpAddr::from([10, 0, high, low]), now, || false);
        }
        assert!(tries.0.lock().unwrap().len() <= MOST_MACHINES);
    }
}
