//! What the intake's thread is told from outside.

use super::reader::Outcome;

/// A message to the intake's thread; each is taken at once.
#[derive(Debug)]
pub enum Control<F> {
    /// Hints are waiting.
    Wake,
    /// Answer with a mark once everything in the folder has been told.
    Sync(u64),
    /// The oldest arrival that counts ([`Arrival::is_counted`](super::Arrival::is_counted)) is done with.
    Taken,
    /// A frame with this fingerprint could not be taken; it counts as done with, too.
    NotTaken(String),
    /// A reading ended.
    Read {
        ticket: u64,
        outcome: Outcome<F>,
    },
    /// A glance ended.
    Glanced {
        ticket: u64,
        outcome: Outcome<F>,
    },
    Stop,
}
