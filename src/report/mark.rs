//! What a frame is marked with: a word and a shape each, so that colour is never needed.

use crate::advice::{Finding, Verdict};
use crate::photometry::Stops;

/// How a frame stands to its reference.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mark {
    Matches,
    TooBright,
    TooDark,
    /// Some lights changed unlike the others.
    OneLight,
    /// A flash failed: nothing was to be turned.
    Failed,
    /// Nobody can say from the picture alone.
    Unclear,
    /// There was nothing to compare it with.
    NotCompared,
}

impl Mark {
    pub const ALL: [Mark; 7] =
        [Mark::Matches, Mark::TooBright, Mark::TooDark, Mark::OneLight, Mark::Failed, Mark::Unclear, Mark::NotCompared];

    pub(super) fn of(verdict: Option<&Verdict>) -> Mark {
        let Some(verdict) = verdict else { return Mark::NotCompared };
        match verdict.finding {
            Finding::Matched => Mark::Matches,
            Finding::FilterUnchanged => Mark::Unclear,
            finding if finding.is_hold() => Mark::Failed,
            finding if finding.is_correctable() => match verdict.drift {
                Some(drift) if drift > Stops::ZERO => Mark::TooBright,
                Some(_) => Mark::TooDark,
                None => Mark::Unclear,
            },
            Finding::GroupChanged => Mark::OneLight,
            Finding::NoReference | Finding::NotMetered | Finding::Survey | Finding::Building => Mark::NotCompared,
            _ => Mark::Unclear,
        }
    }

    pub fn in_words(self) -> &'static str {
        match self {
            Mark::Matches => "matches",
            Mark::TooBright => "too bright",
            Mark::TooDark => "too dark",
            Mark::OneLight => "single lights",
            Mark::Failed => "a flash failed",
            Mark::Unclear => "look first",
            Mark::NotCompared => "not compared",
        }
    }
}
