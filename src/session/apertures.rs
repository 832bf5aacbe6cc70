//! Which aperture: what the frames of the current look keep of its spots, set beside each other.

use serde::Serialize;

use super::sharpness::Column;
use super::sitting::Sitting;
use super::standing::Standing;
use crate::numbers::FrameNumber;
use crate::sharpness::per_cent;

/// A frame for each aperture, the narrowest first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AperturesShown {
    /// 'f/5.6 keeps eyes and lips; f/4 loses ear.'
    pub suggestion: Option<String>,
    pub spots: Vec<String>,
    pub frames: Vec<ApertureFrame>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ApertureFrame {
    /// 'f/5.6', where that is known.
    pub f_number: Option<String>,
    /// `None` of a file that was named as the reference.
    pub frame: Option<FrameNumber>,
    pub file: String,
    /// The others are held against it.
    pub is_base: bool,
    /// Of each spot '41 %' of the base's finest detail; `None` where it isn't told.
    pub kept: Vec<Option<String>>,
}

impl AperturesShown {
    pub(super) fn of(sitting: &Sitting) -> Option<AperturesShown> {
        let setup = &sitting.setup;
        let (name, reference) = (setup.current.as_ref()?, setup.reference()?);
        let look = sitting.sharpness.looks.get(name)?;
        if setup.standing != Standing::Accepted || look.reference != reference.file {
            return None;
        }
        let (base, of_base) = match &look.sharpest {
            Some((sharpest, _)) => (sharpest.f_number, (sharpest.frame, &sharpest.file)),
            None => (reference.observation.settings.f_number, (reference.frame, &reference.file)),
        };
        let columns = look.columns(base);
        let mut spots: Vec<String> = Vec::new();
        for column in &columns {
            let Column::Best(_, best) = column else { continue };
            let new = best.spots.iter().filter(|of| !spots.contains(&of.spot)).map(|of| of.spot.clone());
            spots.extend(new.collect::<Vec<_>>());
        }
        let is_told = |spot: &String| {
            let of = |column: &Column| matches!(column, Column::Best(_, best) if best.spot(spot).is_some_and(|of| of.kept.is_some()));
            columns.iter().any(of).then(|| per_cent(1.0))
        };
        let base_kept: Vec<Option<String>> = spots.iter().map(is_told).collect();
        let frame = |column: &Column| match column {
            Column::Base => ApertureFrame {
                f_number: base.map(|n| n.to_string()),
                frame: of_base.0,
                file: of_base.1.clone(),
                is_base: true,
                kept: base_kept.clone(),
            },
            Column::Best(n, best) => ApertureFrame {
                f_number: Some(n.to_string()),
                frame: Some(best.frame),
                file: best.file.clone(),
                is_base: false,
                kept: spots.iter().map(|spot| best.spot(spot)?.kept.map(per_cent)).collect(),
            },
        };
        let frames: Vec<ApertureFrame> = columns.iter().map(frame).collect();
        let suggestion =
            sitting.sharpness.suggestion(name).map(|said| format!("By half of the finest detail: {said}."));
        (!frames.is_empty()).then_some(AperturesShown { suggestion, spots, frames })
    }
}
