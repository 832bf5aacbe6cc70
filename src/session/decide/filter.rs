//! The filter on the lens: told within the question for what comes next, taken back, and put back with a reference.

use super::Draft;
use crate::photometry::Density;
use crate::session::command::Reply;
use crate::session::record::Body;

/// How it is named where a word of it is taken back, unless a group of lights has that name.
pub(super) const FILTER: &str = "filter";

impl Draft<'_> {
    /// What was asked for with it is withdrawn.
    pub(super) fn take_back_the_filter(&mut self) -> Reply {
        let Some(before) = self.sitting.setup.lens.before() else {
            return Reply::refused(
                "there is nothing to take back: no filter was told since a frame showed it; to tell another: greyhold next nd 0.9, or nd 0",
            );
        };
        self.withdraw();
        self.stage(Body::Filter { density: before });
        Reply::done(format!("{} on the lens, as before", before.on_the_lens()))
    }

    /// Another filter than the one that was told, for who goes back to a frame that was shot with it. Gives what is to be done.
    pub(super) fn go_back_to_filter(&mut self, filter: Density) -> Option<String> {
        let on = self.sitting.setup.lens.told();
        if filter == on {
            return None;
        }
        self.stage(Body::Filter { density: filter });
        let off = (!on.is_none()).then(|| format!("Take the {on} off the lens"));
        let put = (!filter.is_none()).then(|| format!("Put the {filter} on the lens"));
        let deeds: Vec<String> = off.into_iter().chain(put).collect();
        Some(format!("{}: it was shot with {}.", deeds.join(". "), filter.on_the_lens()))
    }

    /// Why a frame is nothing to go by of which nobody knows what was on the lens.
    pub(super) fn filter_is_not_known(&self, file: &str) -> Option<String> {
        let lens = self.sitting.setup.lens;
        let before = lens.before()?;
        Some(format!(
            "whether {} or {} was on the lens for {file} isn't known: take the word back (greyhold undo filter), or confirm the powers and \
             shoot another",
            lens.told().on_the_lens(),
            before.on_the_lens()
        ))
    }
}
