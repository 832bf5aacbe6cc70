//! The neutral density filter on the lens. No file tells it: it is what somebody said, until a frame bears that out.

use serde::{Deserialize, Serialize};

use crate::advice::Verdict;
use crate::photometry::Density;

#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LensFilter {
    /// From the next frame on.
    told: Density,
    /// What was on it before, as long as no frame has shown the one that was told.
    before: Option<Density>,
}

impl LensFilter {
    /// What is on the lens, as far as anybody told.
    pub fn told(self) -> Density {
        self.told
    }

    /// What may still be on it in its place.
    pub fn before(self) -> Option<Density> {
        self.before
    }

    /// Another one is told; the one of before, told again, takes that back.
    pub(super) fn tell(&mut self, filter: Density) {
        let before = self.before.unwrap_or(self.told);
        *self = LensFilter { told: filter, before: (before != filter).then_some(before) };
    }

    /// A frame was judged with it.
    pub(super) fn take(&mut self, verdict: &Verdict) {
        if verdict.bears_out_the_filter() {
            self.before = None;
        }
    }

    /// 'ND 0.9 on the lens'; `None` where there is none, and nothing was said of it.
    pub fn in_words(self) -> Option<String> {
        let is_of_interest = !self.told.is_none() || self.before.is_some();
        let unseen = if self.before.is_some() { " (told; no frame has shown it yet)" } else { "" };
        is_of_interest.then(|| format!("{} on the lens{unseen}", self.told.on_the_lens()))
    }
}
