//! What happens to a sitting as a whole, as records hold it: it begins, gets a name, ends, and is told to go on with the set-up of
//! the one before or without it.

use serde::{Deserialize, Serialize};

use crate::frame::Captured;
use crate::numbers::SittingNumber;

/// What happened to a sitting. The first one of a log begins by its first frame, without a record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum SittingStep {
    Began {
        sitting: SittingNumber,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        name: Option<String>,
        by: BegunBy,
        /// `None` while it is asked.
        set_up: Option<SetUpIs>,
        /// When the frame was shot that began it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        shot: Option<Captured>,
    },
    Named {
        name: String,
    },
    /// It is over by somebody's word: the next frame begins another one.
    Ended,
    /// What was asked of the set-up is answered.
    SetUp {
        is: SetUpIs,
    },
}

impl SittingStep {
    /// From here on another set-up may be what is lit.
    pub fn is_of_the_set_up(&self) -> bool {
        matches!(self, SittingStep::Began { .. }) || self.begins_anew()
    }

    /// The set-up goes on, which had been asked.
    pub fn says_same(&self) -> bool {
        matches!(self, SittingStep::SetUp { is: SetUpIs::Same })
    }

    /// Nothing of the set-up before holds.
    pub fn begins_anew(&self) -> bool {
        match self {
            SittingStep::Began { set_up, .. } => *set_up == Some(SetUpIs::New),
            SittingStep::SetUp { is } => *is == SetUpIs::New,
            SittingStep::Named { .. } | SittingStep::Ended => false,
        }
    }
}

/// How a sitting came to begin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BegunBy {
    Told,
    /// A frame that came long after the one before it.
    Pause,
    /// The first frame after the one before was ended.
    NextFrame,
}

/// What a sitting's set-up is to the one of the sitting before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SetUpIs {
    /// Looks, references and powers hold on.
    Same,
    /// Nothing of it holds: no look, no power, no survey.
    New,
}
