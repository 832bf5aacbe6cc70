//! What frames are compared with: references are set, accepted and told.

use super::Draft;
use crate::advice::{Finding, FirstReference, Observation, nothing_to_go_by};
use crate::config::Config;
use crate::drift::expected;
use crate::frame::Settings;
use crate::meter::CENTRE;
use crate::numbers::FrameNumber;
use crate::photometry::{SAME_SETTING, Stops};
use crate::rig::{GroupName, Position};
use crate::session::command::Reply;
use crate::session::dials::{Marks, alike};
use crate::session::judgement::PositionRead;
use crate::session::record::Body;
use crate::session::remembered::{Last, Stood};
use crate::session::setup::Setup;
use crate::session::standing::{FIRST_LOOK, ReferenceBy, Standing};
use crate::wording;

/// What a survey told holds for its sitter, and for what stood in the light then.
const SURVEY_ANEW: &str = "The light survey holds no more: survey anew to have single lights read.";

/// The light is being built.
pub(super) fn is_built_yet(setup: &Setup, config: &Config) -> bool {
    let may_be = match setup.standing {
        Standing::Building => true,
        Standing::Accepted => setup.reference().is_none(),
        Standing::AwaitsSitter => false,
    };
    may_be && config.reference == FirstReference::WhenAccepted
}

/// A frame that others are to be compared with.
pub(super) struct Chosen {
    pub frame: Option<FrameNumber>,
    pub file: String,
    pub observation: Observation,
    /// Where the dials stood for it, where others may have been shot since; of a group that isn't here nobody knows.
    pub marks: Option<Marks>,
}

impl Chosen {
    fn new(frame: Option<FrameNumber>, file: String, observation: Observation) -> Chosen {
        Chosen { frame, file, observation, marks: None }
    }

    fn last(last: &Last, observation: Observation) -> Chosen {
        Chosen::new(Some(last.frame), last.file.clone(), observation)
    }
}

impl Draft<'_> {
    // --- by itself ---

    /// While the light is built, a frame is held against the one before it.
    pub(super) fn is_building(&self, setup: &Setup) -> bool {
        is_built_yet(setup, self.config)
    }

    /// The first exposure that can be one is the reference; while the light is built the last that can be one.
    pub(super) fn refer_by_itself(&mut self, frame: FrameNumber) {
        let setup = &self.sitting.setup;
        let Some(exposure) = self.sitting.exposures.find(frame) else { return };
        let is_first = exposure.finding() == Some(Finding::NoReference) && setup.reference().is_none();
        let is_newer = self.is_building(setup) && setup.reference().is_some_and(|look| look.frame < Some(frame));
        // A further file of a frame from before whoever sits now, or before the light was what it is, makes none.
        let is_of_now = exposure.before.as_ref().is_some_and(|before| before.standing == setup.standing);
        let is_last = setup.last.as_ref().is_some_and(|last| last.frame == frame);
        let is_embedded = exposure.observation.is_by_embedded_alone();
        let is_metered = self.level_of(&exposure.observation).is_some() && !is_embedded;
        let is_asked = setup.set_up_asked.is_some();
        if !(is_first || is_newer) || !is_of_now || !is_last || !is_metered || exposure.removed || is_asked {
            return;
        }
        if let Some(why) = self.is_nothing_to_go_by(&exposure.observation) {
            // While the light is built, the frame's own sentence says it.
            if is_first && !self.is_building(setup) {
                let text = format!("{} is {why}: it is nothing to go by, shoot another", exposure.file);
                self.stage(Body::Warning { text });
            }
            return;
        }
        if let Some(text) = self.is_off_the_last_sitter(&exposure.file, &exposure.observation.settings) {
            return self.stage(Body::Warning { text });
        }
        let by = match (setup.standing, self.config.reference) {
            (Standing::AwaitsSitter, _) => ReferenceBy::NewSitter,
            (_, FirstReference::FirstFrame) => ReferenceBy::FirstFrame,
            (_, FirstReference::WhenAccepted) => ReferenceBy::Building,
        };
        let (file, observation) = (exposure.file.clone(), Observation::clone(&exposure.observation));
        self.set_reference(self.current_look(), Chosen::new(Some(frame), file, observation), by, Vec::new());
    }

    /// Why nothing can be held against a frame.
    fn is_nothing_to_go_by(&self, observation: &Observation) -> Option<&'static str> {
        nothing_to_go_by(observation, &self.response_of(observation))
    }

    /// What settings and powers say of a new sitter's first frame, where it can't be as bright as the last one's were.
    fn is_off_the_last_sitter(&self, file: &str, settings: &Settings) -> Option<String> {
        let setup = &self.sitting.setup;
        let look = setup.looks.get(setup.current.as_ref()?).filter(|_| setup.standing == Standing::AwaitsSitter)?;
        let change = expected(&look.observation.settings, settings, self.config.lighting.planned())?;
        let moved = alike(setup.positions.iter().map(|p| Some(p.at - *look.marks.get(&p.group)?)))?;
        let off = (change + moved).rounded();
        (off.abs() > self.config.tolerance).then(|| {
            format!(
                "{file} is not taken as the new sitter's reference: by its settings and the powers it is {} {} than the last \
                 sitter's. Turn the lights and tell their powers, or change the camera, and shoot another; or accept it",
                off.size_in_words(),
                if off > Stops::ZERO { "brighter" } else { "darker" }
            )
        })
    }

    /// Two frames matched, and now the aperture changes: with the last of them the photographer was content.
    pub(super) fn accept_before_another_aperture(&mut self, settings: &Settings) {
        let setup = &self.sitting.setup;
        let Some(look) = setup.reference().filter(|_| self.is_building(setup) && setup.set_up_asked.is_none()) else {
            return;
        };
        let marks = look.observation.settings.f_number.zip(settings.f_number);
        let is_another = marks.is_some_and(|(was, is)| (was.av() - is.av()).abs() > SAME_SETTING);
        let exposure = look.frame.and_then(|frame| self.sitting.exposures.find(frame));
        if is_another && exposure.is_some_and(|exposure| exposure.finding() == Some(Finding::Matched)) {
            self.accept_what_is_built(ReferenceBy::BeforeAperture);
        }
    }

    /// The frame that others are compared with while the light is built is the reference from now on. Gives its file.
    pub(super) fn accept_what_is_built(&mut self, by: ReferenceBy) -> Option<String> {
        let look = self.sitting.setup.reference().filter(|_| self.is_building(&self.sitting.setup))?;
        let (frame, file) = (look.frame, look.file.clone());
        let chosen = Chosen::new(frame, file.clone(), Observation::clone(&look.observation));
        self.set_reference(self.current_look(), chosen, by, Vec::new());
        Some(file)
    }

    fn current_look(&self) -> String {
        self.sitting.setup.current.clone().unwrap_or_else(|| FIRST_LOOK.to_owned())
    }

    /// Gives what is said of the reference itself, where something is.
    pub(super) fn set_reference(
        &mut self,
        look: String,
        chosen: Chosen,
        by: ReferenceBy,
        positions: Vec<PositionRead>,
    ) -> Option<String> {
        self.withdraw();
        let Chosen { frame, file, observation, marks: stood } = chosen;
        let setup = &self.sitting.setup;
        let marks = stood.clone().unwrap_or_else(|| setup.marks_of(&look, frame, by));
        let power = |position: &Position| {
            let read = positions
                .iter()
                .find(|read| read.group == position.group)
                .and_then(|read| setup.mark(&read.group).map(|mark| mark + read.since_reference));
            read.or(marks.get(&position.group).copied()).and_then(|mark| position.power_at(mark))
        };
        let powers = setup.positions.iter().map(|p| (p.group.clone(), power(p))).collect();
        let was_known = frame.is_some_and(|frame| self.is_accepted_reference(frame));
        let recorded = Box::new(observation.clone().into());
        let file_named = file.clone();
        self.stage(Body::Reference { look, frame, file, observation: recorded, powers, by, positions, marks: stood });
        let is_for_good = by != ReferenceBy::Building && !was_known;
        if is_for_good { self.tell_target(&file_named, &observation) } else { None }
    }

    // --- by somebody's word ---

    pub(super) fn tell_reference(
        &mut self,
        file: Option<&str>,
        look: Option<&str>,
        observation: Option<Observation>,
    ) -> Reply {
        if let Some(first) = self.set_up_comes_first() {
            return first;
        }
        let look = look.map(str::trim).filter(|l| !l.is_empty()).map(str::to_owned);
        let look = look.unwrap_or_else(|| self.current_look());
        if wording::name(&look).is_none() {
            return Reply::refused("a look's name has 1 to 40 printable characters");
        }
        let chosen = match (file, observation, &self.sitting.setup.last) {
            (Some(file), Some(observation), _) => self.chosen_of(file, observation),
            (Some(file), None, _) => return Reply::refused(format!("{file} can't be metered as a reference")),
            (None, _, Some(last)) => match self.with_its_filter(last) {
                Ok(observation) => Chosen::last(last, observation),
                Err(why) => return Reply::refused(why),
            },
            (None, _, None) => {
                return Reply::refused(format!("there is no frame {}: name a file, or shoot one", self.yet()));
            }
        };
        let is_last = self.sitting.setup.last.as_ref().is_some_and(|last| chosen.frame == Some(last.frame));
        if let Err(why) = self.can_be_a_reference(&chosen) {
            return Reply::refused(why);
        }
        let name = chosen.file.clone();
        let over = self.waiting_is_over();
        let is_new = !self.sitting.setup.looks.is_empty() && !self.sitting.setup.looks.contains_key(&look);
        let of_target = self.set_reference(look.clone(), chosen, ReferenceBy::Told, Vec::new());
        // Where nothing is known of where the lights stood for it, that is said, and nothing is taken for granted.
        let setup = &self.sitting.setup;
        let asks = is_new && setup.positions.iter().any(|p| setup.since_reference(&p.group).is_some());
        let stands = is_last && setup.moved_alike() == Some(Stops::ZERO);
        let mut says = vec![format!("{name} is the reference of '{look}'{}", if asks { "." } else { "" })];
        says.extend(asks.then(|| self.asks_for_powers()));
        if file.is_some() && !stands {
            says.extend(self.turn_back_to(&look));
        }
        says.extend(of_target);
        says.extend(over);
        Reply::done(says.join("\n"))
    }

    /// What is said where another person was waited for, and a reference or look that somebody names ends that.
    pub(super) fn waiting_is_over(&self) -> Option<String> {
        let waits = self.sitting.setup.standing == Standing::AwaitsSitter;
        waits.then(|| "No new sitter is waited for any more: 'greyhold new-sitter' waits for one again.".to_owned())
    }

    /// A file that somebody named: one of this sitting's frames may be, with where the dials stood for it.
    fn chosen_of(&self, file: &str, observation: Observation) -> Chosen {
        let Some(Stood { file, frame, marks, filter }) = self.sitting.stood_for(file) else {
            return Chosen::new(None, file.to_owned(), observation);
        };
        // All that its files showed, where that is remembered.
        let exposure = self.sitting.exposures.lying_at(&file).filter(|exposure| Some(exposure.frame) == frame);
        let mut observation = exposure.map_or(observation, |exposure| Observation::clone(&exposure.observation));
        observation.settings.filter = filter;
        Chosen { frame, file, observation, marks: Some(marks) }
    }

    /// What the lights are taken to be set to for a look that has just begun.
    fn asks_for_powers(&self) -> String {
        // Those of the frame: what was told after it is a turn since.
        let setup = &self.sitting.setup;
        let shown = |name: &GroupName| {
            let power =
                setup.reference().zip(setup.position(name)).and_then(|(look, position)| look.power_of(position));
            self.group(name).zip(power).map_or_else(|| "not known".to_owned(), |(group, power)| group.shown(power))
        };
        let powers: Vec<String> =
            self.config.groups.iter().map(|group| format!("{} {}", group.name, shown(&group.name))).collect();
        format!(
            "Its powers are taken to be: {}. Where one stood otherwise: greyhold set GROUP SETTING, then greyhold reference.",
            powers.join(", ")
        )
    }

    pub(super) fn can_be_a_reference(&self, chosen: &Chosen) -> Result<(), String> {
        let Chosen { file, observation, .. } = chosen;
        if self.level_of(observation).is_none() {
            return Err(format!("{file} was not metered and can't be a reference"));
        }
        let is_awaited = self.sitting.exposures.lying_at(file).is_some_and(|exposure| exposure.awaits_light.is_some());
        if observation.is_by_embedded_alone() && !is_awaited {
            return Err(format!(
                "the light of {file} couldn't be read, but only the picture embedded in it, so nothing can be held against it: shoot \
                 another, or name a file"
            ));
        }
        match self.is_nothing_to_go_by(observation) {
            Some(why) => {
                Err(format!("{file} is {why}, so nothing can be held against it: shoot another, or name a file"))
            }
            None => Ok(()),
        }
    }

    /// What changed was meant: the last frame is the reference, with what it shows the lights to have been turned by.
    pub(super) fn tell_accept(&mut self) -> Reply {
        if let Some(first) = self.set_up_comes_first() {
            return first;
        }
        let Some(last) = self.sitting.setup.last.clone() else {
            return Reply::refused(format!("there is no frame {}: shoot one", self.yet()));
        };
        let chosen = match self.with_its_filter(&last) {
            Ok(observation) => Chosen::last(&last, observation),
            Err(why) => return Reply::refused(why),
        };
        if let Err(why) = self.can_be_a_reference(&chosen) {
            return Reply::refused(why);
        }
        let setup = &self.sitting.setup;
        let before = self.exposure(last.frame).map(|(_, before)| before.standing);
        if setup.standing == Standing::AwaitsSitter && before != Some(Standing::AwaitsSitter) {
            return Reply::refused(format!("{} is of the last sitter: shoot a frame of the new one", last.file));
        }
        if last.verdict.finding.is_hold() && last.verdict.filter.is_none() {
            return Reply::refused(format!(
                "a light failed in {}, so it is nothing to go by: shoot another",
                last.file
            ));
        }
        let had_a_survey = setup.surveyed.is_some();
        let (look, positions) = (self.current_look(), self.meant_positions(&last));
        let of_target = self.set_reference(look.clone(), chosen, ReferenceBy::Accepted, positions);
        let mut says =
            vec![format!("{} is the reference of '{look}': frames are held against it from now on.", last.file)];
        says.push(self.asks_for_powers());
        says.extend(of_target);
        if had_a_survey && self.sitting.setup.surveyed.is_none() {
            says.push(SURVEY_ANEW.to_owned());
        }
        Reply::done(says.join("\n"))
    }

    /// Where the last frame shows dials, of which it alone was no proof. What was told since goes before.
    fn meant_positions(&self, last: &Last) -> Vec<PositionRead> {
        let Some((exposure, before)) = self.exposure(last.frame).filter(|(e, _)| !e.has_a_new_reference()) else {
            return Vec::new();
        };
        if !last.verdict.suspicion {
            return Vec::new();
        }
        let told = |group: &GroupName| self.sitting.setup.position(group).is_some_and(|p| p.told_by().is_some());
        let mut read = self.effects(&before, &exposure.observation.settings, &last.verdict).positions;
        read.retain(|read| !told(&read.group));
        read
    }

    pub(super) fn tell_new_sitter(&mut self) -> Reply {
        if let Some(first) = self.set_up_comes_first() {
            return first;
        }
        let setup = &self.sitting.setup;
        if setup.standing == Standing::AwaitsSitter {
            return Reply::refused(match self.not_taken_for_the_sitter() {
                Some(why) => format!("a new sitter is waited for already: {why}"),
                None => "the new sitter's first frame is waited for already: shoot it".to_owned(),
            });
        }
        if setup.reference().is_none() {
            return Reply::refused("there is no reference yet, so the next frame is of whoever sits: shoot it");
        }
        if setup.surveying.is_some() {
            return Reply::refused("a light survey is under way: finish it, or give it up with 'survey stop'");
        }
        let survey = if setup.surveyed.is_some() { format!(".\n{SURVEY_ANEW}") } else { String::new() };
        self.withdraw();
        self.stage(Body::NewSitter);
        Reply::done(format!(
            "the powers stay as they are; the next frame is the new sitter's reference, unless it is nearly black or burnt out, or is \
             not as bright as the last sitter's by its settings and the powers{survey}"
        ))
    }

    /// Why the last frame, though shot since a new sitter is waited for, is not that sitter's reference.
    fn not_taken_for_the_sitter(&self) -> Option<String> {
        let last = self.sitting.setup.last.as_ref()?;
        self.exposure(last.frame).filter(|(_, before)| before.standing == Standing::AwaitsSitter)?;
        let file = &last.file;
        let nothing = match self.level_of(&last.observation) {
            None => Some(format!("{file} was not metered and can't be a reference, shoot another")),
            Some(_) => self
                .is_nothing_to_go_by(&last.observation)
                .map(|why| format!("{file} is {why}: it is nothing to go by, shoot another")),
        };
        nothing.or_else(|| self.is_off_the_last_sitter(file, &last.observation.settings))
    }

    fn level_of(&self, observation: &Observation) -> Option<Stops> {
        let reading = observation.metered.as_ref()?.reading(CENTRE)?;
        Some(reading.level_by(&self.response_of(observation)))
    }
}
