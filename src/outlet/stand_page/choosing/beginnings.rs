//! Where one begins to look for a folder, without waiting for a disk or share that doesn't answer.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::Semaphore;
use tokio::task::spawn_blocking;
use tokio::time::timeout;

use super::folders::Named;

/// All beginnings that answer do so within this.
const PATIENCE: Duration = Duration::from_secs(2);

/// The beginnings as they were seen last. At most one look for them is under way, however long a share makes it wait.
pub struct Beginnings {
    look: fn() -> Vec<Named>,
    seen: Arc<Mutex<Vec<Named>>>,
    looking: Arc<Semaphore>,
}

impl Beginnings {
    /// `at_first` are those that are there before the first look.
    pub fn new(at_first: Vec<Named>, look: fn() -> Vec<Named>) -> Beginnings {
        Beginnings { look, seen: Arc::new(Mutex::new(at_first)), looking: Arc::new(Semaphore::new(1)) }
    }

    /// As they are now, where all of them answer; else as they were.
    pub async fn now(&self) -> Vec<Named> {
        if let Ok(only) = Arc::clone(&self.looking).try_acquire_owned() {
            let (look, seen) = (self.look, Arc::clone(&self.seen));
            let found = spawn_blocking(move || {
                let found = look();
                *seen.lock().unwrap_or_else(PoisonError::into_inner) = found;
                drop(only);
            });
            let _ = timeout(PATIENCE, found).await;
        }
        self.seen.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;

    fn named(name: &str) -> Named {
        Named { name: name.to_owned(), path: PathBuf::from("/").join(name) }
    }

    #[tokio::test]
    async fn beginnings_are_seen_anew_each_time() {
        static LOOKS: AtomicUsize = AtomicUsize::new(0);
        let look = || vec![named(&format!("disk {}", LOOKS.fetch_add(1, Ordering::Relaxed)))];
        let beginnings = Beginnings::new(Vec::new(), look);
        assert_eq!(beginnings.now().await, [named("disk 0")]);
        assert_eq!(beginnings.now().await, [named("disk 1")]);
    }

    #[test]
    fn a_share_that_hangs_is_waited_for_once_and_holds_up_no_end() {
        static LOOKS: AtomicUsize = AtomicUsize::new(0);
        let hangs = || -> Vec<Named> {
            LOOKS.fetch_add(1, Ordering::Relaxed);
            loop {
                std::thread::park();
            }
        };
        let runtime = tokio::runtime::Runtime::new().unwrap();
        let beginnings = Beginnings::new(vec![named("home")], hangs);
        for _ in 0..3 {
            assert_eq!(runtime.block_on(beginnings.now()), [named("home")]);
        }
        assert_eq!(LOOKS.load(Ordering::Relaxed), 1);
        runtime.shutdown_background();
    }
}
