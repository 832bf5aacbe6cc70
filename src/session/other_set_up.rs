//! What a sitting that begins does to the set-up: it holds on, nothing of it does, or that is asked.

use super::set_up_asked::SetUpAsked;
use super::setup::Setup;
use super::sitting_step::{SetUpIs, SittingStep};
use crate::rig::Position;

impl Setup {
    pub(super) fn take_sitting_step(&mut self, step: &SittingStep) {
        match step {
            SittingStep::Began { set_up, shot, .. } => {
                // A survey of the evening is over in the morning.
                (self.open, self.surveying, self.survey_refused) = (None, None, None);
                self.settle();
                match set_up {
                    Some(is) => self.answer_of_set_up(*is),
                    None => {
                        let last = self.last.as_ref().map(|last| &last.observation.settings);
                        self.set_up_asked = last.map(|last| SetUpAsked::new(shot.clone(), last, &self.positions));
                    }
                }
            }
            SittingStep::SetUp { is } => self.answer_of_set_up(*is),
            SittingStep::Named { .. } | SittingStep::Ended => {}
        }
    }

    fn answer_of_set_up(&mut self, is: SetUpIs) {
        self.set_up_asked = None;
        if is == SetUpIs::New {
            // Of the one before nothing is known to hold, but what the configuration says of every one.
            let positions = self.positions.iter().map(|p| Position::first(p.group.clone(), None)).collect();
            let Setup { tolerance, target, configured, lens, .. } = std::mem::take(self);
            *self = Setup { positions, tolerance, target, configured, lens, ..Setup::default() };
        }
    }
}
