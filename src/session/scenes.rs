//! The small pictures of frames, and how they lie over each other.
//!
//! The log holds their names only. What was worked out of two of them is kept for a while: the same two are asked for again
//! by every judgement of an exposure.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};

use crate::align::{CodePicture, Glance, Overlay, PictureId, Prepared};

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

/// The frame, and what it is laid over by turns: the reference, the survey's picture, three anchors.
const MOST_PREPARED: usize = 6;
/// Of the exposures that can be judged anew, over several pictures each.
const MOST_OVERLAYS: usize = 64;

/// See the module.
#[derive(Debug, Default)]
pub struct Scenes {
    pictures: BTreeMap<PictureId, Arc<CodePicture>>,
    made: Mutex<Made>,
}

impl Clone for Scenes {
    fn clone(&self) -> Scenes {
        Scenes { pictures: self.pictures.clone(), made: Mutex::new(self.made().clone()) }
    }
}

#[derive(Debug, Default, Clone)]
struct Made {
    glances: VecDeque<(PictureId, Arc<Glance>)>,
    prepared: VecDeque<(PictureId, Arc<Prepared>)>,
    overlays: VecDeque<(Laying, Arc<Overlay>)>,
}

/// A picture over another, and whether a frame of another scene is looked at in a mirror, too.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Laying {
    reference: PictureId,
    frame: PictureId,
    in_mirror: bool,
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
        let known = |in_mirror| find(&mut self.made().overlays, Laying { reference, frame, in_mirror });
        known(true).or_else(|| known(false))
    }

    /// Lays one picture over another, and looks into a mirror where it must. `None` when one of them isn't there.
    pub fn overlay(&self, reference: PictureId, frame: PictureId) -> Option<Arc<Overlay>> {
        self.lay(Laying { reference, frame, in_mirror: true }, Overlay::of)
    }

    /// The same without a mirror: for one of several pictures that the frame may lie over.
    pub fn overlay_upright(&self, reference: PictureId, frame: PictureId) -> Option<Arc<Overlay>> {
        self.lay(Laying { reference, frame, in_mirror: false }, Overlay::of_upright)
    }

    /// How likely a frame is to lie over one of several pictures, compared with the others.
    pub fn likeness(&self, reference: PictureId, frame: PictureId) -> f32 {
        let glances = self.glance(reference).zip(self.glance(frame));
        glances.map_or(f32::NEG_INFINITY, |(reference, frame)| reference.likeness(&frame))
    }

    fn glance(&self, id: PictureId) -> Option<Arc<Glance>> {
        let glance = || Some(Glance::of(self.pictures.get(&id)?));
        self.made_once(|made| &mut made.glances, id, MOST_PICTURES, glance)
    }

    fn lay(&self, laying: Laying, how: impl Fn(&Prepared, &Prepared) -> Overlay) -> Option<Arc<Overlay>> {
        let overlay = || Some(how(&*self.prepared(laying.reference)?, &*self.prepared(laying.frame)?));
        self.made_once(|made| &mut made.overlays, laying, MOST_OVERLAYS, overlay)
    }

    fn prepared(&self, id: PictureId) -> Option<Arc<Prepared>> {
        let prepared = || Some(Prepared::of(self.pictures.get(&id)?));
        self.made_once(|made| &mut made.prepared, id, MOST_PREPARED, prepared)
    }

    /// What was made for the key before, or is made now and kept.
    fn made_once<K: PartialEq + Copy, V>(
        &self,
        of: impl Fn(&mut Made) -> &mut VecDeque<(K, Arc<V>)>,
        key: K,
        most: usize,
        make: impl FnOnce() -> Option<V>,
    ) -> Option<Arc<V>> {
        if let Some(known) = find(of(&mut self.made()), key) {
            return Some(known);
        }
        // Not under the lock: it is made of others that are kept there.
        let made = Arc::new(make()?);
        keep(of(&mut self.made()), key, &made, most);
        Some(made)
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Picture, Proxy};

    const SIZE: (usize, usize) = (240, 160);

    /// A wall with things hung on it, or the same in a mirror.
    fn wall(in_mirror: bool) -> Arc<CodePicture> {
        let mut rgb = vec![[118; 3]; SIZE.0 * SIZE.1];
        let mut seed = 7_u32;
        let mut next = |below: usize| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as usize % below
        };
        for _ in 0..160 {
            let (left, top, width, height) = (next(SIZE.0 - 30), next(SIZE.1 - 30), 4 + next(26), 4 + next(26));
            let tone = [40 + next(180) as u8; 3];
            (top..top + height).for_each(|y| rgb[y * SIZE.0 + left..y * SIZE.0 + left + width].fill(tone));
        }
        if in_mirror {
            rgb.chunks_mut(SIZE.0).for_each(<[_]>::reverse);
        }
        let proxy = Proxy { width: SIZE.0, height: SIZE.1, rgb };
        Arc::new(CodePicture::of(&Picture { proxy, colour: Colour::of(None, None), linear: None }))
    }

    /// What an anchor could not tell without a mirror is no answer for the reference that it becomes.
    #[test]
    fn what_was_looked_at_without_a_mirror_is_looked_at_in_one_when_asked() {
        let mut scenes = Scenes::default();
        let [wall, mirrored] = [false, true].map(wall);
        let (reference, frame) = (wall.id(), mirrored.id());
        scenes.add(reference, wall);
        scenes.add(frame, mirrored);
        assert_eq!(*scenes.overlay_upright(reference, frame).unwrap(), Overlay::OtherScene);
        let overlay = scenes.overlay(reference, frame).unwrap();
        assert!(overlay.alignment().unwrap().is_mirrored);
        assert_eq!(*scenes.overlay_upright(reference, frame).unwrap(), Overlay::OtherScene, "and the other way round");
    }
}
