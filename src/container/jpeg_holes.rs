//! Parts of a JPEG's coded data that are not written yet.
//!
//! Space that a copy sets aside is zero until it is written. But flat areas may be coded as zeros, too, where the code
//! tables were made for the picture. So runs of zeros only raise the question; a walk over all coded blocks answers it.

use std::ops::Range;

use super::jpeg_bits::Ending;
use super::jpeg_scans::walk;

/// What a run of zeros in coded data may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hole {
    None,
    /// The blocks count up, and yet the zeros fill whole pages exactly, as holes do.
    Perhaps,
    Surely,
}

/// Files are set aside in pages of this size, in bytes.
const PAGE: usize = 4096;
/// The shortest run of zeros that is looked into.
const RUN: usize = PAGE / 2;
/// Coded data before or behind a hole may begin or end with zeros by chance.
const BY_CHANCE: usize = 2;

/// Looks into the coded data of a picture, of which `within` tells the place.
pub fn find(bytes: &[u8], within: Range<usize>) -> Hole {
    let runs = runs_of_zeros(bytes, &within);
    let Some(first) = runs.first() else { return Hole::None };
    let fills_pages = runs.iter().any(fills_pages);
    match walk(bytes) {
        Some(Ending::Exact) if fills_pages => Hole::Perhaps,
        Some(Ending::Exact) => Hole::None,
        // Some cameras fill the file up behind the last block.
        Some(Ending::Filled { complete_at }) if complete_at <= first.start + BY_CHANCE => Hole::None,
        Some(Ending::Filled { .. }) => Hole::Perhaps,
        Some(Ending::Broken) => Hole::Surely,
        None if fills_pages => Hole::Surely,
        None => Hole::Perhaps,
    }
}

/// Every run of zeros of at least [`RUN`] bytes, and every one that ends the data.
fn runs_of_zeros(bytes: &[u8], within: &Range<usize>) -> Vec<Range<usize>> {
    let mut runs: Vec<Range<usize>> = Vec::new();
    let mut at = within.start;
    // Looking at half-steps finds every run, whatever its alignment.
    while at + RUN / 2 <= within.end {
        let here = at;
        at += RUN / 2;
        if runs.last().is_some_and(|last| here < last.end) || bytes[here..here + RUN / 2].iter().any(|b| *b != 0) {
            continue;
        }
        let before = bytes[within.start..here].iter().rev().take_while(|b| **b == 0).count();
        let behind = bytes[here..within.end].iter().take_while(|b| **b == 0).count();
        let run = here - before..here + behind;
        if run.len() >= RUN {
            runs.push(run);
        }
    }
    runs
}

/// Whether a run holds a whole page and begins or ends where a page does.
fn fills_pages(run: &Range<usize>) -> bool {
    let (first, last) = (run.start.next_multiple_of(PAGE), run.end / PAGE * PAGE);
    first < last && (first - run.start <= BY_CHANCE || run.end - last <= BY_CHANCE)
}
