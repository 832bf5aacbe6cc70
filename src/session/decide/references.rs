//! What frames are compared with: references are set and told.

use super::Draft;
use crate::advice::{Finding, Observation};
use crate::meter::CENTRE;
use crate::numbers::FrameNumber;
use crate::photometry::Stops;
use crate::session::command::Reply;
use crate::session::record::Body;

/// Name of the look that the first frame begins.
const FIRST_LOOK: &str = "main";
/// A first frame darker than this is no reference.
const TOO_DARK_TO_REFER: Stops = Stops(-3.5);

impl Draft<'_> {
    /// The first exposure that can be one is the reference.
    pub(super) fn refer_to_first(&mut self, frame: FrameNumber) {
        let Some(exposure) = self.sitting.exposures.find(frame) else { return };
        let is_first = exposure.finding() == Some(Finding::NoReference) && self.sitting.setup.reference().is_none();
        if is_first && self.level_of(&exposure.observation).is_some_and(|l| l > TOO_DARK_TO_REFER) {
            let (file, observation) = (exposure.file.clone(), Observation::clone(&exposure.observation));
            self.set_reference(FIRST_LOOK.to_owned(), Some(frame), file, observation);
        }
    }

    fn set_reference(&mut self, look: String, frame: Option<FrameNumber>, file: String, observation: Observation) {
        self.withdraw();
        // What the lights were set to for a file from elsewhere, nobody has told.
        let known_then = |power| if frame.is_some() { power } else { None };
        let powers = self.sitting.setup.powers().into_iter().map(|(group, power)| (group, known_then(power))).collect();
        self.stage(Body::Reference { look, frame, file, observation: Box::new(observation.into()), powers });
    }

    pub(super) fn tell_reference(
        &mut self,
        file: Option<&str>,
        look: Option<&str>,
        observation: Option<Observation>,
    ) -> Reply {
        let look = look.map(str::trim).filter(|l| !l.is_empty()).map(str::to_owned);
        let look = look.or_else(|| self.sitting.setup.current.clone()).unwrap_or_else(|| FIRST_LOOK.to_owned());
        if look.chars().count() > 40 || look.chars().any(char::is_control) {
            return Reply::refused("a look's name has 1 to 40 printable characters");
        }
        let (frame, name, observation) = match (file, observation, self.sitting.setup.last.clone()) {
            (Some(file), Some(observation), _) => (None, file.to_owned(), observation),
            (Some(file), None, _) => return Reply::refused(format!("{file} can't be metered as a reference")),
            (None, _, Some(last)) => (Some(last.frame), last.file, Observation::clone(&last.observation)),
            (None, _, None) => return Reply::refused("there is no frame yet: name a file, or shoot one"),
        };
        let Some(level) = self.level_of(&observation) else {
            return Reply::refused(format!("{name} was not metered and can't be a reference"));
        };
        if frame.is_some() && level <= TOO_DARK_TO_REFER {
            return Reply::refused(format!("{name} is nearly black (a misfire?): shoot another, or name a file"));
        }
        self.set_reference(look.clone(), frame, name.clone(), observation);
        Reply::done(format!("{name} is the reference of '{look}'"))
    }

    pub(super) fn tell_look(&mut self, look: &str) -> Reply {
        if !self.sitting.setup.looks.contains_key(look) {
            let names: Vec<&str> = self.sitting.setup.looks.keys().map(String::as_str).collect();
            let there = if names.is_empty() { "none yet".to_owned() } else { names.join(", ") };
            return Reply::refused(format!("there is no look '{look}' (there is: {there}); 'reference' begins one"));
        }
        self.withdraw();
        self.stage(Body::Look { look: look.to_owned() });
        Reply::done(format!("frames are compared with '{look}' now"))
    }

    fn level_of(&self, observation: &Observation) -> Option<Stops> {
        let reading = observation.metered.as_ref()?.reading(CENTRE)?;
        Some(reading.level_by(&self.response_of(observation)))
    }
}
