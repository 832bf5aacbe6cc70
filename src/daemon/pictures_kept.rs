//! Keeps the small pictures that frames are laid over beyond a restart, on a thread of its own: a disk that hangs holds up
//! neither the start nor a frame.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, channel, sync_channel};
use std::time::Duration;

use tokio::sync::oneshot;

use crate::align::{CodePicture, PictureId};
use crate::outlet::scene_pictures::ScenePictures;
use crate::session::{PictureKeeping, PicturesToKeep};

/// What was kept before is read within this, or does without.
const READING: Duration = Duration::from_secs(2);
/// Changes that wait for a slow disk; further ones are made up for by the next.
const MOST_WAITING: usize = 16;

const SILENT: &str = "the shot log's disk doesn't answer: the references' pictures are not known after this start, and frames \
                      are compared by their tones alone until a reference is set anew";

/// The keeper of one log's pictures.
pub(super) struct PictureKeeper {
    /// Those that were wanted, and kept before this start.
    pub earlier: Vec<(PictureId, Arc<CodePicture>)>,
    pub trouble: Option<&'static str>,
    changes: SyncSender<PicturesToKeep>,
    /// Resolves when all is kept, after the last sender went away.
    all_kept: oneshot::Receiver<()>,
}

impl PictureKeeper {
    pub fn beside(log: PathBuf, wanted: BTreeSet<PictureId>) -> PictureKeeper {
        let (changes, to_keep) = sync_channel(MOST_WAITING);
        let (tell, found) = channel();
        let (done, all_kept) = oneshot::channel();
        // Nobody waits for it to end: it may hang in the disk for ever.
        std::thread::spawn(move || {
            let kept = ScenePictures::beside(&log);
            let read = |id: &PictureId| Some((*id, Arc::new(kept.read(*id)?)));
            let _ = tell.send(wanted.iter().filter_map(read).collect());
            keep(&kept, &to_keep);
            let _ = done.send(());
        });
        let earlier = found.recv_timeout(READING);
        let trouble = earlier.is_err().then_some(SILENT);
        PictureKeeper { earlier: earlier.unwrap_or_default(), trouble, changes, all_kept }
    }

    /// Takes what is to be kept, and never waits. `false` when it must be told again.
    pub fn taker(&self) -> impl FnMut(PicturesToKeep) -> PictureKeeping + Send + 'static {
        let changes = self.changes.clone();
        move |change| match changes.try_send(change) {
            Ok(()) => PictureKeeping::Taken,
            Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => PictureKeeping::TellAgain,
        }
    }

    /// All takers are there: when they went away, what they took is kept and the thread ends.
    pub fn ends_with_takers(self) -> oneshot::Receiver<()> {
        self.all_kept
    }
}

fn keep(kept: &ScenePictures, changes: &Receiver<PicturesToKeep>) {
    let mut is_told = false;
    // What the disk doesn't take now is tried again with the next change.
    let mut waiting: BTreeMap<PictureId, Arc<CodePicture>> = BTreeMap::new();
    while let Ok(change) = changes.recv() {
        waiting.extend(change.added);
        waiting.retain(|id, _| change.wanted.contains(id));
        let mut trouble = kept.retain(&change.wanted).err();
        waiting.retain(|id, picture| match kept.keep(*id, picture) {
            Ok(()) => false,
            Err(why) => {
                trouble = Some(why);
                true
            }
        });
        match trouble {
            None => is_told = false,
            Some(why) if !std::mem::replace(&mut is_told, true) => {
                let folder = kept.folder().display();
                tracing::warn!("the references' pictures can't be kept over a restart in {folder}: {why}");
            }
            Some(_) => {}
        }
    }
}
