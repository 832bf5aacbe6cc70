//! Who holds how many connections and feeds. Strangers, who have not signed in, have places of their own: the newest
//! of them takes the place of an older one, so that none can keep the others out.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::Notify;

/// Connections of those who have not signed in, of all machines together.
const STRANGERS: usize = 96;
/// Connections of those who have. With the strangers' these are all: 256.
const SIGNED_IN: usize = 160;
/// Feeds of all machines together.
const FEEDS: usize = 64;

/// What one machine may hold.
struct Holding {
    strangers: usize,
    signed_in: usize,
    feeds: usize,
}

/// A browser keeps up to six connections to one address.
const OTHERS: Holding = Holding { strangers: 8, signed_in: 24, feeds: 8 };
/// Behind this machine's own address stand all its windows, and whatever is forwarded to it.
const THIS_MACHINE: Holding = Holding { strangers: 64, signed_in: 96, feeds: 32 };

fn share(machine: IpAddr) -> Holding {
    if machine.is_loopback() { THIS_MACHINE } else { OTHERS }
}

/// All places.
#[derive(Debug, Default)]
pub struct Seats(Mutex<Table>);

#[derive(Debug, Default)]
struct Table {
    next: u64,
    /// By the order in which they came.
    connections: BTreeMap<u64, Taken>,
    feeds: BTreeMap<IpAddr, usize>,
}

#[derive(Debug)]
struct Taken {
    machine: IpAddr,
    signed_in: bool,
    displaced: Arc<Notify>,
}

impl Table {
    fn strangers(&self) -> impl Iterator<Item = (u64, IpAddr)> {
        self.connections.iter().filter(|(_, taken)| !taken.signed_in).map(|(id, taken)| (*id, taken.machine))
    }

    fn oldest_stranger(&self, machine: IpAddr) -> Option<u64> {
        self.strangers().find(|(_, m)| *m == machine).map(|(id, _)| id)
    }

    /// The stranger who has to go when a machine's newest comes: one of its own, or of the machine that holds most.
    fn to_displace(&self, machine: IpAddr) -> Option<u64> {
        let mut held: BTreeMap<IpAddr, usize> = BTreeMap::new();
        for (_, machine) in self.strangers() {
            *held.entry(machine).or_default() += 1;
        }
        if held.get(&machine).is_some_and(|n| *n >= share(machine).strangers) {
            return self.oldest_stranger(machine);
        }
        if held.values().sum::<usize>() < STRANGERS {
            return None;
        }
        let most = held.into_iter().max_by_key(|(_, n)| *n)?.0;
        self.oldest_stranger(most)
    }

    fn sit(&mut self, machine: IpAddr) -> (u64, Arc<Notify>) {
        if let Some(gone) = self.to_displace(machine).and_then(|id| self.connections.remove(&id)) {
            gone.displaced.notify_one();
        }
        self.next += 1;
        let displaced = Arc::new(Notify::new());
        self.connections.insert(self.next, Taken { machine, signed_in: false, displaced: Arc::clone(&displaced) });
        (self.next, displaced)
    }

    /// Also for one who was displaced just now, before his request was looked at.
    fn sign_in(&mut self, Seat { id, machine, displaced, .. }: &Seat) -> bool {
        if self.connections.get(id).is_some_and(|taken| taken.signed_in) {
            return true;
        }
        let held = |of: Option<&IpAddr>| {
            self.connections.values().filter(|t| t.signed_in && of.is_none_or(|machine| t.machine == *machine)).count()
        };
        if held(None) >= SIGNED_IN || held(Some(machine)) >= share(*machine).signed_in {
            return false;
        }
        let taken = Taken { machine: *machine, signed_in: true, displaced: Arc::clone(displaced) };
        self.connections.insert(*id, taken);
        true
    }
}

impl Seats {
    fn table(&self) -> MutexGuard<'_, Table> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A place for a connection, as a stranger's. There always is one.
    pub fn sit(self: &Arc<Seats>, machine: IpAddr) -> Seat {
        let (id, displaced) = self.table().sit(machine);
        Seat { seats: Arc::clone(self), id, machine, displaced }
    }

    /// A place for a feed, if this machine and all together have one left.
    pub fn feed(self: &Arc<Seats>, machine: IpAddr) -> Option<FeedSeat> {
        let feeds = &mut self.table().feeds;
        let all: usize = feeds.values().sum();
        let own = feeds.entry(machine).or_default();
        if all >= FEEDS || *own >= share(machine).feeds {
            return None;
        }
        *own += 1;
        Some(FeedSeat { seats: Arc::clone(self), machine })
    }
}

/// A connection's place; given back when it is dropped.
#[derive(Debug)]
pub struct Seat {
    seats: Arc<Seats>,
    id: u64,
    machine: IpAddr,
    displaced: Arc<Notify>,
}

impl Seat {
    /// From now on it is the place of somebody who has signed in, if there is one left.
    pub fn sign_in(&self) -> bool {
        self.seats.table().sign_in(self)
    }

    fn is_held(&self) -> bool {
        self.seats.table().connections.contains_key(&self.id)
    }

    /// Resolves when a newer stranger took this place.
    pub async fn displaced(&self) {
        while self.is_held() {
            self.displaced.notified().await;
        }
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        self.seats.table().connections.remove(&self.id);
    }
}

/// A feed's place; given back when it is dropped.
#[derive(Debug)]
pub struct FeedSeat {
    seats: Arc<Seats>,
    machine: IpAddr,
}

impl Drop for FeedSeat {
    fn drop(&mut self) {
        let feeds = &mut self.seats.table().feeds;
        let left = feeds.get(&self.machine).map_or(0, |n| n.saturating_sub(1));
        if left == 0 {
            feeds.remove(&self.machine);
        } else {
            feeds.insert(self.machine, left);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn machine(n: u8) -> IpAddr {
        IpAddr::from([192, 168, 1, n])
    }

    fn is_gone(seat: &Seat) -> bool {
        !seat.is_held()
    }

    #[test]
    fn a_machines_ninth_stranger_takes_the_place_of_its_first() {
        let seats = Arc::new(Seats::default());
        let other = seats.sit(machine(2));
        let held: Vec<Seat> = (0..9).map(|_| seats.sit(machine(1))).collect();
        assert!(is_gone(&held[0]));
        assert!(held[1..].iter().chain([&other]).all(|s| !is_gone(s)));
    }

    /// However many addresses somebody has: one who came alone keeps his place until he has signed in.
    #[test]
    fn a_crowd_displaces_itself_and_never_who_came_alone() {
        let seats = Arc::new(Seats::default());
        let crowd = |from: u8| (0..8).map(move |_| machine(from));
        let mut held: Vec<Seat> = (10..40).flat_map(crowd).map(|m| seats.sit(m)).collect();
        let honest = seats.sit(machine(1));
        held.extend((40..80).flat_map(crowd).map(|m| seats.sit(m)));
        assert_eq!(seats.table().strangers().count(), STRANGERS);
        assert!(!is_gone(&honest) && honest.sign_in());
        held.extend((80..200).map(|n| seats.sit(machine(n))));
        assert!(!is_gone(&honest), "nobody displaces who has signed in");
        drop((held, honest));
        assert!(seats.table().connections.is_empty(), "every place is given back");
    }

    /// Of two that come at once, one is looked at first.
    #[test]
    fn who_was_displaced_before_he_was_looked_at_has_a_place_when_he_signs_in() {
        let seats = Arc::new(Seats::default());
        let honest = seats.sit(machine(1));
        let held: Vec<Seat> = (0..8).map(|_| seats.sit(machine(1))).collect();
        assert!(is_gone(&honest) && honest.sign_in() && !is_gone(&honest));
        drop((held, honest));
        assert!(seats.table().connections.is_empty());
    }

    #[test]
    fn who_signed_in_has_more_places_and_an_end_of_them() {
        let seats = Arc::new(Seats::default());
        let held: Vec<Seat> = (0..24).map(|_| seats.sit(machine(1))).inspect(|s| assert!(s.sign_in())).collect();
        let one_more = seats.sit(machine(1));
        assert!(!one_more.sign_in());
        assert!(held.iter().all(|s| !is_gone(s)));
        let feeds: Vec<FeedSeat> = (0..8).map(|_| seats.feed(machine(1)).unwrap()).collect();
        assert!(seats.feed(machine(1)).is_none());
        assert!(seats.feed(machine(2)).is_some());
        drop(feeds);
        assert!(seats.feed(machine(1)).is_some());
    }
}
