//! What the lights must be set to for settings that are not shot yet: where `next` and a plan begin, and the plan.

use std::collections::BTreeMap;

use super::Draft;
use crate::advice::{Correction, Finding, LightsNow, Means, Moved, RoomLight, at_its_ends, plan};
use crate::drift::expected;
use crate::frame::Settings;
use crate::photometry::{FNumber, IsoSpeed, Series, Stops};
use crate::rig::{GroupName, Position};
use crate::session::command::{Planned, Reply};
use crate::session::dials::alike;
use crate::session::judgement::PositionRead;
use crate::session::plan::{Lens, LensWords, Plan, PlanWords, PlannedRoom, end_in_words, read_apertures};
use crate::session::setup::Setup;
use crate::session::standing::{ReferenceBy, Standing};

impl Draft<'_> {
    /// Where the lights stand, and the settings that come first: those that were asked for last if nothing was shot since, else the
    /// last frame's, or the reference's where that tells none.
    ///
    /// # Errors
    /// Says why nothing can be worked out from them.
    pub(super) fn lights_now(&self) -> Result<(LightsNow<'_>, Settings), String> {
        let setup = &self.sitting.setup;
        let Some((look, last)) = setup.reference().zip(setup.last.as_ref()) else {
            let waits = setup.standing == Standing::AwaitsSitter;
            let whose = if waits { "of the new sitter " } else { "" };
            return Err(format!("there is no reference yet: shoot a frame {whose}first"));
        };
        let each = moves_of(setup).ok_or(
            "it isn't known what the lights are set to since the reference: tell each group's power, or set a new reference",
        )?;
        // What is asked now goes on from what was asked before, if nothing was shot since.
        let before = setup.open.as_ref().or(setup.told_done.as_ref()).filter(|open| open.after == Some(last.frame));
        let coming = before.and_then(|open| open.settings());
        let lights = LightsNow {
            groups: &self.config.groups,
            positions: &setup.positions,
            from: &look.observation.settings,
            moved: setup.moved_alike().map_or(Moved::Each(each), Moved::Alike),
            lighting: self.config.lighting.planned(),
        };
        // A file that tells no settings, as one of another program, is nothing to go on from.
        let shot = &last.observation.settings;
        let is_told = expected(lights.from, shot, lights.lighting).is_some();
        let from = coming.unwrap_or(if is_told { shot } else { &look.observation.settings });
        Ok((lights, Settings { filter: setup.lens.told(), ..from.clone() }))
    }

    /// The frame that the light was built up to is the reference for who asks what comes next. Gives what is said of it: whether the first
    /// frame of all is exposed as it should be, no other has told.
    pub(super) fn go_by_what_is_built(&mut self) -> Option<String> {
        let frame = self.sitting.setup.reference().and_then(|look| look.frame);
        let file = self.accept_what_is_built(ReferenceBy::Accepted)?;
        let is_first =
            frame.and_then(|frame| self.sitting.exposures.find(frame)?.finding()) == Some(Finding::NoReference);
        let alone = "It is the first frame, which nobody accepted: if it isn't exposed as you want it, shoot another and 'greyhold accept'.";
        let said = format!("{file} is the reference now.");
        Some(if is_first { format!("{said} {alone}") } else { said })
    }

    /// Where the lights stand after a frame that shows these positions.
    pub(super) fn lights_at<'l>(
        &'l self,
        before: &'l Setup,
        positions: &'l [Position],
        read: &[PositionRead],
    ) -> Option<LightsNow<'l>> {
        let moved = |group: &GroupName| {
            let shown = read.iter().find(|read| read.group == *group).map(|read| read.since_reference);
            shown.or_else(|| before.since_reference(group))
        };
        let each: BTreeMap<GroupName, Stops> =
            positions.iter().map(|p| Some((p.group.clone(), moved(&p.group)?))).collect::<Option<_>>()?;
        Some(LightsNow {
            groups: &self.config.groups,
            positions,
            from: &before.reference()?.observation.settings,
            moved: alike(each.values().map(|moved| Some(*moved))).map_or(Moved::Each(each), Moved::Alike),
            lighting: self.config.lighting.planned(),
        })
    }

    /// What the lights must be set to for settings that are not shot yet; who leaves an aperture is not sent back to it. `None` where
    /// the reference's settings are not known.
    pub(super) fn turns_for(
        &self,
        lights: &LightsNow,
        settings: &Settings,
        leaves: Option<FNumber>,
        steps: Series,
    ) -> Option<Correction> {
        let mut correction = lights.powers_with(settings, &self.config.at_hand)?;
        if let Some(now) = leaves {
            correction.other_ways.iter_mut().for_each(|ways| ways.leave_out(now));
        }
        // Where a range ends, what a plan says of these settings.
        correction.way_round = settings.iso.and_then(|iso| {
            let means = Means::of(&self.config.at_hand, iso, steps);
            end_in_words(&at_its_ends(lights, correction.clone(), settings.clone(), leaves, &means, None))
        });
        Some(correction)
    }

    /// Nothing is logged: nobody is asked for anything.
    pub(super) fn tell_plan(&self, words: &PlanWords) -> Reply {
        match self.plan(words) {
            Ok(plan) => Reply::with(plan.in_words(), plan.value()),
            Err(why) => Reply::refused(why),
        }
    }

    fn plan(&self, words: &PlanWords) -> Result<Plan, String> {
        let steps = words.camera_steps.unwrap_or(self.config.camera_steps);
        let apertures = read_apertures(&words.apertures, steps)?;
        if apertures.is_empty() {
            return Err("a plan needs apertures: f/8 f/5.6, or f/8 to f/2.8".to_owned());
        }
        let asked = words.iso.as_ref().map(|iso| iso.parse::<IsoSpeed>()).transpose()?;
        if let Some(why) = self.refuses_iso(asked) {
            return Err(why);
        }
        let (lights, base) = self.lights_now()?;
        let iso = asked.or(base.iso);
        let iso = iso.ok_or("the last frame doesn't tell its ISO speed: name one")?;
        let means = Means::of(&self.config.at_hand, iso, steps);
        let (lens, untold) = self.lens_of(words.lens.as_ref(), &base, steps)?;
        let room = self.room_light();
        let powers = plan(&lights, &base, &apertures, iso, &means, room.as_ref().map(|room| &room.light))
            .ok_or("the reference's settings are not known, so nothing can be worked out from new ones")?;
        let (from, groups) = (lights.from.clone(), self.config.groups.clone());
        let too_fast = self.sync_warning(&base).map(|warning| format!("{warning}."));
        let assumed = untold.into_iter().chain(too_fast).collect();
        Ok(Plan { from, groups, powers, lens, room, assumed })
    }

    /// A focal length that nobody names is that of the last frame. Where that doesn't tell it, powers are told all the same, with a
    /// sentence.
    fn lens_of(
        &self,
        words: Option<&LensWords>,
        base: &Settings,
        steps: Series,
    ) -> Result<(Option<Lens>, Option<String>), String> {
        let Some(words) = words else { return Ok((None, None)) };
        let of_frame = base.focal_length_mm.map(|mm| format!("{mm}mm"));
        let focal_length = words.focal_length.clone().or_else(|| of_frame.filter(|_| words.distance.is_some()));
        if focal_length.is_none() && words.distance.is_some() {
            let untold = "What is sharp can't be told: the last frame doesn't tell its focal length. Write it beside the distance.";
            return Ok((None, Some(untold.to_owned())));
        }
        let lens = Lens::read(&LensWords { focal_length, ..words.clone() }, steps);
        lens.map(|lens| (lens, None)).map_err(|fault| fault.in_words(str::to_owned))
    }

    /// Room light as the survey found it, on the spot where it is the largest share, with the lights as they were at the reference.
    fn room_light(&self) -> Option<PlannedRoom> {
        let setup = &self.sitting.setup;
        let reference = &setup.reference()?.observation.settings;
        let moved = |group: &GroupName| Some(setup.since_survey(group)? - setup.since_reference(group)?);
        let (spot, share) = self.most_room_light(setup, reference, moved)?;
        let light = RoomLight::new(share, reference.clone());
        Some(PlannedRoom {
            light,
            known: format!("on '{spot}', by the light survey"),
            limit: self.config.ambient_limit,
        })
    }
}

/// How far each group was turned since the reference; `None` when that isn't known of one.
pub(super) fn moves_of(setup: &Setup) -> Option<BTreeMap<GroupName, Stops>> {
    setup.positions.iter().map(|p| Some((p.group.clone(), setup.since_reference(&p.group)?))).collect()
}

/// The last frame's settings with those that are planned.
pub(super) fn planned_from(planned: &Planned, last: &Settings) -> Settings {
    Settings {
        captured: None,
        f_number: planned.f_number.or(last.f_number),
        iso: planned.iso.or(last.iso),
        exposure_time: planned.exposure_time.or(last.exposure_time),
        filter: planned.filter.unwrap_or(last.filter),
        ..last.clone()
    }
}
