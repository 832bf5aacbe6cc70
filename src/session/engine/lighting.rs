//! The engine's light survey: its steps, what single lights are read to do in a frame, and what follows.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::{Engine, Landed, Ledger};
use crate::advice::{
    Cause, GroupSeen, GroupsBefore, LightsSeen, Subject, Verdict, correct, correct_each, is_soon_after,
    moved_with_the_frame,
};
use crate::drift::{Lighting, expected};
use crate::frame::Settings;
use crate::meter::{Area, LightMap};
use crate::photometry::{Step, Stops};
use crate::response::Response;
use crate::rig::solve::{Did, Habit, Sources, read};
use crate::rig::{BesideReference, LightGroup, Lights, Lit, Survey, SurveyFrame, SurveyRefusal, Turn};
use crate::session::command::{Reply, SurveyAsk};
use crate::session::metering::FrameOutcome;
use crate::session::record::{Body, How, PowerSource, Purpose, SurveyStep};
use crate::session::remembered::Surveyed;

/// The lights of the last survey by one curve, put together once.
#[derive(Debug, Clone)]
pub(super) struct Surveying {
    record: u64,
    response: String,
    lights: Option<Arc<Lights>>,
}

/// What is known of a survey's sources before a frame is looked at, in the order of its basis.
struct KnownLights {
    /// How each should have changed since the survey.
    changes: Vec<Stops>,
    habits: Vec<Habit>,
    /// How far each source of flash is from what the reference's look needs; `None` when that isn't known.
    off: Vec<Option<Stops>>,
    /// Share of the room's light in the frame, when all that was asked is done.
    room_share: f64,
}

/// Room light's usual step, for want of a dial.
const ROOM_STEP: Stops = Stops(0.25);
/// By which the light of tied groups changes together.
const TIED_STEP: Stops = Stops(0.1);
/// A turn this small is none.
const NO_TURN: Stops = Stops(0.06);
/// A turn this near to what was asked is that.
const AS_ASKED: Stops = Stops(0.1);
/// Groups off by this much alike are turned alike.
const ALIKE: Stops = Stops(0.15);

impl<L: Ledger> Engine<L> {
    // --- the survey's steps ---

    pub(super) fn tell_survey(&mut self, what: SurveyAsk, groups: &[String]) -> Reply {
        match what {
            SurveyAsk::Start => self.begin_survey(groups),
            SurveyAsk::Skip => self.skip_in_survey(),
            SurveyAsk::Stop if self.state.surveying.is_some() => {
                self.stage(Body::Survey { step: SurveyStep::Stopped, next: None });
                Reply::done("the survey is given up; frames are compared with the reference again")
            }
            SurveyAsk::Report => match &self.state.surveyed {
                Some(surveyed) => {
                    let value = serde_json::to_value(&surveyed.report).unwrap_or_default();
                    Reply::with(surveyed.report.in_words().join("\n"), value)
                }
                None => Reply::refused("there is no finished survey: 'survey' begins one"),
            },
            SurveyAsk::Stop => Reply::refused("no survey is under way"),
        }
    }

    fn begin_survey(&mut self, groups: &[String]) -> Reply {
        // Ratios are told from the key light on.
        let mut by_role: Vec<&LightGroup> = self.config.groups.iter().collect();
        by_role.sort_by_key(|g| g.role);
        let all: Vec<String> = by_role.iter().map(|g| g.name.clone()).collect();
        if let Some(unknown) = groups.iter().find(|g| !all.contains(g)) {
            return Reply::refused(format!("there is no group '{unknown}': it is one of {}", all.join(", ")));
        }
        if all.len() < 2 {
            return Reply::refused(
                "a survey tells groups of lights apart, and the configuration names only one: describe each group under lights:",
            );
        }
        if self.config.lighting != Lighting::Flash {
            return Reply::refused("a survey is for flash: set lighting: flash in the configuration");
        }
        let chosen: Vec<String> = all.iter().filter(|g| groups.is_empty() || groups.contains(g)).cloned().collect();
        let survey = Survey::of(&chosen, &all);
        let skipped = if survey.skipped.is_empty() {
            String::new()
        } else {
            format!("Left out: {}; nothing will be said of it by itself.\n", survey.skipped.join(", "))
        };
        let next = survey.next().map(Lit::asks).unwrap_or_default();
        self.stage(Body::Survey {
            step: SurveyStep::Begun { order: survey.order, skipped: survey.skipped },
            next: Some(next.clone()),
        });
        Reply::done(format!(
            "{skipped}The next frames are the survey's, the sitter keeping still, the powers as they are. ISO, aperture and \
             time may differ from frame to frame.\nNow {next}."
        ))
    }

    fn skip_in_survey(&mut self) -> Reply {
        let next = self.state.surveying.as_ref().and_then(|s| s.next().cloned());
        let Some(Lit::Only(group)) = next else {
            return Reply::refused("only a group can be skipped: the frames with no flash and with all are needed");
        };
        let left = self.state.surveying.clone().map(|mut s| {
            s.skip(&group);
            s
        });
        if !left.as_ref().is_some_and(|s| s.order.iter().any(|lit| matches!(lit, Lit::Only(_)))) {
            return Reply::refused("a survey of no group tells nothing: 'survey stop' gives it up");
        }
        let next = left.as_ref().and_then(|s| s.next()).map(Lit::asks);
        self.stage(Body::Survey { step: SurveyStep::Skipped { group: group.clone() }, next: next.clone() });
        Reply::done(format!("{group} is left out. Now {}.", next.unwrap_or_default()))
    }

    /// Takes a frame as the next of the survey under way.
    pub(super) fn take_survey_frame(&mut self, file: Landed, outcome: FrameOutcome, survey: &Survey, lit: &Lit) {
        let pair = self.comparable(&outcome.subject, None);
        let judged = self.judge(&pair, file.late, None);
        let checked = self.check_survey_frame(&outcome, survey, lit, &judged);
        let verdict = of_survey(
            judged,
            &match &checked {
                Ok(_) => format!("Survey, {}: taken.", lit.in_short()),
                Err(why) => format!("Survey, {}: not taken: {why}.", lit.in_short()),
            },
        );
        let response = self.response_of(&outcome.subject);
        let Some(frame) = self.stage_frame(file, outcome, verdict) else { return };
        match checked {
            Ok(shows) => {
                let mut after = survey.clone();
                after.taken.push(shows.clone());
                let next = after.next().map(Lit::asks);
                self.stage(Body::Survey {
                    step: SurveyStep::Taken { frame, shows: Box::new(shows) },
                    next: next.clone(),
                });
                if next.is_none() {
                    self.finish_survey(&after, &response);
                }
            }
            Err(why) => {
                let step = SurveyStep::Refused { frame, lit: lit.clone(), why: why.to_string() };
                self.stage(Body::Survey { step, next: Some(lit.asks()) });
            }
        }
    }

    fn check_survey_frame(
        &self,
        outcome: &FrameOutcome,
        survey: &Survey,
        lit: &Lit,
        judged: &Verdict,
    ) -> Result<SurveyFrame, SurveyRefusal> {
        let FrameOutcome { subject, light, .. } = outcome;
        let light = light.clone().ok_or(SurveyRefusal::OtherShape)?;
        let frame = SurveyFrame { lit: lit.clone(), settings: subject.settings.clone(), light };
        let turned = self.state.moved_alike().unwrap_or(Stops::ZERO);
        let reference = self.state.reference().map(|look| &look.subject.settings);
        let change = |lighting| expected(reference?, &subject.settings, lighting);
        let beside = BesideReference {
            longer: change(Lighting::Continuous).zip(change(Lighting::Flash)).map(|(all, flash)| all - flash),
            by: judged.observed.zip(judged.expected).map(|(seen, settings)| seen - settings - turned),
            matches: judged.cause == Cause::Matched,
        };
        let response = self.response_of(subject);
        let by_one = SurveyFrame { light: self.by_curve(&frame.light, &response), ..frame.clone() };
        self.survey_by(survey, &response).check(&by_one, beside, &response)?;
        Ok(frame)
    }

    fn finish_survey(&mut self, survey: &Survey, response: &Response) {
        // The last frame was checked by putting the lights together: here they go together, too.
        let Some(lights) = self.survey_by(survey, response).lights(response) else { return };
        let report = Box::new(lights.report(&self.config.spots, &self.config.judge_by));
        self.stage(Body::Survey { step: SurveyStep::Finished { report }, next: None });
        let lights = Some(Arc::new(lights));
        self.surveying = Some(Surveying { record: self.state.records, response: response.name.clone(), lights });
    }

    // --- reading the lights ---

    /// The curve that a subject's counting reading goes by.
    fn response_of(&self, subject: &Subject) -> Response {
        let metered = subject.metered.as_ref();
        metered.map_or_else(Response::srgb, |m| self.curve_for(&subject.settings, m))
    }

    fn by_curve(&self, light: &LightMap, response: &Response) -> LightMap {
        match self.named(&light.response) {
            Some(from) if from.name != response.name => light.reread(&from, response),
            _ => light.clone(),
        }
    }

    fn survey_by(&self, survey: &Survey, response: &Response) -> Survey {
        let taken = survey.taken.iter().map(|t| SurveyFrame { light: self.by_curve(&t.light, response), ..t.clone() });
        Survey { taken: taken.collect(), ..survey.clone() }
    }

    /// The lights of the last survey, when it was made of frames like this one.
    fn lights_for(&mut self, light: &LightMap, response: &Response) -> Option<Arc<Lights>> {
        let Surveyed { record, survey, look, .. } = self.state.surveyed.as_ref()?;
        let first = &survey.taken.first()?.light;
        // Another look has other lights.
        let same_look = look.is_none() || *look == self.state.current;
        if !same_look || !first.fits(light) || first.is_raw() != light.is_raw() {
            return None;
        }
        let known = self.surveying.as_ref().filter(|k| k.record == *record && k.response == response.name);
        if let Some(known) = known {
            return known.lights.clone();
        }
        let lights = self.survey_by(survey, response).lights(response).map(Arc::new);
        self.surveying = Some(Surveying { record: *record, response: response.name.clone(), lights: lights.clone() });
        lights
    }

    /// What the single lights did in a frame, where a survey tells.
    pub(super) fn see_lights(&mut self, outcome: &FrameOutcome, late: bool) -> Option<LightsSeen> {
        let FrameOutcome { subject: Subject { settings, .. }, light, .. } = outcome;
        let light = light.as_ref()?;
        let response = if light.is_raw() { Response::raw() } else { self.response_of(&outcome.subject) };
        let lights = self.lights_for(light, &response)?;
        let known = self.known_of(&lights, settings)?;
        let previous = self.state.previous().filter(|_| !late);
        let soon = is_soon_after(previous.as_ref(), settings, self.config.recycle.as_secs_f64());
        let by_one = self.by_curve(light, &response);
        let slow = settings.exposure_time.is_none_or(|t| t.tv() < self.config.sync.tv() + Stops(-0.01));
        let sources = match read(&lights.basis, &known.changes, &known.habits, soon, &by_one, &response) {
            // No shutter this slow cuts a flash off; what it is, the frame as a whole tells.
            Sources::Band { .. } if slow => Sources::Unreadable,
            sources => sources,
        };
        let asked: Vec<Option<Stops>> = known.habits.iter().map(|h| h.asked).collect();
        let groups =
            GroupsBefore { names: &lights.names, off: &known.off, asked: &asked, not_surveyed: &lights.skipped };
        let room = (known.room_share, self.config.room_light);
        Some(LightsSeen::of(&sources, &groups, light.cells(), room, soon))
    }

    /// What is known of every source before a frame with these settings is looked at.
    fn known_of(&self, lights: &Lights, settings: &Settings) -> Option<KnownLights> {
        let flash = expected(&lights.settings, settings, Lighting::Flash)?;
        let room = expected(&lights.settings, settings, Lighting::Continuous)?;
        let against = expected(&self.state.reference()?.subject.settings, settings, Lighting::Flash)?;
        let surveyed = self.state.surveyed.as_ref()?;
        let mut known = KnownLights { changes: vec![], habits: vec![], off: vec![], room_share: 0.0 };
        let mut turned = Stops::ZERO;
        for names in &lights.names {
            let since = self.common(names, |g| surveyed.since.get(g).copied().flatten());
            let moved = self.common(names, |g| self.state.standings.iter().find(|s| s.group == g)?.moved);
            let asked = self.common(names, |g| self.state.asked(g));
            let step = match names.as_slice() {
                [one] => self.config.groups.iter().find(|g| g.name == *one).map_or(TIED_STEP, |g| g.step().stops()),
                // Tied groups may have been turned apart: together they change by any amount.
                _ => TIED_STEP,
            };
            known.changes.push(flash + since.unwrap_or(Stops::ZERO));
            known.habits.push(Habit { is_flash: true, step, asked });
            known.off.push(moved.filter(|_| since.is_some()).map(|moved| against + moved));
            turned += since.unwrap_or(Stops::ZERO) + asked.unwrap_or(Stops::ZERO);
        }
        known.changes.push(room);
        known.habits.push(Habit { is_flash: false, step: ROOM_STEP, asked: None });
        if !lights.skipped.is_empty() {
            known.changes.push(flash);
            known.habits.push(Habit { is_flash: true, step: Step::Third.stops(), asked: None });
        }
        let turned = turned / lights.names.len().max(1) as f64;
        known.room_share = lights.ambient_share_at(Area::WHOLE, settings, turned)?.get();
        Some(known)
    }

    /// What is true of all these groups alike; `None` when they differ or it isn't known.
    fn common(&self, names: &[String], of: impl Fn(&str) -> Option<Stops>) -> Option<Stops> {
        let values: Vec<Stops> = names.iter().map(|g| of(g)).collect::<Option<_>>()?;
        let first = *values.first()?;
        values.iter().all(|v| (*v - first).abs() <= NO_TURN).then_some(first)
    }

    // --- what follows ---

    /// Takes up what the single lights did. `false` when the frame as a whole must tell.
    pub(super) fn follow_lights(&mut self, frame: u64, settings: &Settings, verdict: &Verdict) -> bool {
        let groups = &verdict.groups;
        if verdict.cause == Cause::ModifierMoved {
            return true;
        }
        let settled: Vec<(&GroupSeen, Stops, Stops)> = groups
            .iter()
            .filter_map(|g| match g.did {
                Did::Changed { by, .. } => Some((g, by, g.off?)),
                _ => None,
            })
            .collect();
        let all = !groups.is_empty() && settled.len() == groups.len();
        if !all && verdict.cause != Cause::GroupChanged {
            // A light that can't be told may be out: a change is answered only when it is that of the lights that can be told,
            // or of the settings.
            let answered = verdict.basis.is_some() || moved_with_the_frame(groups, verdict.drift);
            return !groups.is_empty() && !answered;
        }
        let ahead = self.is_ahead_of(settings);
        let carried_out = settled.iter().any(|(g, by, _)| g.asked.is_some() && by.abs() > NO_TURN);
        let (mut missing, mut otherwise) = (false, false);
        for (group, by, _) in &settled {
            let as_asked = (*by - group.asked.unwrap_or(Stops::ZERO)).abs() <= AS_ASKED;
            missing |= !as_asked && by.abs() <= NO_TURN;
            otherwise |= !as_asked && by.abs() > NO_TURN;
            if by.abs() > NO_TURN {
                group.groups.iter().for_each(|name| self.read_turn(name, *by));
            }
        }
        let done = self.state.pending.is_some() && !missing && !otherwise && all;
        if done {
            self.resolve(How::Seen);
            if ahead {
                return true;
            }
        }
        if ahead && !carried_out && !otherwise {
            // The lights are still to be prepared for other settings.
            return true;
        }
        self.correct_lights(frame, settings, verdict, &settled);
        true
    }

    /// A group was read to have turned by this since it was last known.
    fn read_turn(&mut self, name: &str, by: Stops) {
        let Some((standing, group)) = self.standing(name) else { return };
        let turn = Turn::towards(&group, &standing, by);
        let asked = self.state.asked(name).is_some_and(|asked| (asked - by).abs() <= AS_ASKED);
        let answers = self.state.pending.as_ref().filter(|_| asked).map(|p| p.record);
        let setting = turn.setting.or(standing.power);
        self.stage(Body::Power {
            group: name.to_owned(),
            shown: setting.map(|s| group.shown(s)),
            setting,
            moved: standing.moved.map(|m| m + turn.by),
            source: if asked { PowerSource::Seen } else { PowerSource::Read },
            answers,
        });
    }

    fn correct_lights(
        &mut self,
        frame: u64,
        settings: &Settings,
        verdict: &Verdict,
        settled: &[(&GroupSeen, Stops, Stops)],
    ) {
        let tolerance = self.config.tolerance;
        let wrong = settled.iter().any(|(_, _, off)| off.abs() > tolerance);
        let mean = Stops(settled.iter().map(|(_, _, off)| off.0).sum::<f64>() / settled.len().max(1) as f64);
        let alike =
            settled.len() == verdict.groups.len() && settled.iter().all(|(_, _, off)| (*off - mean).abs() <= ALIKE);
        // Where a light that the survey left out stands is not known: nobody is told to turn it.
        let correction = if alike && verdict.not_surveyed.is_empty() {
            correct(&self.config.groups, &self.state.standings, -mean, settings)
        } else {
            let each = |(group, _, off): &(&GroupSeen, Stops, Stops)| {
                let wanted = if off.abs() > tolerance { -*off } else { Stops::ZERO };
                group.groups.iter().map(|name| (name.clone(), wanted)).collect::<Vec<_>>()
            };
            let wanted: BTreeMap<String, Stops> = settled.iter().flat_map(each).collect();
            correct_each(&self.config.groups, &self.state.standings, &wanted, settings)
        };
        let open = |turns: &[Turn]| -> Vec<(String, i32)> {
            turns.iter().filter(|t| t.clicks != 0).map(|t| (t.group.clone(), t.clicks)).collect()
        };
        let same = self.state.pending.as_ref().is_some_and(|p| open(&p.correction.turns) == open(&correction.turns));
        if same && wrong {
            return;
        }
        self.resolve(How::Withdrawn);
        if wrong && !correction.is_nothing() {
            self.stage(Body::Correction {
                purpose: Purpose::Drift { frame },
                correction: Box::new(correction),
                sentence: verdict.sentence.clone(),
            });
        }
    }

    // --- the room's light ---

    /// Spots where room light passes the limit at these settings, with its share; `turned` is how far the flashes moved
    /// since the survey besides what is known.
    pub(super) fn room_light_at(&self, settings: &Settings, turned: Stops) -> Option<String> {
        let lights = self.surveying.as_ref()?.lights.as_ref()?;
        let since: Vec<Stops> = self.state.surveyed.as_ref()?.since.values().copied().collect::<Option<_>>()?;
        let moved = Stops(since.iter().map(|s| s.0).sum::<f64>() / since.len().max(1) as f64) + turned;
        let spots = self.config.spots.iter().filter_map(|s| Some((&s.name, s.area()?)));
        let shares =
            spots.filter_map(|(name, area)| Some((name, lights.ambient_share_at(area, settings, moved)?.get())));
        let (spot, share) = shares.max_by(|a, b| a.1.total_cmp(&b.1))?;
        (share > self.config.room_light).then(|| {
            format!(
                "room light is {:.0} % of the light on '{spot}' at {} (more than {:.0} %): use a shorter exposure time within the sync \
                 speed, or darken the room",
                share * 100.0,
                settings.in_short(),
                self.config.room_light * 100.0
            )
        })
    }

    /// Warns when a frame's settings let room light pass the limit, once until they don't.
    pub(super) fn warn_of_room_light(&mut self, settings: &Settings) {
        let text = self.room_light_at(settings, Stops::ZERO);
        let fresh = text.is_some() && !self.room_light_told;
        self.room_light_told = text.is_some();
        if let Some(text) = text.filter(|_| fresh) {
            self.stage(Body::Warning { text });
        }
    }
}

/// The verdict of a survey's frame: nothing to correct, and its evidence.
pub(super) fn of_survey(judged: Verdict, sentence: &str) -> Verdict {
    Verdict {
        cause: Cause::Survey,
        sentence: sentence.to_owned(),
        drift: None,
        uncertainty: None,
        went_by: None,
        basis: None,
        lights: None,
        uneven: None,
        ..judged
    }
}
