//! Keeps the small pictures that frames are laid over beyond a restart.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::oneshot;

use super::keeper::Keeper;
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
    keeper: Keeper<PicturesToKeep>,
}

impl PictureKeeper {
    pub fn beside(log: PathBuf, wanted: BTreeSet<PictureId>) -> PictureKeeper {
        let (keeper, found) = Keeper::start(MOST_WAITING, READING, move || {
            let kept = ScenePictures::beside(&log);
            let read = |id: &PictureId| Some((*id, Arc::new(kept.read(*id)?)));
            (wanted.iter().filter_map(read).collect(), keep_in(kept))
        });
        let trouble = found.is_none().then_some(SILENT);
        PictureKeeper { earlier: found.unwrap_or_default(), trouble, keeper }
    }

    /// Takes what is to be kept, and never waits.
    pub fn taker(&self) -> impl FnMut(PicturesToKeep) -> PictureKeeping + Send + 'static {
        let changes = self.keeper.taker();
        move |change| match changes.try_send(change) {
            Ok(()) => PictureKeeping::Taken,
            Err(_) => PictureKeeping::TellAgain,
        }
    }

    /// As [`Keeper::ends_with_takers`].
    pub fn ends_with_takers(self) -> oneshot::Receiver<()> {
        self.keeper.ends_with_takers()
    }
}

fn keep_in(kept: ScenePictures) -> impl FnMut(PicturesToKeep) {
    let mut is_told = false;
    // What the disk doesn't take now is tried again with the next change.
    let mut waiting: BTreeMap<PictureId, Arc<CodePicture>> = BTreeMap::new();
    move |change| {
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
        let was_told = std::mem::replace(&mut is_told, trouble.is_some());
        if let Some(why) = trouble.filter(|_| !was_told) {
            let folder = kept.folder().display();
            tracing::warn!("the references' pictures can't be kept over a restart in {folder}: {why}");
        }
    }
}
