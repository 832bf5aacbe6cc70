//! The set-up as it is known: the looks, where each dial stands, what is asked, the survey. What an exposure is
//! judged from, and what its judgement changes.
//!
//! It can be taken back to what it was before an exposure, so that the exposure can be judged anew.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::dials::{Said, marks_now, moved_by, place};
use super::judgement::{How, Judgement, PositionRead};
use super::lens_filter::LensFilter;
use super::record::{Body, GroupPower, PowerSource, Purpose};
use super::remembered::{Last, LeftOver, Look, OpenCorrection, Surveyed};
use super::rows;
use super::set_up_asked::SetUpAsked;
use super::standing::{ReferenceBy, Standing};
use super::survey_step::SurveyStep;
use crate::advice::{Correction, Observation, Previous};
use crate::frame::Captured;
use crate::meter::FrameReadings;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::{PowerSetting, Stops};
use crate::rig::{GroupName, Known, Position, Survey};

/// Of fixed size, but for the looks that people name.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Setup {
    #[serde(with = "rows::looks")]
    pub looks: BTreeMap<String, Look>,
    /// The look that frames are compared with.
    pub current: Option<String>,
    #[serde(default)]
    pub standing: Standing,
    pub positions: Vec<Position>,
    pub open: Option<OpenCorrection>,
    /// The correction that was told to be done since the last frame: a word that is taken back opens it again.
    pub(super) told_done: Option<OpenCorrection>,
    #[serde(default)]
    pub lens: LensFilter,
    /// The last frame that is one to go by.
    pub last: Option<Last>,
    /// The survey under way, and the last one that was finished.
    pub surveying: Option<Survey>,
    pub surveyed: Option<Arc<Surveyed>>,
    #[serde(default)]
    pub left_over: LeftOver,
    /// Why the last frame was not taken for the survey under way.
    pub survey_refused: Option<String>,
    /// It is asked whether all this still holds.
    #[serde(default)]
    pub set_up_asked: Option<SetUpAsked>,
    /// Within it a frame matches, by the configuration.
    #[serde(default)]
    pub tolerance: Stops,
    /// What the configuration wants of the reference itself, in words.
    #[serde(default)]
    pub target: Option<String>,
    /// The powers that the configuration names.
    pub(super) configured: BTreeMap<GroupName, Option<PowerSetting>>,
}

impl Setup {
    // --- what is known ---

    /// The look that frames are compared with.
    pub fn reference(&self) -> Option<&Look> {
        let look = self.looks.get(self.current.as_ref()?)?;
        (self.standing != Standing::AwaitsSitter).then_some(look)
    }

    pub fn previous(&self) -> Option<Previous> {
        self.last.as_ref().map(|l| Previous { captured: l.observation.settings.captured.clone() })
    }

    pub fn position(&self, group: &GroupName) -> Option<&Position> {
        self.positions.iter().find(|p| p.group == *group)
    }

    /// Where a group's dial stood at the reference; `None` when nobody knows.
    pub fn mark(&self, group: &GroupName) -> Option<Stops> {
        self.reference()?.marks.get(group).copied()
    }

    /// Where the dials stand for a frame that becomes a look's reference.
    pub(super) fn marks_of(
        &self,
        look: &str,
        frame: Option<FrameNumber>,
        by: ReferenceBy,
    ) -> BTreeMap<GroupName, Stops> {
        // The frame that a light was built up to was marked when it was shot; a light may have been turned since.
        let is_marked = by != ReferenceBy::Told || self.standing == Standing::Building;
        let built = self.looks.get(look).filter(|known| is_marked && frame.is_some() && known.frame == frame);
        built.map_or_else(|| marks_now(&self.positions, frame, by), |known| known.marks.clone())
    }

    // --- how it changes ---

    /// What was told until now can't be taken back any more, as when an exposure was made.
    pub(super) fn settle(&mut self) {
        self.positions.iter_mut().for_each(Position::settle);
        self.told_done = None;
    }

    /// Takes up what somebody, or the survey, told by record `n`. Readings in it are in codes.
    pub(super) fn apply(&mut self, n: RecordNumber, body: &Body) {
        match body {
            Body::Config { groups, target, tolerance } => {
                self.tolerance = *tolerance;
                self.target.clone_from(target);
                self.take_config(groups);
            }
            Body::Reference { look, frame, file, observation, by, positions, marks, .. } => {
                positions.iter().for_each(|read| self.read_position(read));
                let marks = marks.clone().unwrap_or_else(|| self.marks_of(look, *frame, *by));
                // What a survey found to stand in the light, and was meant, makes the survey one of another light.
                if *by == ReferenceBy::Accepted
                    && self.last.as_ref().is_some_and(|last| last.verdict.finding.outdates_a_survey())
                {
                    self.surveyed = None;
                }
                let observation = Arc::new(observation.in_codes(|_| None));
                let mut new = Look::new(*frame, file.clone(), observation, marks);
                new.note_known(self.looks.get(look), &self.positions);
                self.looks.insert(look.clone(), new);
                self.make_current(look);
                if *by == ReferenceBy::Building {
                    self.standing = Standing::Building;
                }
            }
            Body::Look { look } => self.make_current(look),
            Body::NewSitter => {
                self.standing = Standing::AwaitsSitter;
                (self.surveyed, self.left_over) = (None, LeftOver::default());
                self.settle();
            }
            Body::Correction { purpose, correction, .. } => {
                self.settle();
                self.ask(n, purpose.clone(), (**correction).clone());
            }
            Body::Resolved { correction, .. } if self.open.as_ref().is_none_or(|open| open.record != *correction) => {}
            Body::Resolved { how: How::Confirmed, .. } => self.told_done = self.open.take(),
            Body::Resolved { .. } => {
                self.open = None;
                self.settle();
            }
            Body::Power { group, setting, turned, moved, source, answers, .. } => {
                let said = Said { setting: *setting, turned: *turned, moved: *moved };
                self.take_power(n, group, said, *source, *answers);
            }
            Body::Undone { group, of } => self.undo(group, *of),
            Body::Filter { density } => self.lens.tell(*density),
            Body::Survey { step, .. } => self.take_survey_step(n, step),
            Body::Sitting { step } => self.take_sitting_step(step),
            _ => {}
        }
    }

    /// The groups of the configuration that was taken up last, with the powers that it names.
    pub(super) fn configured(&self) -> &BTreeMap<GroupName, Option<PowerSetting>> {
        &self.configured
    }

    /// A power in the configuration counts when it is written anew; one that stood there before is overtaken by the log.
    fn take_config(&mut self, groups: &[GroupPower]) {
        let written: BTreeMap<GroupName, Option<PowerSetting>> =
            groups.iter().map(|g| (g.group.clone(), g.power)).collect();
        let order = |group: &GroupName| groups.iter().position(|g| g.group == *group);
        if written == self.configured {
            // As at a restart.
            self.positions.sort_by_key(|p| order(&p.group));
            return;
        }
        self.settle();
        let mut known = std::mem::take(&mut self.positions);
        for (group, power) in &written {
            let position = match known.iter().position(|p| p.group == *group) {
                Some(at) => {
                    let mut position = known.swap_remove(at);
                    if let Some(power) = power.filter(|_| self.configured.get(group) != Some(power)) {
                        position.set(power, Known::Configured);
                    }
                    position
                }
                None => self.met(group, *power),
            };
            self.positions.push(position);
        }
        self.positions.sort_by_key(|p| order(&p.group));
        self.configured = written;
        self.forget_groups_that_are_gone();
    }

    /// A group that wasn't there before is taken to have been where it is.
    fn met(&mut self, group: &GroupName, power: Option<PowerSetting>) -> Position {
        let position = Position::first(group.clone(), power);
        for look in self.looks.values_mut().filter(|look| look.frame.is_some()) {
            look.marks.insert(group.clone(), position.at);
            look.known.insert(group.clone(), position.known);
        }
        position
    }

    /// Nothing is asked of a group that isn't there any more, and nothing is marked for it.
    fn forget_groups_that_are_gone(&mut self) {
        let Setup { positions, looks, open, surveyed, .. } = self;
        let there = |group: &GroupName| positions.iter().any(|p| p.group == *group);
        if let Some(asked) = open {
            asked.keep_groups(there);
        }
        if open.as_ref().is_some_and(|asked| asked.correction.is_empty() || asked.is_all_confirmed()) {
            *open = None;
        }
        looks.values_mut().for_each(|look| look.marks.retain(|group, _| there(group)));
        if let Some(surveyed) = surveyed {
            Arc::make_mut(surveyed).marks.retain(|group, _| there(group));
        }
    }

    fn make_current(&mut self, name: &str) {
        if self.looks.contains_key(name) {
            self.current = Some(name.to_owned());
            self.standing = Standing::Accepted;
            self.open = None;
            self.settle();
        }
    }

    fn take_power(
        &mut self,
        n: RecordNumber,
        group: &GroupName,
        said: Said,
        source: PowerSource,
        answers: Option<RecordNumber>,
    ) {
        let told = source == PowerSource::Told;
        let answered = self.open.as_mut().filter(|open| answers == Some(open.record));
        let confirms = answered.is_some_and(|open| open.confirm(group));
        let short_by = self.open.as_ref().filter(|_| confirms).and_then(|open| open.short_by(group));
        let mark = self.mark(group);
        let Some(position) = self.positions.iter_mut().find(|p| p.group == *group) else { return };
        if told {
            position.remember(n, confirms);
        }
        let known = source.known();
        match said {
            Said { turned: Some(by), .. } => position.turn(by, known),
            Said { moved: Some(moved), setting, .. } => {
                // Without a mark the move tells nothing of the power; and a power that nobody knew is told now.
                if let Some(setting) = setting.filter(|_| mark.is_none()) {
                    position.set(setting, known);
                }
                let mark = moved_by(position, mark, moved, known);
                if let Some(setting) = setting.filter(|_| position.power().is_none()) {
                    position.set(setting, known);
                }
                self.mark_anew(group, mark);
            }
            Said { setting: Some(setting), .. } => position.set(setting, known),
            Said { .. } => {}
        }
        if let Some(position) = self.positions.iter_mut().find(|p| p.group == *group) {
            position.short_by = short_by;
        }
    }

    /// Where nobody knew what a light was set to at the reference, the picture has told it.
    fn mark_anew(&mut self, group: &GroupName, mark: Option<Stops>) {
        let known = self.position(group).map(|position| position.known);
        let look = self.current.as_ref().and_then(|name| self.looks.get_mut(name));
        if let Some((look, mark)) = look.zip(mark) {
            look.marks.insert(group.clone(), mark);
            look.known.extend(known.map(|known| (group.clone(), known)));
        }
    }

    fn undo(&mut self, group: &GroupName, of: RecordNumber) {
        let position = self.positions.iter_mut().find(|p| p.group == *group);
        if position.and_then(|p| p.undo(of)) == Some(true) {
            // When all had been told the correction was over.
            if self.open.is_none() {
                self.open = self.told_done.take();
            }
            if let Some(open) = &mut self.open {
                open.take_back(group);
            }
        }
    }

    fn take_survey_step(&mut self, n: RecordNumber, step: &SurveyStep) {
        self.survey_refused = match step {
            SurveyStep::Refused { why, .. } => Some(why.clone()),
            _ => None,
        };
        match (step, &mut self.surveying) {
            (SurveyStep::Begun { order, skipped }, surveying) => {
                let survey = Survey { order: order.clone(), taken: Vec::new(), skipped: skipped.clone() };
                *surveying = Some(survey);
            }
            (SurveyStep::Taken { frame, shows }, Some(survey)) => survey.taken.extend(shows.taken_as(*frame)),
            (SurveyStep::Skipped { group }, Some(survey)) => survey.skip(group),
            (SurveyStep::Finished { report }, surveying) => {
                self.left_over = LeftOver::default();
                let marks = self.positions.iter().map(|p| (p.group.clone(), p.at)).collect();
                let (report, look) = ((**report).clone(), self.current.clone());
                let finished = |survey| Arc::new(Surveyed { record: n, survey, report, look, marks });
                self.surveyed = surveying.take().map(finished);
            }
            (SurveyStep::Stopped, surveying) => *surveying = None,
            _ => {}
        }
    }

    /// A frame was taken that is none to go by, as it was lit by one group; but when it was counts.
    pub(super) fn note_time(&mut self, captured: Option<Captured>) {
        if let Some(last) = &mut self.last {
            Arc::make_mut(&mut last.observation).settings.captured = captured;
        }
    }

    /// Takes up what was made of an exposure, by record `n`.
    pub(super) fn take_judgement(&mut self, n: RecordNumber, judgement: &Judgement) {
        self.left_over.take(&judgement.verdict);
        self.lens.take(&judgement.verdict);
        for read in &judgement.positions {
            self.read_position(read);
        }
        if judgement.ended.is_some() {
            self.open = None;
        }
        if let Some(asked) = &judgement.correction {
            let purpose = Purpose::Drift { frame: judgement.frame };
            self.ask(asked.number(n), purpose, (*asked.correction).clone());
        }
        let look = self.current.as_ref().and_then(|name| self.looks.get_mut(name));
        look.into_iter().zip(judgement.anchor.as_deref()).for_each(|(look, anchor)| look.add_anchor(anchor.clone()));
    }

    fn ask(&mut self, n: RecordNumber, purpose: Purpose, correction: Correction) {
        // The same question with other turns, as its lights were found elsewhere.
        let same = self.open.take().filter(|open| open.record == n);
        let after = same.as_ref().map_or_else(|| self.last.as_ref().map(|l| l.frame), |same| same.after);
        let purpose = same.map_or(purpose, |same| same.purpose);
        self.open = Some(OpenCorrection::new(n, purpose, correction, &self.positions, after));
    }

    fn read_position(&mut self, read: &PositionRead) {
        let mark = self.mark(&read.group);
        let mark = place(&mut self.positions, mark, read);
        self.mark_anew(&read.group, mark);
    }

    /// The positions as such a reading makes them.
    pub(super) fn with_positions(&self, read: &[PositionRead]) -> Vec<Position> {
        let mut positions = self.positions.clone();
        for read in read {
            place(&mut positions, self.mark(&read.group), read);
        }
        positions
    }

    /// A reference's file was metered anew, by other spots.
    pub(super) fn reread(&mut self, file: &str, metered: &FrameReadings) {
        for look in self.looks.values_mut().filter(|l| l.file == file) {
            Arc::make_mut(&mut look.observation).reread(metered);
        }
    }

    /// A frame has further readings than it had.
    pub(super) fn complete(&mut self, frame: FrameNumber, observation: &Arc<Observation>) {
        for look in self.looks.values_mut().filter(|l| l.frame == Some(frame)) {
            look.observation = observation.clone();
        }
        if let Some(last) = self.last.as_mut().filter(|l| l.frame == frame) {
            last.observation = observation.clone();
        }
    }
}
