//! Native file events, reduced to hints: which paths to look at, and whether to scan.

use std::collections::HashMap;
use std::path::{Component, Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use notify::event::{AccessKind, AccessMode, CreateKind, EventKind, ModifyKind, RenameMode};
use notify::{Config, ErrorKind, Event, RecommendedWatcher, RecursiveMode, Watcher};

use super::settling::Hint;

/// More paths than this in one go are found quicker by a scan.
const MOST_PATHS: usize = 4096;

/// Hints gathered since they were last taken.
#[derive(Debug, Default)]
pub struct Hints {
    pub paths: HashMap<PathBuf, Hint>,
    /// Events were lost or a folder appeared: scan.
    pub rescan: bool,
    /// Events came faster than the system keeps them.
    pub lost: bool,
    /// The system has no more watches to give: what lands in new folders has no events.
    pub no_more_watches: bool,
    woken: bool,
}

/// A running native watch; dropping it ends the watch.
pub struct Watch {
    hints: Arc<Mutex<Hints>>,
    _watcher: RecommendedWatcher,
}

impl Watch {
    /// Watches a folder and its sub-folders; `wake` is told, once, that hints are waiting; it must not block.
    pub fn start(folder: &Path, wake: impl Fn() + Send + 'static) -> notify::Result<Watch> {
        // A folder that is itself a link would be passed over, for none is followed; and some systems name what happened by the real
        // path, whatever was asked for.
        let real = std::fs::canonicalize(folder).unwrap_or_else(|_| folder.to_owned());
        let names = Names { real: real.clone(), called: folder.to_owned() };
        let hints = Arc::new(Mutex::new(Hints::default()));
        let gathered = Arc::clone(&hints);
        // The handler must not block: it only notes the hint and wakes the intake.
        let handler = move |event: notify::Result<Event>| {
            let mut hints = gathered.lock().unwrap_or_else(PoisonError::into_inner);
            hints.add(event.map(|event| names.as_called(event)));
            if !std::mem::replace(&mut hints.woken, true) {
                wake();
            }
        };
        let config = Config::default().with_follow_symlinks(false);
        let mut watcher = RecommendedWatcher::new(handler, config)?;
        watcher.watch(&real, RecursiveMode::Recursive)?;
        Ok(Watch { hints, _watcher: watcher })
    }

    pub fn take(&self) -> Hints {
        std::mem::take(&mut *self.hints.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// What the folder is called here, and where it really lies.
struct Names {
    real: PathBuf,
    called: PathBuf,
}

impl Names {
    fn as_called(&self, mut event: Event) -> Event {
        for path in &mut event.paths {
            if let Some(below) = self.below(path) {
                *path = self.called.join(below);
            }
        }
        event
    }

    /// The part of an event's path that is below the folder. Every event is of this folder, so where its path is spelled in upper and
    /// lower case otherwise, the file system makes no difference between them.
    fn below(&self, path: &Path) -> Option<PathBuf> {
        if let Ok(below) = path.strip_prefix(&self.real) {
            return Some(below.to_owned());
        }
        let mut told = path.components();
        let folded = |part: Component<'_>| part.as_os_str().to_string_lossy().to_lowercase();
        let is_same = |part| told.next().is_some_and(|other| folded(part) == folded(other));
        self.real.components().all(is_same).then(|| told.as_path().to_owned())
    }
}

impl Hints {
    fn add(&mut self, event: notify::Result<Event>) {
        let event = match event {
            Ok(event) => event,
            Err(fault) => {
                self.rescan = true;
                self.no_more_watches |= matches!(fault.kind, ErrorKind::MaxFilesWatch);
                return;
            }
        };
        self.lost |= event.need_rescan();
        self.rescan |= event.need_rescan();
        let hint = match event.kind {
            EventKind::Access(AccessKind::Close(AccessMode::Write)) => Hint::Closed,
            EventKind::Modify(ModifyKind::Name(RenameMode::To | RenameMode::Both)) => Hint::Closed,
            EventKind::Create(_) | EventKind::Modify(_) => Hint::Seen,
            EventKind::Access(_) | EventKind::Remove(_) | EventKind::Any | EventKind::Other => return,
        };
        let kind = event.kind;
        for path in event.paths {
            // Files in a folder that was just made, or moved here, may have no events of their own.
            self.rescan |= is_of_a_folder(kind, || path.is_dir());
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

/// Whether an event tells that a folder came. Not every system says of what came which it is, and of what was renamed none does.
fn is_of_a_folder(kind: EventKind, is_folder: impl FnOnce() -> bool) -> bool {
    match kind {
        EventKind::Create(CreateKind::Folder) => true,
        EventKind::Create(CreateKind::Any | CreateKind::Other) | EventKind::Modify(ModifyKind::Name(_)) => is_folder(),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use notify::event::{DataChange, Flag, MetadataKind, RemoveKind};

    /// The words of an event for each system, as notify 8.2 passes them on (its `inotify.rs`, `fsevent.rs` and `windows.rs`).
    #[test]
    fn a_new_file_is_heard_of_by_the_events_of_each_system() {
        use EventKind::{Access, Create, Modify};
        let content = Modify(ModifyKind::Data(DataChange::Content));
        let closed = Access(AccessKind::Close(AccessMode::Write));
        let renamed = |mode| Modify(ModifyKind::Name(mode));
        let cases: [(&[EventKind], Hint); 6] = [
            (&[Create(CreateKind::File), Modify(ModifyKind::Data(DataChange::Any)), closed], Hint::Closed),
            (&[Create(CreateKind::File), Modify(ModifyKind::Metadata(MetadataKind::Any)), content], Hint::Seen),
            (&[Create(CreateKind::Any), Modify(ModifyKind::Any), Modify(ModifyKind::Any)], Hint::Seen),
            // Renamed into place.
            (&[renamed(RenameMode::To)], Hint::Closed),
            (&[renamed(RenameMode::Any)], Hint::Seen),
            // Events of macOS come late and together; the last one stands for all.
            (&[content], Hint::Seen),
        ];
        for (kinds, hint) in cases {
            let mut hints = Hints::default();
            kinds.iter().for_each(|kind| hints.add(event(*kind, "a.jpg")));
            assert_eq!(hints.paths, HashMap::from([(PathBuf::from("a.jpg"), hint)]), "{kinds:?}");
            assert!(!hints.rescan, "{kinds:?}");
        }
    }

    #[test]
    fn a_folder_that_came_is_searched_however_the_system_tells_it() {
        let home = tempfile::tempdir().unwrap();
        let folder = home.path().to_str().unwrap();
        let moved = |mode| EventKind::Modify(ModifyKind::Name(mode));
        for kind in [
            EventKind::Create(CreateKind::Folder),
            EventKind::Create(CreateKind::Any),
            moved(RenameMode::To),
            moved(RenameMode::Any),
        ] {
            let mut hints = Hints::default();
            hints.add(event(kind, folder));
            assert!(hints.rescan, "{kind:?}");
        }
        let mut hints = Hints::default();
        hints.add(event(EventKind::Modify(ModifyKind::Metadata(MetadataKind::Any)), folder));
        assert!(!hints.rescan, "it was there before");
    }

    #[test]
    fn an_event_by_the_real_path_is_of_the_name_that_was_asked_for() {
        let names = |real: &str, called: &str| Names { real: real.into(), called: called.into() };
        let cases = [
            // A temporary folder of macOS lies behind a link.
            (names("/private/var/tether", "/var/tether"), "/private/var/tether/a.jpg", "/var/tether/a.jpg"),
            (names("/Volumes/Card/DCIM", "/home/tether"), "/Volumes/Card/DCIM/day 1/a.jpg", "/home/tether/day 1/a.jpg"),
            // Typed in another case than the disk has it, and told so.
            (
                names("/Users/Studio/Tether", "/users/studio/tether"),
                "/Users/studio/Tether/A.JPG",
                "/users/studio/tether/A.JPG",
            ),
            (names("/ÜBUNG/tether", "/übung/tether"), "/übung/tether/a.jpg", "/übung/tether/a.jpg"),
            (names("/tether", "/tether"), "/tether", "/tether"),
            // Not below it.
            (names("/tether", "/link"), "/tethered/a.jpg", "/tethered/a.jpg"),
            (names("/studio/tether", "/link"), "/studio", "/studio"),
        ];
        for (names, told, meant) in cases {
            let told = Event::new(EventKind::Any).add_path(told.into());
            let event = names.as_called(told);
            assert_eq!(event.paths, [PathBuf::from(meant)], "{:?}", names.real);
        }
    }

    fn event(kind: EventKind, path: &str) -> notify::Result<Event> {
        Ok(Event::new(kind).add_path(path.into()))
    }

    #[test]
    fn hints_are_gathered_once_a_path_and_a_close_is_not_forgotten() {
        let mut hints = Hints::default();
        let close = EventKind::Access(AccessKind::Close(AccessMode::Write));
        for kind in [EventKind::Create(CreateKind::File), close, EventKind::Modify(ModifyKind::Data(DataChange::Any))] {
            hints.add(event(kind, "a.jpg"));
        }
        hints.add(event(EventKind::Remove(RemoveKind::File), "gone.jpg"));
        assert_eq!(hints.paths, HashMap::from([(PathBuf::from("a.jpg"), Hint::Closed)]));
        assert!(!hints.rescan);
    }

    // Elsewhere closes aren't told.
    #[cfg(target_os = "linux")]
    #[test]
    fn a_folder_that_is_a_link_has_events_under_its_own_name() {
        let home = tempfile::tempdir().unwrap();
        let (folder, link) = (home.path().join("folder"), home.path().join("link"));
        std::fs::create_dir(&folder).unwrap();
        std::os::unix::fs::symlink(&folder, &link).unwrap();
        let (wake, woken) = std::sync::mpsc::channel();
        let watch = Watch::start(&link, move || wake.send(()).unwrap_or_default()).unwrap();
        std::fs::write(folder.join("a.jpg"), b"picture").unwrap();
        let mut heard = HashMap::new();
        while heard.get(&link.join("a.jpg")) != Some(&Hint::Closed) {
            woken.recv_timeout(std::time::Duration::from_secs(20)).unwrap();
            heard.extend(watch.take().paths);
        }
        assert_eq!(heard.len(), 1, "{heard:?}");
    }

    #[test]
    fn every_sign_of_loss_asks_for_a_scan() {
        let lost = Event::new(EventKind::Other).set_flag(Flag::Rescan);
        let signs: [notify::Result<Event>; 3] =
            [Ok(lost), Err(notify::Error::generic("watch limit")), event(EventKind::Create(CreateKind::Folder), "new")];
        for sign in signs {
            let mut hints = Hints::default();
            hints.add(sign);
            assert!(hints.rescan && !hints.no_more_watches);
        }
        let mut full = Hints::default();
        full.add(Err(notify::Error::new(ErrorKind::MaxFilesWatch)));
        assert!(full.rescan && full.no_more_watches);
        let mut flood = Hints::default();
        for n in 0..=MOST_PATHS {
            flood.add(event(EventKind::Create(CreateKind::File), &format!("{n}.jpg")));
        }
        assert!(flood.rescan && flood.paths.len() == MOST_PATHS, "memory stays bounded, nothing is lost");
    }
}
