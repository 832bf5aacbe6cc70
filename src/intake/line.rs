//! The line of files that came to rest: who is read next, and who is handed on next. A plain state machine.
//!
//! Files are handed on in the order in which they joined the line, whatever order their readings end in. One whose
//! reading takes long gives up its place, so that it holds up nobody.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::identity::FileState;
use super::reader::Outcome;
use super::settling::Now;

/// Files of the line that are read at one time.
const AT_ONCE: usize = 2;
/// Files of the line that are being read, or were read and wait for one before them. Each may hold a decoded frame.
const WINDOW: usize = 4;
/// A file whose reading takes longer leaves the line.
const PATIENCE: Duration = Duration::from_secs(2);
/// Files that left the line, read or being read.
const ASIDE: usize = 4;
/// Of these, readings of files that gave no bytes before: each may last for half a minute.
const SUSPECTS: usize = 1;
/// A reading that takes longer than this is not waited for by those who ask whether all is told.
const LONG: Duration = Duration::from_secs(6);

/// Readings that are begun and not ended at one time, at most.
pub const MOST_READINGS: usize = AT_ONCE + ASIDE + SUSPECTS;

/// A file in the line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Waiter {
    pub path: PathBuf,
    /// The state in which it came to rest.
    pub rest: FileState,
    /// It landed while no daemon was running.
    pub found_at_start: bool,
    /// It gave no bytes before, so that it is read beside the line.
    pub suspect: bool,
    /// It gave up its place in the line: files behind it may have been handed on before it.
    pub passed: bool,
}

#[derive(Debug)]
enum Stage<F> {
    Waiting,
    Reading { ticket: u64, since: Now },
    Read(Outcome<F>),
}

#[derive(Debug)]
pub struct Line<F> {
    places: VecDeque<(Waiter, Stage<F>)>,
    /// Out of the line; each goes on as soon as it is read.
    aside: Vec<(Waiter, Stage<F>)>,
    next_ticket: u64,
}

impl<F> Default for Line<F> {
    fn default() -> Line<F> {
        Line { places: VecDeque::new(), aside: Vec::new(), next_ticket: 1 }
    }
}

impl<F> Line<F> {
    pub fn join(&mut self, waiter: Waiter) {
        if waiter.suspect {
            self.aside.push((waiter, Stage::Waiting));
        } else {
            self.places.push_back((waiter, Stage::Waiting));
        }
    }

    /// Takes whoever reads for too long out of the line.
    pub fn let_pass(&mut self, now: Now) {
        let mut at = 0;
        while at < self.places.len() {
            let slow = matches!(&self.places[at].1, Stage::Reading { since, .. } if now >= *since + PATIENCE);
            if slow
                && self.held_aside(false) < ASIDE
                && let Some(place) = self.places.remove(at)
            {
                self.aside.push(place);
            } else {
                at += 1;
            }
        }
    }

    /// The next file to read, if one more may be read, with the ticket under which its outcome is told.
    pub fn start(&mut self, now: Now) -> Option<(u64, PathBuf)> {
        let reading = |stage: &Stage<F>| matches!(stage, Stage::Reading { .. });
        let started = self.places.iter().filter(|(_, stage)| !matches!(stage, Stage::Waiting)).count();
        let at_once = self.places.iter().filter(|(_, stage)| reading(stage)).count();
        let in_line = started < WINDOW && at_once < AT_ONCE;
        let beside = self.held_aside(true) < SUSPECTS;
        let places = self.places.iter_mut().filter(|_| in_line).chain(self.aside.iter_mut().filter(|_| beside));
        let mut waiting = places.filter(|(_, stage)| matches!(stage, Stage::Waiting));
        let (waiter, stage) = waiting.next()?;
        let ticket = self.next_ticket;
        self.next_ticket += 1;
        *stage = Stage::Reading { ticket, since: now };
        Some((ticket, waiter.path.clone()))
    }

    /// Files beside the line that are being read, or were read and not taken yet.
    fn held_aside(&self, suspect: bool) -> usize {
        let held = |stage: &Stage<F>| !matches!(stage, Stage::Waiting);
        self.aside.iter().filter(|(waiter, stage)| waiter.suspect == suspect && held(stage)).count()
    }

    /// A reading ended.
    pub fn ended(&mut self, ticket: u64, outcome: Outcome<F>) {
        let is_it = |stage: &Stage<F>| matches!(stage, Stage::Reading { ticket: t, .. } if *t == ticket);
        if let Some((_, stage)) = self.places.iter_mut().chain(&mut self.aside).find(|(_, stage)| is_it(stage)) {
            *stage = Stage::Read(outcome);
        }
    }

    /// The next file whose turn it is to be handed on, or turned down.
    pub fn next(&mut self) -> Option<(Waiter, Outcome<F>)> {
        if let Some(at) = self.aside.iter().position(|(_, stage)| matches!(stage, Stage::Read(_)))
            && let (waiter, Stage::Read(outcome)) = self.aside.swap_remove(at)
        {
            return Some((Waiter { passed: true, ..waiter }, outcome));
        }
        match self.places.pop_front()? {
            (waiter, Stage::Read(outcome)) => Some((waiter, outcome)),
            place => {
                self.places.push_front(place);
                None
            }
        }
    }

    /// Read for so long, or before without a byte, that nobody can say when it ends.
    pub fn is_slow(&self, path: &Path, now: Now) -> bool {
        self.aside.iter().any(|(waiter, stage)| {
            let long = matches!(stage, Stage::Reading { since, .. } if now >= *since + LONG);
            waiter.path == path && (waiter.suspect || long)
        })
    }

    /// When the next file gives up its place.
    pub fn next_due(&self) -> Option<Now> {
        let due = |stage: &Stage<F>| match stage {
            Stage::Reading { since, .. } => Some(*since + PATIENCE),
            _ => None,
        };
        let room = self.held_aside(false) < ASIDE;
        self.places.iter().filter(|_| room).filter_map(|(_, stage)| due(stage)).min()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::reader::NotRead;

    const STATE: FileState = FileState { size: 1, modified_ns: 0, changed_ns: 0, inode: 1 };

    fn waiter(name: &str, suspect: bool) -> Waiter {
        Waiter { path: name.into(), rest: STATE, found_at_start: false, suspect, passed: false }
    }

    fn seconds(n: u64) -> Now {
        Duration::from_secs(n)
    }

    fn started(line: &mut Line<()>, now: Now) -> Vec<(u64, String)> {
        std::iter::from_fn(|| line.start(now)).map(|(t, path)| (t, path.display().to_string())).collect()
    }

    fn handed_on(line: &mut Line<()>) -> Vec<String> {
        std::iter::from_fn(|| line.next()).map(|(waiter, _)| waiter.path.display().to_string()).collect()
    }

    #[test]
    fn files_go_on_in_the_order_in_which_they_joined() {
        let mut line = Line::default();
        for name in ["a", "b", "c", "d", "e"] {
            line.join(waiter(name, false));
        }
        let mut open = started(&mut line, seconds(0));
        let mut told = Vec::new();
        while let Some((ticket, _)) = open.pop() {
            line.ended(ticket, Err(NotRead::Silent));
            told.extend(handed_on(&mut line));
            open.splice(0..0, started(&mut line, seconds(0)));
        }
        assert_eq!(told, ["a", "b", "c", "d", "e"]);
        assert!(line.places.is_empty() && line.aside.is_empty());
    }

    #[test]
    fn whoever_takes_long_holds_up_nobody_and_goes_on_at_last() {
        let mut line = Line::default();
        for name in ["slow", "dead", "c", "d", "e", "f"] {
            line.join(waiter(name, false));
        }
        let first = started(&mut line, seconds(0));
        assert_eq!(first.len(), AT_ONCE);
        assert!(handed_on(&mut line).is_empty());
        line.let_pass(seconds(3));
        let mut told = Vec::new();
        for _ in 0..2 {
            for (ticket, _) in started(&mut line, seconds(3)) {
                line.ended(ticket, Err(NotRead::Silent));
            }
            told.extend(handed_on(&mut line));
        }
        assert_eq!(told, ["c", "d", "e", "f"]);
        line.ended(first[0].0, Err(NotRead::Silent));
        assert_eq!(handed_on(&mut line), ["slow"]);
        assert!(line.is_slow(Path::new("dead"), seconds(10)) && !line.is_slow(Path::new("dead"), seconds(4)));
    }

    #[test]
    fn what_is_held_in_memory_is_bounded() {
        let mut line: Line<()> = Line::default();
        for n in 0..50 {
            line.join(waiter(&n.to_string(), n % 5 == 4));
        }
        let mut most = 0;
        for second in 0..100 {
            line.let_pass(seconds(second));
            let open = started(&mut line, seconds(second));
            // The first of each round never ends.
            for (ticket, _) in open.iter().skip(1) {
                line.ended(*ticket, Err(NotRead::Silent));
            }
            let held = line.places.iter().chain(&line.aside).filter(|(_, s)| !matches!(s, Stage::Waiting)).count();
            most = most.max(held);
        }
        assert!(most <= WINDOW + ASIDE + SUSPECTS, "{most}");
    }
}
