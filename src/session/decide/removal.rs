//! Exposures whose files are gone from the folder: mistakes, mostly. What such a one asked for is asked no more; where the lights
//! were judged to be from it stays as judged.
//!
//! A person picks frames out and leaves most of those before them. Where they are gone, too, a program takes all frames elsewhere
//! as they come, or the folder was emptied: then nobody has said that a frame was a mistake, and what it asked for stands. Of the very
//! first frame those after it tell, where there are two at least and all of them stayed.

use std::collections::HashSet;

use super::Draft;
use super::follow::is_still_wanted;
use crate::advice::{GroupReading, Verdict};
use crate::numbers::FrameNumber;
use crate::session::exposures::Exposure;
use crate::session::record::{Body, Purpose};
use crate::session::remembered::OpenCorrection;

/// Frames before one that is gone, which tell whether it was picked out.
const LOOKED_AT: usize = 4;
/// Frames after the very first one that tell it: of one alone nobody knows whether it goes next.
const FEWEST_AFTER: usize = 2;

/// Of the whole sitting, and not only of those that are remembered.
fn is_first(exposure: &Exposure) -> bool {
    exposure.frame == FrameNumber::default().next()
}

impl Draft<'_> {
    /// Tells those of the exposures that could still be judged anew; older ones ask for nothing any more.
    pub(super) fn take_gone(&mut self, gone: &HashSet<String>) {
        let exposures: Vec<&Exposure> = self.sitting.exposures.iter().collect();
        let stayed = |some: &[&Exposure]| some.iter().filter(|e| !e.lies_at.is_empty() && !e.lies_among(gone)).count();
        let is_picked_out = |at: usize| match (at, &exposures[at.saturating_sub(LOOKED_AT)..at]) {
            (0, _) => {
                let after = &exposures[1..exposures.len().min(1 + LOOKED_AT)];
                is_first(exposures[0]) && after.len() >= FEWEST_AFTER && stayed(after) == after.len()
            }
            (_, before) => stayed(before) > 0 && stayed(before) * 2 >= before.len(),
        };
        let matters = |e: &Exposure| e.before.is_some() && e.counts() && !e.removed && e.lies_among(gone);
        let told = |e: &Exposure| Body::FileRemoved { frame: e.frame, files: e.lies_at.clone() };
        let of_late = exposures.iter().enumerate();
        let removed: Vec<Body> =
            of_late.filter(|(at, e)| matters(e) && is_picked_out(*at)).map(|(_, e)| told(e)).collect();
        removed.into_iter().for_each(|body| self.stage(body));
        self.withdraw_of_removed();
    }

    /// Withdraws the open correction when the exposure that asks for it was removed, unless a frame after it bears it out.
    pub(super) fn withdraw_of_removed(&mut self) {
        let Some(open) = &self.sitting.setup.open else { return };
        let Purpose::Drift { frame } = open.purpose else { return };
        let exposures = &self.sitting.exposures;
        if exposures.is_removed(frame) && !exposures.iter().any(|e| e.frame > frame && self.bears_out(e, open)) {
            self.withdraw();
        }
    }

    fn bears_out(&self, exposure: &Exposure, open: &OpenCorrection) -> bool {
        let judged = exposure.judged.as_ref().filter(|_| exposure.counts() && !exposure.removed);
        judged.is_some_and(|(_, judgement)| {
            let Verdict { groups, .. } = &judgement.verdict;
            let is_off = |group: &GroupReading| group.deviation.is_some_and(|d| d.abs() > self.config.tolerance);
            let wanted = judgement.verdict.wanted(self.config.tolerance);
            // What it left open of single lights it found to be off, too.
            groups.iter().any(is_off) || (wanted.is_some() && is_still_wanted(open, wanted))
        })
    }
}
