//! The workers together: who may have one, how many there are, and their end.

use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::Duration;

use super::patience::Patience;
use super::process::{Leash, Lost, Process};
use super::wire::Request;
use super::{Answer, Confinement, Limits, Refused, Task};

/// So many killed workers may hang on a dead share; then no more are started.
const MOST_STUCK: usize = 8;
/// A worker is started anew after so many files, so that what decoders keep doesn't add up.
const FILES_A_WORKER: u32 = 1000;

/// The workers. Clones share them; with the last one they end.
#[derive(Debug, Clone)]
pub struct Pool(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    program: PathBuf,
    limits: Limits,
    seats: Mutex<Seats>,
    freed: Condvar,
    stopped: AtomicBool,
    /// Killed, and not gone yet.
    stuck: Arc<AtomicUsize>,
    told_confinement: AtomicBool,
    told_stuck: AtomicBool,
}

#[derive(Debug)]
struct Seats {
    free: usize,
    warm: Vec<Process>,
    busy: Vec<(u64, Leash)>,
    next: u64,
}

impl Pool {
    /// At most `seats` processes of `program` (see [`this_program`](super::this_program)) at one time, started when they are needed and
    /// kept warm.
    pub fn new(program: PathBuf, seats: usize) -> Pool {
        Pool::with_limits(program, seats, Limits::default())
    }

    pub fn with_limits(program: PathBuf, seats: usize, limits: Limits) -> Pool {
        let seats = Seats { free: seats.max(1), warm: Vec::new(), busy: Vec::new(), next: 0 };
        Pool(Arc::new(Inner {
            program,
            limits,
            seats: Mutex::new(seats),
            freed: Condvar::new(),
            stopped: AtomicBool::new(false),
            stuck: Arc::new(AtomicUsize::new(0)),
            told_confinement: AtomicBool::new(false),
            told_stuck: AtomicBool::new(false),
        }))
    }

    /// As many more of the same program, for one purpose alone: a worker has the priority of the thread that started it, and keeps it.
    pub fn apart(&self, seats: usize) -> Pool {
        let apart = Pool::with_limits(self.0.program.clone(), seats, self.0.limits);
        apart.0.told_confinement.store(true, Ordering::SeqCst);
        apart
    }

    /// Reads a file; blocks until it is read or given up.
    pub fn read(&self, task: &Task) -> Result<Answer, Refused> {
        let read = match self.read_once(task)? {
            // Somebody ended the worker: that is not the file's fault, so that it is read once more.
            Err(lost) if lost.perhaps_innocent => self.read_once(task)?,
            read => read,
        };
        read.unwrap_or_else(|lost| Err(lost.refused))
    }

    fn read_once(&self, task: &Task) -> Result<Result<Result<Answer, Refused>, Lost>, Refused> {
        let bounds = self.0.limits.of(task.kind);
        let mut seat = self.sit_down()?;
        let outcome = seat.process.read(Request::new(task, bounds), Patience::new(bounds, &self.0.limits));
        self.tell_confinement(seat.process.confinement);
        if self.0.stopped.load(Ordering::SeqCst) {
            return Err(Refused::Stopped);
        }
        if outcome.is_ok() {
            seat.stay_warm();
        }
        Ok(outcome)
    }

    /// What keeps the workers in, in words; `Err` when none could be started.
    pub fn confinement(&self) -> Result<Confinement, Refused> {
        let mut seat = self.sit_down()?;
        let bounds = self.0.limits.picture;
        let greeted = seat.process.greet(bounds, Patience::new(bounds, &self.0.limits));
        if greeted.is_ok() {
            seat.stay_warm();
        }
        greeted.map_err(|lost| lost.refused)
    }

    /// Ends all workers; whoever waits for one gets [`Refused::Stopped`].
    pub fn stop(&self) {
        self.0.stop();
    }

    /// Waits for a seat and puts a living worker on it.
    fn sit_down(&self) -> Result<Seat, Refused> {
        let mut seats = self.0.lock();
        while seats.free == 0 && !self.0.stopped.load(Ordering::SeqCst) {
            seats = self.0.freed.wait(seats).unwrap_or_else(PoisonError::into_inner);
        }
        if self.0.stopped.load(Ordering::SeqCst) {
            return Err(Refused::Stopped);
        }
        seats.free -= 1;
        let place = TakenPlace { inner: self.0.clone(), number: seats.next };
        seats.next += 1;
        let warm = seats.warm.pop();
        drop(seats);
        let process = match warm.filter(|process| process.served < FILES_A_WORKER && process.lives()) {
            Some(process) => process,
            None => self.start()?,
        };
        let mut seats = self.0.lock();
        seats.busy.push((place.number, process.leash()));
        drop(seats);
        // Only now can `stop` find it.
        if self.0.stopped.load(Ordering::SeqCst) {
            return Err(Refused::Stopped);
        }
        Ok(Seat { process, place })
    }

    fn start(&self) -> Result<Process, Refused> {
        if self.are_too_many_stuck() {
            return Err(Refused::Silent { seconds: self.0.limits.silence.as_secs() });
        }
        Process::start(&self.0.program, &self.0.stuck)
            .map_err(|e| Refused::Unreadable(format!("no process could be started to read it: {e}")))
    }

    /// Processes that were killed a moment ago are given that moment.
    fn are_too_many_stuck(&self) -> bool {
        let is_so = || self.0.stuck.load(Ordering::SeqCst) >= MOST_STUCK;
        for _ in 0..100 {
            if !is_so() || self.0.stopped.load(Ordering::SeqCst) {
                break;
            }
            thread::sleep(Duration::from_millis(20));
        }
        let stuck = is_so();
        if stuck && !self.0.told_stuck.swap(true, Ordering::SeqCst) {
            tracing::warn!(
                "{MOST_STUCK} processes hang on a disk or share that gives nothing: no file is read until it answers"
            );
        } else if !stuck {
            self.0.told_stuck.store(false, Ordering::SeqCst);
        }
        stuck
    }

    fn tell_confinement(&self, confinement: Option<Confinement>) {
        if let Some(confinement) = confinement
            && !self.0.told_confinement.swap(true, Ordering::SeqCst)
        {
            match confinement.is_whole() {
                true => tracing::info!("{confinement}"),
                false => tracing::warn!("{confinement}"),
            }
        }
    }
}

impl Inner {
    fn lock(&self) -> MutexGuard<'_, Seats> {
        self.seats.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn stop(&self) {
        self.stopped.store(true, Ordering::SeqCst);
        let mut seats = self.lock();
        seats.busy.iter().for_each(|(_, leash)| leash.kill());
        let warm = std::mem::take(&mut seats.warm);
        drop(seats);
        drop(warm);
        self.freed.notify_all();
    }
}

impl Drop for Inner {
    fn drop(&mut self) {
        self.stop();
    }
}

/// A taken place; it is free again when this is dropped.
#[derive(Debug)]
struct TakenPlace {
    inner: Arc<Inner>,
    number: u64,
}

impl Drop for TakenPlace {
    fn drop(&mut self) {
        let mut seats = self.inner.lock();
        seats.busy.retain(|(number, _)| *number != self.number);
        seats.free += 1;
        drop(seats);
        self.inner.freed.notify_one();
    }
}

/// A worker on its place. Dropped as it is, the worker is killed.
#[derive(Debug)]
struct Seat {
    process: Process,
    place: TakenPlace,
}

impl Seat {
    fn stay_warm(self) {
        let Seat { process, place } = self;
        let mut seats = place.inner.lock();
        // Under the lock: `stop` takes away whatever is warm only once.
        if !place.inner.stopped.load(Ordering::SeqCst) {
            seats.warm.push(process);
        }
        drop(seats);
        drop(place);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::container::Kind;
    use crate::photometry::Series;
    use crate::workers::Depth;

    #[test]
    fn no_more_are_started_while_eight_hang() {
        let pool = Pool::new(PathBuf::from("no such program"), 1);
        let path = PathBuf::from("any.jpg");
        let task = Task::of(path, Kind::Jpeg, Series::Thirds, Depth::Whole);
        pool.0.stuck.store(MOST_STUCK, Ordering::SeqCst);
        assert_eq!(pool.read(&task).unwrap_err(), Refused::Silent { seconds: 30 });
        pool.0.stuck.store(MOST_STUCK - 1, Ordering::SeqCst);
        assert!(matches!(pool.read(&task).unwrap_err(), Refused::Unreadable(_)), "it is tried again");
    }

    #[test]
    fn after_the_end_nothing_is_started() {
        let pool = Pool::new(PathBuf::from("no such program"), 1);
        pool.clone().stop();
        assert_eq!(pool.confinement().unwrap_err(), Refused::Stopped);
    }
}
