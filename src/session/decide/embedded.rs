//! A first answer by the picture embedded in a raw file, and the second one by its light.
//!
//! The first one says what is seen and changes nothing else: it asks for no turn, moves no dial, ends no correction, makes no
//! reference. So there is nothing that the second one could have to take back.

use super::exposure::note_of_other_settings;
use super::references::is_built_yet;
use super::{Draft, LightInput};
use crate::advice::{Finding, Verdict};
use crate::config::Config;
use crate::frame::Settings;
use crate::numbers::FrameNumber;
use crate::session::embedded_trust::EmbeddedCheck;
use crate::session::exposures::Exposure;
use crate::session::judgement::{Judgement, Occasion};
use crate::session::metering::Compared;
use crate::session::record::{Added, Body};
use crate::session::setup::Setup;
use crate::session::sitting::Sitting;

/// What is said beside a first answer.
const FIRST: &str =
    "a first answer, by the picture embedded in the raw file: its light is being read, turn nothing before";
/// And beside one that stays the only one.
const ONLY: &str = "by the picture embedded in the raw file alone: turn nothing by it";

/// The camera's embedded pictures are proved, and the frame is one that they can be held to: of a light that is built, and that no
/// survey parts into single lights.
pub(super) fn may_answer(sitting: &Sitting, config: &Config, settings: &Settings, before: &Setup) -> bool {
    let of_reference = before.reference().and_then(|look| look.observation.by_embedded());
    let is_proved = sitting.embedded_trust(settings).is_proved();
    is_proved && of_reference.is_some() && !is_surveyed(before) && !is_built_yet(before, config)
}

/// Single lights are told apart, which takes the light of the raw file.
pub(super) fn is_surveyed(setup: &Setup) -> bool {
    setup.surveying.is_some() || setup.surveyed.is_some()
}

impl Draft<'_> {
    /// What is made of an exposure of which only the embedded picture was read. `None` while its light is awaited and the picture
    /// proves nothing yet.
    pub(super) fn judgement_by_embedded(
        &self,
        exposure: &Exposure,
        before: &Setup,
        occasion: Occasion,
    ) -> Option<Judgement> {
        let is_awaited = exposure.awaits_light.is_some();
        let settings = &exposure.observation.settings;
        if is_awaited && !may_answer(&self.sitting, self.config, settings, before) {
            return None;
        }
        let pair = self.comparable(before, exposure);
        let laid = self.lay(before, &pair);
        let mut verdict = self.verdict(before, &pair, laid.as_ref(), exposure.found_at_start, None);
        // Nobody is to turn a light by it.
        verdict.suspicion = !matches!(verdict.finding, Finding::Matched | Finding::NoReference);
        let notes = vec![if is_awaited { FIRST } else { ONLY }.to_owned()];
        let judgement = Judgement::without_effect(exposure.frame, occasion, verdict);
        Some(Judgement { by_embedded: true, notes, ..judgement })
    }

    /// How the embedded picture would have judged, beside the verdict by the light.
    pub(super) fn check_embedded(
        &self,
        exposure: &Exposure,
        before: &Setup,
        by_light: &Verdict,
        occasion: Occasion,
    ) -> Option<EmbeddedCheck> {
        let is_first = matches!(occasion, Occasion::FirstFile | Occasion::Light);
        let settings = &exposure.observation.settings;
        if !is_first || self.is_building(before) || self.sitting.embedded_trust(settings).has_ended() {
            return None;
        }
        let reference = before.reference()?.observation.by_embedded()?;
        let frame = exposure.observation.by_embedded().filter(|_| exposure.observation.reading_of(true).is_some())?;
        let pair = Compared { reference: Some(reference), frame, unlike: None };
        let laid = self.lay(before, &pair);
        let verdict = self.verdict(before, &pair, laid.as_ref(), exposure.found_at_start, None);
        EmbeddedCheck::of(&verdict, by_light)
    }

    /// The light of a raw file came, or can't be read.
    pub(super) fn take_light(&mut self, LightInput { frame, file, outcome }: LightInput) {
        let exposure = self.sitting.exposures.find(frame);
        let Some(exposure) = exposure.filter(|e| e.awaits_light.as_ref() == Some(&file.name)).cloned() else { return };
        let is_reference = self.is_accepted_reference(frame);
        let light = outcome.and_then(|outcome| match outcome.observation.metered {
            Some(metered) => Ok((outcome.observation.settings, metered, outcome.notes, outcome.light)),
            None => Err(outcome.notes.first().cloned().unwrap_or_else(|| "nothing was found in it".to_owned())),
        });
        let (observed, why) = match light {
            Ok((settings, metered, mut notes, map)) => {
                notes.extend(note_of_other_settings(&exposure.observation.settings, &settings));
                self.landed_map = map.map(|map| (frame, map));
                (Some(Box::new(Added { settings, metered: metered.into(), notes, verdict: None })), None)
            }
            Err(why) => (None, Some(why)),
        };
        let (name, state, fingerprint) = (file.name, file.state, file.fingerprint);
        let text = why.map(|why| {
            format!("{name}: its light can't be read ({why}); what is said of frame {frame} goes by its other pictures alone")
        });
        self.stage(Body::FileAdded { frame, file: name, state, fingerprint, observed, awaits_light: false });
        if let Some(text) = text {
            self.stage(Body::Warning { text });
        }
        self.judge_by_light(frame);
        if is_reference {
            self.tell_target_of_further(frame);
        }
    }

    /// Judges an exposure when nothing more is awaited of it, and those after it.
    pub(super) fn judge_by_light(&mut self, frame: FrameNumber) {
        let Some((exposure, before)) = self.exposure(frame) else { return };
        match &exposure.judged {
            // It lies beside a picture that was judged.
            Some((_, judged)) if !judged.by_embedded => self.judge_anew_from(frame, Occasion::FurtherFile),
            first => {
                match first {
                    Some(_) => self.judge_anew(frame, Occasion::Light),
                    None => self.judge_first(frame),
                }
                let after = self.frames_from(frame);
                after.into_iter().skip(1).for_each(|of| self.judge_anew(of, Occasion::FurtherFile));
                if first.is_some() {
                    self.warn_of_ambient(&exposure, &before);
                }
            }
        }
        self.conclude_from_light(frame);
    }

    /// What follows from the judgement by the light.
    pub(super) fn conclude_from_light(&mut self, frame: FrameNumber) {
        let exposure = self.sitting.exposures.find(frame);
        if exposure.is_some_and(|exposure| exposure.observation.by_embedded().is_some()) {
            self.conclude_from_first(frame);
        }
        self.conclude_from_further(frame);
    }
}
