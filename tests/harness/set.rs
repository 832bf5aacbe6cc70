//! A photographer with three groups of lights and a calibrated camera, and the real program watching.

use serde_json::Value;

use super::Studio;
use super::random::Random;
use super::sittings::{Lamps, Rig, SECONDS, Take, calibrate_into};

const LIGHTS: &str = "\
curves: ./curves
groups:
  - {name: key, role: key, dial: fraction, step: 1/3, range: 1/256 to 1/1, power: 1/4}
  - {name: fill, role: fill, dial: fraction, step: 1/3, range: 1/256 to 1/1, power: 1/4}
  - {name: rim, role: rim, dial: fraction, step: 1/3, range: 1/256 to 1/1, power: 1/4}
";

pub struct Set {
    pub studio: Studio,
    pub rig: Rig,
    /// What is done to a picture before it lands.
    pub finish: fn(Vec<u8>, &Take) -> Vec<u8>,
    random: Random,
    shots: u64,
}

impl Set {
    /// Nobody watches yet. What is to stand in the configuration beside the lights is `more`.
    pub fn prepared(more: &str) -> Set {
        let mut studio = Studio::empty();
        calibrate_into(&studio.home.path().join("curves"));
        studio.configure(&format!("{more}{LIGHTS}"));
        Set { studio, rig: Rig::portrait(), finish: |jpeg, _| jpeg, random: Random(11), shots: 0 }
    }

    pub fn open(more: &str) -> Set {
        let mut set = Set::prepared(more);
        set.studio.start();
        set
    }

    pub fn usual(&self) -> Take {
        Take::at_reference(&self.rig, self.shots)
    }

    /// Takes a picture, and gives it as it was taken: the time and the noise are its own.
    pub fn take(&mut self, take: Take) -> Take {
        self.shots += 1;
        let take = Take { at: self.shots as f64 * 20.0, seed: self.shots, ..take };
        let jpeg = (self.finish)(take.jpeg(&self.rig, &mut self.random), &take);
        self.studio.put(&file_of(&take, "jpg"), &jpeg);
        assert!(self.studio.sync().is_empty());
        take
    }

    /// Takes a picture and gives its record.
    pub fn shoot(&mut self, take: Take) -> Value {
        let take = self.take(take);
        self.studio.frame(&file_of(&take, "jpg"))
    }

    /// The frame that the guide asks for; the step that came of it.
    pub fn shoot_for_survey(&mut self, firing: Lamps) -> Value {
        let seconds = if firing == Lamps::None { 0.1 } else { SECONDS };
        // The fill light alone is weak, and the guide would say so.
        let iso = if firing == Lamps::Only(1) { 400.0 } else { 100.0 };
        let take = Take { seconds, iso, ..self.usual() }.firing(firing);
        assert_eq!(self.shoot(take)["verdict"]["finding"], "survey");
        self.survey_step()
    }

    /// The last step of the survey.
    pub fn survey_step(&self) -> Value {
        self.studio.of_type("survey").pop().unwrap()
    }
}

/// The name of a file that was taken.
pub fn file_of(take: &Take, ending: &str) -> String {
    format!("frame_{:03}.{ending}", take.seed)
}
