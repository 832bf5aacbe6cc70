//! One spot of two frames, compared.

use std::f64::consts::PI;

use super::bands::{Adding, Bands};
use super::crop::Crop;
use super::fit::{Fitted, Unfitted};
use super::fourier::{Fourier, Spectrum};
use super::placing::{Placed, follow, rough_shift, tile};
use super::streak::Streak;
use super::{Fineness, Pixels, Share, Softness, Untold};
use crate::frame::Rectangle;
use crate::statistics::Z95;

/// Sides of tiles, the largest that fits a spot first. Only large ones tell wide blurs.
const SIDES: [usize; 3] = [256, 128, 64];
/// A tile counts where no more than this part of it is clipped.
const CLIPPED: f64 = 0.01;
/// A frame in which more of the spot is clipped shows nothing of it.
const MOSTLY: f64 = 0.5;
/// A spot counts where so large a part of its tiles do.
const ENOUGH_TILES: f64 = 0.25;
/// It has texture where so many bands, from the coarsest on, show so much more than noise.
const TEXTURED_BANDS: usize = 4;
const TEXTURED: f64 = 1.5;
/// The finest detail is where the sharper frame shows this much more than its noise. Beyond a third of a cycle a pixel, sensors' filters and
/// codings have their own way.
const SHOWN: f64 = 2.0;
const FINEST: f64 = 1.0 / 3.0;
/// A width that isn't known to this, in pixels or as a part of it, is not told.
const KNOWN_TO: f64 = 0.25;
const KNOWN_TO_PART: f64 = 0.15;
/// That there is no difference is told where it can't be more than this, in pixels.
const NONE_TO: f64 = 0.4;
/// Frames of codings and exposures that may hide more than this, in pixels, are not told to be as sharp: frames two stops apart hide 1.1.
const MAY_HIDE: f64 = 1.2;
/// Noise that hid so small a part of what the reference shows isn't what hides it.
const HARMLESS_NOISE: f64 = 0.02;

/// How much softer the spot is in the frame than in the reference. The pieces may lie anywhere, as long as the frame's holds the spot.
///
/// # Errors
/// [`Untold`] says why there is no number.
pub fn compare_spot(reference: &Crop, frame: &Crop) -> Result<Softness, Untold> {
    ReferenceSpot::of(reference).compare(frame)
}

/// The reference's spot with its tiles' spectra, for as many frames as are held against it. They take several times the memory of the
/// piece itself: half a megabyte for each tile of the largest side.
pub struct ReferenceSpot<'a> {
    crop: &'a Crop,
    tiles: Result<(Fourier, Vec<Tile>), Untold>,
}

impl ReferenceSpot<'_> {
    pub fn of(crop: &Crop) -> ReferenceSpot<'_> {
        let tiles = side_of(crop).ok_or(Untold::TooSmall).and_then(|side| {
            let fourier = Fourier::new(side);
            let (tiles, _) = tiles_of(crop, &fourier)?;
            Ok((fourier, tiles))
        });
        ReferenceSpot { crop, tiles }
    }

    /// See [`compare_spot`].
    ///
    /// # Errors
    /// [`Untold`] says why there is no number.
    pub fn compare(&self, frame: &Crop) -> Result<Softness, Untold> {
        let reference = self.crop;
        if reference.frame != frame.frame {
            return Err(Untold::OtherSize);
        }
        let (fourier, tiles) = self.tiles.as_ref().map_err(|why| *why)?;
        // What is burnt out looks like nothing, and would not be found.
        if clipped(frame, frame.spot) > MOSTLY {
            return Err(Untold::Clipped);
        }
        let shift = rough_shift(reference, frame).ok_or(Untold::Moved)?;
        let laid = lay(fourier, tiles, frame, shift)?;
        let mut adding = Adding::new(fourier, [reference.noise, frame.noise]);
        laid.iter().for_each(|(tile, placed)| adding.add(&tile.spectrum, &placed.spectrum));
        let bands = adding.finished();
        let fitted = Fitted::of(&bands).map_err(|unfitted| why(unfitted, &bands))?;
        let shift = middle_shift(&laid, frame);
        is_known(&fitted)?;
        let fitted = fitted.less_sure_by(by_coding(reference, frame));
        let [_, least, most] = widths(&fitted);
        if least <= 0.0 && most >= 0.0 && most.max(-least) > MAY_HIDE {
            return Err(Untold::OtherExposure);
        }
        let [across, down] = [reference.spot.width, reference.spot.height].map(|side| grid(side, fourier.side).count());
        softness(&bands, &fitted, shift, [laid.len(), across * down])
    }
}

/// Coded pictures of one sharpness differ by up to so much blur, in pixels.
const BY_CODING: f64 = 0.45;
/// A curve that is off bends light and dark parts differently, and fine detail may lie in the one and coarse detail in the other. It does so
/// alike in two frames of one exposure; else the blur's square is off by about this for each stop between them.
const BY_CURVE: f64 = 0.3;

/// How far the blur's square may be off by what made codes of light, as a standard error. Both parts were chosen on two bracketed series of
/// cameras' own JPEGs (`third-stops` and `series-c`), so that a change is told in less than 2 % of spots, and hold on two others.
fn by_coding(reference: &Crop, frame: &Crop) -> f64 {
    if reference.is_exact && frame.is_exact {
        return 0.0;
    }
    let apart = (frame.level() / reference.level()).log2().abs();
    let by_curve = if apart.is_finite() { BY_CURVE * apart } else { 0.0 };
    (BY_CODING.powi(2) / Z95).hypot(by_curve)
}

/// One tile of the reference.
struct Tile {
    /// From the spot's corner.
    at: [usize; 2],
    spectrum: Spectrum,
}

/// Where tiles begin along a side of the spot: overlapping by half, in its middle.
fn grid(length: usize, side: usize) -> impl Iterator<Item = usize> + Clone {
    let count = (length - side) / (side / 2);
    let first = (length - side - count * (side / 2)) / 2;
    (0..=count).map(move |at| first + at * (side / 2))
}

fn is_clipped(crop: &Crop, corner: [usize; 2], side: usize) -> bool {
    clipped(crop, Rectangle { left: corner[0], top: corner[1], width: side, height: side }) > CLIPPED
}

/// Which share of a part is clipped.
fn clipped(crop: &Crop, part: Rectangle) -> f64 {
    let Rectangle { left, top, width, height } = part;
    let in_row = |row: usize| crop.clipped[row * crop.width + left..][..width].iter().filter(|is| **is).count();
    (top..top + height).map(in_row).sum::<usize>() as f64 / (width * height).max(1) as f64
}

/// Of the largest tiles that fit the spot.
fn side_of(crop: &Crop) -> Option<usize> {
    SIDES.into_iter().find(|side| *side <= crop.spot.width.min(crop.spot.height))
}

/// Which of several pieces of one spot shows most of the finest detail that any of them shows, and the others after it, as numbers of the
/// pieces. Those that can't be a reference are left out.
pub fn finest_first(crops: &[Option<&Crop>]) -> Vec<usize> {
    let Some(side) = crops.iter().flatten().filter_map(|crop| side_of(crop)).min() else { return Vec::new() };
    let fourier = Fourier::new(side);
    let of = |crop: &Crop| {
        side_of(crop)?;
        tiles_of(crop, &fourier).ok().map(|(_, bands)| bands)
    };
    let mut left: Vec<(usize, Bands)> =
        crops.iter().enumerate().filter_map(|(at, crop)| Some((at, of((*crop)?)?))).collect();
    let mut order = Vec::with_capacity(left.len());
    while !left.is_empty() {
        let finest = left.iter().map(|(_, bands)| bands.clear(0, SHOWN)).max().unwrap_or(0).saturating_sub(1);
        let shown = |bands: &Bands| bands.all.get(finest).map_or(0.0, |band| bands.signal(band)[0]);
        let most = (0..left.len()).max_by(|a, b| shown(&left[*a].1).total_cmp(&shown(&left[*b].1))).unwrap_or(0);
        order.push(left.swap_remove(most).0);
    }
    order
}

/// Its sound tiles and what they show.
fn tiles_of(reference: &Crop, fourier: &Fourier) -> Result<(Vec<Tile>, Bands), Untold> {
    let (spot, side) = (reference.spot, fourier.side);
    let places = grid(spot.height, side).flat_map(|y| grid(spot.width, side).map(move |x| [x, y]));
    let corner = |at: [usize; 2]| [spot.left + at[0], spot.top + at[1]];
    let all = places.clone().count();
    let sound = places.filter(|at| !is_clipped(reference, corner(*at), side));
    let tiles: Vec<Tile> = sound
        .filter_map(|at| Some(Tile { at, spectrum: fourier.spectrum(tile(reference, corner(at), side))? }))
        .collect();
    if (tiles.len() as f64) < ENOUGH_TILES * all as f64 || tiles.is_empty() {
        return Err(Untold::Clipped);
    }
    let mut own = Adding::new(fourier, [reference.noise; 2]);
    tiles.iter().for_each(|tile| own.add(&tile.spectrum, &tile.spectrum));
    let own = own.finished();
    if own.clear(0, TEXTURED) < TEXTURED_BANDS { Err(Untold::NoTexture) } else { Ok((tiles, own)) }
}

/// The tiles that are found in the frame, and clipped in neither.
fn lay<'a>(
    fourier: &Fourier,
    tiles: &'a [Tile],
    frame: &Crop,
    shift: [isize; 2],
) -> Result<Vec<(&'a Tile, Placed)>, Untold> {
    let from =
        |at: [usize; 2]| [(at[0] + frame.spot.left) as isize + shift[0], (at[1] + frame.spot.top) as isize + shift[1]];
    let found: Vec<(&Tile, Placed)> =
        tiles.iter().filter_map(|tile| Some((tile, follow(fourier, &tile.spectrum, frame, from(tile.at))?))).collect();
    let enough = |count: usize| count > 0 && count as f64 >= ENOUGH_TILES * tiles.len() as f64;
    if !enough(found.len()) {
        return Err(Untold::Moved);
    }
    let sound: Vec<(&Tile, Placed)> =
        found.into_iter().filter(|(_, placed)| !is_clipped(frame, placed.at, fourier.side)).collect();
    if enough(sound.len()) { Ok(sound) } else { Err(Untold::Clipped) }
}

/// The median of the tiles' shifts.
fn middle_shift(laid: &[(&Tile, Placed)], frame: &Crop) -> [Pixels; 2] {
    let along = |axis: usize| {
        let corner = [frame.spot.left, frame.spot.top][axis] as f64;
        let off = |(tile, placed): &(&Tile, Placed)| {
            placed.at[axis] as f64 + f64::from(placed.part[axis]) - corner - tile.at[axis] as f64
        };
        let mut shifts: Vec<f64> = laid.iter().map(off).collect();
        Pixels(crate::statistics::median(&mut shifts).unwrap_or(0.0))
    };
    [along(0), along(1)]
}

fn why(unfitted: Unfitted, bands: &Bands) -> Untold {
    let [here, there] = bands.all.get(TEXTURED_BANDS - 1).map_or([0.0; 2], |band| bands.signal(band));
    let noise = bands.all.get(TEXTURED_BANDS - 1).map_or([0.0; 2], |band| bands.noise_of(band));
    let is_frame = there < here;
    let (shown, hides) = if is_frame { (here, noise[1]) } else { (there, noise[0]) };
    match unfitted {
        Unfitted::Noise if hides > HARMLESS_NOISE * shown => Untold::TooNoisy,
        _ if is_frame => Untold::TooBlurred,
        _ => Untold::ReferenceTooBlurred,
    }
}

/// Of the blur's deviation and of the ends of its 95 % interval.
fn widths(fitted: &Fitted) -> [f64; 3] {
    let half = Z95 * fitted.error;
    let width = |variance: f64| variance.signum() * variance.abs().sqrt();
    [fitted.variance, fitted.variance - half, fitted.variance + half].map(width)
}

/// Whether what the pieces show is enough for a width; what codings add to it is told with the width.
fn is_known(fitted: &Fitted) -> Result<(), Untold> {
    let [blur, least, most] = widths(fitted);
    let known_to = KNOWN_TO.max(KNOWN_TO_PART * blur.abs());
    let may_be_none = least <= 0.0 && most >= 0.0 && most.max(-least) <= NONE_TO;
    if may_be_none || (most - blur).max(blur - least) <= known_to { Ok(()) } else { Err(Untold::TooNoisy) }
}

fn softness(bands: &Bands, fitted: &Fitted, shift: [Pixels; 2], tiles: [usize; 2]) -> Result<Softness, Untold> {
    let [blur, least, most] = widths(fitted);
    let half = Z95 * fitted.error;
    let sharper = usize::from(fitted.variance < 0.0);
    let shown = bands.clear(sharper, SHOWN);
    // Where a line was fitted but nothing stands out from the noise, there is no detail to tell a share of.
    if shown == 0 {
        return Err(Untold::TooNoisy);
    }
    let finest = bands.all[..shown].last().map_or(0.0, |band| band.square.sqrt()).min(FINEST);
    // The amplitude's share is the root of the power's.
    let share = |variance: f64| (-2.0 * PI * PI * variance * finest * finest).exp();
    Ok(Softness {
        blur: Pixels(blur),
        least: Pixels(least),
        most: Pixels(most),
        detail: Share {
            share: share(fitted.variance),
            least: share(fitted.variance + half),
            most: share(fitted.variance - half),
        },
        finest: Fineness(finest),
        streak: Streak::of(bands, fitted),
        shift,
        tiles,
    })
}

#[cfg(test)]
mod tests {
    use super::super::spot_tests::{AS_IT_IS, Scene, Taken};
    use super::*;

    #[test]
    fn too_much_blur_is_that_of_the_one_that_shows_less() {
        let (scene, fourier) = (Scene::new(13), Fourier::new(64));
        let [sharp, soft] = [0.0, 4.0].map(|blur| scene.taken(64, Taken { blur: [blur; 2], ..AS_IT_IS }));
        let why = |reference: &Crop, frame: &Crop| {
            let mut adding = Adding::new(&fourier, [reference.noise, frame.noise]);
            let [here, there] = [reference, frame]
                .map(|crop| fourier.spectrum(tile(crop, [crop.spot.left, crop.spot.top], 64)).unwrap());
            adding.add(&here, &there);
            super::why(Unfitted::Blur, &adding.finished())
        };
        assert_eq!(why(&sharp, &soft), Untold::TooBlurred);
        assert_eq!(why(&soft, &sharp), Untold::ReferenceTooBlurred);
    }
}
