//! Sittings: one begins by itself after a long pause, and people begin, name and end them.

use jiff::SignedDuration;

use super::{Draft, Landed};
use crate::frame::{Captured, Settings};
use crate::numbers::SittingNumber;
use crate::session::command::{Reply, SittingAsk};
use crate::session::exposures::Exposure;
use crate::session::judgement::Occasion;
use crate::session::record::Body;
use crate::session::set_up_asked::{LONG_PAUSE, with_its_answers};
use crate::session::sitting_step::{BegunBy, SetUpIs, SittingStep};
use crate::session::sittings::SittingRow;
use crate::wording;

/// On another day a shorter pause is one (common practice, no source).
const PAUSE_OVER_NIGHT: SignedDuration = SignedDuration::from_hours(1);

impl Draft<'_> {
    // --- by itself ---

    /// A frame that comes long after the one before it, or after a sitting was ended, begins another sitting.
    pub(super) fn begin_sitting_where_due(&mut self, file: &Landed, settings: &Settings) {
        let Some(row) = self.sitting.sittings.last() else { return };
        let by = match row.is_ended {
            true => BegunBy::NextFrame,
            // Somebody has just begun it, and said what its set-up is.
            false if row.frames == 0 => return,
            false if self.comes_after_a_pause(file, settings) => BegunBy::Pause,
            false => return,
        };
        let sitting = row.sitting.next();
        self.withdraw();
        let step = SittingStep::Began { sitting, name: None, by, set_up: None, shot: settings.captured.clone() };
        self.stage(Body::Sitting { step });
        if let Some(asked) = &self.sitting.setup.set_up_asked {
            let text = asked.warning(self.config);
            self.stage(Body::Warning { text });
        }
    }

    /// By when the files were written, and where one camera took both frames by its clock, too: a camera whose clock is wrong, and
    /// photographs that are copied, make no pause.
    fn comes_after_a_pause(&self, file: &Landed, settings: &Settings) -> bool {
        let Some(last) = &self.sitting.setup.last else { return false };
        // It may have been renamed since.
        let exposure = self.sitting.exposures.find(last.frame);
        let mut names = exposure.into_iter().flat_map(|exposure| &exposure.lies_at).chain([&last.file]);
        let Some((state, _)) = names.find_map(|name| self.files.logged_as(name)) else { return false };
        let written = SignedDuration::from_nanos(file.state.modified_ns.saturating_sub(state.modified_ns));
        let before = &last.observation.settings;
        let is_one_camera = before.camera == settings.camera;
        let shot = before.captured.as_ref().zip(settings.captured.as_ref()).filter(|_| is_one_camera);
        match shot {
            Some((last, this)) => {
                let apart = this.local.duration_since(last.local).min(written);
                apart >= LONG_PAUSE || (apart >= PAUSE_OVER_NIGHT && is_another_day(last, this))
            }
            None => written >= LONG_PAUSE,
        }
    }

    /// What nobody can say before it is said whether the set-up is the one of before.
    pub(super) fn set_up_comes_first(&self) -> Option<Reply> {
        let asked = self.sitting.setup.set_up_asked.as_ref()?;
        Some(Reply::refused(format!("first say: {}", with_its_answers(&asked.in_words(self.config)))))
    }

    /// Behind 'no frame': frames of another set-up may be there.
    pub(super) fn yet(&self) -> &'static str {
        let are_of_before = self.sitting.frames == self.sitting.set_up_began.after && self.sitting.frames.get() > 0;
        if are_of_before { "of this set-up yet" } else { "yet" }
    }

    // --- by somebody's word ---

    pub(super) fn tell_sitting(&mut self, what: SittingAsk, name: Option<&str>) -> Reply {
        let name = name.map(str::trim).filter(|name| !name.is_empty());
        if name.is_some_and(|name| wording::name(name).is_none()) {
            return Reply::refused("a sitting's name has 1 to 40 printable characters");
        }
        let Some(row) = self.sitting.sittings.last().cloned() else {
            return Reply::refused("there is no frame yet: the first one begins the sitting");
        };
        if name.is_some_and(|name| name.parse::<u64>().is_ok()) {
            return Reply::refused("a number is no name: sittings have numbers of their own");
        }
        if let Some(known) = name.and_then(|name| self.sitting.sittings.find(name)) {
            return Reply::refused(format!("{} has that name already: choose another", known.in_short()));
        }
        match (what, name) {
            (SittingAsk::Which | SittingAsk::End, Some(name)) => {
                Reply::refused(format!("'{name}' is too much here: to name the sitting, greyhold sitting name NAME"))
            }
            (SittingAsk::Which, _) => Reply::done(self.which(&row)),
            (SittingAsk::Same, name) => self.go_on_with(SetUpIs::Same, &row, name),
            (SittingAsk::New, name) => self.go_on_with(SetUpIs::New, &row, name),
            (SittingAsk::End, _) => self.end_sitting(&row),
            (SittingAsk::Name, None) => Reply::refused("name the sitting: greyhold sitting name 'spring coats'"),
            (SittingAsk::Name, Some(name)) => {
                self.stage(Body::Sitting { step: SittingStep::Named { name: name.to_owned() } });
                Reply::done(format!("sitting {} is named '{name}'", row.sitting))
            }
        }
    }

    fn which(&self, row: &SittingRow) -> String {
        let asked = self.sitting.setup.set_up_asked.as_ref();
        let asked =
            asked.map_or_else(String::new, |asked| format!("\n{}", with_its_answers(&asked.in_words(self.config))));
        let ended = if row.is_ended { ", ended" } else { "" };
        format!("{}: {}{ended}{asked}", row.in_short(), row.what_was_shot())
    }

    /// Answers what is asked of the set-up; where nothing is asked, another sitting begins.
    fn go_on_with(&mut self, is: SetUpIs, row: &SittingRow, name: Option<&str>) -> Reply {
        let is_asked = self.sitting.setup.set_up_asked.is_some();
        // Two people may have answered at one time.
        if !is_asked && name.is_none() && row.set_up_is == Some(is) && !row.is_ended {
            return Reply::done(format!("that was said already: {}", self.what_holds(row.sitting, is)));
        }
        let mut withdrawn = false;
        let lost = if is == SetUpIs::New { self.how_it_comes_back(row, is_asked) } else { None };
        // A look that was taken up in it stays to be found by its number.
        let is_empty = row.frames == 0 && (is == SetUpIs::Same || self.sitting.setup.looks.is_empty());
        let sitting = if (is_asked || is_empty) && !row.is_ended {
            let is_since =
                |exposure: &&Exposure| exposure.before.as_ref().is_some_and(|before| before.set_up_asked.is_some());
            let since = self.sitting.exposures.iter().find(is_since).map(|exposure| exposure.frame);
            self.stage(Body::Sitting { step: SittingStep::SetUp { is } });
            if is == SetUpIs::Same
                && let Some(since) = since
            {
                self.judge_anew_from(since, Occasion::SameSetUp);
            }
            if let Some(name) = name {
                self.stage(Body::Sitting { step: SittingStep::Named { name: name.to_owned() } });
            }
            row.sitting
        } else {
            let (sitting, name) = (row.sitting.next(), name.map(str::to_owned));
            withdrawn = self.withdraw();
            let step = SittingStep::Began { sitting, name, by: BegunBy::Told, set_up: Some(is), shot: None };
            self.stage(Body::Sitting { step });
            sitting
        };
        let withdrawn = withdrawn.then(|| "What was asked of the lights is withdrawn.".to_owned());
        let says = [Some(self.what_holds(sitting, is)), withdrawn, lost].into_iter().flatten();
        Reply::done(says.collect::<Vec<_>>().join("\n"))
    }

    /// Nothing is lost: the log holds what a look of before takes to be built again.
    fn how_it_comes_back(&self, row: &SittingRow, is_asked: bool) -> Option<String> {
        let look = self.sitting.setup.looks.keys().next()?;
        let sitting = if is_asked { row.sitting.before() } else { row.sitting };
        let name = if look.contains(' ') { format!("'{look}'") } else { look.clone() };
        Some(format!("To bring a look of before back: greyhold rebuild {name} --from FOLDER --sitting {sitting}"))
    }

    fn what_holds(&self, sitting: SittingNumber, is: SetUpIs) -> String {
        match is {
            SetUpIs::Same => {
                let setup = &self.sitting.setup;
                let Some(look) = setup.reference() else {
                    return format!("sitting {sitting} goes on; there is no reference yet: shoot a frame");
                };
                let last = setup.last.as_ref().filter(|last| Some(last.frame) != look.frame);
                let last = last.map_or_else(String::new, |last| format!("\n{}: {}", last.file, last.verdict.sentence));
                format!(
                    "sitting {sitting} goes on with the set-up of before: frames are held against {}{last}",
                    wording::own_name(&look.file)
                )
            }
            SetUpIs::New => {
                let filter = self.sitting.setup.lens.in_words();
                let filter = filter
                    .map_or_else(String::new, |filter| format!("; but {filter} (greyhold next nd 0 where it is off)"));
                format!(
                    "sitting {sitting} has a new set-up: build the light, and tell its powers with 'greyhold set'; no look and no power of \
                     before holds{filter}"
                )
            }
        }
    }

    fn end_sitting(&mut self, row: &SittingRow) -> Reply {
        if row.is_ended {
            return Reply::refused(format!("{} is ended already: the next frame begins another one", row.in_short()));
        }
        let withdrawn = if self.withdraw() { "; what was asked of the lights is withdrawn" } else { "" };
        self.stage(Body::Sitting { step: SittingStep::Ended });
        Reply::done(format!(
            "{} ended: {}; the next frame begins another one{withdrawn}",
            row.in_short(),
            row.what_was_shot()
        ))
    }
}

fn is_another_day(last: &Captured, this: &Captured) -> bool {
    this.local.date() > last.local.date()
}
