//! Patch by patch: where each part of one picture lies in another, there and back.
//!
//! First at half size, on a coarse net: every node tries the motions of the whole, then those of the nodes beside it, so that
//! a sitter who moves before a still backdrop, and a head that turns, are followed. Then at full size, each patch from the
//! nodes about it. A patch counts when looking for it from where it was found leads back.

use super::motion::{Motion, Place, within};
use super::net::Net;
use super::structure::Structure;
use super::window::{Found, Window};

/// Pixels between two nodes.
const NODES_APART: f32 = 16.0;
const STEPS: usize = 4;
/// Two motions that put a place as near together as this, in pixels, are one to begin with.
const ONE_START: f32 = 1.0;
/// A patch that is less alike in both pictures is not the same part of the scene.
const ALIKE: f32 = 0.6;
/// A patch found again this near to where it was looked for from, in pixels, counts.
const RETURNS: f32 = 1.5;
/// Motions that are tried besides those of the whole: nothing moved.
const STILL: Motion = Motion::NONE;

/// How the nodes of one picture lie in another.
pub(super) struct Field {
    net: Net,
    nodes: Vec<Option<Found>>,
}

impl Field {
    /// By structures of half size.
    pub fn of(from: &Structure, to: &Structure, motions: &[Motion]) -> Field {
        let size = [from.plane.width, from.plane.height].map(|side| side as f32 / from.scale);
        let net = Net::over(size, NODES_APART);
        let windows: Vec<Option<Window>> = (0..net.len()).map(|at| Window::about(from, net.place(at))).collect();
        let begin = |window: &Option<Window>| {
            let window = window.as_ref()?;
            best(window, to, motions.iter().copied().chain([STILL]))
        };
        let mut field = Field { net, nodes: windows.iter().map(begin).collect() };
        for backwards in [false, true] {
            for step in 0..net.len() {
                let at = if backwards { net.len() - 1 - step } else { step };
                field.try_those_beside(at, windows[at].as_ref(), to);
            }
        }
        field
    }

    fn try_those_beside(&mut self, at: usize, window: Option<&Window>, to: &Structure) {
        let Some(window) = window else { return };
        let own = self.nodes[at].map_or(f32::NEG_INFINITY, |own| own.likeness);
        let there = |motion: &Motion| motion.of(window.place());
        let is_own =
            |motion: &Motion| self.nodes[at].is_some_and(|own| within(ONE_START, there(&own.motion), there(motion)));
        let beside = self.net.beside(at).filter_map(|other| Some(self.nodes[other]?.motion));
        let beside = beside.filter(|motion| !is_own(motion));
        let likely = beside.filter_map(|motion| Some((window.likeness(to, &motion)?, motion)));
        let better = likely.max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((likeness, motion)) = better
            && likeness > own
        {
            self.nodes[at] = window.find(to, motion, STEPS).filter(|found| found.likeness > own).or(self.nodes[at]);
        }
    }

    /// The motions of the nodes about a place.
    fn about(&self, place: Place) -> impl Iterator<Item = Motion> + '_ {
        self.net.about(place).filter_map(|at| Some(self.nodes[at]?.motion))
    }
}

/// From the likeliest of several motions.
fn best(window: &Window, to: &Structure, motions: impl Iterator<Item = Motion>) -> Option<Found> {
    let mut starts: Vec<Motion> = Vec::new();
    for motion in motions {
        let there = motion.of(window.place());
        if !starts.iter().any(|other| within(ONE_START, other.of(window.place()), there)) {
            starts.push(motion);
        }
    }
    let start = match starts[..] {
        [only] => only,
        _ => {
            let likely = starts.into_iter().filter_map(|motion| Some((window.likeness(to, &motion)?, motion)));
            likely.max_by(|a, b| a.0.total_cmp(&b.0))?.1
        }
    };
    window.find(to, start, STEPS)
}

/// Two pictures' structures at full size, and the fields between them at half size.
pub(super) struct Pair<'a> {
    pub from: &'a Structure,
    pub to: &'a Structure,
    pub there: &'a Field,
    pub back: &'a Field,
}

impl Pair<'_> {
    /// Where the patch about a place lies in the other picture; `None` where looking for that doesn't lead back.
    pub fn follow(&self, place: Place) -> Option<Motion> {
        let window = Window::about(self.from, place)?;
        let found = best(&window, self.to, self.there.about(place))?;
        let there = found.motion.of(place);
        if found.likeness < ALIKE {
            return None;
        }
        let returning = Window::about(self.to, there)?;
        let returned = best(&returning, self.from, self.back.about(there))?.motion.of(there);
        within(RETURNS, returned, place).then_some(found.motion)
    }
}
