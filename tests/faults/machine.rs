//! What the machine itself gives: how long it keeps a sleeper waiting, and how much slower than at its best it computes.
//! Without that, a test on a machine with much other work would call the program slow.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, LazyLock};
use std::time::{Duration, Instant};

const EVERY: Duration = Duration::from_millis(100);

#[derive(Default)]
struct Counts {
    /// The longest time beyond its sleep, in microseconds.
    held_up: AtomicU64,
    /// Pieces of one and the same work, the time for all of them and for the quickest, in microseconds.
    pieces: AtomicU64,
    spent: AtomicU64,
    quickest: AtomicU64,
}

static COUNTS: LazyLock<Arc<Counts>> = LazyLock::new(|| {
    let counts = Arc::new(Counts { quickest: AtomicU64::new(u64::MAX), ..Counts::default() });
    let own = Arc::clone(&counts);
    std::thread::spawn(move || {
        loop {
            let began = Instant::now();
            std::thread::sleep(EVERY);
            own.held_up.fetch_max(micros(began.elapsed().saturating_sub(EVERY)), Ordering::Relaxed);
            let began = Instant::now();
            std::hint::black_box(
                (0..1_000_000_u64).fold(1, |sum: u64, k| std::hint::black_box(sum.wrapping_mul(31) ^ k)),
            );
            let took = micros(began.elapsed()).max(1);
            own.quickest.fetch_min(took, Ordering::Relaxed);
            own.spent.fetch_add(took, Ordering::Relaxed);
            own.pieces.fetch_add(1, Ordering::Relaxed);
        }
    });
    counts
});

fn micros(time: Duration) -> u64 {
    time.as_micros() as u64
}

/// A moment from which the machine is looked at.
pub struct Since {
    pieces: u64,
    spent: u64,
}

impl Since {
    pub fn now() -> Since {
        let counts = &*COUNTS;
        Since { pieces: counts.pieces.load(Ordering::Relaxed), spent: counts.spent.load(Ordering::Relaxed) }
    }

    /// How many times longer than the quickest the same work took on the average since then.
    pub fn slower(&self) -> f64 {
        let pieces = COUNTS.pieces.load(Ordering::Relaxed) - self.pieces;
        let spent = COUNTS.spent.load(Ordering::Relaxed) - self.spent;
        if pieces == 0 {
            return 1.0;
        }
        spent as f64 / pieces as f64 / COUNTS.quickest.load(Ordering::Relaxed) as f64
    }

    /// What a promised time may come to on this machine.
    pub fn allows(&self, promised: Duration) -> Duration {
        promised.mul_f64(self.slower()) + held_up()
    }
}

/// The longest time by which a sleeper was ever kept waiting.
pub fn held_up() -> Duration {
    Duration::from_micros(COUNTS.held_up.load(Ordering::Relaxed))
}
