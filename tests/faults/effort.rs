//! How much is done: rounds and seed from the environment, and the figures that are promised.

use std::time::Duration;

use crate::harness::random::Random;

/// `status` is answered within this, whatever happens.
pub const STATUS_WITHIN: Duration = Duration::from_secs(1);
/// The end comes within this of being asked for.
pub const END_WITHIN: Duration = Duration::from_secs(2);
/// Most memory of the daemon's own process at any input.
pub const DAEMON_MEMORY_KIB: u64 = 512 << 10;
/// Most memory of one worker process: what raw files may take, and the program itself.
pub const WORKER_MEMORY_KIB: u64 = (1 << 20) + (64 << 10);
/// Worker processes are gone so long after the end.
pub const WORKERS_GONE_WITHIN: Duration = Duration::from_secs(2);
/// A frame that can be read is logged within this, once the trouble is over. Wide: it is no measure of speed.
pub const FOUND_WITHIN: Duration = Duration::from_secs(60);

/// Rounds of the short form.
const FEW: u64 = 4;

#[derive(Debug, Clone, Copy)]
pub struct Effort {
    pub rounds: u64,
    pub seed: u64,
}

impl Effort {
    pub fn asked() -> Effort {
        let number = |name: &str| {
            std::env::var(name).ok().map(|text| text.parse::<u64>().unwrap_or_else(|_| panic!("{name} is no number")))
        };
        Effort { rounds: number("GREYHOLD_ROUNDS").unwrap_or(FEW).max(1), seed: number("GREYHOLD_SEED").unwrap_or(1) }
    }

    /// Waits that matter to people, and not only stand-ins for them.
    pub fn is_whole(&self) -> bool {
        self.rounds > FEW
    }

    /// A few rounds of what needs many to be rare, and up to `most` of what takes long.
    pub fn up_to(&self, most: u64) -> u64 {
        self.rounds.min(most)
    }

    /// The short wait, or the long one.
    pub fn wait(&self, short: u64, long: u64) -> Duration {
        Duration::from_secs(if self.is_whole() { long } else { short })
    }

    /// Numbers of a fault's own, the same for the same seed.
    pub fn random(&self, fault: &str) -> Random {
        let own = fault.bytes().fold(0_u64, |sum, byte| sum.wrapping_mul(131).wrapping_add(u64::from(byte)));
        Random(self.seed.wrapping_mul(0x9E37_79B9).wrapping_add(own))
    }
}
