//! What a state remembers: looks, the open correction, the frames of late, a finished survey. How they come about is
//! the state's own matter.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::dials::Marks;
use super::record::Purpose;
use crate::advice::{Correction, Finding, Observation, Verdict};
use crate::align::PictureId;
use crate::drift::{Anchor, Lighting, expected};
use crate::frame::{Captured, Settings};
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::{Density, DialLimit, PowerSetting, SAME_SETTING, Stops};
use crate::response::{Curve, Response};
use crate::rig::{DialChange, GroupName, Known, Position, Survey, SurveyReport};

/// A named reference, with where the dials stood for it.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    pub frame: Option<FrameNumber>,
    pub file: String,
    pub observation: Arc<Observation>,
    /// On each dial's own scale; a group that isn't here stood nobody knows where.
    pub marks: Marks,
    /// How that is known, where it is kept.
    pub known: BTreeMap<GroupName, Known>,
    /// Matching frames that frames are measured by as well, oldest first.
    pub anchors: Vec<Anchor>,
}

/// Anchors of one look. Where there are more, the oldest goes.
const MOST_ANCHORS: usize = 12;

impl Look {
    /// What the group at this position was set to for the look; `None` where nobody knows.
    pub(super) fn power_of(&self, position: &Position) -> Option<PowerSetting> {
        position.power_at(*self.marks.get(&position.group)?)
    }

    pub(super) fn new(frame: Option<FrameNumber>, file: String, observation: Arc<Observation>, marks: Marks) -> Look {
        Look { frame, file, observation, marks, known: BTreeMap::new(), anchors: Vec::new() }
    }

    /// Takes over how it is known where the dials stood for it: from what was known of the same frame, else from where they stand.
    pub(super) fn note_known(&mut self, before: Option<&Look>, positions: &[Position]) {
        let before = before.filter(|before| before.frame.is_some() && before.frame == self.frame);
        let known = |(group, mark): (&GroupName, &Stops)| {
            let kept = before.filter(|before| before.marks.get(group) == Some(mark));
            let kept = kept.and_then(|before| before.known.get(group).copied());
            let position = positions.iter().find(|position| position.group == *group);
            Some((group.clone(), kept.or_else(|| position?.known_at(*mark))?))
        };
        self.known = self.marks.iter().filter_map(known).collect();
    }

    pub(super) fn stood(&self) -> Stood {
        let filter = self.observation.settings.filter;
        Stood { file: self.file.clone(), frame: self.frame, marks: self.marks.clone(), filter }
    }

    pub(super) fn add_anchor(&mut self, anchor: Anchor) {
        self.anchors.retain(|known| known.frame != anchor.frame);
        self.anchors.push(anchor);
        if self.anchors.len() > MOST_ANCHORS {
            self.anchors.remove(0);
        }
    }

    pub fn anchor_pictures(&self) -> impl Iterator<Item = PictureId> + '_ {
        self.anchors.iter().flat_map(|anchor| anchor.pictures.iter().copied())
    }
}

/// A frame, and where the dials stood for it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stood {
    pub file: String,
    pub frame: Option<FrameNumber>,
    pub marks: Marks,
    /// What was on the lens.
    #[serde(default)]
    pub filter: Density,
}

/// References that others took the place of, oldest first: they may be gone back to.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FormerReferences(VecDeque<Stood>);

impl FormerReferences {
    /// Where there are more, the oldest goes.
    const MOST: usize = 24;

    pub(super) fn add(&mut self, look: &Look) {
        self.0.retain(|known| known.file != look.file);
        if self.0.len() == FormerReferences::MOST {
            self.0.pop_front();
        }
        self.0.push_back(look.stood());
    }

    pub(super) fn find(&self, file: &str) -> Option<&Stood> {
        self.0.iter().find(|known| known.file == file)
    }

    pub(super) fn forget_groups(&mut self, is_there: impl Fn(&GroupName) -> bool) {
        self.0.iter_mut().for_each(|known| known.marks.retain(|group, _| is_there(group)));
    }
}

/// A correction that is neither seen nor told yet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OpenCorrection {
    /// Its number: the record that began it.
    pub record: RecordNumber,
    pub purpose: Purpose,
    pub correction: Correction,
    /// Groups that were told to be set.
    pub confirmed: Vec<GroupName>,
    /// The last frame when it was asked.
    #[serde(default)]
    pub after: Option<FrameNumber>,
}

impl OpenCorrection {
    /// Groups that are at the end of their range, and were confirmed to be, need not be asked again.
    pub(super) fn new(
        record: RecordNumber,
        purpose: Purpose,
        correction: Correction,
        positions: &[Position],
        after: Option<FrameNumber>,
    ) -> Self {
        let is_confirmed = |dial_change: &&DialChange| {
            let position = positions.iter().find(|p| p.group == dial_change.group);
            let is_at_its_end = dial_change.clicks == 0 && dial_change.limit != DialLimit::Within;
            is_at_its_end && position.is_some_and(|p| p.is_known_to_be_short_by(dial_change.remainder))
        };
        let confirmed = correction.dial_changes.iter().filter(is_confirmed).map(|t| t.group.clone()).collect();
        OpenCorrection { record, purpose, correction, confirmed, after }
    }

    /// The settings that it prepares, unless these are such.
    pub fn prepares_beyond(&self, shot: &Settings, lighting: Lighting) -> Option<&Settings> {
        let settings = self.settings()?;
        let apart = expected(shot, settings, lighting.planned());
        apart.is_none_or(|e| e.abs() > SAME_SETTING).then_some(settings)
    }

    /// It was asked for settings that are known to be others than these.
    pub(super) fn is_for_others(&self, shot: &Settings, lighting: Lighting) -> bool {
        let apart = self.settings().and_then(|settings| expected(shot, settings, lighting.planned()));
        apart.is_some_and(|apart| apart.abs() > SAME_SETTING)
    }

    /// It asks just that, for just these settings. What was logged is rounded, so that only what people see is compared.
    pub(super) fn is_already(&self, settings: &Settings, correction: &Correction) -> bool {
        // A light that was told to be set, and is where it was asked to be, has nothing left to do.
        let left = |t: &DialChange| if self.is_confirmed(&t.group) { 0 } else { t.clicks };
        let asked = self.correction.dial_changes.iter().map(|t| (&t.group, left(t), &t.to, t.limit));
        let anew = correction.dial_changes.iter().map(|t| (&t.group, t.clicks, &t.to, t.limit));
        self.settings().is_some_and(|own| own.in_short() == settings.in_short()) && asked.eq(anew)
    }

    /// The settings that it prepares, shot or not.
    pub fn settings(&self) -> Option<&Settings> {
        match &self.purpose {
            Purpose::Next { settings } => Some(settings),
            _ => None,
        }
    }

    pub fn is_confirmed(&self, group: &GroupName) -> bool {
        self.confirmed.iter().any(|g| g == group)
    }

    /// Groups that are to be turned and were not told to be set.
    pub(super) fn unconfirmed(&self) -> impl Iterator<Item = &GroupName> {
        let left = self.correction.dial_changes.iter().filter(|t| t.clicks != 0 && !self.is_confirmed(&t.group));
        left.map(|t| &t.group)
    }

    /// Everything that it asks for was told to be done. A light that stays as it is need not be told of.
    pub fn is_all_confirmed(&self) -> bool {
        let stays = |t: &DialChange| t.clicks == 0 && t.limit == DialLimit::Within;
        self.correction.dial_changes.iter().all(|t| stays(t) || self.is_confirmed(&t.group))
    }

    pub fn dial_change_of(&self, group: &GroupName) -> Option<&DialChange> {
        self.correction.dial_changes.iter().find(|t| t.group == *group)
    }

    /// A group was told to be set. `false` when that was known, or nothing is asked of it.
    pub(super) fn confirm(&mut self, group: &GroupName) -> bool {
        let is_new = self.dial_change_of(group).is_some() && !self.is_confirmed(group);
        if is_new {
            self.confirmed.push(group.clone());
        }
        is_new
    }

    pub(super) fn take_back(&mut self, group: &GroupName) {
        self.confirmed.retain(|g| g != group);
    }

    /// What the end of a group's range leaves over, where it comes first.
    pub(super) fn short_by(&self, group: &GroupName) -> Option<Stops> {
        self.dial_change_of(group).filter(|t| t.limit != DialLimit::Within).map(|t| t.remainder)
    }

    pub(super) fn keep_groups(&mut self, is_there: impl Fn(&GroupName) -> bool) {
        self.correction.dial_changes.retain(|t| is_there(&t.group));
        self.correction.other_ways.retain(|w| is_there(&w.group));
        self.confirmed.retain(|g| is_there(g));
    }
}

/// The last frame that is one to go by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Last {
    pub frame: FrameNumber,
    pub file: String,
    pub observation: Arc<Observation>,
    pub verdict: Verdict,
}

/// What the last frames left over in which the lights were as they should be, oldest first: one who turns the head leaves more than
/// one who doesn't.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct LeftOver(Vec<Stops>);

impl LeftOver {
    /// Frames that are looked back on.
    const MOST: usize = 12;
    /// Beyond this something else is the matter than a head that turns (real faces under strobes, seed 11).
    const CEILING: f64 = 0.1;
    /// As long as too few such frames were seen: nine of ten frames with heads that turned by up to 5 degrees leave less (the same
    /// faces, seeds 21 to 24).
    const UNSEEN: f64 = 0.08;
    /// One frame is no rule: the head may not have turned in it (chosen on seeds 55 to 58, moves `turned`).
    const FEWEST: usize = 2;

    pub(super) fn take(&mut self, verdict: &Verdict) {
        let Some(left) = verdict.left_over.filter(|_| verdict.matches_at_its_own_settings()) else { return };
        if self.0.len() == LeftOver::MOST {
            self.0.remove(0);
        }
        self.0.push(left);
    }

    /// The most of it, within what a head that turns leaves.
    pub fn most(&self) -> Stops {
        let least = if self.0.len() < LeftOver::FEWEST { LeftOver::UNSEEN } else { 0.0 };
        Stops(self.0.iter().map(|left| left.0).fold(least, f64::max).min(LeftOver::CEILING))
    }
}

/// A frame as the trend shows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrendPoint {
    pub frame: FrameNumber,
    pub drift: Option<Stops>,
    /// Half-width about the drift that holds whatever anybody did to the lights: a chart has no room for a condition.
    pub uncertainty: Option<Stops>,
    pub finding: Finding,
}

impl TrendPoint {
    pub(super) fn of(frame: FrameNumber, verdict: &Verdict) -> TrendPoint {
        TrendPoint {
            frame,
            drift: verdict.drift,
            uncertainty: verdict.unconditional_half_width().map(Stops::rounded),
            finding: verdict.finding,
        }
    }
}

/// The first file of an exposure, to which others may belong.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stem {
    pub frame: FrameNumber,
    pub captured: Option<Captured>,
    /// It has a picture that is no raw file.
    pub picture: bool,
}

/// A curve that was learned on the job.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct LearnedCurve {
    pub name: String,
    /// How often it was made better.
    pub lessons: u32,
}

/// A learned curve, as readings go by it.
pub(super) fn learned_response(name: &str, curve: Curve) -> Response {
    Response::new(name.to_owned(), curve, None, Stops::ZERO)
}

/// A finished survey.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Surveyed {
    /// The record that finished it.
    pub record: RecordNumber,
    pub survey: Survey,
    pub report: SurveyReport,
    /// The look that it was made for; `None` when there was none yet.
    pub look: Option<String>,
    /// Where each dial stood then, on its own scale.
    pub marks: Marks,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn verdict(finding: &str, left_over: f64) -> Verdict {
        let text = serde_json::json!({
            "finding": finding, "sentence": "", "expected": 0.0, "lighting": "flash", "observed": 0.0, "observed_uncertainty": 0.1,
            "drift": 0.0, "uncertainty": 0.1, "evidence_used": "both", "assumption": null, "light_change": 0.0, "spots": [],
            "uneven": null, "left_over": left_over
        });
        serde_json::from_value(text).unwrap()
    }

    /// A modifier that moved is no measure of how much a sitter turns the head.
    #[test]
    fn only_frames_that_match_tell_what_a_sitter_leaves_over() {
        let mut left_over = LeftOver::default();
        assert_eq!(left_over.most(), Stops(LeftOver::UNSEEN));
        left_over.take(&verdict("modifier_moved", 0.3));
        assert_eq!(left_over.most(), Stops(LeftOver::UNSEEN), "none was seen yet");
        left_over.take(&verdict("matched", 0.02));
        assert_eq!(left_over.most(), Stops(LeftOver::UNSEEN), "one is no rule");
        left_over.take(&verdict("matched", 0.05));
        assert_eq!(left_over.most(), Stops(0.05));
        left_over.take(&verdict("settings_changed", 0.07));
        assert_eq!(left_over.most(), Stops(0.05));
        (0..LeftOver::MOST).for_each(|_| left_over.take(&verdict("matched", 0.02)));
        assert_eq!(left_over.most(), Stops(0.02), "what is long ago is forgotten");
    }
}
