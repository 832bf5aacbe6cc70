//! Which aperture: what the frames of the current look keep of its spots, set beside each other.

use serde::Serialize;

use super::sharpness::Column;
use super::sharpness_wanted::{Base, Beside};
use super::sitting::Sitting;
use crate::config::Config;
use crate::sharpness::per_cent;

/// A frame for each aperture, the narrowest first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AperturesShown {
    /// As [`super::WhichAperture::sentence`] says it.
    pub suggestion: Option<String>,
    pub spots: Vec<String>,
    pub frames: Vec<ApertureFrame>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ApertureFrame {
    /// 'f/5.6', where that is known.
    pub f_number: Option<String>,
    pub file: String,
    /// The others are held against it.
    pub is_base: bool,
    /// Of each spot '41 %' of the base's finest detail; `None` where it isn't told.
    pub kept: Vec<Option<String>>,
    /// And why it isn't.
    pub untold: Vec<Option<String>>,
    #[serde(skip)]
    pub beside: Beside,
}

impl AperturesShown {
    pub(super) fn of(sitting: &Sitting, config: &Config) -> Option<AperturesShown> {
        let base = Base::of(sitting, config)?;
        let columns = base.columns();
        let kept = |column: &Column, spot: &str| match column {
            // Where nothing could be held against it, it isn't told what it shows.
            Column::Base => columns.iter().any(|of| kept_of(of, spot).is_some()).then_some(1.0),
            Column::Best(..) => kept_of(column, spot),
        };
        let why = |column: &Column, spot: &str| {
            let untold = || match column {
                Column::Base => Some("nothing could be held against it".to_owned()),
                Column::Best(_, best) => best.spot(spot)?.untold.map(|why| why.to_string()),
            };
            if kept(column, spot).is_some() { None } else { untold() }
        };
        let frame = |column: &Column| {
            let shot = base.shot_of(*column);
            ApertureFrame {
                f_number: shot.is.f_number.map(|n| n.to_string()),
                file: shot.is.file.clone(),
                is_base: matches!(column, Column::Base),
                kept: base.spots.iter().map(|(spot, _)| kept(column, spot).map(per_cent)).collect(),
                untold: base.spots.iter().map(|(spot, _)| why(column, spot)).collect(),
                beside: base.beside(&shot),
            }
        };
        let frames: Vec<ApertureFrame> = columns.iter().map(frame).collect();
        let spots = base.spots.iter().map(|(spot, _)| (*spot).to_owned()).collect();
        let suggestion = base.suggestion();
        (!frames.is_empty()).then_some(AperturesShown { suggestion, spots, frames })
    }
}

fn kept_of(column: &Column, spot: &str) -> Option<f64> {
    match column {
        Column::Base => None,
        Column::Best(_, best) => best.spot(spot)?.kept,
    }
}
