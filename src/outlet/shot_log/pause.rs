//! How long a failing disk is left alone before the next attempt.

use std::time::{Duration, Instant};

const LONGEST: Duration = Duration::from_secs(60);

/// The first failure is tried again at once, each further one after twice the time.
#[derive(Debug, Default)]
pub(super) struct Pause {
    failures: u32,
    until: Option<Instant>,
}

impl Pause {
    pub fn note_failure(&mut self, now: Instant) {
        self.failures = self.failures.saturating_add(1);
        self.until = match self.failures {
            1 => None,
            n => Some(now + Duration::from_secs(1 << (n - 2).min(6)).min(LONGEST)),
        };
    }

    /// Failures in a row.
    pub fn failures(&self) -> u32 {
        self.failures
    }

    pub fn holds(&self, now: Instant) -> bool {
        self.until.is_some_and(|until| now < until)
    }
}
