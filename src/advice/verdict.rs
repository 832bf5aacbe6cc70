//! What a verdict is, and what it rests on.
//!
//! Owns the findings, the frame and its reference as they are compared, and the verdict as it is logged. How a verdict comes
//! about is `judge`'s, and its words are `sentence`'s.

use serde::{Deserialize, Serialize};

use super::filter_seen::FilterSeen;
use super::judged_spot::JudgedSpot;
use super::lights::{GroupReading, LightEvidence};
use crate::align::{Alignment, Moved, Overlay, PictureId};
use crate::drift::{Anchor, Assumption, Disparity, EvidenceUsed, Lighting, Observed, Unevenness};
use crate::frame::{Captured, Settings};
use crate::meter::FrameReadings;
use crate::numbers::FrameNumber;
use crate::photometry::{Density, Stops};
use crate::response::Response;
use crate::rig::{GroupName, Passive};

/// What is found of a frame: why it differs from its reference, that it does not, or why nobody can say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    Matched,
    /// Settings changed and the lights did not follow.
    SettingsChanged,
    /// The lights changed and the settings did not.
    LightsChanged,
    /// Both changed and do not cancel.
    BothChanged,
    /// No flash lit the frame.
    Misfire,
    /// A flash had not recycled.
    Recycle,
    /// Too much is clipped to compare.
    Clipped,
    /// The camera doesn't tell its settings: judged by the light alone.
    SettingsUnknown,
    NoReference,
    /// Part of the frame changed unlike the rest.
    Uneven,
    /// Another scene than the reference's.
    NewScene,
    /// The camera maps the tones of each frame anew.
    NotTrustworthy,
    /// The difference is smaller than its uncertainty.
    Uncertain,
    /// The file's pixels are not metered.
    NotMetered,
    /// Some groups changed unlike the rest, or were left behind; the verdict names them.
    GroupChanged,
    /// A group did not fire, others did.
    GroupNotFired,
    /// One group had not recycled.
    GroupWeak,
    /// The ambient light rose.
    AmbientRisen,
    /// A reflector or modifier moved.
    ModifierMoved,
    /// The shutter was faster than the flash allows.
    SyncBand,
    /// The light matches, its colour doesn't.
    ColourShifted,
    /// The filter that was told isn't on the lens, or the one of before still is.
    FilterUnchanged,
    /// The exposure time changed, and light that burns all the time with it.
    BurningLight,
    /// The light is being built: it changed since the frame before.
    Building,
    /// The frame is a part of a light survey.
    Survey,
}

impl Finding {
    /// Findings at which nobody should touch a light.
    pub fn is_hold(self) -> bool {
        matches!(
            self,
            Finding::Misfire
                | Finding::Recycle
                | Finding::GroupNotFired
                | Finding::GroupWeak
                | Finding::SyncBand
                | Finding::FilterUnchanged
        )
    }

    /// Its sentence is of single lights, and not of how far the frame is off as a whole.
    pub fn is_of_single_lights(self) -> bool {
        matches!(
            self,
            Finding::GroupChanged
                | Finding::GroupNotFired
                | Finding::GroupWeak
                | Finding::AmbientRisen
                | Finding::ModifierMoved
                | Finding::SyncBand
        )
    }

    /// What a survey told of the lights is not so any more, if this was meant.
    pub fn outdates_a_survey(self) -> bool {
        matches!(self, Finding::ModifierMoved | Finding::AmbientRisen)
    }

    /// Findings that a correction of all groups answers.
    pub fn is_correctable(self) -> bool {
        matches!(
            self,
            Finding::SettingsChanged | Finding::LightsChanged | Finding::BothChanged | Finding::SettingsUnknown
        )
    }
}

/// A frame as it takes part in a comparison.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Observation {
    pub settings: Settings,
    /// The reading that counts.
    pub metered: Option<FrameReadings>,
    /// The picture's reading, where the raw file's counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second: Option<FrameReadings>,
}

impl Observation {
    /// With the reading of a further file of the same exposure: a raw file's counts before a picture's.
    pub fn with(self, further: FrameReadings) -> Observation {
        let is_of_raw_file = |reading: &FrameReadings| reading.is_embedded() || reading.stands_in();
        let Some(first) = self.metered else { return Observation { metered: Some(further), ..self } };
        let (metered, second) = match (first.is_raw(), further.is_raw()) {
            (false, true) => (further, Some(first)),
            (true, false) => (first, Some(further)),
            // What a camera gives beside its raw file is its rendering; what is in the raw file may be another.
            (false, false) if is_of_raw_file(&first) && !is_of_raw_file(&further) => (further, None),
            _ => (first, self.second),
        };
        Observation { metered: Some(metered), second, ..self }
    }

    /// Takes a reading of the same file by other spots. Of a pair of files the other one keeps its old spots, and a file whose reading
    /// doesn't count says nothing.
    pub fn reread(&mut self, again: &FrameReadings) {
        let readings = [&mut self.metered, &mut self.second].into_iter().flatten();
        if let Some(reading) = { readings }.find(|m| m.is_raw() == again.is_raw() && m.shares_curve_with(again)) {
            *reading = again.clone();
        }
    }

    /// The small pictures that its readings are of.
    pub fn pictures(&self) -> impl Iterator<Item = PictureId> + '_ {
        [&self.metered, &self.second].into_iter().flatten().filter_map(|metered| metered.picture)
    }

    /// The reading of a picture that lies beside the raw file, or alone.
    pub fn rendered(&self) -> Option<&FrameReadings> {
        self.reading_of(false).filter(|reading| !reading.is_embedded())
    }

    /// This observation by the picture embedded in the raw file alone, where that was read.
    pub fn by_embedded(&self) -> Option<Observation> {
        let embedded = self.reading_of(false).filter(|reading| reading.is_embedded())?;
        Some(Observation { settings: self.settings.clone(), metered: Some(embedded.clone()), second: None })
    }

    /// Only the picture embedded in the raw file was read.
    pub fn is_by_embedded_alone(&self) -> bool {
        self.metered.as_ref().is_some_and(FrameReadings::is_embedded)
    }

    /// The reading of the raw file, or of the picture.
    pub fn reading_of(&self, raw: bool) -> Option<&FrameReadings> {
        [&self.metered, &self.second].into_iter().flatten().find(|m| m.is_raw() == raw)
    }
}

/// What is known of the frame before this one.
#[derive(Debug, Clone, PartialEq)]
pub struct Previous {
    pub captured: Option<Captured>,
}

/// Everything a verdict rests on.
pub struct Evidence<'a> {
    pub reference: Option<&'a Observation>,
    pub frame: &'a Observation,
    /// The reference is the frame before: the light is being built.
    pub building: bool,
    pub previous: Option<&'a Previous>,
    pub response: &'a Response,
    /// Name of the spot that the frame is judged by.
    pub judged_spot: &'a str,
    pub lighting: Lighting,
    pub tolerance: Stops,
    /// A flash may still be charging this long after a frame, in seconds.
    pub recycle_seconds: f64,
    /// How far all groups alike were turned since the reference; `None` when not known.
    pub moved: Option<Stops>,
    /// How far all groups alike were told to have been turned since the last frame.
    pub told: Option<Stops>,
    /// How far all groups alike would be turned if the open correction was carried out.
    pub followed: Option<Stops>,
    /// The filter of before, where another was told to be on the lens and no frame has shown it yet.
    pub filter_before: Option<Density>,
    /// Leave the settings out and go by the picture alone.
    pub light_alone: bool,
    /// What the single lights did, where a survey tells.
    pub lights: Option<&'a LightEvidence>,
    /// The passive thing of the set, where it has exactly one.
    pub passive: Option<&'a Passive>,
    /// Beyond this a colour has shifted: log2 of red, or blue, over green.
    pub colour_limit: Stops,
    /// How the frame lies over the reference, or over an anchor of its look; `None` where there is no picture to tell it by.
    pub laid: Option<Laid<'a>>,
}

/// A frame laid over what it is measured by.
#[derive(Debug, Clone, Copy)]
pub struct Laid<'a> {
    pub overlay: &'a Overlay,
    /// `None` for the reference itself.
    pub anchor: Option<&'a Anchor>,
}

/// How a frame lay over what it was measured by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Framing {
    Matched {
        /// Of the reference's patches that show where they lie.
        share: f64,
        #[serde(flatten)]
        moved: Moved,
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        mirrored: bool,
        /// The matching frame in the reference's place.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        anchor: Option<FrameNumber>,
    },
    /// There was too little to see in one of them.
    TooPlain,
    OtherScene,
}

impl Framing {
    pub(super) fn of(laid: Laid) -> Framing {
        let rounded = |v: f64| (v * 1e4).round() / 1e4;
        match laid.overlay {
            Overlay::Matched(alignment) => {
                let Moved { right, down, zoom, turn } = alignment.moved;
                let [right, down, zoom, turn] = [right, down, zoom, turn].map(rounded);
                Framing::Matched {
                    share: rounded(alignment.share),
                    moved: Moved { right, down, zoom, turn },
                    mirrored: alignment.is_mirrored,
                    anchor: laid.anchor.map(|anchor| anchor.frame),
                }
            }
            Overlay::TooPlain => Framing::TooPlain,
            Overlay::OtherScene => Framing::OtherScene,
        }
    }
}

impl<'a> Evidence<'a> {
    /// The readings that are compared: the reference's and the frame's.
    pub(super) fn metered_pair(&self) -> Option<(&'a FrameReadings, &'a FrameReadings)> {
        self.reference?.metered.as_ref().zip(self.frame.metered.as_ref())
    }

    /// Where the scene was found in the frame, and the anchor that it was found by.
    pub(super) fn alignment(&self) -> Option<(&'a Alignment, Option<&'a Anchor>)> {
        let laid = self.laid?;
        Some((laid.overlay.alignment()?, laid.anchor))
    }
}

/// The verdict on one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    #[serde(alias = "cause")]
    pub finding: Finding,
    /// One frame alone is no proof of it: nobody is to turn a light for it until another shows the same.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub suspicion: bool,
    pub sentence: String,
    /// From the settings, in stops.
    pub expected: Option<Stops>,
    pub lighting: Lighting,
    /// From the light alone.
    pub observed: Option<Stops>,
    /// Half-width of the observation's 95 % interval.
    pub observed_uncertainty: Option<Stops>,
    /// Both weighed.
    pub drift: Option<Stops>,
    /// Half-width of the drift's 95 % interval.
    pub uncertainty: Option<Stops>,
    #[serde(alias = "went_by")]
    pub evidence_used: Option<EvidenceUsed>,
    #[serde(alias = "basis")]
    pub assumption: Option<Assumption>,
    /// How far all lights alike were turned since the reference, where the assumption counts that in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turned: Option<Stops>,
    /// What the lights did since the reference: observed minus expected.
    #[serde(alias = "lights")]
    pub light_change: Option<Stops>,
    pub spots: Vec<Observed>,
    pub uneven: Option<Unevenness>,
    /// How much speaks against all lights having changed alike; `None` where too little can be compared, and in earlier logs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub disparity: Option<Disparity>,
    /// Name of the curve that the light was read by: it tells which file's reading counts.
    #[serde(alias = "by", default, skip_serializing_if = "Option::is_none")]
    pub response: Option<String>,
    /// What each group did, where a survey tells.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub groups: Vec<GroupReading>,
    /// What the likeliest story of the lights leaves over: the 90th percentile of how far the parts of the frame are off it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left_over: Option<Stops>,
    /// Groups that the survey left out: this frame tells nothing of them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_surveyed: Vec<GroupName>,
    /// How the frame lay over its reference; `None` where nothing was laid over it, and in earlier logs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub framing: Option<Framing>,
    /// What the picture says of a filter that was told to be put on, or taken off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filter: Option<FilterSeen>,
    /// The spot that all of this is about; `None` when nothing was compared, and in logs of earlier formats.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub judged: Option<JudgedSpot>,
}

impl Verdict {
    /// The frame was compared, and with the filter that was told it makes sense.
    pub fn bears_out_the_filter(&self) -> bool {
        self.filter.is_none() && self.drift.is_some() && !self.finding.is_hold()
    }

    /// Nothing speaks against all lights having changed alike, or having stayed.
    pub fn changed_alike(&self) -> bool {
        self.disparity.is_none_or(|disparity| disparity <= Disparity::OF_ALIKE)
    }

    /// The change of light that would bring the frame back to its reference; `None` when nobody
    /// should turn anything on this evidence.
    pub fn wanted(&self, tolerance: Stops) -> Option<Stops> {
        let drift = self.drift.filter(|d| d.abs() > tolerance)?;
        (self.finding.is_correctable() || self.finding == Finding::Clipped).then_some(-drift)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{EMBEDDED, Space};
    use crate::meter::Scale;

    fn reading(colour: &str, cells: f64) -> FrameReadings {
        let colour = colour.to_owned();
        FrameReadings { scale: Scale::Rendered, colour, readings: vec![], cells: vec![cells], picture: None }
    }

    /// A picture that stands for its raw file's light comes after the JPEG beside it, and doesn't count.
    #[test]
    fn a_reading_by_other_spots_takes_the_place_of_its_own_kind() {
        let jpeg = Space::Srgb.to_string();
        let observation = Observation { settings: Settings::default(), metered: None, second: None };
        let mut observation = observation.with(reading(&jpeg, 1.0)).with(reading(EMBEDDED, 2.0));
        observation.reread(&reading(EMBEDDED, 3.0));
        assert_eq!(observation.metered, Some(reading(&jpeg, 1.0)));
        observation.reread(&reading(&jpeg, 4.0));
        assert_eq!(observation.metered, Some(reading(&jpeg, 4.0)));
    }
}
