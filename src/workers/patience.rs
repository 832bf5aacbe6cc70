//! How long a worker is waited for. Pure: time is told to it in ticks.
//!
//! Only time counts in which the pool's own process ran: a tick that comes late (the machine slept, the process was
//! stopped) is one tick.

use std::time::Duration;

use super::wire::Progress;
use super::{Bounds, Limits, Refused};

/// How often the pool looks.
pub(super) const TICK: Duration = Duration::from_millis(200);
/// A file's wall-clock time, in processor time: on a busy machine a sound file waits for its turn.
const GENEROUS: u32 = 12;
/// Nobody waits longer for one file, however slow its share is.
const LONGEST: Duration = Duration::from_secs(3600);

#[derive(Debug)]
pub(super) struct Patience {
    bounds: Bounds,
    silence: Duration,
    last: Option<Progress>,
    /// Since the last byte came, or since anything was heard.
    quiet: Duration,
    /// Time in which it did not wait for the disk.
    working: Duration,
    all: Duration,
}

impl Patience {
    pub(super) fn new(bounds: Bounds, limits: &Limits) -> Patience {
        let zero = Duration::ZERO;
        Patience { bounds, silence: limits.silence, last: None, quiet: zero, working: zero, all: zero }
    }

    /// Time went by. `Some` when it is up.
    pub(super) fn pass(&mut self, time: Duration) -> Option<Refused> {
        let time = time.min(TICK * 2);
        self.quiet += time;
        self.all += time;
        if !self.last.is_some_and(|p| p.waiting) {
            self.working += time;
        }
        if self.quiet >= self.silence || self.all >= LONGEST {
            return Some(Refused::Silent { seconds: self.silence.as_secs() });
        }
        let ample = Duration::from_secs(self.bounds.processor_seconds) * GENEROUS;
        (self.working >= ample).then_some(Refused::Unfinished { seconds: ample.as_secs() })
    }

    /// The worker told how far it is. A file that is being decoded gives no bytes, and needn't.
    pub(super) fn heard(&mut self, progress: Progress) {
        let more = self.last.is_none_or(|last| progress.bytes > last.bytes);
        if more || !progress.waiting {
            self.quiet = Duration::ZERO;
        }
        self.last = Some(progress);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BOUNDS: Bounds = Bounds { processor_seconds: 5, memory_mib: 512 };

    fn patience() -> Patience {
        Patience::new(BOUNDS, &Limits::default())
    }

    /// Passes time in ticks, with word from the worker at each; the seconds after which patience ended.
    fn ends_after(patience: &mut Patience, word: impl Fn(u64) -> Option<Progress>) -> Option<(u64, Refused)> {
        for tick in 0..20_000 {
            if let Some(progress) = word(tick) {
                patience.heard(progress);
            }
            if let Some(refused) = patience.pass(TICK) {
                return Some((tick * TICK.as_millis() as u64 / 1000, refused));
            }
        }
        None
    }

    #[test]
    fn a_disk_that_gives_no_byte_is_silent_after_thirty_seconds() {
        let stuck = ends_after(&mut patience(), |_| Some(Progress { bytes: 77, waiting: true }));
        assert_eq!(stuck, Some((29, Refused::Silent { seconds: 30 })));
        assert_eq!(ends_after(&mut patience(), |_| None), Some((29, Refused::Silent { seconds: 30 })));
    }

    #[test]
    fn a_slow_share_is_waited_for_as_long_as_bytes_come() {
        let slow = ends_after(&mut patience(), |tick| Some(Progress { bytes: tick / 140, waiting: true }));
        assert_eq!(slow, Some((3599, Refused::Silent { seconds: 30 })), "but not for ever");
    }

    #[test]
    fn a_decoder_that_works_is_not_silent_but_its_time_is_bounded() {
        let busy = ends_after(&mut patience(), |_| Some(Progress { bytes: 77, waiting: false }));
        assert_eq!(busy, Some((59, Refused::Unfinished { seconds: 60 })));
    }

    #[test]
    fn time_in_which_nobody_could_look_is_one_tick() {
        let mut patience = patience();
        patience.heard(Progress { bytes: 0, waiting: true });
        for _ in 0..50 {
            assert_eq!(patience.pass(Duration::from_secs(7200)), None);
        }
    }
}
