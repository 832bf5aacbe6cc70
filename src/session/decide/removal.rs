//! Exposures whose files are gone from the folder: mistakes, mostly. What such a one asked for is asked no more; what it showed
//! of the lights it showed all the same.
//!
//! A person picks a frame out and leaves those before it. Where they are gone, too, a program takes all frames elsewhere as they come, or
//! the folder was emptied: then nobody has said that a frame was a mistake, and what it asked for stands.

use std::collections::HashSet;

use super::Draft;
use super::follow::is_still_wanted;
use crate::session::exposures::Exposure;
use crate::session::record::{Body, Purpose};
use crate::session::remembered::OpenCorrection;

impl Draft<'_> {
    /// Of older exposures, and of those that ask for nothing anyway, nobody needs to hear.
    pub(super) fn take_gone(&mut self, gone: &HashSet<String>) {
        let still_lies = |e: &Exposure| !e.lies_at.is_empty() && !e.lies_among(gone);
        let stayed = self.sitting.exposures.iter().skip_while(|e| !still_lies(e));
        let matters = |e: &&Exposure| e.before.is_some() && e.counts() && !e.removed && e.lies_among(gone);
        let told = |e: &Exposure| Body::FileRemoved { frame: e.frame, files: e.lies_at.clone() };
        let removed: Vec<Body> = stayed.filter(matters).map(told).collect();
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
            let wanted = judgement.verdict.wanted(self.config.tolerance);
            wanted.is_some() && is_still_wanted(open, wanted)
        })
    }
}
