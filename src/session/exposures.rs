//! The exposures of late: what was observed in their files, what was known before them, and what was told since.
//!
//! That is what it takes to judge one of them anew, and to fold what came after it again.

use std::collections::{HashSet, VecDeque};
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::dials::Marks;
use super::judgement::{How, Judgement};
use super::record::{Body, FrameRecord};
use super::remembered::Last;
use super::setup::Setup;
use crate::advice::{Finding, Observation};
use crate::meter::FrameReadings;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::rig::{GroupName, Position};

/// Exposures whose raw file or picture may still land.
const MOST: usize = 32;
/// Exposures that can be judged anew.
const JUDGED_ANEW: usize = 8;
/// Words between two exposures that can be folded again. Who says more gets no exposure before them judged anew.
const MOST_SINCE: usize = 64;

/// One release of the shutter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Exposure {
    pub frame: FrameNumber,
    /// Its first file, and those that landed after it.
    pub file: String,
    pub further: Vec<String>,
    /// The names under which its files lie in the folder, or lay there last.
    pub lies_at: Vec<String>,
    /// All its files were gone from the folder.
    pub removed: bool,
    /// The raw file of it whose light is read after its embedded picture.
    #[serde(default)]
    pub awaits_light: Option<String>,
    /// What its files hold.
    pub observation: Arc<Observation>,
    pub found_at_start: bool,
    pub overtaken: bool,
    /// What was made of it, and by which record.
    pub judged: Option<(RecordNumber, Arc<Judgement>)>,
    /// What was known before its first file; `None` when it is judged no more.
    pub before: Option<Arc<Setup>>,
    /// What was told since, until the next exposure, with the records' numbers.
    since: Vec<(RecordNumber, Arc<Body>)>,
    /// A light may have been moved between it and the exposure before it.
    pub lights_moved_before: bool,
    /// Where the dials stood for it, as far as anybody knew, each on its own scale.
    #[serde(default)]
    pub stood: Marks,
}

impl Exposure {
    fn new(frame: &FrameRecord, observation: Observation, before: Arc<Setup>, lights_moved_before: bool) -> Exposure {
        Exposure {
            frame: frame.frame,
            file: frame.file.clone(),
            further: Vec::new(),
            lies_at: Vec::new(),
            removed: false,
            awaits_light: frame.awaits_light.then(|| frame.file.clone()),
            observation: Arc::new(observation),
            found_at_start: frame.found_at_start,
            overtaken: frame.overtaken,
            judged: None,
            before: Some(before),
            since: Vec::new(),
            lights_moved_before,
            stood: Marks::new(),
        }
    }

    /// Somebody carried out what a correction asked, or said that it was.
    pub fn was_acted_on(&self, correction: RecordNumber) -> bool {
        self.since.iter().any(|(_, body)| match &**body {
            Body::Power { answers, .. } => *answers == Some(correction),
            Body::Resolved { correction: of, how: How::Confirmed } => *of == correction,
            _ => false,
        })
    }

    /// Somebody set another reference since, or asked for another correction.
    pub fn was_overtaken_by_words(&self) -> bool {
        let overtakes = |body: &Body| {
            matches!(body, Body::Reference { .. } | Body::Look { .. } | Body::NewSitter | Body::Correction { .. })
                || is_of_the_set_up(body)
        };
        // The first frame becomes the reference by itself, and asks for nothing.
        self.finding() != Some(Finding::NoReference) && self.since.iter().any(|(_, body)| overtakes(body))
    }

    /// Frames after it are compared with another picture, which somebody named since.
    pub fn is_followed_by_another_look(&self) -> bool {
        self.since.iter().any(|(_, body)| match &**body {
            Body::Look { .. } | Body::NewSitter => true,
            Body::Reference { frame, .. } => *frame != Some(self.frame),
            body => is_of_the_set_up(body),
        })
    }

    /// The reference is another since; the first frame becomes it by itself, and was compared with none.
    pub fn has_a_new_reference(&self) -> bool {
        let named = |body: &Body| matches!(body, Body::Look { .. } | Body::NewSitter | Body::Reference { .. });
        self.finding() != Some(Finding::NoReference) && self.since.iter().any(|(_, body)| named(body))
    }

    pub fn finding(&self) -> Option<Finding> {
        self.judged.as_ref().map(|(_, judgement)| judgement.verdict.finding)
    }

    /// All its files are among these.
    pub fn lies_among(&self, files: &HashSet<String>) -> bool {
        !self.lies_at.is_empty() && self.lies_at.iter().all(|file| files.contains(file))
    }

    /// It is one to go by: neither of a survey nor shot before others that were taken first.
    pub fn counts(&self) -> bool {
        !self.overtaken && self.finding() != Some(Finding::Survey)
    }
}

/// The last exposures, oldest first.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Exposures(VecDeque<Exposure>);

impl Exposures {
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = &Exposure> + ExactSizeIterator {
        self.0.iter()
    }

    pub fn find(&self, frame: FrameNumber) -> Option<&Exposure> {
        self.place_of(frame).map(|place| &self.0[place])
    }

    /// The files of a frame of late are gone from the folder.
    pub fn is_removed(&self, frame: FrameNumber) -> bool {
        self.find(frame).is_some_and(|exposure| exposure.removed)
    }

    fn find_mut(&mut self, frame: FrameNumber) -> Option<&mut Exposure> {
        self.place_of(frame).map(|place| &mut self.0[place])
    }

    fn place_of(&self, frame: FrameNumber) -> Option<usize> {
        self.0.iter().rposition(|e| e.frame == frame)
    }

    pub(super) fn add(&mut self, frame: &FrameRecord, observation: Observation, before: &Setup) {
        let moved = self.0.back().is_some_and(|last| last.since.iter().any(|(_, body)| may_move_lights(body)));
        self.0.push_back(Exposure::new(frame, observation, Arc::new(before.clone()), moved));
        if self.0.len() > MOST {
            self.0.pop_front();
        }
        if let Some(too_old) = self.0.len().checked_sub(JUDGED_ANEW + 1) {
            forget(&mut self.0[too_old]);
        }
    }

    /// Something was told that changes what is known.
    pub(super) fn tell(&mut self, n: RecordNumber, body: &Body) {
        let Some(last) = self.0.back_mut() else { return };
        last.since.push((n, Arc::new(body.clone())));
        if last.since.len() > MOST_SINCE {
            last.since.remove(0);
            self.0.iter_mut().for_each(|exposure| exposure.before = None);
        }
    }

    /// What was asked of the set-up is answered: what was known before the frames since holds.
    pub(super) fn go_on_with_the_set_up(&mut self) {
        let known = self.0.iter_mut().filter_map(|exposure| exposure.before.as_mut());
        known.filter(|it| it.set_up_asked.is_some()).for_each(|it| Arc::make_mut(it).set_up_asked = None);
    }

    /// A further file of an exposure landed.
    pub(super) fn add_file(&mut self, frame: FrameNumber, file: &str) {
        let is_new = |exposure: &Exposure| exposure.file != file && !exposure.further.iter().any(|of| of == file);
        if let Some(exposure) = self.find_mut(frame).filter(|exposure| is_new(exposure)) {
            exposure.further.push(file.to_owned());
        }
    }

    fn awaits_light_of(&self, frame: FrameNumber, file: &str) -> bool {
        self.find(frame).is_some_and(|exposure| exposure.awaits_light.as_deref() == Some(file))
    }

    /// The light of a raw file of an exposure is to come, or came, or never will.
    pub(super) fn await_light(&mut self, frame: FrameNumber, file: &str, awaits: bool) {
        let Some(exposure) = self.find_mut(frame) else { return };
        if awaits {
            exposure.awaits_light = Some(file.to_owned());
        } else if exposure.awaits_light.as_deref() == Some(file) {
            exposure.awaits_light = None;
        }
    }

    /// Follows the files of the exposures from name to name.
    pub(super) fn follow_files(&mut self, body: &Body) {
        match body {
            Body::Frame(frame) => self.put_file(frame.frame, &frame.file),
            // That its light was read says nothing of where the file lies by now.
            Body::FileAdded { frame, file, .. } if self.awaits_light_of(*frame, file) => {}
            Body::FileAdded { frame, file, .. } => self.put_file(*frame, file),
            Body::ExistingFiles { files, .. } => files.iter().for_each(|file| self.vacate(&file.name)),
            Body::FileChanged { file, was, .. } if file != was => {
                let of = self.0.iter().rev().find(|e| e.lies_at.contains(was)).map(|e| e.frame);
                self.vacate(was);
                of.into_iter().for_each(|frame| self.put_file(frame, file));
                // Its light is awaited under its new name.
                let awaited = self.0.iter_mut().filter(|e| e.awaits_light.as_ref() == Some(was));
                awaited.for_each(|exposure| exposure.awaits_light = Some(file.clone()));
            }
            // Whatever was missed under this name is back.
            Body::FileChanged { file, .. } => {
                self.0.iter_mut().filter(|e| e.lies_at.contains(file)).for_each(|e| e.removed = false);
            }
            Body::FileRemoved { frame, .. } => {
                if let Some(exposure) = self.find_mut(*frame) {
                    exposure.removed = true;
                }
            }
            _ => {}
        }
    }

    /// A file of an exposure lies under this name, and no other one's any more.
    fn put_file(&mut self, frame: FrameNumber, file: &str) {
        self.vacate(file);
        if let Some(exposure) = self.find_mut(frame) {
            exposure.lies_at.push(file.to_owned());
            exposure.removed = false;
        }
    }

    fn vacate(&mut self, name: &str) {
        self.0.iter_mut().for_each(|exposure| exposure.lies_at.retain(|file| file != name));
    }

    /// The exposure whose file lies, or lay last, under a name.
    pub fn lying_at(&self, name: &str) -> Option<&Exposure> {
        self.0.iter().rev().find(|e| e.lies_at.iter().any(|file| file == name)).or_else(|| self.of_file(name))
    }

    /// Nothing is known any more of groups that are gone, or come anew.
    pub(super) fn forget_groups(&mut self, is_there: impl Fn(&GroupName) -> bool) {
        self.0.iter_mut().for_each(|exposure| exposure.stood.retain(|group, _| is_there(group)));
    }

    /// The exposure that a file is of.
    pub fn of_file(&self, file: &str) -> Option<&Exposure> {
        self.0.iter().rev().find(|e| e.file == file || e.further.iter().any(|f| f == file))
    }

    /// A frame has further readings.
    pub(super) fn complete(&mut self, frame: FrameNumber, observation: &Arc<Observation>) {
        for exposure in &mut self.0 {
            if exposure.frame == frame {
                exposure.observation = observation.clone();
            }
            // What was known before later ones holds this frame, too; and so does a word that made it a reference.
            if let Some(before) = &mut exposure.before {
                Arc::make_mut(before).complete(frame, observation);
            }
            for (_, body) in &mut exposure.since {
                let is_it = matches!(&**body, Body::Reference { frame: Some(of), .. } if *of == frame);
                // A survey's words are large: only the one that changes is copied.
                if is_it && let Body::Reference { observation: referred, .. } = Arc::make_mut(body) {
                    **referred = Observation::clone(observation).into();
                }
            }
        }
    }

    /// A reference's file was metered anew, by other spots.
    pub(super) fn reread(&mut self, file: &str, metered: &FrameReadings) {
        for exposure in &mut self.0 {
            if let Some(before) = &mut exposure.before {
                Arc::make_mut(before).reread(file, metered);
            }
            for (_, body) in &mut exposure.since {
                let is_it = matches!(&**body, Body::Reference { file: of, .. } if of == file);
                if is_it && let Body::Reference { observation, .. } = Arc::make_mut(body) {
                    let mut referred = observation.in_codes(|_| None);
                    referred.reread(metered);
                    **observation = referred.into();
                }
            }
        }
    }

    /// Takes up a judgement. Gives the set-up that it and all that was told since come to; `None` when it changes
    /// nothing but what is said of an exposure that is too old.
    pub(super) fn judge(&mut self, n: RecordNumber, judgement: &Arc<Judgement>) -> Option<Setup> {
        let place = self.place_of(judgement.frame)?;
        self.0[place].judged = Some((n, judgement.clone()));
        let before = self.0[place].before.clone()?;
        let mut setup = Setup::clone(&before);
        let (mut moved, mut old) = (Vec::new(), 0);
        for (at, exposure) in self.0.iter_mut().enumerate().skip(place) {
            if at > place {
                setup.settle();
                exposure.before = Some(Arc::new(setup.clone()));
            }
            let was = exposure.judge_in(&mut setup);
            if was != exposure.stood {
                moved.push(Moved { frame: exposure.frame, was, is: exposure.stood.clone() });
            }
            exposure.go_on_with(&moved, &mut setup);
            if exposure.is_followed_by_a_new_set_up() {
                (old, moved) = (at + 1, Vec::new());
            }
        }
        // Where the dials stood is told on scales that hold no more.
        self.0.iter_mut().take(old).for_each(|exposure| exposure.stood.clear());
        Some(setup)
    }
}

/// An exposure for which the dials are now known to have stood elsewhere.
struct Moved {
    frame: FrameNumber,
    was: Marks,
    is: Marks,
}

impl Exposure {
    /// What this exposure and its judgement do to a set-up. Gives where the dials stood for it, as it was known before.
    fn judge_in(&mut self, setup: &mut Setup) -> Marks {
        let was = self.stood.clone();
        if let Some((n, judgement)) = &self.judged {
            self.go_on_from_here(setup, judgement);
            if self.counts() {
                setup.positions.iter_mut().for_each(Position::judged_by);
            }
            setup.take_judgement(*n, judgement);
            self.stood = setup.stand();
        }
        was
    }

    /// And what was told since. A word that went back to an exposure has its marks, and goes on having them.
    fn go_on_with(&mut self, moved: &[Moved], setup: &mut Setup) {
        for (n, body) in &mut self.since {
            let of = |frame: &Option<FrameNumber>, marks: &Marks| {
                moved.iter().find(|moved| *frame == Some(moved.frame) && *marks == moved.was)
            };
            let anew = match &**body {
                Body::Reference { frame, marks: Some(marks), .. } => of(frame, marks),
                _ => None,
            };
            if let Some(anew) = anew
                && let Body::Reference { marks, .. } = Arc::make_mut(body)
            {
                *marks = Some(anew.is.clone());
            }
            setup.apply(*n, body);
        }
    }

    fn is_followed_by_a_new_set_up(&self) -> bool {
        self.since.iter().any(|(_, body)| matches!(&**body, Body::Sitting { step } if step.begins_anew()))
    }

    /// It is the last exposure from now on, if it is one to go by.
    fn go_on_from_here(&self, setup: &mut Setup, judgement: &Judgement) {
        if self.counts() {
            let (frame, file, observation) = (self.frame, self.file.clone(), self.observation.clone());
            setup.last = Some(Last { frame, file, observation, verdict: judgement.verdict.clone() });
        } else if !self.overtaken {
            setup.note_time(self.observation.settings.captured.clone());
        }
    }
}

fn forget(exposure: &mut Exposure) {
    exposure.before = None;
    // Whether lights may have moved since is still asked.
    exposure.since.retain(|(_, body)| may_move_lights(body));
    exposure.since.truncate(1);
}

/// After these a light may stand elsewhere than before, or another scene be lit.
fn may_move_lights(body: &Body) -> bool {
    matches!(body, Body::Power { .. } | Body::Undone { .. } | Body::Config { .. } | Body::Look { .. })
        || is_of_the_set_up(body)
}

fn is_of_the_set_up(body: &Body) -> bool {
    matches!(body, Body::Sitting { step } if step.is_of_the_set_up())
}

#[cfg(test)]
#[path = "exposures_tests.rs"]
mod tests;
