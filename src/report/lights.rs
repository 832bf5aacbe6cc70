//! Where each light stood over the frames.

use jiff::Timestamp;

use crate::numbers::FrameNumber;
use crate::photometry::{PowerSetting, SAME_SETTING, Stops};
use crate::rig::{GroupName, Known, Position};

/// One group of lights.
#[derive(Debug, Clone, PartialEq)]
pub struct Light {
    pub group: GroupName,
    /// Where it stood, from the first frame on; never two alike after each other.
    pub steps: Vec<PowerStep>,
    /// The first step of the present set-up: those before it tell nothing of it.
    begun: usize,
}

/// A place of a light's dial, from one frame on.
#[derive(Debug, Clone, PartialEq)]
pub struct PowerStep {
    /// The first frame that was shot, or would be, with it.
    pub from: FrameNumber,
    /// When it became known.
    pub at: Timestamp,
    /// `None` as long as nobody told a power.
    pub power: Option<PowerSetting>,
    /// On the dial's own scale, in stops from where it was first met; brighter is more.
    pub mark: Stops,
    pub known: Known,
    /// The power as the light shows it, where the log tells that.
    pub shown: Option<String>,
}

impl Light {
    pub(super) fn new(group: GroupName) -> Light {
        Light { group, steps: Vec::new(), begun: 0 }
    }

    /// Another set-up: its dial has a scale of its own from here on.
    pub(super) fn begin_anew(&mut self) {
        self.begun = self.steps.len();
    }

    /// Takes up where its dial stands, as it is known for the frames from one on.
    pub(super) fn follow(&mut self, position: &Position, from: FrameNumber, at: Timestamp) {
        let step =
            PowerStep { from, at, power: position.power(), mark: position.at, known: position.known, shown: None };
        let is_same = |last: &PowerStep| (last.mark - step.mark).abs() < SAME_SETTING;
        // A power that is told late tells the powers of before, too: the dial's scale stays, and full power lies elsewhere on it.
        let full = step.power.map(|power| step.mark - power.below_full());
        for earlier in self.steps.iter_mut().skip(self.begun).filter(|earlier| earlier.power.is_none()) {
            earlier.power = full.map(|full| PowerSetting::from_full((earlier.mark - full).rounded()));
        }
        let of_now = |steps: &[PowerStep], begun: usize| steps.get(begun..).and_then(<[_]>::last).is_some_and(is_same);
        if of_now(&self.steps, self.begun) {
            return;
        }
        // What was told and taken back between two frames lit none.
        while self.steps.len() > self.begun && self.steps.pop_if(|last| last.from >= from).is_some() {}
        if !of_now(&self.steps, self.begun) {
            self.steps.push(step);
        }
    }

    /// Where it stood for a frame; `None` before it was there.
    pub fn at(&self, frame: FrameNumber) -> Option<&PowerStep> {
        self.steps.iter().rev().find(|step| step.from <= frame)
    }
}

impl PowerStep {
    /// As the light shows it, else in stops.
    pub fn in_words(&self) -> String {
        match (&self.shown, self.power) {
            (Some(shown), _) => shown.clone(),
            (None, Some(power)) if power.below_full().abs() < SAME_SETTING => "full power".to_owned(),
            (None, Some(power)) if power < PowerSetting::FULL => {
                format!("{} below full power", power.below_full().size_in_words())
            }
            (None, Some(power)) => format!("{} above full power", power.below_full().size_in_words()),
            (None, None) if self.mark.abs() < SAME_SETTING => "as it was first met".to_owned(),
            (None, None) => format!("{} from where it was first met", self.mark.up_or_down()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn followed(light: &mut Light, position: &Position, from: u64) {
        light.follow(position, FrameNumber::new(from), "2026-03-02T10:00:00Z".parse().unwrap());
    }

    #[test]
    fn a_power_that_is_told_late_tells_those_of_before_and_what_was_taken_back_is_not_told() {
        let mut rim = Position::first("rim".into(), None);
        let mut light = Light::new("rim".into());
        followed(&mut light, &rim, 1);
        rim.turn(Stops(-1.0), Known::Deduced);
        followed(&mut light, &rim, 4);
        rim.set(PowerSetting::from_full(Stops(-4.0)), Known::Told);
        followed(&mut light, &rim, 6);
        let powers = |light: &Light| -> Vec<(u64, Option<f64>)> {
            light.steps.iter().map(|s| (s.from.get(), s.power.map(|p| p.below_full().0))).collect()
        };
        assert_eq!(powers(&light), [(1, Some(-3.0)), (4, Some(-4.0))]);
        rim.turn(Stops(2.0), Known::Told);
        followed(&mut light, &rim, 6);
        rim.turn(Stops(-2.0), Known::Told);
        followed(&mut light, &rim, 6);
        assert_eq!(powers(&light), [(1, Some(-3.0)), (4, Some(-4.0))]);
        assert_eq!(light.at(FrameNumber::new(3)).unwrap().in_words(), "3 stops below full power");
    }
}
