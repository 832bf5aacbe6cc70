//! Keeps something beside the log, on a thread of its own: a disk that hangs holds up neither the start nor a frame.

use std::sync::mpsc::{SyncSender, channel, sync_channel};
use std::time::Duration;

use tokio::sync::oneshot;

/// Hands things to the thread that keeps them.
pub(super) struct Keeper<T> {
    things: SyncSender<T>,
    /// Resolves when all is kept, after the last sender went away.
    all_kept: oneshot::Receiver<()>,
}

impl<T: Send + 'static> Keeper<T> {
    /// Begins on the thread: what was kept before, and what keeps each thing from then on. That is waited for no longer than
    /// `reading`; `None` when the disk gives it later, or never. Things beyond `most_waiting` are not taken meanwhile.
    pub fn start<Earlier: Send + 'static, Keep: FnMut(T)>(
        most_waiting: usize,
        reading: Duration,
        begin: impl FnOnce() -> (Earlier, Keep) + Send + 'static,
    ) -> (Keeper<T>, Option<Earlier>) {
        let (things, to_keep) = sync_channel(most_waiting);
        let (tell, found) = channel();
        let (done, all_kept) = oneshot::channel();
        // Nobody waits for it to end: it may hang in the disk for ever.
        std::thread::spawn(move || {
            let (earlier, keep) = begin();
            let _ = tell.send(earlier);
            to_keep.into_iter().for_each(keep);
            let _ = done.send(());
        });
        (Keeper { things, all_kept }, found.recv_timeout(reading).ok())
    }

    /// Takes a thing with `try_send`, which never waits.
    pub fn taker(&self) -> SyncSender<T> {
        self.things.clone()
    }

    /// All takers are there: when they went away, what they took is kept and the thread ends.
    pub fn ends_with_takers(self) -> oneshot::Receiver<()> {
        self.all_kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::{Arc, Mutex};

    const SOON: Duration = Duration::from_millis(20);

    /// The thread hangs until it is let go, as one would that hangs in the disk.
    #[test]
    fn a_disk_that_hangs_holds_up_nobody_and_no_more_than_a_few_wait_for_it() {
        let (let_go, hangs) = channel::<()>();
        let kept = Arc::new(Mutex::new(Vec::new()));
        let keeps = kept.clone();
        let (keeper, earlier) = Keeper::start(3, SOON, move || {
            let _ = hangs.recv();
            ("late", move |thing: u32| keeps.lock().unwrap().push(thing))
        });
        assert_eq!(earlier, None, "the start goes on without");
        let taker = keeper.taker();
        assert_eq!((1..=9).filter(|thing| taker.try_send(*thing).is_ok()).count(), 3);
        drop((let_go, taker));
        keeper.ends_with_takers().blocking_recv().unwrap();
        assert_eq!(*kept.lock().unwrap(), [1, 2, 3], "it goes on when the disk does");
    }

    #[test]
    fn what_was_kept_before_is_at_hand_at_the_start() {
        let (keeper, earlier) = Keeper::start(1, Duration::from_secs(10), || (7, |_: u32| {}));
        assert_eq!(earlier, Some(7));
        keeper.ends_with_takers().blocking_recv().unwrap();
    }
}
