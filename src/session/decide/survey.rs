//! The light survey's steps: what is asked next, which frames are taken for it, and what it finds.
//!
//! A survey's frame never becomes the last one that others are compared with: it is lit by one group, or none. It has a
//! judgement all the same, as every exposure has, which changes nothing; whether it serves the survey is a record of its own.

use super::Draft;
use super::laying::LightOver;
use crate::advice::{Finding, Verdict};
use crate::drift::{Disparity, Lighting, expected};
use crate::photometry::Stops;
use crate::response::Response;
use crate::rig::{BesideReference, Firing, GroupName, LightGroup, Position, Survey, SurveyFrame, SurveyRefusal};
use crate::session::command::{Reply, SurveyAsk};
use crate::session::exposures::Exposure;
use crate::session::judgement::{Judgement, Occasion};
use crate::session::record::Body;
use crate::session::remembered::OpenCorrection;
use crate::session::setup::Setup;
use crate::session::survey_step::SurveyStep;
use crate::wording::listed;

/// A frame of a single light is refused only on a reading as sure as this: vaguer ones had refused lights that were alone in
/// `and_a_claim_that_is_made_is_right`, which must survey each of its lights.
const SURE_ENOUGH_TO_REFUSE: Stops = Stops(0.35);
/// And only where as little speaks against all lights having changed alike as in 99 % of frames in which sitters walked and nothing
/// changed (held by `one_light_of_several_is_told_from_all_alike`): a single light that was not alone shows when the lights are put
/// together, too, while one that was alone can't be surveyed any more once it is refused.
const NOTHING_CHANGED: Disparity = Disparity(4.0);

impl Draft<'_> {
    pub(super) fn tell_survey(&mut self, what: SurveyAsk, groups: &[GroupName]) -> Reply {
        match what {
            SurveyAsk::Start => self.begin_survey(groups),
            SurveyAsk::Skip if self.sitting.setup.surveying.is_none() => Reply::refused("no survey is under way"),
            SurveyAsk::Skip => self.skip_in_survey(),
            SurveyAsk::Stop if self.sitting.setup.surveying.is_some() => {
                self.stage(Body::Survey { step: SurveyStep::Stopped, next: None });
                Reply::done("the survey is given up; frames are compared with the reference again")
            }
            SurveyAsk::Report => match &self.sitting.setup.surveyed {
                Some(surveyed) => {
                    let value = serde_json::to_value(&surveyed.report).unwrap_or_default();
                    Reply::with(surveyed.report.in_words().join("\n"), value)
                }
                None => Reply::refused("there is no finished survey: 'survey' begins one"),
            },
            SurveyAsk::Stop => Reply::refused("no survey is under way"),
        }
    }

    fn begin_survey(&mut self, groups: &[GroupName]) -> Reply {
        if let Some(first) = self.set_up_comes_first() {
            return first;
        }
        // Ratios are told from the key light on.
        let mut by_role: Vec<&LightGroup> = self.config.groups.iter().collect();
        by_role.sort_by_key(|g| g.role);
        let all: Vec<GroupName> = by_role.iter().map(|g| g.name.clone()).collect();
        if let Some(unknown) = groups.iter().find(|g| !all.contains(g)) {
            return Reply::refused(format!("there is no group '{unknown}': it is one of {}", all.join(", ")));
        }
        if all.len() < 2 {
            return Reply::refused(
                "a survey tells groups of lights apart, and the configuration names only one: describe each group under groups:",
            );
        }
        if self.sitting.setup.reference().is_none() {
            return Reply::refused(
                "a survey's frames are held against the picture with all groups: take a frame with all of them first",
            );
        }
        if self.config.lighting != Lighting::Flash {
            return Reply::refused("a survey is for flash: set lighting: flash in the configuration");
        }
        // A survey is made for the look that the sitting is to have.
        let accepted = self.go_by_what_is_built().map_or_else(String::new, |said| format!("{said}\n"));
        let chosen: Vec<GroupName> = all.iter().filter(|g| groups.is_empty() || groups.contains(g)).cloned().collect();
        let survey = Survey::of(&chosen, &all);
        let skipped = if survey.skipped.is_empty() {
            String::new()
        } else {
            format!("Left out: {}; nothing will be said of it by itself.\n", survey.skipped.join(", "))
        };
        let powers = self.powers_of_survey();
        let next = survey.next().map(Firing::asks).unwrap_or_default();
        self.stage(Body::Survey {
            step: SurveyStep::Begun { order: survey.order, skipped: survey.skipped },
            next: Some(next.clone()),
        });
        Reply::done(format!(
            "{accepted}{skipped}{powers}The next frames are the survey's, the sitter keeping still, the powers as they are. ISO, aperture and \
             time may differ from frame to frame.\nNow {next}."
        ))
    }

    /// By which powers it is read, where turns were asked that may be done or not.
    fn powers_of_survey(&self) -> String {
        let setup = &self.sitting.setup;
        let asked: Vec<&str> = setup.open.iter().flat_map(OpenCorrection::unconfirmed).map(GroupName::as_str).collect();
        if asked.is_empty() {
            return String::new();
        }
        let power = |position: &Position| {
            let shown = position.power().zip(self.group(&position.group)).map(|(power, group)| group.shown(power));
            format!("{} at {}", position.group, shown.unwrap_or_else(|| "an unknown power".to_owned()))
        };
        let powers: Vec<String> = setup.positions.iter().map(power).collect();
        format!(
            "Nobody said that {} turned as asked, so the survey takes {}. If that is not so: 'survey stop', tell the powers ('confirm', or \
             'set' for each), and begin anew.\n",
            if asked.len() == 1 { format!("{} was", asked[0]) } else { format!("{} were", listed(&asked)) },
            listed(&powers)
        )
    }

    fn skip_in_survey(&mut self) -> Reply {
        let under_way = self.sitting.setup.surveying.clone();
        let next = under_way.as_ref().and_then(|s| s.next().cloned());
        let Some((mut left, Firing::Only(group))) = under_way.zip(next) else {
            return Reply::refused("only a group can be skipped: the frames with no flash and with all are needed");
        };
        left.skip(&group);
        if !left.order.iter().any(|firing| matches!(firing, Firing::Only(_))) {
            return Reply::refused("a survey of no group tells nothing: 'survey stop' gives it up");
        }
        let next = left.next().map(Firing::asks);
        self.stage(Body::Survey { step: SurveyStep::Skipped { group: group.clone() }, next: next.clone() });
        Reply::done(format!("{group} is left out. Now {}.", next.unwrap_or_default()))
    }

    /// Takes an exposure as the next of the survey under way.
    pub(super) fn take_survey_frame(&mut self, exposure: &Exposure, before: &Setup, survey: &Survey, firing: &Firing) {
        let pair = self.comparable(before, exposure);
        let judged = self.verdict(before, &pair, self.lay(before, &pair).as_ref(), exposure.found_at_start, None);
        let checked = self.check_survey_frame(exposure, before, survey, firing, &judged);
        let sentence = match &checked {
            Ok(_) => format!("Survey, {}: taken.", firing.in_short()),
            Err(why) => format!("Survey, {}: not taken: {why}.", firing.in_short()),
        };
        let verdict = of_survey(judged, sentence);
        let frame = exposure.frame;
        self.stage(Body::Judged(Box::new(Judgement::without_effect(frame, Occasion::FirstFile, verdict))));
        match checked {
            Ok(shows) => {
                let mut after = survey.clone();
                after.taken.push(shows.clone());
                let next = after.next().map(Firing::asks);
                let step = SurveyStep::Taken { frame, shows: Box::new(shows.clone().into()) };
                self.stage(Body::Survey { step, next: next.clone() });
                if next.is_none() {
                    self.learn_from_survey(exposure, &after);
                    let response = self.response_of_map(&shows.light, &exposure.observation);
                    self.finish_survey(&after, &response);
                }
            }
            Err(why) => {
                let step = SurveyStep::Refused { frame, firing: firing.clone(), why: why.to_string() };
                self.stage(Body::Survey { step, next: Some(firing.asks()) });
            }
        }
    }

    fn check_survey_frame(
        &self,
        exposure: &Exposure,
        before: &Setup,
        survey: &Survey,
        firing: &Firing,
        judged: &Verdict,
    ) -> Result<SurveyFrame, SurveyRefusal> {
        let settings = &exposure.observation.settings;
        let light = self.maps_of(exposure.frame).next().ok_or(SurveyRefusal::OtherShape)?;
        let reference = before.reference().and_then(|look| look.observation.reading_of(light.is_raw()));
        let own = exposure.observation.reading_of(light.is_raw());
        if own.zip(reference).is_some_and(|(own, reference)| !own.shares_curve_with(reference)) {
            return Err(SurveyRefusal::OtherShape);
        }
        // Frames of a survey lie over one picture, so that a sitter who moves between them costs little.
        let over = survey.laid_over().or(reference.and_then(|reading| reading.picture));
        let clipped = light.clipped();
        let shaped = survey.taken.first().map_or(light, |taken| &taken.light);
        let LightOver { light, over } = self.light_laid_over(over, exposure, light, shaped);
        let response = self.response_of_map(&light, &exposure.observation);
        let frame = SurveyFrame {
            firing: firing.clone(),
            settings: settings.clone(),
            light,
            laid_over: over,
            frame: Some(exposure.frame),
        };
        let reference = before.reference().map(|look| &look.observation.settings);
        let change = |lighting| expected(reference?, settings, lighting);
        let turned = before.moved_alike().unwrap_or(Stops::ZERO);
        let excess = judged.observed.zip(judged.expected).map(|(seen, settings)| seen - settings - turned);
        // What is too vague to differ from the reference agrees with nothing.
        let is_sure = judged.observed_uncertainty.is_some_and(|half_width| half_width <= SURE_ENOUGH_TO_REFUSE);
        let beside = BesideReference {
            longer: change(Lighting::Continuous).zip(change(Lighting::Flash)).map(|(all, flash)| all - flash),
            excess,
            matches: is_sure
                && judged.disparity.is_some_and(|disparity| disparity <= NOTHING_CHANGED)
                && excess.is_some_and(|excess| excess.abs() <= self.config.tolerance),
            clipped,
        };
        survey.check(&frame, beside, &response)?;
        Ok(frame)
    }

    fn finish_survey(&mut self, survey: &Survey, response: &Response) {
        // The last frame, and a curve that it taught, were checked by putting the lights together: here they go together, too.
        let Some(lights) = survey.lights(response) else { return };
        let report = Box::new(lights.report(&self.config.spots, &self.config.judged_spot));
        self.stage(Body::Survey { step: SurveyStep::Finished { report }, next: None });
        let record = self.sitting.records;
        self.knowledge.lights(record, &response.name, || Some(lights));
    }
}

/// The verdict of a survey's frame: nothing to correct, and its evidence.
fn of_survey(judged: Verdict, sentence: String) -> Verdict {
    Verdict {
        finding: Finding::Survey,
        sentence,
        drift: None,
        uncertainty: None,
        evidence_used: None,
        assumption: None,
        light_change: None,
        uneven: None,
        ..judged
    }
}
