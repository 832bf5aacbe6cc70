//! How far a worker is with a file's bytes: counted at the source, told from a thread of its own twice a second.
//!
//! By it the pool tells a disk that gives nothing from a decoder that works long.

use std::io::{self, Read, Seek, SeekFrom};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use super::wire::Progress;
use crate::container::Source;

/// What one worker has read of its file so far.
#[derive(Debug, Default)]
pub(super) struct Gauge {
    bytes: AtomicU64,
    waiting: AtomicBool,
}

impl Gauge {
    pub(super) fn begin(&self) {
        self.bytes.store(0, Ordering::Relaxed);
    }

    pub(super) fn progress(&self) -> Progress {
        Progress { bytes: self.bytes.load(Ordering::Relaxed), waiting: self.waiting.load(Ordering::Relaxed) }
    }

    /// Does something that the disk may keep waiting.
    pub(super) fn waits<T>(&self, ask_the_disk: impl FnOnce() -> T) -> T {
        self.waiting.store(true, Ordering::Relaxed);
        let result = ask_the_disk();
        self.waiting.store(false, Ordering::Relaxed);
        result
    }
}

/// One call for a whole file would show no progress: a share that gives this much in half a minute is a slow one.
const MOST_AT_ONCE: u64 = 128 << 10;
/// A disk that gives its part so fast is asked for twice as much, up to this: many small calls cost a large raw file
/// more than all the rest of having it read by a worker.
const QUICK: Duration = Duration::from_millis(50);
const MOST_OF_A_QUICK_DISK: u64 = 64 << 20;

/// A source whose bytes are counted.
pub(super) struct Gauged<'a, S> {
    pub source: S,
    pub gauge: &'a Gauge,
}

impl<S: Read> Read for Gauged<'_, S> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let most = into.len().min(MOST_AT_ONCE as usize);
        let into = &mut into[..most];
        let read = self.gauge.waits(|| self.source.read(into))?;
        self.gauge.bytes.fetch_add(read as u64, Ordering::Relaxed);
        Ok(read)
    }
}

impl<S: Seek> Seek for Gauged<'_, S> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.gauge.waits(|| self.source.seek(to))
    }
}

impl<S: Source> Source for Gauged<'_, S> {
    fn length(&self) -> io::Result<u64> {
        self.gauge.waits(|| self.source.length())
    }

    /// By the source's own way, which needn't clear the memory first: that costs as much as the reading.
    fn append(&mut self, most: u64, to: &mut Vec<u8>) -> io::Result<u64> {
        let (mut appended, mut at_once) = (0, MOST_AT_ONCE);
        while appended < most {
            let some = at_once.min(most - appended);
            let asked = Instant::now();
            let read = self.gauge.waits(|| self.source.append(some, to))?;
            self.gauge.bytes.fetch_add(read, Ordering::Relaxed);
            appended += read;
            if read < some {
                break;
            }
            at_once = if asked.elapsed() < QUICK { (at_once * 2).min(MOST_OF_A_QUICK_DISK) } else { MOST_AT_ONCE };
        }
        Ok(appended)
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::{Receiver, channel};

    use super::*;

    /// A share that gives one byte for each permission.
    struct Slow(Receiver<()>);

    impl Read for Slow {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            Ok(self.0.recv().map_or(0, |()| into.len().min(1)))
        }
    }

    #[test]
    fn a_read_that_hangs_is_seen_from_another_thread() {
        let gauge = Gauge::default();
        let (permit, permits) = channel();
        std::thread::scope(|scope| {
            let reader = scope.spawn(|| {
                let mut bytes = Vec::new();
                Gauged { source: Slow(permits), gauge: &gauge }.read_to_end(&mut bytes).unwrap()
            });
            permit.send(()).unwrap();
            permit.send(()).unwrap();
            while gauge.progress() != (Progress { bytes: 2, waiting: true }) {
                std::thread::yield_now();
            }
            drop(permit);
            assert_eq!(reader.join().unwrap(), 2);
        });
        assert_eq!(gauge.progress(), Progress { bytes: 2, waiting: false });
        gauge.begin();
        assert_eq!(gauge.progress().bytes, 0);
    }

    #[test]
    fn a_large_read_shows_its_progress() {
        let gauge = Gauge::default();
        let mut source = Gauged { source: io::Cursor::new(vec![0; 3 << 20]), gauge: &gauge };
        let mut all = vec![0; 1 << 20];
        assert_eq!(source.read(&mut all).unwrap(), MOST_AT_ONCE as usize);
        source.read_exact(&mut all).unwrap();
        assert_eq!(gauge.progress().bytes, (1 << 20) + MOST_AT_ONCE);
    }

    #[test]
    fn a_file_that_is_read_whole_is_counted_and_ends_where_it_ends() {
        let bytes: Vec<u8> = (0..(3 << 20) + 7).map(|at| (at * 31 % 251) as u8).collect();
        for most in [0, 5, MOST_AT_ONCE, 1 << 20, bytes.len() as u64, u64::MAX] {
            let gauge = Gauge::default();
            let mut source = Gauged { source: io::Cursor::new(&bytes), gauge: &gauge };
            let mut read = Vec::new();
            let expected = most.min(bytes.len() as u64);
            assert_eq!(source.append(most, &mut read).unwrap(), expected);
            assert_eq!((gauge.progress().bytes, read.as_slice()), (expected, &bytes[..expected as usize]));
        }
    }
}
