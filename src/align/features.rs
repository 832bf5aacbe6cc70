//! Features: places of a picture that look like no other, and how they look, whatever the exposure.
//!
//! Corners of the picture's structure (Shi and Tomasi, CVPR 1994), described by how its slopes point in the squares about
//! them (after Lowe, IJCV 2004, upright: frames of one scene are turned by a few degrees only). They are looked for at
//! several sizes, so that a zoom puts the same ones at another size.

use super::motion::{Match, Place, within};
use super::plane::{Plane, dot};
use super::structure::Structure;

/// One feature: its place in the picture's full size, and how it looks.
#[derive(Debug, Clone)]
pub(super) struct Feature {
    pub place: Place,
    looks: [f32; LOOKS],
}

/// Squares along each side of what is described, pixels of a square's side, and directions of a slope.
const SQUARES: usize = 4;
const SIDE: usize = 4;
const DIRECTIONS: usize = 8;
const LOOKS: usize = SQUARES * SQUARES * DIRECTIONS;
/// The picture is parted in so many pixels a side, and no more features than this are taken from a part.
const PART: usize = 34;
const MOST_IN_A_PART: usize = 2;
/// A corner's weaker slope, squared, at the least.
const LEAST_CORNER: f32 = 0.012;
/// Corners are those of squares of this radius.
const CORNER: usize = 3;
/// No single slope makes up more than this of how a feature looks.
const MOST_OF_LOOKS: f32 = 0.2;
/// The best match must be nearer than the second best, elsewhere, times this.
const NEARER: f32 = 0.88;
/// Two features this near are one, found at two sizes.
const SAME_PLACE: f32 = 8.0;

/// The features of a picture's structures at several sizes, the full size first.
pub(super) fn features(sizes: &[Structure]) -> Vec<Feature> {
    let mut found = Vec::new();
    for structure in sizes {
        let scale = 1.0 / structure.scale;
        for (x, y) in corners(structure) {
            if let Some(looks) = looks(structure, x, y) {
                let place = [(x as f32 + 0.5) * scale, (y as f32 + 0.5) * scale];
                found.push(Feature { place, looks });
            }
        }
    }
    found
}

/// The strongest corners of each part of the picture.
fn corners(structure: &Structure) -> Vec<(usize, usize)> {
    let strength = structure.texture(CORNER);
    let (width, height) = (strength.width, strength.height);
    let margin = SQUARES * SIDE / 2;
    let mut found = Vec::new();
    for top in (margin..height.saturating_sub(margin)).step_by(PART) {
        for left in (margin..width.saturating_sub(margin)).step_by(PART) {
            let rows = top..(top + PART).min(height - margin);
            let columns = left..(left + PART).min(width - margin);
            let places = rows.flat_map(|y| columns.clone().map(move |x| (x, y)));
            let mut part: Vec<(f32, usize, usize)> = places
                .map(|(x, y)| (strength.values[y * width + x], x, y))
                .filter(|(s, x, y)| *s > LEAST_CORNER && is_peak(&strength, *s, *x, *y))
                .collect();
            part.sort_by(|a, b| b.0.total_cmp(&a.0));
            found.extend(part.into_iter().take(MOST_IN_A_PART).map(|(_, x, y)| (x, y)));
        }
    }
    found
}

/// Nothing within two pixels is stronger. A place that far from the edge at least.
fn is_peak(strength: &Plane, own: f32, x: usize, y: usize) -> bool {
    (y - 2..=y + 2).all(|y| {
        let line = y * strength.width + x;
        strength.values[line - 2..=line + 2].iter().all(|other| *other <= own)
    })
}

/// How the slopes point in the squares about a place; `None` where there are none.
fn looks(structure: &Structure, x: usize, y: usize) -> Option<[f32; LOOKS]> {
    let [across, down] = &structure.slopes;
    let half = SQUARES * SIDE / 2;
    let mut looks = [0.0_f32; LOOKS];
    for row in 0..SQUARES * SIDE {
        let line = (y + row - half) * across.width + x - half;
        for column in 0..SQUARES * SIDE {
            let (right, below) = (across.values[line + column], down.values[line + column]);
            let from_middle = |at: usize| (at as f32 + 0.5 - half as f32) / half as f32;
            let weight = 1.0 - 0.4 * (from_middle(row).powi(2) + from_middle(column).powi(2));
            let square = (row / SIDE * SQUARES + column / SIDE) * DIRECTIONS;
            for (look, (cosine, sine)) in looks[square..square + DIRECTIONS].iter_mut().zip(COSINES.iter().zip(&SINES))
            {
                *look += (right * cosine + below * sine).max(0.0) * weight;
            }
        }
    }
    // What all directions have alike says nothing of where a slope points.
    for square in looks.chunks_mut(DIRECTIONS) {
        let least = square.iter().copied().fold(f32::INFINITY, f32::min);
        square.iter_mut().for_each(|v| *v -= least);
    }
    for most in [MOST_OF_LOOKS, 1.0] {
        let size = looks.iter().map(|v| v * v).sum::<f32>().sqrt();
        if size.is_nan() || size <= 1e-3 {
            return None;
        }
        looks.iter_mut().for_each(|v| *v = (*v / size).min(most));
    }
    Some(looks)
}

const DIAGONAL: f32 = std::f32::consts::FRAC_1_SQRT_2;
/// Of the directions; the sines are those of the direction two before.
const COSINES: [f32; DIRECTIONS] = [1.0, DIAGONAL, 0.0, -DIAGONAL, -1.0, -DIAGONAL, 0.0, DIAGONAL];
const SINES: [f32; DIRECTIONS] = [0.0, DIAGONAL, 1.0, DIAGONAL, 0.0, -DIAGONAL, -1.0, -DIAGONAL];

/// Features of one picture and those of another that look like them, and like no others there.
pub(super) fn matches(from: &[Feature], to: &[Feature]) -> Vec<Match> {
    from.iter().filter_map(|feature| Some(Match { from: feature.place, to: like(feature, to)?.place })).collect()
}

fn like<'a>(feature: &Feature, others: &'a [Feature]) -> Option<&'a Feature> {
    let likeness: Vec<f32> = others.iter().map(|other| dot(&feature.looks, &other.looks)).collect();
    let (at, most) = likeness.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let best = &others[at];
    let is_elsewhere = |other: &Feature| !within(SAME_PLACE, other.place, best.place);
    let second = others.iter().zip(&likeness).filter(|(other, _)| is_elsewhere(other)).map(|(_, l)| *l);
    let second = second.fold(-1.0, f32::max);
    // Of looks of length one, the square of their distance.
    let distance = |likeness: f32| 2.0 - 2.0 * likeness;
    (distance(most) < NEARER * NEARER * distance(second)).then_some(best)
}
