//! What the frames of a look come to at one aperture.

use serde::{Deserialize, Serialize};

use super::measured_sharpness::{MeasuredSharpness, SpotSharpness, aperture};
use crate::meter::Area;
use crate::numbers::FrameNumber;
use crate::photometry::FNumber;
use crate::sharpness::Untold;

/// Spots of each that are remembered.
const MOST_SPOTS: usize = 40;

/// What the frames at one aperture come to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AtAperture {
    #[serde(with = "exactly")]
    pub f_number: FNumber,
    /// Frames that were shot, measured or not.
    pub frames: u64,
    /// The frame that stands for them: the one that keeps most of all spots; of several the latest.
    pub best: Option<BestFrame>,
    /// Of each spot the most that a frame kept of the sharpest frame's finest detail; others may have missed the focus.
    pub detail: Vec<(String, f64)>,
}

/// A measured frame, with what it keeps of each spot and where that lies in it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BestFrame {
    /// `None` of a file that was named as the reference.
    pub frame: Option<FrameNumber>,
    pub file: String,
    pub spots: Vec<SpotKept>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpotKept {
    pub spot: String,
    /// `None`: where it lies in the reference.
    pub area: Option<Area>,
    /// Of the sharpest frame's finest detail; `None` where it couldn't be told.
    pub kept: Option<f64>,
    /// Why it couldn't be told, where it was tried.
    #[serde(default)]
    pub untold: Option<Untold>,
}

impl AtAperture {
    pub fn share_of(&self, spot: &str) -> Option<f64> {
        self.detail.iter().find(|(of, _)| of == spot).map(|(_, share)| *share)
    }

    pub fn kept_of(&mut self, spot: &str) -> Option<&mut f64> {
        self.detail.iter_mut().find(|(of, _)| of == spot).map(|(_, share)| share)
    }

    /// The same, and what the frame that stands for the aperture keeps.
    pub fn all_kept_of(&mut self, spot: &str) -> impl Iterator<Item = &mut f64> {
        let AtAperture { best, detail, .. } = self;
        let of_best = best.iter_mut().flat_map(|best| &mut best.spots).filter(move |of| of.spot == spot);
        let of_all = detail.iter_mut().filter(move |(of, _)| of == spot).map(|(_, share)| share);
        of_all.chain(of_best.filter_map(|of| of.kept.as_mut()))
    }

    pub fn stand_for(&mut self, frame: BestFrame) {
        if self.best.as_ref().is_none_or(|best| frame.kept() >= best.kept()) {
            self.best = Some(frame);
        }
    }

    pub fn keep(&mut self, spot: &str, share: f64) {
        if let Some(known) = self.kept_of(spot) {
            *known = known.max(share);
        } else if self.detail.len() < MOST_SPOTS {
            self.detail.push((spot.to_owned(), share));
        }
    }
}

impl BestFrame {
    pub fn of(measured: &MeasuredSharpness) -> BestFrame {
        let spots = measured.spots.iter().take(MOST_SPOTS);
        let spot = |of: &SpotSharpness| SpotKept {
            spot: of.spot.clone(),
            area: Some(of.area),
            kept: of.kept(),
            untold: of.untold,
        };
        let spots = spots.map(spot).collect();
        BestFrame { frame: Some(measured.frame), file: measured.file.clone(), spots }
    }

    pub fn spot(&self, name: &str) -> Option<&SpotKept> {
        self.spots.iter().find(|of| of.spot == name)
    }

    /// Of all spots together; where it isn't told, there is nothing to look at either.
    pub fn kept(&self) -> f64 {
        self.spots.iter().filter_map(|of| of.kept).sum()
    }
}

/// An aperture that is always known, written as one that may not be.
mod exactly {
    use serde::de::Error;
    use serde::{Deserializer, Serializer};

    use super::aperture;
    use crate::photometry::FNumber;

    pub fn serialize<S: Serializer>(n: &FNumber, to: S) -> Result<S::Ok, S::Error> {
        aperture::serialize(&Some(*n), to)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<FNumber, D::Error> {
        aperture::deserialize(from)?.ok_or_else(|| D::Error::custom("an aperture that is none"))
    }
}

#[cfg(test)]
mod tests {
    use super::super::measured_sharpness::Sharpest;
    use super::*;

    #[test]
    fn why_a_spot_could_not_be_told_is_kept_beside_it() {
        let spot = |spot: &str, untold| SpotSharpness {
            spot: spot.to_owned(),
            area: Area::WHOLE,
            told: None,
            untold: Some(untold),
        };
        let measured = MeasuredSharpness {
            frame: FrameNumber::new(2),
            file: "2.jpg".to_owned(),
            f_number: None,
            look: "main".to_owned(),
            reference: "1.jpg".to_owned(),
            against: Sharpest { frame: None, file: "1.jpg".to_owned(), f_number: None },
            spots: vec![spot("eyes", Untold::NoTexture), spot("ear", Untold::TooBlurred)],
            cause: None,
            is_sharpest: false,
            fault: None,
        };
        let best = BestFrame::of(&measured);
        let told = |name: &str| best.spot(name).map(|of| (of.kept, of.untold));
        assert_eq!(told("eyes"), Some((None, Some(Untold::NoTexture))));
        assert_eq!(told("ear").unwrap().0, Some(0.0), "too blurred for a width is known to keep nothing");
    }
}
