//! What the picture says about the change of light where a frame was laid over its reference: patch by patch.
//!
//! Each patch is the same part of the scene in both, so that neither the framing nor the sitter's place matters. An error of
//! the curve is common to all patches of one tone: it doesn't average out, and is taken for the patches together.

use serde::{Deserialize, Serialize};

use super::observed::Observed;
use crate::align::{Alignment, MatchedPatch, PictureId};
use crate::meter::{Area, Weighting};
use crate::numbers::FrameNumber;
use crate::photometry::Stops;
use crate::response::{Response, TRUSTED};
use crate::statistics::{half_width_of_median, median, robust_deviation, weighted_median};

/// A matching frame of a look by which further frames are measured, where they show more of it than of the reference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Anchor {
    pub frame: FrameNumber,
    /// The small pictures of its files.
    pub pictures: Vec<PictureId>,
    pub spots: Vec<AnchorSpot>,
}

/// A spot of an anchor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AnchorSpot {
    /// Where it lies in the reference: one that was moved since is not known here.
    pub in_reference: Area,
    /// Where it lies in the anchor, and how far its light is from the reference's.
    pub seen: Observed,
}

/// A spot of a reference, or of an anchor.
#[derive(Debug, Clone, Copy)]
pub struct SpotPlace<'a> {
    pub spot: &'a str,
    pub area: Area,
    pub weighting: Weighting,
}

/// Less of a spot, in patches, tells nothing of it. Of a spot that is smaller than two of these, half must be there.
const LEAST_PATCHES: f64 = 1.5;
/// Neighbouring patches err together, by what following them leaves over: so many of them are one (chosen beforehand; what it
/// comes to is held by `faces_that_move_are_read_in_true_stops`).
const PATCHES_THAT_ERR_TOGETHER: usize = 16;
const MOST_INDEPENDENT: usize = 40;
/// A patch whose pixels have unlike codes reads wrongly once the exposure changes: the curve is bent, and the mean of their codes is
/// not the code of their mean light. By so many stops at [`AT_DRIFT`], were they to deviate by as much as their mean (by `the_same_photograph_exposed_otherwise_reads_as_it_was_exposed`:
/// patches that deviate by 0.2 were off by 0.1 to 0.2 stop at two stops, those that deviate by 0.02 by 0.01).
const DOUBT_OF_DETAIL: f64 = 0.8;
const AT_DRIFT: Stops = Stops(2.0);
/// A patch with this much detail counts half of what its doubt alone would let it count (tuned by the same test).
const FLAT: f64 = 0.1;
/// A channel that stands at the top of the scale, even in a part of a patch, tells of no more light, while the others do
/// (tuned by the same test).
const PARTLY_BURNT_OUT: u8 = 240;
const DOUBT_OF_A_BURNT_CHANNEL: Stops = Stops(0.5);
/// What noise, coding and following leave over even of many patches, half-width at 95 %.
const FLOOR: Stops = Stops(0.03);

/// The change of light of one spot; `None` when too little of it was found, or is clipped.
pub fn observe_patches(place: SpotPlace, alignment: &Alignment, response: &Response) -> Option<Observed> {
    let all: Vec<Change> =
        weighted(place, alignment).filter_map(|(share, patch)| Change::of(patch, share, response)).collect();
    let told_by = |changes: &[Change]| changes.iter().map(|change| change.share).sum::<f64>();
    let followed: Vec<Change> = all.iter().filter(|change| change.is_followed).copied().collect();
    let whole = patches_in(place, alignment);
    // Flat parts speak where nothing else does: a plain backdrop, a cheek.
    let changes = if is_enough(told_by(&followed), whole) { followed } else { all };
    let told = told_by(&changes);
    if !is_enough(told, whole) {
        return None;
    }
    let mut drifts: Vec<(f64, f64)> = changes.iter().map(|c| (c.drift.0, c.weight)).collect();
    let drift = Stops(weighted_median(&mut drifts)?);
    let spread = Stops(robust_deviation(changes.iter().map(|c| c.drift.0), drift.0)?);
    let independent = (changes.len() / PATCHES_THAT_ERR_TOGETHER).clamp(2, MOST_INDEPENDENT);
    let following = Stops(half_width_of_median(spread.0, independent));
    let all: f64 = changes.iter().map(|c| c.weight).sum();
    let curve = response.uncertainty_of(changes.iter().map(|c| (c.codes[0], c.codes[1], c.weight / all)));
    // Detail and burnt-out channels pull all patches the same way, the more so the more the exposure changed.
    let doubt = changes.iter().map(|c| c.doubt.0 * c.weight / all).sum::<f64>();
    let reading = Stops(doubt * (drift.0.abs() / AT_DRIFT.0).min(1.0));
    Some(Observed {
        spot: place.spot.to_owned(),
        drift,
        half_width: curve.in_quadrature(following).in_quadrature(reading).in_quadrature(FLOOR),
        spread,
        usable: (told / whole.max(told)) as f32,
        area: area_in_frame(place.area, alignment),
    })
}

/// So many patches tell something of a spot that has so many.
fn is_enough(told: f64, whole: f64) -> bool {
    told > 0.0 && told >= LEAST_PATCHES.min(whole / 2.0)
}

/// The light of one patch in both pictures.
#[derive(Clone, Copy)]
pub(super) struct Change {
    pub drift: Stops,
    pub codes: [f64; 2],
    /// How much of the spot it is, in patches.
    share: f64,
    /// How far off its codes may tell its light.
    pub doubt: Stops,
    /// Patches count more where a code more or less is little light, and where they show one tone.
    weight: f64,
    is_followed: bool,
}

impl Change {
    /// `None` where it is clipped in either.
    pub fn of(patch: &MatchedPatch, share: f64, response: &Response) -> Option<Change> {
        let [a, b] = patch.codes.map(f64::from);
        let trusted = TRUSTED.contains(&a) && TRUSTED.contains(&b);
        let detail = f64::from(patch.spreads[0].max(patch.spreads[1]));
        let is_burnt_out = patch.colours.as_flattened().iter().any(|code| *code >= PARTLY_BURNT_OUT);
        let burnt = if is_burnt_out { DOUBT_OF_A_BURNT_CHANNEL } else { Stops::ZERO };
        let doubt = Stops(DOUBT_OF_DETAIL * detail).in_quadrature(burnt);
        // Detail pulls all patches the same way, so that many of them don't make up for a few that are flat.
        let flat = 1.0 / (1.0 + (detail / FLAT).powi(2));
        let weight = share * flat / response.noise_between(a, b).in_quadrature(doubt).0.powi(2);
        trusted.then(|| Change {
            drift: response.light(b) - response.light(a),
            codes: [a, b],
            share,
            doubt,
            weight,
            is_followed: patch.is_followed,
        })
    }
}

/// The patches of a spot that were found, each with how much of it lies there, in patches.
fn weighted<'a>(place: SpotPlace, alignment: &'a Alignment) -> impl Iterator<Item = (f64, &'a MatchedPatch)> {
    let found = alignment.patches.iter().enumerate().filter_map(|(at, patch)| Some((at, patch.as_ref()?)));
    found.filter_map(move |(at, patch)| {
        let share = share_of(place, alignment, at);
        (share > 0.0).then_some((share, patch))
    })
}

/// All of a spot, in patches.
fn patches_in(place: SpotPlace, alignment: &Alignment) -> f64 {
    (0..alignment.patches.len()).map(|at| share_of(place, alignment, at)).sum()
}

/// How much of a spot lies in one patch: 1 where all of the patch counts whole.
fn share_of(SpotPlace { area, weighting, .. }: SpotPlace, alignment: &Alignment, at: usize) -> f64 {
    let (column, row) = (at % alignment.columns, at / alignment.columns);
    let overlap = |at: usize, count: usize, from: f64, to: f64| {
        let (begin, end) = (at as f64 / count as f64, (at + 1) as f64 / count as f64);
        ((end.min(to) - begin.max(from)) * count as f64).clamp(0.0, 1.0)
    };
    let inside =
        overlap(column, alignment.columns, area.left, area.right) * overlap(row, alignment.rows, area.top, area.bottom);
    let off_centre = |at: usize, count: usize, from: f64, to: f64| {
        (((at as f64 + 0.5) / count as f64 - from) / (to - from)).clamp(0.0, 1.0) - 0.5
    };
    let across = off_centre(column, alignment.columns, area.left, area.right);
    let down = off_centre(row, alignment.rows, area.top, area.bottom);
    inside * weighting.at(across) * weighting.at(down)
}

/// Where a part of the reference lies in the frame: about the patches of it that were found, at the scene's size there. `None`
/// where none of it was found, or it lies outside.
pub fn area_in_frame(area: Area, alignment: &Alignment) -> Option<Area> {
    if area == Area::WHOLE {
        return Some(area);
    }
    let place = SpotPlace { spot: "", area, weighting: Weighting::Even };
    let patches: Vec<&MatchedPatch> = weighted(place, alignment).map(|(_, patch)| patch).collect();
    let away = |side: usize| {
        let mut ways: Vec<f64> = patches.iter().map(|patch| f64::from(patch.to[side] - patch.at[side])).collect();
        median(&mut ways)
    };
    let (right, down) = (away(0)?, away(1)?);
    let (x, y) = ((area.left + area.right) / 2.0 + right, (area.top + area.bottom) / 2.0 + down);
    let half = |from: f64, to: f64, side: usize| (to - from) / 2.0 * alignment.size_in_frame(side);
    let (across, along) = (half(area.left, area.right, 0), half(area.top, area.bottom, 1));
    // A tenth of a thousandth is less than any pixel of the small pictures.
    let edge = |v: f64| (v.clamp(0.0, 1.0) * 1e4).round() / 1e4;
    let [left, top, right, bottom] = [x - across, y - along, x + across, y + along].map(edge);
    Area::new(left, top, right, bottom)
}

/// A part of a frame, and how far its light changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChangedPatch {
    pub area: Area,
    /// Frame minus reference; brighter is positive.
    pub change: Stops,
}

/// What changed where in a frame: of each patch that was found and is clipped in neither picture.
pub fn change_map(alignment: &Alignment, response: &Response) -> Vec<ChangedPatch> {
    let size = [0, 1].map(|side| patch_size(alignment, side));
    let of = |patch: &MatchedPatch| {
        let side = |side: usize| {
            let middle = f64::from(patch.to[side]);
            [middle - size[side] / 2.0, middle + size[side] / 2.0].map(|v| v.clamp(0.0, 1.0))
        };
        let ([left, right], [top, bottom]) = (side(0), side(1));
        let change = Change::of(patch, 1.0, response)?.drift;
        Some(ChangedPatch { area: Area::new(left, top, right, bottom)?, change })
    };
    alignment.found().filter_map(of).collect()
}

/// How wide, or high, a patch is in the frame: as far as neighbours lie apart there, as a rule. The frame may have another
/// shape than the reference, so that the zoom alone doesn't tell.
fn patch_size(alignment: &Alignment, side: usize) -> f64 {
    let (step, count) = [(1, alignment.columns), (alignment.columns, alignment.rows)][side];
    let has_neighbour = |at: &usize| side == 1 || !(at + 1).is_multiple_of(alignment.columns);
    let apart = |at: usize| {
        let next = alignment.patches.get(at + step).copied().flatten()?;
        Some(f64::from((next.to[side] - alignment.patches[at]?.to[side]).abs()))
    };
    let mut distances: Vec<f64> = (0..alignment.patches.len()).filter(has_neighbour).filter_map(apart).collect();
    median(&mut distances).unwrap_or(alignment.moved.zoom / count.max(1) as f64)
}

/// Change of log2 red over green and blue over green light of a spot; `None` when too little of it was found.
pub fn tints_of_patches(place: SpotPlace, alignment: &Alignment, response: &Response) -> Option<[Stops; 2]> {
    let tint = |rgb: [u8; 3], channel: usize| {
        let codes = [rgb[channel], rgb[1]].map(f64::from);
        let told = codes.iter().all(|code| TRUSTED.contains(code));
        told.then(|| (response.channel_light(channel, codes[0]) - response.channel_light(1, codes[1])).0)
    };
    let whole = patches_in(place, alignment);
    let change = |channel: usize| {
        let of = |(share, patch): (f64, &MatchedPatch)| {
            Some((tint(patch.colours[1], channel)? - tint(patch.colours[0], channel)?, share))
        };
        let changes: Vec<(f64, f64)> = weighted(place, alignment).filter_map(of).collect();
        let told: f64 = changes.iter().map(|(_, share)| share).sum();
        let sum: f64 = changes.iter().map(|(change, share)| change * share).sum();
        is_enough(told, whole).then(|| Stops(sum / told))
    };
    Some([change(0)?, change(2)?])
}

/// The light of each part of a spot in both pictures, as codes: for what a clipped one still tells.
pub fn codes_of_patches(place: SpotPlace, alignment: &Alignment) -> Option<Vec<[f64; 2]>> {
    let patches: Vec<(f64, &MatchedPatch)> = weighted(place, alignment).collect();
    let found: f64 = patches.iter().map(|(share, _)| share).sum();
    let codes = || patches.iter().map(|(_, patch)| patch.codes.map(f64::from)).collect();
    is_enough(found, patches_in(place, alignment)).then(codes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::align::Moved;
    use proptest::prelude::*;

    const COLUMNS: usize = 6;
    const ROWS: usize = 4;

    /// A scene that moved as a whole; `None` where a patch was lost.
    fn alignment(codes: &[Option<[f32; 2]>], moved: [f32; 2]) -> Alignment {
        let patch = |(at, codes): (usize, &Option<[f32; 2]>)| {
            let at = [(at % COLUMNS) as f32 + 0.5, (at / COLUMNS) as f32 + 0.5];
            let at = [at[0] / COLUMNS as f32, at[1] / ROWS as f32];
            let to = [at[0] + moved[0], at[1] + moved[1]];
            let (colours, spreads) = ([[100; 3]; 2], [0.0; 2]);
            codes.map(|codes| MatchedPatch { at, to, codes, colours, spreads, is_followed: true })
        };
        let patches = codes.iter().enumerate().map(patch).collect();
        let [right, down] = moved.map(f64::from);
        let moved = Moved { right, down, zoom: 1.0, turn: 0.0 };
        let sides = [[COLUMNS as f32 * 8.0, ROWS as f32 * 8.0]; 2];
        Alignment { columns: COLUMNS, rows: ROWS, patches, share: 1.0, covers: 1.0, moved, sides, is_mirrored: false }
    }

    fn turned_about(alignment: &Alignment) -> Alignment {
        let turned = |patch: &Option<MatchedPatch>| {
            patch.map(|patch| {
                let [a, b] = patch.codes;
                MatchedPatch { at: patch.to, to: patch.at, codes: [b, a], ..patch }
            })
        };
        Alignment { patches: alignment.patches.iter().map(turned).collect(), ..alignment.clone() }
    }

    fn codes() -> impl Strategy<Value = Vec<Option<[f32; 2]>>> {
        let code = 0.0_f32..255.0;
        proptest::collection::vec(proptest::option::weighted(0.8, [code.clone(), code]), COLUMNS * ROWS)
    }

    proptest! {
        #[test]
        fn a_frame_over_itself_changed_nowhere(codes in codes()) {
            let same: Vec<_> = codes.iter().map(|codes| codes.map(|[a, _]| [a, a])).collect();
            let map = change_map(&alignment(&same, [0.0; 2]), &Response::srgb());
            let told = same.iter().flatten().filter(|[a, _]| TRUSTED.contains(&f64::from(*a))).count();
            prop_assert_eq!(map.len(), told, "each that isn't clipped");
            prop_assert!(map.iter().all(|patch| patch.change == Stops::ZERO));
        }

        #[test]
        fn turned_about_it_is_minus_what_it_was_where_it_was(codes in codes(), right in -0.3_f32..0.3, down in -0.3_f32..0.3) {
            let there = alignment(&codes, [right, down]);
            let response = Response::srgb();
            let back = change_map(&turned_about(&there), &response);
            for (codes, patch) in codes.iter().flatten().zip(there.found()) {
                let [a, b] = codes.map(f64::from);
                if !TRUSTED.contains(&a) || !TRUSTED.contains(&b) {
                    continue;
                }
                let lies = |patch: &&ChangedPatch, at: [f32; 2]| {
                    let area = patch.area;
                    (area.left..area.right).contains(&f64::from(at[0])) && (area.top..area.bottom).contains(&f64::from(at[1]))
                };
                let change = response.light(b) - response.light(a);
                let in_reference = back.iter().find(|p| lies(p, patch.at)).map(|p| p.change);
                prop_assert_eq!(in_reference, Some(-change));
                let map = change_map(&there, &response);
                if patch.to.iter().all(|v| (0.0..1.0).contains(v)) {
                    prop_assert_eq!(map.iter().find(|p| lies(p, patch.to)).map(|p| p.change), Some(change));
                }
            }
        }
    }

    #[test]
    fn a_patch_is_as_large_as_its_neighbours_are_apart() {
        let mut stretched = alignment(&[Some([100.0, 120.0]); COLUMNS * ROWS], [0.0; 2]);
        // The frame has another shape than the reference: a patch is half as wide, and half as high again.
        for patch in stretched.patches.iter_mut().flatten() {
            patch.to = [patch.at[0] / 2.0, patch.at[1] * 1.5 - 0.25];
        }
        let map = change_map(&stretched, &Response::srgb());
        let inside = map.iter().find(|patch| patch.area.top > 0.0 && patch.area.bottom < 1.0).unwrap().area;
        assert!((inside.right - inside.left - 0.5 / COLUMNS as f64).abs() < 1e-6, "{inside:?}");
        assert!((inside.bottom - inside.top - 1.5 / ROWS as f64).abs() < 1e-6, "{inside:?}");
    }
}
