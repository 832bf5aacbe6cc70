//! What happened in a sitting besides its frames.

use jiff::Timestamp;

use crate::numbers::FrameNumber;
use crate::session::{Body, ReferenceBy, SurveyStep};

/// Something that happened, between two frames.
#[derive(Debug, Clone, PartialEq)]
pub struct Happened {
    pub at: Timestamp,
    /// The last frame before it.
    pub after: FrameNumber,
    pub what: What,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum What {
    Began,
    Ended,
    /// A frame became the reference of a look.
    Reference {
        look: String,
        file: String,
    },
    Look(String),
    NewSitter,
    SurveyBegun,
    SurveyDone,
    SurveyGivenUp,
    /// The camera's curve became known better.
    Learned,
    Note(String),
}

impl What {
    /// `None` for records that a look back needn't name.
    pub(super) fn of(body: &Body) -> Option<What> {
        Some(match body {
            Body::Opened { .. } => What::Began,
            Body::Closed => What::Ended,
            Body::Reference { by: ReferenceBy::Building, .. } => return None,
            Body::Reference { look, file, .. } => What::Reference { look: look.clone(), file: file.clone() },
            Body::Look { look } => What::Look(look.clone()),
            Body::NewSitter => What::NewSitter,
            Body::Survey { step: SurveyStep::Begun { .. }, .. } => What::SurveyBegun,
            Body::Survey { step: SurveyStep::Finished { .. }, .. } => What::SurveyDone,
            Body::Survey { step: SurveyStep::Stopped, .. } => What::SurveyGivenUp,
            Body::Response { .. } => What::Learned,
            Body::Note { text } => What::Note(text.clone()),
            _ => return None,
        })
    }

    pub fn in_words(&self) -> String {
        match self {
            What::Began => "the watch began".to_owned(),
            What::Ended => "the watch ended".to_owned(),
            What::Reference { look, file } => format!("{file} became the reference of look '{look}'"),
            What::Look(look) => format!("back to look '{look}'"),
            What::NewSitter => "another person sat down".to_owned(),
            What::SurveyBegun => "a light survey began".to_owned(),
            What::SurveyDone => "the light survey was done".to_owned(),
            What::SurveyGivenUp => "the light survey was given up".to_owned(),
            What::Learned => "the camera's curve became known better".to_owned(),
            What::Note(text) => format!("note: {text}"),
        }
    }

    /// One letter for a drawing; `None` where a drawing need not show it.
    pub fn letter(&self) -> Option<char> {
        match self {
            What::Reference { .. } => Some('R'),
            What::Look(_) => Some('L'),
            What::NewSitter => Some('P'),
            What::SurveyBegun => Some('S'),
            _ => None,
        }
    }
}
