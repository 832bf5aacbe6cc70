//! Whether all parts of the scene changed alike, and where they didn't.
//!
//! An error of the curve changes parts by their tone, one light of several by their place. So what the curve's own doubt could
//! explain is taken out first; how much of it that took, and what is left over, speak against lights that changed alike.

use nalgebra::{SMatrix, SVector};
use serde::{Deserialize, Serialize};

use super::observed::{Unevenness, place_of, take_patch};
use super::patches::Change;
use crate::align::Alignment;
use crate::meter::GRID;
use crate::photometry::Stops;
use crate::response::Response;
use crate::statistics::median;

/// How much speaks against all lights having changed alike: about a squared deviation, summed; 0 is nothing.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct Disparity(pub f64);

impl Disparity {
    /// Most that is left where all lights changed alike: in 95 % of such frames, of sitters who walked (tuned on 2,200 frames of
    /// sitters under single strobes; held by `one_light_of_several_is_told_from_all_alike`).
    pub const OF_ALIKE: Disparity = Disparity(7.5);
}

/// Fewer patches can't tell.
const FEWEST_PATCHES: usize = 30;
/// So many of the ways in which the curve may be wrong, the largest first, are looked for.
const CURVE_ERRORS: usize = 8;
/// The change of all alike, and the curve's errors.
const UNKNOWN: usize = CURVE_ERRORS + 1;
/// How far patches of one change scatter, by noise, by following them and by skin that moved; and how much farther for each stop
/// of change. Tuned and held as [`Disparity::OF_ALIKE`].
const SCATTER: Stops = Stops(0.04);
const SCATTER_PER_STOP: f64 = 0.12;
/// Patches that err together count as one.
const ERR_TOGETHER: f64 = 30.0;
/// A patch that is off by so many scatters counts half, and one farther off less still: an eye that closed, a lock of hair.
const ROBUST: f64 = 3.0;
/// After so many rounds of weighing the weights change no more.
const ROUNDS: usize = 10;

type Row = SVector<f64, UNKNOWN>;

/// How much the patches speak against one change for all; `None` where too few of them tell anything.
pub fn disparity(alignment: &Alignment, response: &Response) -> Option<Disparity> {
    let changes: Vec<Change> = alignment.found().filter_map(|patch| Change::of(patch, 1.0, response)).collect();
    if changes.len() < FEWEST_PATCHES {
        return None;
    }
    let common = median(&mut changes.iter().map(|change| change.drift.0).collect::<Vec<f64>>())?;
    let scatter = SCATTER.in_quadrature(Stops(SCATTER_PER_STOP * common));
    let errors = response.likely_errors(CURVE_ERRORS);
    let patches: Vec<(Row, f64, f64)> = changes
        .iter()
        .map(|change| (row(change, &errors), change.drift.0, ROBUST * scatter.in_quadrature(change.doubt).0))
        .collect();
    let mut found = Row::zeros();
    found[0] = common;
    for _ in 0..ROUNDS {
        found = fit(&patches, &found)?;
    }
    let of_curve: f64 = found.iter().skip(1).map(|error| error * error).sum();
    let left_over: f64 =
        patches.iter().map(|(row, change, far)| ((change - row.dot(&found)) / far).powi(2).ln_1p()).sum();
    let disparity = of_curve + left_over * ROBUST * ROBUST / ERR_TOGETHER;
    // A hundredth more or less says nothing.
    Some(Disparity((disparity * 100.0).round() / 100.0))
}

/// What a change of all, and each error of the curve, do to a patch.
fn row(change: &Change, errors: &[[f64; 256]]) -> Row {
    let mut row = Row::zeros();
    row[0] = 1.0;
    let of = |table: &[f64; 256], code: f64| table[(code.round() as usize).min(255)];
    for (at, table) in errors.iter().enumerate().take(CURVE_ERRORS) {
        row[at + 1] = of(table, change.codes[1]) - of(table, change.codes[0]);
    }
    row
}

/// One round of weighed least squares, each error of the curve held to about its own size. `far` is where a patch begins to
/// count less.
fn fit(patches: &[(Row, f64, f64)], before: &Row) -> Option<Row> {
    let mut squares = SMatrix::<f64, UNKNOWN, UNKNOWN>::identity();
    squares[(0, 0)] = 1e-6;
    let mut sums = Row::zeros();
    for (row, change, far) in patches {
        let off = (change - row.dot(before)) / far;
        let weight = (ROBUST / far).powi(2) / ERR_TOGETHER / (1.0 + off * off);
        squares += row * row.transpose() * weight;
        sums += row * (change * weight);
    }
    Some(squares.cholesky()?.solve(&sums))
}

/// Patches of a coarse cell that must be found for it to tell anything.
const LEAST_OF_A_CELL: usize = 4;

/// The part of the scene whose change is farthest from `known`, which is what it would be if nothing happened that nobody knows
/// of, and how far the rest is from it. `None` where no part can be told from the rest.
pub fn farthest_part(alignment: &Alignment, known: Stops, response: &Response) -> Option<Unevenness> {
    let (columns, rows) = GRID;
    let mut cells: Vec<Vec<f64>> = vec![Vec::new(); columns * rows];
    for (at, patch) in alignment.patches.iter().enumerate() {
        let column = at % alignment.columns * columns / alignment.columns;
        let row = at / alignment.columns * rows / alignment.rows;
        let change = patch.as_ref().and_then(|patch| Change::of(patch, 1.0, response));
        cells[row * columns + column].extend(change.map(|change| (change.drift - known).0));
    }
    let told = |cell: &mut Vec<f64>| (cell.len() >= LEAST_OF_A_CELL).then(|| median(cell)).flatten();
    let cells: Vec<Option<f64>> = cells.iter_mut().map(told).collect();
    let (at, farthest) = (0..cells.len())
        .filter_map(|at| Some((at, cells[at]?)))
        .max_by(|(_, a), (_, b)| a.abs().total_cmp(&b.abs()))?;
    // What is off by less than most of the frame is the rest of it.
    let middling = median(&mut cells.iter().flatten().map(|off| off.abs()).collect::<Vec<f64>>())?;
    let least = (farthest.abs() / 2.0).max(middling);
    let is_far = |off: f64| off.abs() >= least && (off > 0.0) == (farthest > 0.0);
    let mut is_near = cells.iter().map(|cell| cell.is_some_and(is_far)).collect::<Vec<bool>>();
    let part = take_patch(&mut is_near, at, columns);
    let middle = |is_in: bool| {
        let of = |at: &usize| part.contains(at) == is_in;
        median(&mut (0..cells.len()).filter(of).filter_map(|at| cells[at]).collect::<Vec<f64>>()).map(Stops)
    };
    Some(Unevenness { part: place_of(&part, GRID), change: middle(true)?, elsewhere: Some(middle(false)?) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::align::{MatchedPatch, Moved};
    use proptest::prelude::*;

    const COLUMNS: usize = 24;
    const ROWS: usize = 16;

    /// A still scene of many tones, whose patches changed each by its own.
    fn changed(response: &Response, change: impl Fn(usize, usize) -> f64) -> Alignment {
        let patch = |at: usize| {
            let (column, row) = (at % COLUMNS, at / COLUMNS);
            let place = [(column as f32 + 0.5) / COLUMNS as f32, (row as f32 + 0.5) / ROWS as f32];
            let code = 70.0 + ((column * 7 + row * 5) % 90) as f64;
            let now = response.code(response.light(code) + Stops(change(column, row)));
            let codes = [code as f32, now as f32];
            Some(MatchedPatch {
                at: place,
                to: place,
                codes,
                colours: [[100; 3]; 2],
                spreads: [0.0; 2],
                is_followed: true,
            })
        };
        let moved = Moved { right: 0.0, down: 0.0, zoom: 1.0, turn: 0.0 };
        let sides = [[COLUMNS as f32 * 8.0, ROWS as f32 * 8.0]; 2];
        let patches = (0..COLUMNS * ROWS).map(patch).collect();
        Alignment { columns: COLUMNS, rows: ROWS, patches, share: 1.0, covers: 1.0, moved, sides, is_mirrored: false }
    }

    proptest! {
        #[test]
        fn what_changed_alike_has_no_disparity(change in -1.5_f64..1.0) {
            let response = Response::srgb();
            let all = disparity(&changed(&response, |_, _| change), &response).unwrap();
            prop_assert!(all < Disparity(0.1), "{all:?}");
        }

        #[test]
        fn a_half_that_changed_by_itself_is_told_where_it_lies(change in prop_oneof![-1.5_f64..-0.5, 0.5_f64..1.0], left in any::<bool>()) {
            let response = Response::srgb();
            let is_lit = |column: usize| (column < COLUMNS / 2) == left;
            let map = changed(&response, |column, _| if is_lit(column) { change } else { 0.0 });
            prop_assert!(disparity(&map, &response).unwrap() > Disparity(20.0));
            let part = farthest_part(&map, Stops::ZERO, &response).unwrap();
            prop_assert_eq!(&part.part, if left { "the left side" } else { "the right side" });
            prop_assert!((part.change.0 - change).abs() < 0.05, "{:?}", part);
            prop_assert!(part.elsewhere.unwrap().abs() < Stops(0.05), "{:?}", part);
        }
    }

    #[test]
    fn too_few_patches_tell_nothing() {
        let response = Response::srgb();
        let mut map = changed(&response, |_, _| 0.0);
        map.patches.iter_mut().skip(FEWEST_PATCHES - 1).for_each(|patch| *patch = None);
        assert_eq!(disparity(&map, &response), None);
    }
}
