//! Native file events, reduced to hints: which paths to look at, and whether to scan.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex, PoisonError};

use notify::event::{AccessKind, AccessMode, CreateKind, EventKind, ModifyKind, RenameMode};
use notify::{Config, Event, RecommendedWatcher, RecursiveMode, Watcher};

use super::settling::Hint;
use super::watcher_loop::Control;

/// More paths than this in one go are found quicker by a scan.
const MOST_PATHS: usize = 4096;

/// Hints gathered since they were last taken.
#[derive(Debug, Default)]
pub struct Hints {
    pub paths: HashMap<PathBuf, Hint>,
    /// Events were lost or a folder appeared: scan.
    pub rescan: bool,
    woken: bool,
}

/// A running native watch; dropping it ends the watch.
pub struct Watch {
    hints: Arc<Mutex<Hints>>,
    _watcher: RecommendedWatcher,
}

impl Watch {
    /// Watches a folder and its sub-folders; `wake` is told, once, that hints are waiting.
    pub fn start(folder: &Path, wake: Sender<Control>) -> notify::Result<Watch> {
        let hints = Arc::new(Mutex::new(Hints::default()));
        let gathered = Arc::clone(&hints);
        // The handler must not block: it only notes the hint and wakes the intake.
        let handler = move |event: notify::Result<Event>| {
            let mut hints = gathered.lock().unwrap_or_else(PoisonError::into_inner);
            hints.add(event);
            if !std::mem::replace(&mut hints.woken, true) {
                let _ = wake.send(Control::Wake);
            }
        };
        let config = Config::default().with_follow_symlinks(false);
        let mut watcher = RecommendedWatcher::new(handler, config)?;
        watcher.watch(folder, RecursiveMode::Recursive)?;
        Ok(Watch { hints, _watcher: watcher })
    }

    pub fn take(&self) -> Hints {
        std::mem::take(&mut *self.hints.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Hints {
    fn add(&mut self, event: notify::Result<Event>) {
        let Ok(event) = event else {
            self.rescan = true;
            return;
        };
        self.rescan |= event.need_rescan();
        let hint = match event.kind {
            EventKind::Access(AccessKind::Close(AccessMode::Write)) => Hint::Closed,
            EventKind::Modify(ModifyKind::Name(RenameMode::To | RenameMode::Both)) => Hint::Closed,
            EventKind::Create(_) | EventKind::Modify(_) => Hint::Seen,
            EventKind::Access(_) | EventKind::Remove(_) | EventKind::Any | EventKind::Other => return,
        };
        let folder_made = matches!(event.kind, EventKind::Create(CreateKind::Folder));
        for path in event.paths {
            // Files in a folder that was just made may have no events of their own.
            self.rescan |= folder_made || (hint == Hint::Closed && path.is_dir());
            if self.paths.len() < MOST_PATHS {
                let entry = self.paths.entry(path).or_insert(hint);
                if hint == Hint::Closed {
                    *entry = hint;
                }
            } else {
                self.rescan = true;
            }
        }
    }
}
