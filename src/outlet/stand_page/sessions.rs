//! Who has signed in: each phone by a session of its own, which outlives a restart, can be ended beside the camera,
//! and ends by itself a day after it was used last.

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;
use tokio::sync::watch;
use tokio::task::spawn_blocking;

use super::private;

/// Sessions at one time. One more takes the place of the one that was not used for longest.
pub const MOST: usize = 64;
/// A session ends this long after its last use. An open page uses it all the time, so that none ends in a sitting.
const LASTS: SignedDuration = SignedDuration::from_hours(24);
/// And this long after it began, however much it is used: a phone that was left open somewhere is out the day after.
const LONGEST: SignedDuration = SignedDuration::from_hours(36);
/// Who was seen within this time is there now: an open page is seen every second.
const NOW: SignedDuration = SignedDuration::from_secs(10);
const FORMAT: u32 = 1;
const ID_BYTES: usize = 16;

/// What a browser says that it runs on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    Phone,
    Tablet,
    Computer,
    Browser,
}

impl Kind {
    /// By the words of a `User-Agent` that browsers have agreed on; nothing else of it is kept.
    pub fn of(user_agent: &str) -> Kind {
        let says = |words: &[&str]| words.iter().any(|w| user_agent.contains(w));
        match () {
            () if says(&["iPad", "Tablet"]) => Kind::Tablet,
            () if says(&["Mobile", "iPhone"]) => Kind::Phone,
            () if says(&["Android"]) => Kind::Tablet,
            () if says(&["Windows", "Macintosh", "X11", "CrOS", "Linux"]) => Kind::Computer,
            () => Kind::Browser,
        }
    }

    fn in_words(self) -> &'static str {
        match self {
            Kind::Phone => "Phone",
            Kind::Tablet => "Tablet",
            Kind::Computer => "Computer",
            Kind::Browser => "Browser",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Session {
    /// By which people and messages name it; says nothing of its id.
    number: u64,
    /// SHA-256 of the id, in hexadecimal digits: who reads the file can't use it to come in.
    id_hash: String,
    kind: Kind,
    address: IpAddr,
    entered: Timestamp,
    used: Timestamp,
}

impl Session {
    fn has_ended(&self, now: Timestamp) -> bool {
        // A clock that was put back ends nothing.
        now.duration_since(self.used) > LASTS || now.duration_since(self.entered) > LONGEST
    }
}

/// All sessions. Asks no clock and no disk.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
struct List {
    format: u32,
    /// The shot log that they belong to.
    log: String,
    last_number: u64,
    sessions: Vec<Session>,
}

fn hash_of(id: &str) -> String {
    hex(&Sha256::digest(id.as_bytes()))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

impl List {
    fn enter(&mut self, id: &str, kind: Kind, address: IpAddr, instead_of: Option<u64>, now: Timestamp) {
        self.sessions.retain(|s| !s.has_ended(now) && Some(s.number) != instead_of);
        while self.sessions.len() >= MOST {
            let Some(longest_ago) = self.sessions.iter().min_by_key(|s| s.used).map(|s| s.number) else { break };
            tracing::info!("{MOST} phones were signed in: the one that was away for longest is not any more");
            self.sessions.retain(|s| s.number != longest_ago);
        }
        self.last_number += 1;
        let number = self.last_number;
        self.sessions.push(Session { number, id_hash: hash_of(id), kind, address, entered: now, used: now });
    }

    /// The session of an id, which is used by that.
    fn find(&mut self, id: &str, now: Timestamp) -> Option<u64> {
        let hash = hash_of(id);
        let is_its = |s: &&mut Session| bool::from(s.id_hash.as_bytes().ct_eq(hash.as_bytes()));
        let session = self.sessions.iter_mut().find(is_its).filter(|s| !s.has_ended(now))?;
        session.used = now;
        Some(session.number)
    }

    fn touch(&mut self, number: u64, now: Timestamp) -> bool {
        match self.sessions.iter_mut().find(|s| s.number == number && !s.has_ended(now)) {
            Some(session) => {
                session.used = now;
                true
            }
            None => false,
        }
    }

    fn end(&mut self, number: u64) -> bool {
        let before = self.sessions.len();
        self.sessions.retain(|s| s.number != number);
        self.sessions.len() < before
    }
}

/// A session as the page beside the camera lists it.
#[derive(Debug, PartialEq, Eq, Serialize)]
pub struct Listed {
    number: u64,
    who: String,
    entered: String,
    seen: String,
    /// Whether it is the one that asks.
    here: bool,
}

fn listed(session: &Session, here: Option<u64>, now: Timestamp, zone: &TimeZone) -> Listed {
    let told = |at: Timestamp| {
        let (at, today) = (at.to_zoned_datetime(zone.clone()), now.to_zoned_datetime(zone.clone()).date());
        at.strftime(if at.date() == today { "%H:%M" } else { "%-d %B, %H:%M" }).to_string()
    };
    let seen = if now.duration_since(session.used) <= NOW { "now".to_owned() } else { told(session.used) };
    Listed {
        number: session.number,
        who: format!("{} at {}", session.kind.in_words(), session.address),
        entered: told(session.entered),
        seen,
        here: here == Some(session.number),
    }
}

/// The sessions, and the file that they are kept in.
#[derive(Debug)]
pub struct Sessions {
    list: Mutex<List>,
    /// Counts who came and who went.
    changes: watch::Sender<u64>,
    file: Option<PathBuf>,
    /// What the file holds. One save at a time, so that an older state never overwrites a newer one.
    saved: tokio::sync::Mutex<String>,
}

impl Sessions {
    /// Those that are kept for a shot log. What can't be read is told, and everybody signs in anew.
    pub fn kept(file: Option<PathBuf>, log: &Path) -> Sessions {
        let log = log.display().to_string();
        let read = |path: &PathBuf| match private::read(path) {
            Ok(None) => None,
            Ok(Some(text)) => serde_json::from_str::<List>(&text)
                .inspect_err(|e| told_as_lost(path, &e.to_string()))
                .ok()
                .filter(|l| l.format == FORMAT && l.log == log && l.sessions.len() <= MOST),
            Err(e) => {
                told_as_lost(path, &e.to_string());
                None
            }
        };
        let list = file.as_ref().and_then(read);
        let list = list.unwrap_or(List { format: FORMAT, log, ..List::default() });
        Sessions { list: Mutex::new(list), changes: watch::channel(0).0, file, saved: tokio::sync::Mutex::default() }
    }

    fn list(&self) -> MutexGuard<'_, List> {
        self.list.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Signs a phone in, in place of a session that it has already. Gives the id, which only the phone keeps.
    pub async fn enter(&self, kind: Kind, address: IpAddr, has: Option<u64>) -> Result<String, getrandom::Error> {
        let mut bytes = [0_u8; ID_BYTES];
        getrandom::fill(&mut bytes)?;
        let id = hex(&bytes);
        self.list().enter(&id, kind, address, has, Timestamp::now());
        self.changes.send_modify(|n| *n += 1);
        self.save().await;
        Ok(id)
    }

    /// The number of the session with this id, which is used by that.
    pub fn of(&self, id: &str) -> Option<u64> {
        self.list().find(id, Timestamp::now())
    }

    /// Says that a session is in use; `false` when it has ended.
    pub fn touch(&self, number: u64) -> bool {
        self.list().touch(number, Timestamp::now())
    }

    /// Ends a session; `false` when there was none.
    pub async fn end(&self, number: u64) -> bool {
        let ended = self.list().end(number);
        if ended {
            self.changes.send_modify(|n| *n += 1);
            self.save().await;
        }
        ended
    }

    /// Changes whenever somebody comes or goes.
    pub fn changes(&self) -> watch::Receiver<u64> {
        self.changes.subscribe()
    }

    /// All that hold, the newest first.
    pub fn listed(&self, here: Option<u64>) -> Vec<Listed> {
        let (now, zone) = (Timestamp::now(), TimeZone::system());
        let list = self.list();
        list.sessions.iter().rev().filter(|s| !s.has_ended(now)).map(|s| listed(s, here, now, &zone)).collect()
    }

    /// Puts them on the disk. A disk that takes nothing is told; the phones stay signed in until the next start.
    pub async fn save(&self) {
        let Some(file) = self.file.clone() else { return };
        let mut saved = self.saved.lock().await;
        let now = Timestamp::now();
        let list = {
            let mut list = self.list();
            list.sessions.retain(|s| !s.has_ended(now));
            list.clone()
        };
        // Numbers, words and times always encode.
        let text = serde_json::to_string(&list).unwrap_or_default();
        if *saved == text {
            return;
        }
        let (path, new) = (file.clone(), text.clone());
        match spawn_blocking(move || private::write(&path, &new)).await {
            Ok(Ok(())) => *saved = text,
            Ok(Err(e)) => {
                let file = file.display();
                tracing::warn!("phones will have to sign in again after a restart: {file} can't be written: {e}");
            }
            // The system that runs tasks is ending.
            Err(_) => {}
        }
    }
}

fn told_as_lost(path: &Path, why: &str) {
    tracing::warn!("phones have to sign in again: {} can't be read: {why}", path.display());
}

#[cfg(test)]
mod tests {
    use super::*;

    const ADDRESS: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 168, 1, 7));

    fn at(time: &str) -> Timestamp {
        format!("2026-03-02T{time}:00Z").parse().unwrap()
    }

    #[test]
    fn a_session_ends_a_day_after_its_last_use() {
        let mut list = List::default();
        let first = at("10:00");
        list.enter("one", Kind::Phone, ADDRESS, None, first);
        let day = LASTS;
        assert_eq!(list.find("one", first + day), Some(1));
        assert_eq!(list.find("one", first + LONGEST), Some(1), "it was used meanwhile");
        assert!(list.touch(1, first + day), "a clock that was put back ends nothing");
        assert_eq!(list.find("one", first + LONGEST + SignedDuration::from_secs(1)), None);
        assert!(!list.touch(1, first + LONGEST + SignedDuration::from_secs(1)));
        list.enter("idle", Kind::Phone, ADDRESS, None, first);
        assert_eq!(list.find("idle", first + day + SignedDuration::from_secs(1)), None);
        assert_eq!(list.find("two", first), None);
    }

    #[test]
    fn the_sixty_fifth_takes_the_place_of_the_one_that_was_away_for_longest() {
        let mut list = List::default();
        let second = |n: u64| at("10:00") + SignedDuration::from_secs(n as i64);
        for n in 0..MOST as u64 {
            list.enter(&n.to_string(), Kind::Phone, ADDRESS, None, second(n));
        }
        assert_eq!(list.find("0", second(100)), Some(1));
        list.enter("more", Kind::Phone, ADDRESS, None, second(101));
        assert_eq!((list.find("0", second(102)), list.find("1", second(102))), (Some(1), None));
        assert_eq!(list.sessions.len(), MOST);
        // Who signs in again has one session, not two.
        list.enter("again", Kind::Phone, ADDRESS, Some(1), second(103));
        assert_eq!((list.find("0", second(104)), list.sessions.len()), (None, MOST));
    }

    #[tokio::test]
    async fn sessions_outlive_a_restart_and_their_file_lets_nobody_in() {
        let home = tempfile::tempdir().unwrap();
        let file = home.path().join("page.sessions");
        let log = Path::new("/a/log");
        let sessions = Sessions::kept(Some(file.clone()), log);
        let (kept, ended) = (
            sessions.enter(Kind::Phone, ADDRESS, None).await.unwrap(),
            sessions.enter(Kind::Tablet, ADDRESS, None).await.unwrap(),
        );
        assert!(kept.len() == 32 && kept != ended);
        assert!(sessions.end(2).await && !sessions.end(2).await);
        let text = std::fs::read_to_string(&file).unwrap();
        assert!(!text.contains(&kept) && text.contains(&hash_of(&kept)));
        let again = Sessions::kept(Some(file.clone()), log);
        assert_eq!((again.of(&kept), again.of(&ended), again.of(&hash_of(&kept))), (Some(1), None, None));
        assert_eq!(Sessions::kept(Some(file.clone()), Path::new("/b/log")).of(&kept), None, "another sitting's");
        std::fs::write(&file, "{").unwrap();
        assert_eq!(Sessions::kept(Some(file), log).of(&kept), None);
    }

    #[test]
    fn a_phone_is_told_by_its_kind_address_and_times() {
        let session = |used| Session {
            number: 3,
            id_hash: String::new(),
            kind: Kind::Phone,
            address: ADDRESS,
            entered: at("10:42"),
            used,
        };
        let told = |used, now| {
            let told = listed(&session(used), Some(3), now, &TimeZone::UTC);
            (told.who, told.entered, told.seen)
        };
        let words = |who: &str, entered: &str, seen: &str| (who.to_owned(), entered.to_owned(), seen.to_owned());
        let who = "Phone at 192.168.1.7";
        assert_eq!(told(at("11:00"), at("11:00")), words(who, "10:42", "now"));
        assert_eq!(told(at("11:00"), at("11:30")), words(who, "10:42", "11:00"));
        let tomorrow = at("10:00") + SignedDuration::from_hours(24);
        assert_eq!(told(at("11:00"), tomorrow), words(who, "2 March, 10:42", "2 March, 11:00"));
        for (agent, kind) in [
            ("Mozilla/5.0 (Linux; Android 14) AppleWebKit/537.36 Chrome/130.0 Mobile Safari/537.36", Kind::Phone),
            ("Mozilla/5.0 (Linux; Android 14) AppleWebKit/537.36 Chrome/130.0 Safari/537.36", Kind::Tablet),
            ("Mozilla/5.0 (X11; Linux x86_64) AppleWebKit/537.36", Kind::Computer),
            ("<b>", Kind::Browser),
        ] {
            assert_eq!(Kind::of(agent), kind, "{agent}");
        }
    }
}
