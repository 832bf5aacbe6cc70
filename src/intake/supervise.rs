//! The capture folder as a whole: whether it is there, which folder it is, how it is watched, what can be listed.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant, SystemTime};

use super::identity::folder_identity;
use super::known::spell;
use super::scanning::{Found, Rules, scan};
use super::settling::Now;
use super::watching::{Hints, Watch};
use super::{FolderNews, FolderStands, FolderState, Mode};

/// The folder itself is looked at this often.
const SUPERVISE_EVERY: Duration = Duration::from_secs(2);
/// A difference between wall clock and running time beyond this is a laptop that slept.
const SLEPT: Duration = Duration::from_secs(5);

/// An intake that is awake for this long is held up by the folder's disk or share.
const NO_ANSWER: Duration = Duration::from_secs(10);

/// The folder's state, for whoever asks while the intake is busy.
#[derive(Debug, Clone)]
pub struct Seen(Arc<Mutex<(FolderState, Instant)>>);

impl Default for Seen {
    fn default() -> Seen {
        Seen(Arc::new(Mutex::new((FolderState::default(), Instant::now() + NO_ANSWER))))
    }
}

impl Seen {
    pub fn now(&self) -> FolderState {
        let (state, looks_by) = self.0.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if Instant::now() > looks_by { FolderState { stands: FolderStands::Silent, ..state } } else { state }
    }

    fn set(&self, change: impl FnOnce(&mut FolderState)) {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner).0);
    }

    /// The intake is awake, and looks again after this long at the latest.
    pub(super) fn beat(&self, pause: Duration) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).1 = Instant::now() + pause + NO_ANSWER;
    }
}

pub(super) struct Folder {
    path: PathBuf,
    mode: Mode,
    wake: Arc<dyn Fn() + Send + Sync>,
    identity: Option<(u64, u64)>,
    /// The folder that was watched first, while another one or none lies in its place.
    lost: Option<(u64, u64)>,
    watch: Option<Watch>,
    pub polling: bool,
    supervise_at: Now,
    clocks: (Instant, SystemTime),
    loss_said: bool,
    seen: Seen,
    news: Vec<FolderNews>,
}

impl Folder {
    pub fn new(path: PathBuf, mode: Mode, polling: bool, wake: Arc<dyn Fn() + Send + Sync>, seen: Seen) -> Folder {
        Folder {
            path,
            mode,
            wake,
            identity: None,
            lost: None,
            watch: None,
            polling,
            supervise_at: Duration::ZERO,
            clocks: (Instant::now(), SystemTime::now()),
            loss_said: false,
            seen,
            news: Vec::new(),
        }
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    pub fn next_due(&self) -> Now {
        self.supervise_at
    }

    pub fn has_events(&self) -> bool {
        self.watch.is_some() && !self.polling
    }

    /// What is to be told since this was last asked.
    pub fn take_news(&mut self) -> Vec<FolderNews> {
        std::mem::take(&mut self.news)
    }

    pub fn seen(&self) -> &Seen {
        &self.seen
    }

    /// The first look at the folder.
    pub fn begin(&mut self) {
        self.connect();
        if self.identity.is_none() {
            self.stands(FolderStands::Away);
            self.news.push(FolderNews::Offline);
        }
    }

    fn connect(&mut self) {
        self.identity = folder_identity(&self.path);
        self.watch = None;
        if self.mode == Mode::Poll || self.identity.is_none() {
            return;
        }
        let wake = Arc::clone(&self.wake);
        match Watch::start(&self.path, move || wake()) {
            Ok(watch) => self.watch = Some(watch),
            Err(e) => self.go_polling(format!("the system gives no events for the folder ({e})")),
        }
    }

    pub fn go_polling(&mut self, why: String) {
        if !std::mem::replace(&mut self.polling, true) {
            self.seen.set(|state| state.polling = true);
            self.news.push(FolderNews::Polling { why });
        }
    }

    /// Hints gathered since they were last taken.
    pub fn hints(&mut self) -> Hints {
        let hints = self.watch.as_ref().map(Watch::take).unwrap_or_default();
        if hints.no_more_watches {
            self.go_polling("the system's limit of watches is reached, new sub-folders give no events".to_owned());
        }
        if hints.lost && !std::mem::replace(&mut self.loss_said, true) {
            self.news.push(FolderNews::EventsLost);
        }
        hints
    }

    /// Notices a folder that went, came back, or was replaced, and a machine that slept. `true` when it must be
    /// scanned now.
    pub fn supervise(&mut self, now: Now) -> bool {
        self.supervise_at = now + SUPERVISE_EVERY;
        let slept = self.slept();
        let identity = folder_identity(&self.path);
        if identity == self.identity && !slept {
            return false;
        }
        let was_away = self.identity.is_none();
        self.note_which(identity);
        if identity.is_none() {
            self.identity = None;
            self.watch = None;
            if !was_away {
                self.stands(FolderStands::Away);
                self.news.push(FolderNews::Offline);
            }
            return false;
        }
        self.connect();
        if was_away {
            self.stands(FolderStands::Watched);
            self.news.push(FolderNews::Back);
        } else if !slept {
            self.news.push(FolderNews::Replaced);
        }
        true
    }

    /// The folder that was watched first lies in its place, as of this moment.
    pub fn is_the_first(&self) -> bool {
        self.lost.is_none() && self.identity.is_some() && folder_identity(&self.path) == self.identity
    }

    /// Keeps in mind which folder was lost, until that one is back.
    fn note_which(&mut self, identity: Option<(u64, u64)>) {
        let first = self.lost.or(self.identity);
        self.lost = first.filter(|first| identity != Some(*first));
        let replaced = self.lost.is_some() && identity.is_some();
        self.seen.set(|state| state.replaced = replaced);
    }

    fn slept(&mut self) -> bool {
        let (then, wall) = self.clocks;
        self.clocks = (Instant::now(), SystemTime::now());
        let ran = then.elapsed();
        wall.elapsed().is_ok_and(|passed| passed > ran + SLEPT)
    }

    /// What lies in the folder. `None` while it can't be listed.
    pub fn list(&mut self, rules: &Rules) -> Option<Found> {
        self.identity?;
        match scan(&self.path, rules) {
            Ok(found) => {
                if matches!(self.seen.now().stands, FolderStands::NotListed { .. }) {
                    self.news.push(FolderNews::Listed);
                }
                self.stands(FolderStands::Watched);
                self.note_unlisted(&found.unlisted);
                Some(found)
            }
            Err(e) => {
                // Gone rather than denied? The next look at the folder itself tells.
                self.supervise_at = Duration::ZERO;
                if folder_identity(&self.path) == self.identity {
                    let why = e.to_string();
                    if !matches!(self.seen.now().stands, FolderStands::NotListed { .. }) {
                        self.news.push(FolderNews::NotListed { name: None, why: why.clone() });
                    }
                    self.stands(FolderStands::NotListed { why });
                }
                None
            }
        }
    }

    /// Tells of each sub-folder once that it is not listed.
    fn note_unlisted(&mut self, unlisted: &[(PathBuf, String)]) {
        let before = self.seen.now().unlisted;
        let mut names = Vec::new();
        for (path, why) in unlisted {
            let name = spell(&self.path, path);
            if !before.contains(&name) {
                self.news.push(FolderNews::NotListed { name: Some(name.clone()), why: why.clone() });
            }
            names.push(name);
        }
        if names != before {
            self.seen.set(|state| state.unlisted = names);
        }
    }

    fn stands(&self, stands: FolderStands) {
        let polling = self.polling;
        self.seen.set(|state| {
            state.stands = stands;
            state.polling = polling;
        });
    }
}
