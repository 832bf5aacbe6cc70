//! The map of what changed where in the last frame, as a page draws it over the picture.

use serde::Serialize;

use crate::drift::change_map;
use crate::numbers::FrameNumber;
use crate::outlet::change_scale::{ChangeScale, Colour};
use crate::photometry::Stops;
use crate::session::LastLaid;

/// Colours of the scale; the middle one is that of no change.
const COLOURS: usize = 41;
/// Beyond the fourth decimal of a frame's side nobody sees a difference.
const PARTS: f64 = 1e4;

#[derive(Serialize)]
struct DrawnMap {
    /// What it is, for those who don't see it.
    words: String,
    /// What the light is compared with.
    since: String,
    /// From the darkest to the brightest.
    colours: Vec<Colour>,
    ticks: [Stops; 5],
    /// Left, top, right and bottom in ten-thousandths of the picture's sides, and which of the colours.
    patches: Vec<[usize; 5]>,
}

/// `None` where the frame and its reference have no scene in common.
pub fn json(laid: &LastLaid) -> Option<String> {
    let alignment = laid.overlay.alignment()?;
    let patches = change_map(alignment, &laid.response);
    let scale = ChangeScale::of(&patches);
    let change = |nth: usize| Stops((nth as f64 / (COLOURS - 1) as f64 * 2.0 - 1.0) * scale.range.0);
    let nearest = |change: Stops| ((scale.place(change) + 1.0) / 2.0 * (COLOURS - 1) as f64).round() as usize;
    let place = |side: f64| (side * PARTS).round() as usize;
    let since = match laid.anchor {
        Some(frame) => format!("frame {frame}, which matches the reference and shows more of this one"),
        None => "the reference".to_owned(),
    };
    let map = DrawnMap {
        words: words(laid.frame, patches.iter().map(|patch| patch.change.0).collect()),
        since,
        colours: (0..COLOURS).map(|nth| scale.colour(change(nth))).collect(),
        ticks: scale.ticks(),
        patches: patches
            .iter()
            .map(|patch| {
                let area = patch.area;
                let [left, top, right, bottom] = [area.left, area.top, area.right, area.bottom].map(place);
                [left, top, right, bottom, nearest(patch.change)]
            })
            .collect(),
    };
    // Every number in it is finite.
    serde_json::to_string(&map).ok()
}

fn words(frame: FrameNumber, mut changes: Vec<f64>) -> String {
    changes.sort_by(f64::total_cmp);
    let at = |part: usize| changes.get(changes.len().saturating_sub(1) * part / 20).copied().map(Stops);
    match (at(1), at(19)) {
        (Some(least), Some(most)) => {
            format!("Light map of frame {frame}: nine parts in ten changed by {least} to {most} stop.")
        }
        _ => format!("Light map of frame {frame}: nothing that was found in it can be compared."),
    }
}
