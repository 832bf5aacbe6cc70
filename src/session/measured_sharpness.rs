//! What was measured of a frame's sharpness after its verdict, as the log holds it, and how it is told.

use serde::{Deserialize, Serialize};

use crate::meter::Area;
use crate::numbers::FrameNumber;
use crate::photometry::{FNumber, SAME_SETTING};
use crate::sharpness::{Pixels, Share, Softness, Untold, per_cent};
use crate::wording::listed;

/// What was measured of one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasuredSharpness {
    pub frame: FrameNumber,
    pub file: String,
    #[serde(with = "aperture")]
    pub f_number: Option<FNumber>,
    pub look: String,
    /// The file of the look's reference.
    pub reference: String,
    /// The sharpest frame of the look so far.
    pub against: Sharpest,
    /// Empty where the frame could not be measured.
    pub spots: Vec<SpotSharpness>,
    /// Why the frame differs, where that is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<String>,
    /// It is sharper in some spots and softer in none: further frames are held against this one.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub is_sharpest: bool,
    /// Why there are no spots.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fault: Option<String>,
}

/// The frame that others are held against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sharpest {
    /// `None` for a file that was named as the reference and is no frame.
    pub frame: Option<FrameNumber>,
    pub file: String,
    #[serde(with = "aperture")]
    pub f_number: Option<FNumber>,
}

impl Sharpest {
    /// The same exposure, if by another of its files.
    pub(super) fn is_of_one_exposure_with(&self, other: &Sharpest) -> bool {
        match (self.frame, other.frame) {
            (Some(own), Some(other)) => own == other,
            _ => self.file == other.file,
        }
    }
}

/// One spot: either of the two is there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpotSharpness {
    pub spot: String,
    /// Where it was looked for in the frame.
    pub area: Area,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub told: Option<SpotDetail>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub untold: Option<Untold>,
}

/// See [`Softness`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SpotDetail {
    /// Of the finest detail of the frame that it was held against; 1 is all.
    pub detail: Share,
    /// The blur that explains the loss, as a Gaussian's standard deviation, with the ends of its 95 % interval.
    pub blur: Pixels,
    pub blur_least: Pixels,
    pub blur_most: Pixels,
}

/// As a record holds it: more digits are not known.
pub(super) fn rounded(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

impl SpotDetail {
    /// Of the 95 % interval, the longer half.
    pub(super) fn half_width(&self) -> Pixels {
        let half = (self.blur_most.0 - self.blur.0).max(self.blur.0 - self.blur_least.0);
        Pixels(rounded(half))
    }

    /// As [`Softness::kept`].
    fn kept(&self) -> f64 {
        if self.blur_least.0 > 0.0 { self.detail.share } else { 1.0 }
    }
}

impl SpotSharpness {
    pub fn of(spot: String, area: Area, measured: Result<Softness, Untold>) -> SpotSharpness {
        let told = measured.ok().map(|softness| {
            let Share { share, least, most } = softness.detail;
            let [blur, blur_least, blur_most] =
                [softness.blur, softness.least, softness.most].map(|p| Pixels(rounded(p.0)));
            let detail = Share { share: rounded(share), least: rounded(least), most: rounded(most) };
            SpotDetail { detail, blur, blur_least, blur_most }
        });
        SpotSharpness { spot, area, told, untold: measured.err() }
    }

    /// The share of detail that it keeps, where that is known.
    pub(super) fn kept(&self) -> Option<f64> {
        match &self.told {
            Some(told) => Some(told.kept()),
            None => self.untold?.kept(),
        }
    }

    /// 'ear 41 %'.
    fn in_words(&self) -> String {
        format!("{} {}", self.spot, self.kept().map_or_else(|| "?".to_owned(), per_cent))
    }
}

impl MeasuredSharpness {
    /// 'lashes 100 %, lips 96 %, ear 41 % of f/14's detail'; `None` where no spot could be told.
    pub fn in_words(&self) -> Option<String> {
        if !self.spots.iter().any(|spot| spot.kept().is_some()) {
            return None;
        }
        let spots: Vec<String> = self.spots.iter().map(SpotSharpness::in_words).collect();
        let of = match self.against.f_number {
            Some(n) if !is_same(self.f_number, n) => format!("{n}'s detail"),
            _ => format!("the detail of {}", self.against.file),
        };
        Some(format!("{} of {of}", spots.join(", ")))
    }

    /// Why spots have a question mark, a line for each reason: '? lips and ear: ...'.
    pub fn untold(&self) -> Vec<String> {
        let mut reasons: Vec<(Untold, Vec<&str>)> = Vec::new();
        for spot in self.spots.iter().filter(|spot| self.fault.is_none() && spot.kept().is_none()) {
            let Some(why) = spot.untold else { continue };
            match reasons.iter_mut().find(|(known, _)| *known == why) {
                Some((_, spots)) => spots.push(spot.spot.as_str()),
                None => reasons.push((why, vec![spot.spot.as_str()])),
            }
        }
        reasons.iter().map(|(why, spots)| format!("? {}: {why}", listed(spots))).collect()
    }

    /// The same, or why it can't be told.
    pub fn told(&self) -> String {
        let why = || match &self.fault {
            Some(fault) => format!("it can't be told: {fault}"),
            None => "it can't be told of any spot".to_owned(),
        };
        self.in_words().unwrap_or_else(why)
    }
}

pub(super) fn is_same(one: Option<FNumber>, other: FNumber) -> bool {
    one.is_some_and(|one| (one.av() - other.av()).abs() < SAME_SETTING)
}

/// An aperture with its mark and its exact place, as settings have it.
pub(super) mod aperture {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use crate::photometry::FNumber;

    #[derive(Serialize, Deserialize)]
    struct Written {
        marked: f64,
        av: f64,
    }

    pub fn serialize<S: Serializer>(n: &Option<FNumber>, to: S) -> Result<S::Ok, S::Error> {
        n.map(|n| Written { marked: n.marked(), av: n.av().0 }).serialize(to)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Option<FNumber>, D::Error> {
        let written = Option::<Written>::deserialize(from)?;
        Ok(written.and_then(|written| FNumber::from_parts(written.marked, written.av)))
    }
}
