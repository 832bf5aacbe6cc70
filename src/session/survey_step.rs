//! The steps of a light survey, as records hold them.

use serde::{Deserialize, Serialize};

use super::earlier::LoggedSurveyFrame;
use crate::numbers::FrameNumber;
use crate::rig::{Firing, GroupName, SurveyReport};

/// What happened in a light survey.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum SurveyStep {
    /// These frames are to be taken, in this order; the rest of the groups is skipped.
    Begun {
        order: Vec<Firing>,
        skipped: Vec<GroupName>,
    },
    Taken {
        frame: FrameNumber,
        shows: Box<LoggedSurveyFrame>,
    },
    /// The frame does not show what it was to show.
    Refused {
        frame: FrameNumber,
        #[serde(alias = "lit")]
        firing: Firing,
        why: String,
    },
    Skipped {
        group: GroupName,
    },
    Finished {
        report: Box<SurveyReport>,
    },
    /// Given up; an earlier survey holds on.
    Stopped,
}
