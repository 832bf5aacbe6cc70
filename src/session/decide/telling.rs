//! Answers to what people and tools tell or ask.

use serde_json::json;

use super::Draft;
use super::filter::FILTER;
use super::planning::planned_from;
use crate::advice::{Moved, Observation};
use crate::drift::Lighting;
use crate::frame::Settings;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::{IsoSpeed, PowerSetting, SAME_SETTING, Series, Stops};
use crate::rig::{DialChange, GroupName, LightGroup, Position};
use crate::session::board::Board;
use crate::session::command::{Command, Planned, Reply, status};
use crate::session::judgement::How;
use crate::session::last_laid::LastLaid;
use crate::session::record::{Body, PowerSource, Purpose};
use crate::session::remembered::OpenCorrection;
use crate::session::sheet::Sheet;
use crate::wording::listed;

impl Draft<'_> {
    /// Carries out a command. A file that it names was read by the caller, who hands it on as
    /// `observation`; `wait`, `since`, `spot` and what is written
    /// down of the set are answered elsewhere.
    pub(super) fn answer(&mut self, command: &Command, observation: Option<Observation>) -> Reply {
        let setup = &self.sitting.setup;
        match &self.with_known_names(command) {
            Command::Reference { frame: Some(frame), .. } if setup.last.as_ref().is_none_or(|l| l.frame != *frame) => {
                not_the_last(*frame)
            }
            Command::Reference { file, look, .. } => self.tell_reference(file.as_deref(), look.as_deref(), observation),
            Command::Accept { frame: Some(frame) } if setup.last.as_ref().is_none_or(|l| l.frame != *frame) => {
                not_the_last(*frame)
            }
            Command::Accept { .. } => self.tell_accept(),
            Command::NewSitter {} => self.tell_new_sitter(),
            Command::Look { look } => self.tell_look(look),
            Command::Looks {} => self.list_looks(),
            Command::Power { group, setting } => self.tell_power(group, setting),
            Command::Confirm { correction: Some(record), .. }
                if setup.open.as_ref().is_none_or(|open| open.record != *record) =>
            {
                Reply::refused("this correction is over, or another took its place: look again")
            }
            Command::Confirm { group, .. } => self.tell_confirm(group.as_ref()),
            Command::Undo { group: Some(group) } => self.tell_undo(group),
            Command::Undo { group: None } => self.tell_undo_of_last(),
            Command::Next { f_number, iso, exposure_time, filter, camera_steps } => {
                let steps = camera_steps.unwrap_or(self.config.camera_steps);
                match Planned::read([f_number, iso, exposure_time, filter], steps) {
                    Ok(planned) => self.tell_next(&planned, steps),
                    Err(why) => Reply::refused(why),
                }
            }
            Command::Plan(words) => self.tell_plan(words),
            Command::Survey { what, groups } => self.tell_survey(*what, groups),
            Command::Sitting { what, name } => self.tell_sitting(*what, name.as_deref()),
            Command::Note { text } => self.tell_note(text),
            Command::Status {} => {
                let board = Board::of(&self.sitting, self.config);
                Reply::with(board.how_it_stands().join("\n"), status(&self.sitting))
            }
            Command::Sheet { look } => self.tell_sheet(look.as_deref()),
            Command::Wait {}
            | Command::Since { .. }
            | Command::Spot { .. }
            | Command::SetUp(_)
            | Command::SetUpNotes { .. }
            | Command::TakeLook { .. } => Reply::refused("this command is answered elsewhere"),
        }
    }

    fn tell_sheet(&self, look: Option<&str>) -> Reply {
        let laid = LastLaid::of(&self.sitting, self.config, self.knowledge);
        match Sheet::with_now(&self.sitting, self.config, look, laid.as_ref()) {
            // Every number of a sheet is finite, so it always encodes.
            Ok(sheet) => Reply::with("the set-up sheet", serde_json::to_value(sheet).unwrap_or_default()),
            Err(why) => Reply::refused(why.to_string()),
        }
    }

    fn group_names(&self) -> String {
        let names: Vec<&str> = self.config.groups.iter().map(|g| g.name.as_str()).collect();
        names.join(", ")
    }

    fn tell_power(&mut self, name: &GroupName, text: &str) -> Reply {
        let group = self.group(name);
        let Some((position, group)) = self.sitting.setup.position(name).zip(group) else {
            return Reply::refused(format!("there is no group '{name}': it is one of {}", self.group_names()));
        };
        let setting = match group.read(text) {
            Ok(setting) => setting,
            Err(why) => return Reply::refused(why.to_string()),
        };
        let answers = self.answers(group, position.power(), setting);
        let shown = group.shown(setting);
        let asked = self
            .sitting
            .setup
            .open
            .as_ref()
            .and_then(|open| open.dial_change_of(name).filter(|change| change.clicks != 0)?.to.clone());
        let other =
            asked.filter(|asked| *asked != shown).map_or_else(String::new, |asked| format!(" ({asked} was asked)"));
        let between = group.is_between_clicks(text);
        let nearest =
            if between { format!(", the click of its dial nearest to {}", text.trim()) } else { String::new() };
        let said = format!("{name} is at {shown}{nearest}{other}");
        self.stage(Body::Power {
            group: name.clone(),
            setting: Some(setting),
            shown: Some(shown),
            turned: None,
            moved: None,
            source: PowerSource::Told,
            answers,
        });
        self.end_if_all_told();
        Reply::done(said)
    }

    /// The open correction, if a power that is told of a group answers it: it is what was asked, or the light was
    /// turned to elsewhere, because somebody decided otherwise. To tell again where it stands answers nothing.
    fn answers(&self, group: &LightGroup, power: Option<PowerSetting>, told: PowerSetting) -> Option<RecordNumber> {
        let open = self.sitting.setup.open.as_ref()?;
        let asked = open.dial_change_of(&group.name)?.setting?;
        let half_a_click = group.step().stops() / 2.0;
        let is_at = |there: PowerSetting| (told - there).abs() < half_a_click;
        let was_turned = power.is_some_and(|power| !is_at(power));
        (was_turned || is_at(asked)).then_some(open.record)
    }

    fn tell_confirm(&mut self, only: Option<&GroupName>) -> Reply {
        let Some(open) = self.sitting.setup.open.clone() else {
            return Reply::refused("no correction is open");
        };
        let is_open = |t: &&DialChange| only.is_none_or(|name| t.group == *name) && !open.is_confirmed(&t.group);
        let dial_changes: Vec<&DialChange> = open.correction.dial_changes.iter().filter(is_open).collect();
        if dial_changes.is_empty() {
            return Reply::refused(format!(
                "the open correction has no such group left: it is one of {}",
                self.group_names()
            ));
        }
        for dial_change in &dial_changes {
            self.stage(Body::Power {
                group: dial_change.group.clone(),
                setting: dial_change.setting,
                shown: dial_change.to.clone(),
                turned: dial_change.setting.is_none().then_some(dial_change.change),
                moved: None,
                source: PowerSource::Told,
                answers: Some(open.record),
            });
        }
        self.end_if_all_told();
        let names: Vec<&str> = dial_changes.iter().map(|t| t.group.as_str()).collect();
        Reply::done(format!("taken as set: {}", names.join(", ")))
    }

    fn tell_undo(&mut self, group: &GroupName) -> Reply {
        if self.group(group).is_none() && group.as_str().eq_ignore_ascii_case(FILTER) {
            return self.take_back_the_filter();
        }
        if self.group(group).is_none() {
            return Reply::refused(format!("there is no group '{group}': it is one of {}", self.group_names()));
        }
        let Some(of) = self.sitting.setup.position(group).and_then(Position::told_by) else {
            return Reply::refused(format!(
                "there is nothing to take back: {group} was not told since the last frame, or since 'next' was asked last"
            ));
        };
        self.stage(Body::Undone { group: group.clone(), of });
        // It may have opened what a frame asked for that was removed since.
        self.withdraw_of_removed();
        let power = self.sitting.setup.position(group).and_then(Position::power);
        Reply::done(match power.zip(self.group(group)) {
            Some((power, of)) => format!("{group} stands at {} again, as before", of.shown(power)),
            None => format!("{group} stands as before"),
        })
    }

    /// The group that was told of last, with what else can be taken back.
    fn tell_undo_of_last(&mut self) -> Reply {
        let told = |p: &Position| Some((p.told_by()?, p.group.clone()));
        let Some((_, last)) = self.sitting.setup.positions.iter().filter_map(told).max() else {
            return Reply::refused(
                "there is nothing to take back: no power was told since the last frame, or since 'next' was asked last",
            );
        };
        let undone = self.tell_undo(&last);
        let left = self.sitting.setup.positions.iter().filter(|p| p.told_by().is_some()).map(|p| p.group.as_str());
        let left: Vec<&str> = left.collect();
        if left.is_empty() {
            return undone;
        }
        let message = format!("{}; {} can be taken back, too", undone.message, listed(&left));
        Reply { message, ..undone }
    }

    fn end_if_all_told(&mut self) {
        let setup = &self.sitting.setup;
        // Where one was told to be elsewhere than asked, the next frame shows whether the word is right.
        let is_as_asked = |change: &DialChange| {
            let power = setup.position(&change.group).and_then(Position::power);
            change.setting.zip(power).is_none_or(|(asked, told)| (asked - told).abs() <= SAME_SETTING)
        };
        let is_done =
            |open: &OpenCorrection| open.is_all_confirmed() && open.correction.dial_changes.iter().all(is_as_asked);
        let open = setup.open.as_ref().filter(|open| is_done(open));
        if let Some(correction) = open.map(|open| open.record) {
            self.stage(Body::Resolved { correction, how: How::Confirmed });
        }
    }

    /// Nothing is asked of the lights any more. Gives whether something was.
    pub(super) fn withdraw(&mut self) -> bool {
        let asked = self.sitting.setup.open.as_ref().map(|open| open.record);
        if let Some(correction) = asked {
            self.stage(Body::Resolved { correction, how: How::Withdrawn });
        }
        asked.is_some()
    }

    /// Why a speed that is asked for is not had, and where that stands.
    pub(super) fn refuses_iso(&self, iso: Option<IsoSpeed>) -> Option<String> {
        let (iso, at_hand) = (iso?, &self.config.at_hand);
        let why = at_hand.refuses(iso)?;
        let is_below = at_hand.lowest_iso.is_some_and(|lowest| iso.sv() < lowest.sv());
        let key = if is_below { "lowest_iso" } else { "highest_iso" };
        Some(format!("{why} ({key}: in the configuration)"))
    }

    fn tell_next(&mut self, planned: &Planned, steps: Series) -> Reply {
        if let Some(why) = self.refuses_iso(planned.iso) {
            return Reply::refused(why);
        }
        if let Some(first) = self.set_up_comes_first() {
            return first;
        }
        let setup = &self.sitting.setup;
        let (lights, last) = match self.lights_now() {
            Ok(lights) => lights,
            Err(why) => return Reply::refused(why),
        };
        let settings = planned_from(planned, &last);
        let Some(correction) = self.turns_for(&lights, &settings, last.f_number, steps) else {
            return Reply::refused(
                "the reference's settings are not known, so nothing can be worked out from new ones",
            );
        };
        let how = match lights.moved {
            Moved::Alike(_) => at_every_light(correction.wanted),
            Moved::Each(_) => "each light by what it still needs".to_owned(),
        };
        let sentence = format!("For {}: {how}.", settings.in_short());
        let value = json!({"settings": settings, "correction": correction});
        let mut says = vec![sentence.clone()];
        says.extend(correction.dial_changes.iter().map(DialChange::in_words));
        says.extend(correction.ways_in_words());
        says.extend(self.sync_warning(&settings));
        says.extend(self.ambient_warning(setup, &settings, correction.change()));
        // Who asks for other settings is content with the light.
        let accepted = self.go_by_what_is_built();
        says.splice(..0, accepted);
        if settings.filter != last.filter {
            self.withdraw();
            self.stage(Body::Filter { density: settings.filter });
        }
        // Who asks the same again is told the same, and what stands on the screens goes on standing there.
        if self.sitting.setup.open.as_ref().is_some_and(|open| open.is_already(&settings, &correction)) {
            return Reply::with(says.join("\n"), value);
        }
        self.withdraw();
        if !correction.is_empty() {
            let purpose = Purpose::Next { settings: Box::new(settings) };
            self.stage(Body::Correction { purpose, correction: Box::new(correction), sentence });
        }
        Reply::with(says.join("\n"), value)
    }

    /// Flash lights a part of the frame alone where the shutter is faster than it allows.
    pub(super) fn sync_warning(&self, settings: &Settings) -> Option<String> {
        let time = settings.exposure_time.filter(|_| self.config.lighting.planned() == Lighting::Flash)?;
        let sync = self.config.sync_speed;
        (time.tv() > sync.tv() + SAME_SETTING).then(|| {
            format!("{time} is shorter than the sync speed ({sync}, sync_speed: in the configuration): flash will not light the whole frame")
        })
    }

    fn tell_note(&mut self, text: &str) -> Reply {
        let text = text.trim();
        if text.is_empty() {
            return Reply::refused("a note needs words");
        }
        self.stage(Body::Note { text: text.to_owned() });
        Reply::done("noted")
    }
}

fn not_the_last(frame: FrameNumber) -> Reply {
    Reply::refused(format!("frame {frame} is not the last one any more: look at the new one first"))
}

fn at_every_light(wanted: Stops) -> String {
    if wanted.is_worth_saying() {
        format!("every light {}", wanted.up_or_down())
    } else {
        "every light as it is".to_owned()
    }
}
