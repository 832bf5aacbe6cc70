//! Who may be connected to the local socket: so many listeners, and room beside them for those who ask something.
//! A connection that asks nothing gives way to a new one.

use std::collections::HashMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore};
use tokio::time::timeout;

/// Programs that listen at one time.
const LISTENERS: u32 = 64;
/// Connections at one time: commands come and go beside the listeners.
const CONNECTIONS: u32 = LISTENERS + 16;
/// Who connected has this long to ask something before it may have to give way.
const PATIENCE: Duration = Duration::from_secs(2);
/// Who gives way is gone within this.
const LEAVING: Duration = Duration::from_secs(1);

/// All seats of a socket.
#[derive(Debug, Clone)]
pub struct Seats(Arc<All>);

#[derive(Debug)]
struct All {
    connected: Arc<Semaphore>,
    listening: Arc<Semaphore>,
    /// Connections that wait for a command and hear nothing either: since when, and how they are told to go.
    resting: Mutex<HashMap<u64, (Instant, Arc<Notify>)>>,
    next: AtomicU64,
}

impl Default for Seats {
    fn default() -> Seats {
        Seats(Arc::new(All {
            connected: Arc::new(Semaphore::new(CONNECTIONS as usize)),
            listening: Arc::new(Semaphore::new(LISTENERS as usize)),
            resting: Mutex::default(),
            next: AtomicU64::new(0),
        }))
    }
}

impl Seats {
    /// A seat for a connection, where need be that of one that rests. `None` when nobody can give way.
    pub async fn take(&self) -> Option<Seat> {
        let connected = Arc::clone(&self.0.connected);
        let permit = match Arc::clone(&connected).try_acquire_owned() {
            Ok(permit) => permit,
            Err(_) => {
                self.dismiss_who_rests_longest()?;
                timeout(LEAVING, connected.acquire_owned()).await.ok()?.ok()?
            }
        };
        let id = self.0.next.fetch_add(1, Ordering::Relaxed);
        let seat = Seat { all: Arc::clone(&self.0), id, wanted: Arc::default(), _permit: permit };
        seat.rests(true);
        Some(seat)
    }

    fn dismiss_who_rests_longest(&self) -> Option<()> {
        let mut resting = self.0.resting();
        let (id, since) = resting.iter().map(|(id, (since, _))| (*id, *since)).min_by_key(|(_, since)| *since)?;
        if since.elapsed() < PATIENCE {
            return None;
        }
        let (_, wanted) = resting.remove(&id)?;
        wanted.notify_one();
        Some(())
    }

    /// Why there is no seat.
    pub fn in_words(&self) -> String {
        self.0.in_words()
    }

    /// Waits until nobody is connected.
    pub async fn all_left(&self) {
        let _ = self.0.connected.acquire_many(CONNECTIONS).await;
    }
}

impl All {
    fn resting(&self) -> MutexGuard<'_, HashMap<u64, (Instant, Arc<Notify>)>> {
        self.resting.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn in_words(&self) -> String {
        if self.listening.available_permits() == 0 {
            format!("greyhold is busy: {LISTENERS} programs listen already")
        } else {
            format!("greyhold is busy: {CONNECTIONS} programs are connected already")
        }
    }
}

/// One connection's seat.
#[derive(Debug)]
pub struct Seat {
    all: Arc<All>,
    id: u64,
    wanted: Arc<Notify>,
    _permit: OwnedSemaphorePermit,
}

impl Seat {
    /// A command is being carried out.
    pub fn works(&self) {
        self.all.resting().remove(&self.id);
    }

    /// It waits for its next command. One that listens never has to give way.
    pub fn rests(&self, gives_way: bool) {
        if gives_way {
            self.all.resting().insert(self.id, (Instant::now(), Arc::clone(&self.wanted)));
        }
    }

    /// Resolves when another needs the seat.
    pub async fn wanted(&self) {
        self.wanted.notified().await;
    }

    /// Room among the listeners, if there is.
    pub fn listening(&self) -> Option<OwnedSemaphorePermit> {
        Arc::clone(&self.all.listening).try_acquire_owned().ok()
    }

    pub fn no_room(&self) -> String {
        self.all.in_words()
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        self.works();
    }
}
