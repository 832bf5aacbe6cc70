//! What the single lights did in an exposure, where a survey tells, and what follows for each of them.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::Draft;
use super::follow::{Effects, end, is_worth_asking};
use crate::advice::{
    Correction, Finding, GroupPrior, GroupReading, LightEvidence, Verdict, correct, correct_each, is_soon_after,
    moved_with_the_frame,
};
use crate::drift::{Lighting, expected};
use crate::frame::Settings;
use crate::meter::{Area, LightMap};
use crate::numbers::FrameNumber;
use crate::photometry::{Step, Stops};
use crate::response::Response;
use crate::rig::solve::{self, SourceChange, SourcePrior, Sources};
use crate::rig::{DialChange, GroupName, Known, LightShare, Lights, Position};
use crate::session::exposures::Exposure;
use crate::session::judgement::{How, PositionRead};
use crate::session::record::Body;
use crate::session::setup::Setup;

/// What is known of a survey's sources before a frame is looked at, in the order of its basis.
struct KnownLights {
    /// How each should have changed since the survey.
    changes: Vec<Stops>,
    priors: Vec<SourcePrior>,
    /// How far each source of flash is from what the reference's look needs; `None` when that isn't known.
    deviation: Vec<Option<Stops>>,
    /// Share of ambient light in the frame, when all that was asked is done.
    ambient_share: f64,
}

/// Ambient light's usual step, for want of a dial.
const AMBIENT_STEP: Stops = Stops(0.25);
/// By which the light of tied groups changes together.
const TIED_STEP: Stops = Stops(0.1);
/// A turn this small is none.
const NO_TURN: Stops = Stops(0.06);
/// A turn this near to what was asked is that.
const AS_ASKED: Stops = Stops(0.1);
/// A third of a stop, and a little: chosen after `and_a_claim_that_is_made_is_right` had answered a flash that was out by a turn of
/// another light by a third; it holds that this doesn't happen.
const SMALL: Stops = Stops(0.4);
/// Groups off by this much alike are turned alike.
const ALIKE: Stops = Stops(0.15);

/// A group of which the frame tells how it changed, and how far off its light is now.
struct Settled<'a> {
    group: &'a GroupReading,
    change: Stops,
    deviation: Stops,
}

impl Settled<'_> {
    fn was_turned(&self) -> bool {
        self.change.abs() > NO_TURN
    }

    /// A small change of which nobody knows, where another light can't be told: what that one did may look like it.
    fn may_be_anothers_doing(&self) -> bool {
        self.was_turned() && self.change.abs() <= SMALL && self.group.asked.is_none()
    }

    fn is_as_asked(&self) -> bool {
        (self.change - self.group.asked.unwrap_or(Stops::ZERO)).abs() <= AS_ASKED
    }
}

impl Draft<'_> {
    // --- reading the lights ---

    /// The light of a frame's parts, of each of its files whose reading is kept: by that the map's curve is known.
    pub(super) fn maps_of(&self, frame: FrameNumber) -> impl Iterator<Item = &LightMap> {
        let landed = self.landed_map.iter().filter(move |(of, _)| *of == frame).map(|(_, map)| map);
        let exposure = self.sitting.exposures.find(frame);
        let has_reading = move |map: &&LightMap| {
            let reading = exposure.map(|exposure| exposure.observation.reading_of(map.is_raw()));
            reading.is_none_or(|reading| reading.is_some_and(|reading| reading.is_beside(map)))
        };
        landed.chain(self.knowledge.maps_of(frame)).filter(has_reading)
    }

    /// What the single lights of a frame can be read out of: the light of a file that is of the survey's kind.
    pub(super) fn map_by_survey(&self, frame: FrameNumber, before: &Setup) -> Option<&LightMap> {
        self.maps_of(frame).find(|light| is_of_the_survey(before, light))
    }

    /// What the single lights did in an exposure, where a survey tells.
    pub(super) fn see_lights(&self, exposure: &Exposure, before: &Setup) -> Option<LightEvidence> {
        let light = self.map_by_survey(exposure.frame, before)?;
        let survey = before.surveyed.as_ref().map(|surveyed| &surveyed.survey)?;
        let first = &survey.taken.first()?.light;
        let light = &self.light_laid_over(survey.laid_over(), exposure, light, first).light;
        if !first.fits(light) {
            return None;
        }
        let settings = &exposure.observation.settings;
        let response = self.response_of_map(light, &exposure.observation);
        let lights = self.lights_by(before, &response)?;
        let known = self.known_of(before, &lights, settings)?;
        let previous = before.previous().filter(|_| !exposure.found_at_start);
        let soon = is_soon_after(previous.as_ref(), settings, self.config.recycle_time.as_secs_f64());
        let slow = settings.exposure_time.is_none_or(|t| t.tv() < self.config.sync_speed.tv() + Stops(-0.01));
        let usual = before.left_over.most();
        let prior = solve::Before { expected: &known.changes, priors: &known.priors, soon, usual };
        let mut reading = solve::read(&lights.basis, &prior, light, &response);
        // No shutter this slow cuts a flash off; what it is, the frame as a whole tells.
        if slow && matches!(reading.sources, Sources::Band { .. }) {
            reading.sources = Sources::Unreadable;
        }
        let groups = GroupPrior {
            names: &lights.names,
            deviation: &known.deviation,
            priors: &known.priors,
            not_surveyed: &lights.skipped,
        };
        let ambient = (known.ambient_share, self.config.ambient_limit.get());
        Some(LightEvidence::of(&reading, &groups, light.cells(), ambient, soon))
    }

    /// The lights of the last survey, put together by one curve.
    fn lights_by(&self, setup: &Setup, response: &Response) -> Option<Arc<Lights>> {
        let surveyed = setup.surveyed.as_ref()?;
        let put_together = || surveyed.survey.lights(response);
        self.knowledge.lights(surveyed.record, &response.name, put_together)
    }

    /// What is known of every source before a frame with these settings is looked at.
    fn known_of(&self, before: &Setup, lights: &Lights, settings: &Settings) -> Option<KnownLights> {
        let flash = expected(&lights.settings, settings, Lighting::Flash)?;
        let ambient = expected(&lights.settings, settings, Lighting::Continuous)?;
        let against = expected(&before.reference()?.observation.settings, settings, Lighting::Flash)?;
        let mut known = KnownLights { changes: vec![], priors: vec![], deviation: vec![], ambient_share: 0.0 };
        let mut turned = Stops::ZERO;
        for names in &lights.names {
            let since = common(names, |g| before.since_survey(g));
            let moved = common(names, |g| before.since_reference(g));
            let asked = common(names, |g| before.asked(g));
            let told = common(names, |g| told(before, g));
            let denied = common(names, |g| denied(before, g));
            let step = match names.as_slice() {
                [one] => self.group(one).map_or(TIED_STEP, |g| g.step().stops()),
                // Tied groups may have been turned apart: together they change by any amount.
                _ => TIED_STEP,
            };
            known.changes.push(flash + since.unwrap_or(Stops::ZERO));
            known.priors.push(SourcePrior { is_flash: true, step, asked, told, denied });
            known.deviation.push(moved.filter(|_| since.is_some()).map(|moved| against + moved));
            turned += since.unwrap_or(Stops::ZERO) + asked.unwrap_or(Stops::ZERO);
        }
        known.changes.push(ambient);
        known.priors.push(SourcePrior { is_flash: false, step: AMBIENT_STEP, asked: None, told: None, denied: None });
        if !lights.skipped.is_empty() {
            known.changes.push(flash);
            known.priors.push(SourcePrior {
                is_flash: true,
                step: Step::Third.stops(),
                asked: None,
                told: None,
                denied: None,
            });
        }
        let turned = turned / lights.names.len().max(1) as f64;
        known.ambient_share = lights.ambient_share_at(Area::WHOLE, settings, turned)?.get();
        Some(known)
    }

    // --- what follows ---

    /// What follows from what the single lights did; `None` when the frame as a whole must tell.
    pub(super) fn effects_of_lights(&self, before: &Setup, settings: &Settings, verdict: &Verdict) -> Option<Effects> {
        if verdict.finding == Finding::ModifierMoved {
            return Some(Effects::default());
        }
        let groups = &verdict.groups;
        let mut settled: Vec<Settled> = groups.iter().filter_map(settled).collect();
        let all = !groups.is_empty() && settled.len() == groups.len();
        settled.retain(|s| all || !s.may_be_anothers_doing());
        if !all && verdict.finding != Finding::GroupChanged {
            // A light that can't be told may be out: a change is answered only when it is that of the lights that can
            // be told, or of the settings.
            let answered = verdict.assumption.is_some() || moved_with_the_frame(groups, verdict.drift);
            return (!groups.is_empty() && !answered).then(Effects::default);
        }
        let turned = settled.iter().filter(|s| s.was_turned());
        let mut effects =
            Effects { positions: turned.flat_map(|s| self.positions_of(before, s)).collect(), ..Effects::default() };
        if before.open.is_some() && all && settled.iter().all(Settled::is_as_asked) {
            effects.ended = end(before, How::Observed);
        }
        self.answer_lights(before, settings, verdict, &settled, &mut effects);
        Some(effects)
    }

    /// Where groups are that were read to have turned together.
    fn positions_of(&self, before: &Setup, settled: &Settled) -> Vec<PositionRead> {
        let known = if settled.group.asked.is_some() && settled.is_as_asked() {
            Known::SeenAsAsked
        } else {
            Known::ReadBySurvey
        };
        let groups = settled.group.groups.iter();
        groups
            .filter_map(|name| self.turned_by(before, name, self.by_clicks(before, name, settled.change), known))
            .collect()
    }

    /// The turn of a group's dial that is nearest to what was read.
    fn by_clicks(&self, before: &Setup, name: &GroupName, change: Stops) -> Stops {
        let group = self.group(name);
        let power = before.position(name).and_then(Position::power);
        group.map_or(change, |group| DialChange::towards(group, power, change).change)
    }

    /// Adds the correction that the single lights need, unless that very one is open.
    fn answer_lights(
        &self,
        before: &Setup,
        settings: &Settings,
        verdict: &Verdict,
        settled: &[Settled],
        effects: &mut Effects,
    ) {
        let wrong = settled.iter().any(|s| s.deviation.abs() > self.config.tolerance);
        let positions = before.with_positions(&effects.positions);
        let correction = self.correction_of(&positions, settings, verdict, settled);
        let dial_changes = |correction: &Correction| -> Vec<(GroupName, i32)> {
            let turned = correction.dial_changes.iter().filter(|t| t.clicks != 0);
            turned.map(|t| (t.group.clone(), t.clicks)).collect()
        };
        let still_open = before.open.as_ref().filter(|_| effects.ended.is_none());
        if wrong && still_open.is_some_and(|open| dial_changes(&open.correction) == dial_changes(&correction)) {
            return;
        }
        if effects.ended.is_none() {
            effects.ended = end(before, How::Withdrawn);
        }
        effects.correction = (wrong && is_worth_asking(&correction, before)).then_some(correction);
    }

    fn correction_of(
        &self,
        positions: &[Position],
        settings: &Settings,
        verdict: &Verdict,
        settled: &[Settled],
    ) -> Correction {
        let tolerance = self.config.tolerance;
        let mean = Stops(settled.iter().map(|s| s.deviation.0).sum::<f64>() / settled.len().max(1) as f64);
        // Where a light that the survey left out stands is not known: nobody is told to turn it.
        let all = settled.len() == verdict.groups.len() && verdict.not_surveyed.is_empty();
        if all && settled.iter().all(|s| (s.deviation - mean).abs() <= ALIKE) {
            return correct(&self.config.groups, positions, -mean, settings, &self.config.at_hand);
        }
        let each = |s: &Settled| {
            let wanted = if s.deviation.abs() > tolerance { -s.deviation } else { Stops::ZERO };
            s.group.groups.iter().map(|name| (name.clone(), wanted)).collect::<Vec<_>>()
        };
        let wanted: BTreeMap<GroupName, Stops> = settled.iter().flat_map(each).collect();
        correct_each(&self.config.groups, positions, &wanted, settings, &self.config.at_hand)
    }

    // --- ambient light ---

    /// The curve that frames of the survey's kind go by now.
    fn response_of_survey(&self, setup: &Setup) -> Option<Response> {
        let first = setup.surveyed.as_ref()?.survey.taken.first()?;
        let last = setup.last.as_ref()?;
        Some(self.response_of_map(&first.light, &last.observation))
    }

    /// The lights of the last survey, by the curve of now.
    pub(super) fn lights_of_survey(&self, setup: &Setup) -> Option<Arc<Lights>> {
        self.lights_by(setup, &self.response_of_survey(setup)?)
    }

    /// The spot on which ambient light is the largest share at these settings, and that share; `moved` is how far each group of the
    /// survey moved since.
    pub(super) fn most_room_light(
        &self,
        setup: &Setup,
        settings: &Settings,
        moved: impl Fn(&GroupName) -> Option<Stops>,
    ) -> Option<(&str, LightShare)> {
        let lights = self.lights_of_survey(setup)?;
        let moved: Vec<f64> =
            setup.surveyed.as_ref()?.marks.keys().map(|group| Some(moved(group)?.0)).collect::<Option<_>>()?;
        let moved = Stops(moved.iter().sum::<f64>() / moved.len().max(1) as f64);
        let share = |(spot, area)| Some((spot, lights.ambient_share_at(area, settings, moved)?));
        self.config.placed_spots().filter_map(share).max_by(|a, b| a.1.get().total_cmp(&b.1.get()))
    }

    /// Says where ambient light passes the limit at these settings; `turned` is how far the flashes moved since the
    /// survey besides what is known.
    pub(super) fn ambient_warning(&self, setup: &Setup, settings: &Settings, turned: Stops) -> Option<String> {
        let moved = |group: &GroupName| Some(setup.since_survey(group)? + turned);
        let (spot, share) = self.most_room_light(setup, settings, moved)?;
        (share > self.config.ambient_limit).then(|| {
            format!(
                "room light is {:.1} % of the light on '{spot}' at {} (more than {} %): use a shorter exposure time within the sync \
                 speed, or darken the room",
                share.get() * 100.0,
                settings.in_short(),
                (self.config.ambient_limit.get() * 1000.0).round() / 10.0
            )
        })
    }

    /// Warns when an exposure's settings let ambient light pass the limit, and the last one's did not.
    pub(super) fn warn_of_ambient(&mut self, exposure: &Exposure, before: &Setup) {
        let at = |settings: &Settings| self.ambient_warning(before, settings, Stops::ZERO);
        let Some(text) = at(&exposure.observation.settings) else { return };
        let was_told = before.last.as_ref().is_some_and(|last| at(&last.observation.settings).is_some());
        if !was_told {
            self.stage(Body::Warning { text });
        }
    }
}

/// Whether a frame's light can be told apart by the last survey: made for this look, by files of this kind.
fn is_of_the_survey(setup: &Setup, light: &LightMap) -> bool {
    let Some(surveyed) = &setup.surveyed else { return false };
    // Another look has other lights.
    let same_look = surveyed.look.is_none() || surveyed.look == setup.current;
    let first = surveyed.survey.taken.first().map(|frame| &frame.light);
    same_look && first.is_some_and(|first| first.shares_curve_with(light))
}

/// The turn that somebody told after the last frame, where it is more than a word against what that was read to show.
fn told(before: &Setup, name: &GroupName) -> Option<Stops> {
    let turn = before.position(name)?.told_turn()?;
    (turn.abs() > NO_TURN && denied(before, name).is_none()).then_some(turn)
}

/// The change that the last frame was read to show of a group, where somebody has told since that there was none: whether or not
/// it had been taken for true.
fn denied(before: &Setup, name: &GroupName) -> Option<Stops> {
    let position = before.position(name)?;
    let suspected = before.last.as_ref().filter(|last| last.verdict.suspicion);
    let group = suspected.and_then(|last| last.verdict.groups.iter().find(|g| g.groups.contains(name)));
    match group.and_then(settled) {
        Some(read) if position.confirmed_turn().is_none() => position.told_turn().map(|told| read.change - told),
        _ => position.denied(),
    }
}

fn settled(group: &GroupReading) -> Option<Settled<'_>> {
    match group.change {
        SourceChange::Changed { change, .. } => Some(Settled { group, change, deviation: group.deviation? }),
        _ => None,
    }
}

/// What is true of all these groups alike; `None` when they differ or it isn't known.
fn common(names: &[GroupName], of: impl Fn(&GroupName) -> Option<Stops>) -> Option<Stops> {
    let values: Vec<Stops> = names.iter().map(of).collect::<Option<_>>()?;
    let first = *values.first()?;
    values.iter().all(|v| (*v - first).abs() <= NO_TURN).then_some(first)
}
