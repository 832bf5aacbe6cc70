//! The small pictures of frames, and how they lie over each other.
//!
//! The log holds their names only. What was worked out of two of them is kept for a while: the same two are asked for again
//! by every judgement of an exposure.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};

use crate::align::{CodePicture, Overlay, PictureId, Prepared};

/// Pictures that are kept beyond a restart: those of 15 looks with all their anchors.
pub const MOST_PICTURES: usize = 200;

/// What is to be kept beyond a restart from now on.
#[derive(Debug, Clone)]
pub struct PicturesToKeep {
    /// Those that weren't kept before.
    pub added: Vec<(PictureId, Arc<CodePicture>)>,
    /// All that are; others aren't wanted any more.
    pub wanted: BTreeSet<PictureId>,
}

/// Whether they will be kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PictureKeeping {
    Taken,
    /// The disk is slow: with the next change they are told again.
    TellAgain,
}

/// The frame, and what it is laid over by turns.
const MOST_PREPARED: usize = 4;
/// Of the exposures that can be judged anew, over several pictures each.
const MOST_OVERLAYS: usize = 64;

/// See the module.
#[derive(Debug, Default)]
pub struct Scenes {
    pictures: BTreeMap<PictureId, Arc<CodePicture>>,
    made: Mutex<Made>,
}

#[derive(Debug, Default)]
struct Made {
    prepared: VecDeque<(PictureId, Arc<Prepared>)>,
    overlays: VecDeque<([PictureId; 2], Arc<Overlay>)>,
}

impl Scenes {
    pub fn add(&mut self, id: PictureId, picture: Arc<CodePicture>) {
        self.pictures.insert(id, picture);
    }

    pub fn picture(&self, id: PictureId) -> Option<&Arc<CodePicture>> {
        self.pictures.get(&id)
    }

    /// Forgets all but these.
    pub fn retain(&mut self, wanted: &BTreeSet<PictureId>) {
        self.pictures.retain(|id, _| wanted.contains(id));
    }

    /// How one picture lies over another, if that was worked out before.
    pub fn known_overlay(&self, reference: PictureId, frame: PictureId) -> Option<Arc<Overlay>> {
        find(&mut self.made().overlays, [reference, frame])
    }

    /// Lays one picture over another, and looks into a mirror where it must. `None` when one of them isn't there.
    pub fn overlay(&self, reference: PictureId, frame: PictureId) -> Option<Arc<Overlay>> {
        self.lay(reference, frame, Overlay::of)
    }

    /// The same without a mirror: for one of several pictures that the frame may lie over.
    pub fn overlay_upright(&self, reference: PictureId, frame: PictureId) -> Option<Arc<Overlay>> {
        self.lay(reference, frame, Overlay::of_upright)
    }

    fn lay(
        &self,
        reference: PictureId,
        frame: PictureId,
        how: impl Fn(&Prepared, &Prepared) -> Overlay,
    ) -> Option<Arc<Overlay>> {
        if let Some(known) = self.known_overlay(reference, frame) {
            return Some(known);
        }
        let pair = [reference, frame];
        let (reference, frame) = (self.prepared(reference)?, self.prepared(frame)?);
        let overlay = Arc::new(how(&reference, &frame));
        let mut made = self.made();
        keep(&mut made.overlays, pair, &overlay, MOST_OVERLAYS);
        Some(overlay)
    }

    fn prepared(&self, id: PictureId) -> Option<Arc<Prepared>> {
        let picture = self.pictures.get(&id)?;
        if let Some(known) = find(&mut self.made().prepared, id) {
            return Some(known);
        }
        let prepared = Arc::new(Prepared::of(picture));
        keep(&mut self.made().prepared, id, &prepared, MOST_PREPARED);
        Some(prepared)
    }

    fn made(&self) -> std::sync::MutexGuard<'_, Made> {
        // What is in it was worked out whole before it was put there.
        self.made.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What is asked for is kept longest.
fn find<K: PartialEq, V>(kept: &mut VecDeque<(K, Arc<V>)>, key: K) -> Option<Arc<V>> {
    let at = kept.iter().position(|(of, _)| *of == key)?;
    let (of, value) = kept.remove(at)?;
    kept.push_back((of, Arc::clone(&value)));
    Some(value)
}

fn keep<K, V>(kept: &mut VecDeque<(K, Arc<V>)>, key: K, value: &Arc<V>, most: usize) {
    kept.push_back((key, Arc::clone(value)));
    if kept.len() > most {
        kept.pop_front();
    }
}
