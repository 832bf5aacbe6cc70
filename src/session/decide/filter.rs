//! The filter on the lens: told within the question for what comes next, taken back, and put back with a reference.

use super::Draft;
use crate::advice::Observation;
use crate::photometry::Density;
use crate::session::command::Reply;
use crate::session::record::Body;
use crate::session::remembered::Last;

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
        let withdrawn = if self.withdraw() { "; what was asked of the lights is withdrawn: ask again" } else { "" };
        self.stage(Body::Filter { density: before });
        Reply::done(format!("{} on the lens, as before{withdrawn}", before.on_the_lens()))
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

    /// The last frame with what was on the lens for it: what was told and is not borne out may be taken back since.
    ///
    /// # Errors
    /// Says what to do where nobody knows it.
    pub(super) fn with_its_filter(&self, last: &Last) -> Result<Observation, String> {
        let mut observation = Observation::clone(&last.observation);
        if last.verdict.filter.is_some() {
            let lens = self.sitting.setup.lens;
            if let Some(before) = lens.before() {
                return Err(format!(
                    "whether {} or {} was on the lens for {} isn't known: take the word back (greyhold undo filter), or confirm the powers \
                     and shoot another",
                    lens.told().on_the_lens(),
                    before.on_the_lens(),
                    last.file
                ));
            }
            observation.settings.filter = lens.told();
        }
        Ok(observation)
    }
}
