//! The engine's answers to what people and tools tell or ask it.

use std::collections::BTreeMap;

use serde_json::json;

use super::{Engine, Ledger};
use crate::advice::{Subject, correct, correct_each};
use crate::drift::expected;
use crate::frame::Settings;
use crate::photometry::Stops;
use crate::rig::Turn;
use crate::session::command::{Command, Planned, Reply, status};
use crate::session::record::{Body, How, PowerSource, Purpose};

impl<L: Ledger> Engine<L> {
    /// Carries out a command. A file that it names was read by the caller, who hands it on as
    /// `subject`; `sync` and `since` are not the engine's.
    pub fn command(&mut self, command: &Command, subject: Option<Subject>) -> Reply {
        if let Some(why) = self.has_no_room_for(command) {
            return Reply::refused(why);
        }
        let reply = match command {
            Command::Reference { frame: Some(frame), .. }
                if self.state.last.as_ref().is_none_or(|l| l.frame != *frame) =>
            {
                Reply::refused(format!("frame {frame} is not the last one any more: look at the new one first"))
            }
            Command::Reference { file, look, .. } => self.tell_reference(file.as_deref(), look.as_deref(), subject),
            Command::Look { look } => self.tell_look(look),
            Command::Power { group, setting } => self.tell_power(group, setting),
            Command::Confirm { correction: Some(record), .. }
                if self.state.pending.as_ref().is_none_or(|p| p.record != *record) =>
            {
                Reply::refused("this correction is over, or another took its place: look again")
            }
            Command::Confirm { group, .. } => self.tell_confirm(group.as_deref()),
            Command::Undo { group } => self.tell_undo(group),
            Command::Next { f_number, iso, exposure_time, marks } => {
                let marks = marks.unwrap_or(self.config.marks);
                match Planned::read(f_number.as_ref(), iso.as_ref(), exposure_time.as_ref(), marks) {
                    Ok(planned) => self.tell_next(&planned),
                    Err(why) => Reply::refused(why),
                }
            }
            Command::Survey { what, groups } => self.tell_survey(*what, groups),
            Command::Note { text } => self.tell_note(text),
            Command::Status {} => Reply::with(self.in_short(), status(&self.state)),
            Command::Sync {} | Command::Since { .. } | Command::Spot { .. } => {
                Reply::refused("this command is answered elsewhere")
            }
        };
        self.flush();
        reply
    }

    /// Why a command can't be carried out now, because what it tells could not be kept.
    pub fn has_no_room_for(&self, command: &Command) -> Option<String> {
        let tells_nothing = matches!(command, Command::Status {} | Command::Sync {} | Command::Since { .. });
        (!tells_nothing && self.ledger.is_full()).then(|| {
            "the shot log can't be written, and as much waits in memory as may: free its disk, then tell this again"
                .to_owned()
        })
    }

    fn in_short(&self) -> String {
        let look = self.state.current.as_deref().unwrap_or("no reference yet");
        let last = self
            .state
            .last
            .as_ref()
            .map_or("no frame yet".to_owned(), |l| format!("{}: {}", l.file, l.verdict.sentence));
        format!("{} frames, look '{look}', last {last}", self.state.frames)
    }

    fn group_names(&self) -> String {
        let names: Vec<&str> = self.config.groups.iter().map(|g| g.name.as_str()).collect();
        names.join(", ")
    }

    fn tell_power(&mut self, name: &str, text: &str) -> Reply {
        let Some((standing, group)) = self.standing(name) else {
            return Reply::refused(format!("there is no group '{name}': it is one of {}", self.group_names()));
        };
        let setting = match group.read(text) {
            Ok(setting) => setting,
            Err(why) => return Reply::refused(why.to_string()),
        };
        // The first word on a power tells where the light stands, not that it was turned.
        let turned = standing.power.map_or(Stops::ZERO, |old| setting - old);
        let moved = standing.moved.map(|m| m + turned);
        let shown = group.shown(setting);
        let said = format!("{name} is at {shown}");
        let asked = self.state.pending.as_ref().and_then(|p| {
            let turn = p.correction.turns.iter().find(|t| t.group == name)?;
            Some((p.record, turn.setting?))
        });
        // A turn to elsewhere is an answer, too: somebody decided otherwise. The other groups are still to be set.
        let answers = asked.filter(|(_, to)| turned != Stops::ZERO || (*to - setting).abs() < Stops(0.01));
        let answers = answers.map(|(record, _)| record);
        self.stage(Body::Power {
            group: name.to_owned(),
            setting: Some(setting),
            shown: Some(shown),
            moved,
            source: PowerSource::Told,
            answers,
        });
        self.end_if_all_told();
        Reply::done(said)
    }

    fn tell_confirm(&mut self, only: Option<&str>) -> Reply {
        let Some(pending) = self.state.pending.clone() else {
            return Reply::refused("no correction is open");
        };
        let open = |t: &&Turn| only.is_none_or(|name| t.group == name) && !pending.told.contains(&t.group);
        let turns: Vec<&Turn> = pending.correction.turns.iter().filter(open).collect();
        if turns.is_empty() {
            return Reply::refused(format!(
                "the open correction has no such group left: it is one of {}",
                self.group_names()
            ));
        }
        for turn in &turns {
            self.turned(turn, PowerSource::Told);
        }
        self.end_if_all_told();
        let names: Vec<&str> = turns.iter().map(|t| t.group.as_str()).collect();
        Reply::done(format!("taken as set: {}", names.join(", ")))
    }

    fn tell_undo(&mut self, group: &str) -> Reply {
        let Some(of) = self.state.told_by(group) else {
            return Reply::refused(format!(
                "nothing was told of {group} since the last frame, so there is nothing to take back"
            ));
        };
        self.stage(Body::TakenBack { group: group.to_owned(), of });
        Reply::done(format!("{group} stands as before"))
    }

    fn end_if_all_told(&mut self) {
        let all =
            self.state.pending.as_ref().is_some_and(|p| p.correction.turns.iter().all(|t| p.told.contains(&t.group)));
        if all {
            self.resolve(How::Told);
        }
    }

    fn tell_next(&mut self, planned: &Planned) -> Reply {
        let Some((look, last)) = self.state.reference().cloned().zip(self.state.last.clone()) else {
            return Reply::refused("there is no reference yet: shoot a frame first");
        };
        let moves = self.state.standings.iter().map(|s| Some((s.group.clone(), s.moved?)));
        let Some(moves) = moves.collect::<Option<BTreeMap<String, Stops>>>() else {
            return Reply::refused(
                "it isn't known what the lights are set to since the reference: tell each group's power, or set a new reference",
            );
        };
        let mut settings = Settings { captured: None, ..last.subject.settings };
        settings.f_number = planned.f_number.or(settings.f_number);
        settings.iso = planned.iso.or(settings.iso);
        settings.exposure_time = planned.exposure_time.or(settings.exposure_time);
        let Some(change) = expected(&look.subject.settings, &settings, self.config.lighting.planned()) else {
            return Reply::refused(
                "the reference's settings are not known, so nothing can be worked out from new ones",
            );
        };
        let (groups, standings) = (&self.config.groups, &self.state.standings);
        let (correction, how) = match self.state.moved_alike() {
            Some(moved) => {
                let wanted = -(change + moved);
                (correct(groups, standings, wanted, &settings), format!("{wanted} stop at every light"))
            }
            None => {
                let wanted = moves.into_iter().map(|(group, moved)| (group, -(change + moved))).collect();
                (correct_each(groups, standings, &wanted, &settings), "each light by what it still needs".to_owned())
            }
        };
        let sentence = format!("For {}: {how}.", settings.in_short());
        self.resolve(How::Withdrawn);
        let value = json!({"settings": settings, "correction": correction});
        let planned_for = settings.clone();
        if !correction.is_nothing() {
            self.stage(Body::Correction {
                purpose: Purpose::Next { settings: Box::new(settings) },
                correction: Box::new(correction.clone()),
                sentence: sentence.clone(),
            });
        }
        let mut says = vec![sentence];
        says.extend(correction.turns.iter().map(Turn::in_words));
        says.extend(correction.other_ways.iter().map(|w| w.in_words()));
        says.extend(self.room_light_at(&planned_for, correction.by()));
        Reply::with(says.join("\n"), value)
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
