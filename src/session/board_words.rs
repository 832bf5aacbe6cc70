//! How a sitting stands, in lines for people: what `status` answers, and what a watch says when it goes on and when it ends.

use std::collections::BTreeSet;

use jiff::civil::DateTime;

use super::board::{Board, CorrectionShown, LastShown};
use super::cards::{Card, CardState};
use super::set_up_asked::{LONG_PAUSE, with_its_answers};
use super::standing::{FIRST_LOOK, Standing};
use crate::advice::Finding;
use crate::frame::Captured;
use crate::wording::{counted, listed, own_name};

impl Board {
    /// Frames, look, reference; the last frame; powers; what is asked; the survey.
    pub fn how_it_stands(&self) -> Vec<String> {
        let last = self.last.as_ref().map(|last| {
            let gone = if last.removed { " (gone from the folder)" } else { "" };
            let proviso = last.proviso.as_ref().map_or_else(String::new, |proviso| format!(" ({proviso})"));
            format!("last {}{gone}{}: {}{proviso}", last.file, shot(last.shot_at.as_ref()), last.sentence)
        });
        let asked = self.asked.as_ref().map(|asked| match self.comes_first(asked) {
            Some(first) => format!("asked, once {}: {}", first.is_done(), asked.sentence),
            None => format!("asked: {}", asked.sentence),
        });
        let turns = self.cards.iter().filter_map(|card| card.turn.as_ref()).map(|(turn, _)| format!("  {turn}"));
        let ends = self.cards.iter().filter(|card| card.state == CardState::EndOfRange && card.confirmed);
        let ends = ends.map(|card| format!("  {} is {}", card.group, card.does));
        let mut ways: Vec<&String> = self.cards.iter().filter_map(|card| card.other_way.as_ref()).collect();
        ways.dedup();
        let ways = ways.into_iter().map(|way| format!("    {way}"));
        let sharpness = self.sharpness.split_first().into_iter().flat_map(|(first, more)| {
            std::iter::once(format!("sharpness of {first}")).chain(more.iter().map(|line| format!("  {line}")))
        });
        let survey = self.survey.next.as_ref().map(|next| self.survey_under_way(next));
        let question = self.same_set_up.as_ref().map(|asked| with_its_answers(asked));
        let filter = self.filter.as_ref().map(|filter| format!("filter: {filter}"));
        let so_far = [Some(self.so_far()), question, last, Some(self.powers()), filter, asked];
        so_far.into_iter().flatten().chain(turns).chain(ends).chain(ways).chain(sharpness).chain(survey).collect()
    }

    /// How far the survey is, and what became of its last frame where that has to be shot again.
    fn survey_under_way(&self, next: &str) -> String {
        let taken = self.survey.steps.iter().filter(|(_, is_taken)| *is_taken).count();
        let again = self
            .survey
            .refused
            .as_ref()
            .map_or_else(String::new, |why| format!("\n  its last frame was not taken: {why}"));
        format!("light survey: {taken} of {} taken; now {next}{again}", counted(self.survey.steps.len(), "frame"))
    }

    /// '7 frames, look 'soft', reference sitting_0002.jpg (shot 2026-11-26 18:40)'.
    pub fn so_far(&self) -> String {
        let look = match self.look.as_deref() {
            Some(FIRST_LOOK) | None => String::new(),
            Some(look) => format!(", look '{look}'"),
        };
        let reference = match (&self.reference, self.standing) {
            (_, Standing::AwaitsSitter) => ", waiting for the new sitter's first frame".to_owned(),
            (Some(_), Standing::Building) => ", the light is being built".to_owned(),
            (Some(file), Standing::Accepted) => {
                format!(", reference {}{}", own_name(file), shot(self.reference_shot_at.as_ref()))
            }
            (None, _) => ", no reference yet".to_owned(),
        };
        let frames = counted(self.frames as usize, "frame");
        let frames = self.sitting.as_ref().map_or(frames.clone(), |sitting| format!("{sitting}; {frames} in all"));
        format!("{frames}{look}{reference}")
    }

    /// What to think of where the last frame was shot long before `now`, by the clock of the place.
    pub fn after_a_pause(&self, now: DateTime) -> Option<String> {
        pause(self.last.as_ref()?.shot_at.as_ref()?.local, now)
    }

    /// Where every light stands.
    pub fn powers(&self) -> String {
        let power = |card: &Card| {
            let at = card.at.as_deref().map_or_else(|| "not told yet".to_owned(), |at| format!("at {at}"));
            format!("{} {at}", card.group)
        };
        format!("powers: {}", self.cards.iter().map(power).collect::<Vec<_>>().join(", "))
    }

    /// The one sentence that leads every screen: what to do now.
    pub fn leads(&self) -> String {
        if let Some(asked) = &self.same_set_up {
            return asked.clone();
        }
        if let Some(next) = &self.survey.next {
            return format!("Light survey: {next}");
        }
        if self.hold.is_some() {
            return "Leave every power as it is, and shoot again".to_owned();
        }
        let ends = self.at_their_ends();
        match (&self.asked, &self.last) {
            (Some(asked), _) => {
                let turns = self.leads_to_turns(asked.coming.as_deref());
                self.comes_first(asked).map_or(turns.clone(), |first| format!("{}. Then: {turns}", first.leads()))
            }
            (None, None) => "Shoot a frame".to_owned(),
            (None, Some(_)) if self.standing == Standing::AwaitsSitter => {
                "New sitter: shoot the first frame".to_owned()
            }
            (None, Some(_)) if self.standing == Standing::Building => {
                "Build the light, and accept it when it stands".to_owned()
            }
            (None, Some(_)) if self.all_set => {
                let settings =
                    self.all_set_for.as_ref().map_or_else(String::new, |settings| format!(" for {settings}"));
                format!("All set{settings}: shoot{ends}")
            }
            (None, Some(_)) if self.light_tells() => format!("{LIGHT_IS_READ}{ends}"),
            (None, Some(last)) if !last.is_reference && (last.suspicion || last.finding == Finding::Uncertain) => {
                format!("Turn nothing yet: shoot another{ends}")
            }
            (None, Some(last)) if last.is_to_be_looked_at() => format!("Turn nothing yet: look first{ends}"),
            (None, Some(_)) => format!("Nothing to turn{ends}"),
        }
    }

    /// A turn was asked for before the last frame, which says that something comes before anything is turned.
    fn comes_first(&self, asked: &CorrectionShown) -> Option<First> {
        let last = self.last.as_ref().filter(|last| asked.is_of_before && last.is_to_be_looked_at())?;
        // For settings to come it is turned whatever is to be seen in this frame.
        let is_for_this_frame = asked.coming.is_none();
        if is_for_this_frame && last.awaits_light {
            return Some(First::Light);
        }
        if last.suspicion {
            return Some(First::Shoot);
        }
        (is_for_this_frame && !last.is_correctable).then_some(First::Look)
    }

    /// What is to be looked at of the last frame was seen in the picture embedded in its raw file, whose light is not read yet.
    fn light_tells(&self) -> bool {
        self.last.as_ref().is_some_and(|last| last.awaits_light && last.is_to_be_looked_at())
    }

    /// What stands behind that sentence, where there is something to turn or to look at.
    pub fn why(&self) -> Option<String> {
        let with_ratio = |asked: &CorrectionShown, said: &str| match &asked.ratio_error {
            Some(error) => format!("{said} ({error})"),
            None => said.to_owned(),
        };
        if self.survey.next.is_some() {
            return self.survey.refused.as_ref().map(|why| format!("The last frame was not taken: {why}."));
        }
        match (&self.hold, &self.asked, &self.last) {
            (Some(hold), ..) => Some(hold.clone()),
            (None, Some(asked), Some(last)) if self.comes_first(asked).is_some() => Some(last.sentence.clone()),
            (None, Some(asked), _) if asked.coming.is_some() => {
                Some(with_ratio(asked, "Turn ahead only when the photographer says so."))
            }
            (None, Some(asked), _) => Some(with_ratio(asked, &asked.sentence)),
            (None, None, Some(last)) => {
                let is_over = self.all_set || self.standing != Standing::Accepted;
                (last.is_to_be_looked_at() && !is_over).then(|| last.sentence.clone())
            }
            (None, None, None) => None,
        }
    }

    /// 'Turn 3 lights down 2 stops', 'Coming, for f/7.1  1/160 s  ISO 100: 3 lights down 2 stops'.
    fn leads_to_turns(&self, coming: Option<&str>) -> String {
        let left: Vec<&Card> = self.cards.iter().filter(|card| card.clicks != 0 && !card.confirmed).collect();
        let ends = self.at_their_ends();
        let who = match left.as_slice() {
            [] => {
                let settings = coming.map_or_else(String::new, |settings| format!(" for {settings}"));
                return format!("All set{settings}: shoot{ends}");
            }
            [one] => one.group.to_string(),
            several => counted(several.len(), "light"),
        };
        let sizes: BTreeSet<String> =
            left.iter().filter_map(|card| card.turn.as_ref()).map(|(_, change)| change.up_or_down()).collect();
        let by = sizes.first().filter(|_| sizes.len() == 1).map_or_else(String::new, |size| format!(" {size}"));
        match coming {
            Some(settings) => format!("Coming, for {settings}: {who}{by}{ends}"),
            None => format!("Turn {who}{by}{ends}"),
        }
    }

    /// '; fill can't go far enough'.
    fn at_their_ends(&self) -> String {
        let ends = self.cards.iter().filter(|card| card.state == CardState::EndOfRange);
        let names: Vec<&str> = ends.map(|card| card.group.as_str()).collect();
        if names.is_empty() { String::new() } else { format!("; {} can't go far enough", listed(&names)) }
    }
}

/// What comes before what is asked is turned.
#[derive(Debug, Clone, Copy)]
enum First {
    /// The light of its raw file is being read.
    Light,
    /// One frame is a suspicion.
    Shoot,
    Look,
}

impl First {
    fn leads(self) -> &'static str {
        match self {
            First::Light => LIGHT_IS_READ,
            First::Shoot => "Shoot another first",
            First::Look => "Look first",
        }
    }

    fn is_done(self) -> &'static str {
        match self {
            First::Light => "its light is read",
            First::Shoot => "another frame is shot",
            First::Look => "that is looked at",
        }
    }
}

impl LastShown {
    /// It is off, and nothing is asked of the lights for it.
    fn is_to_be_looked_at(&self) -> bool {
        let is_quiet =
            matches!(self.finding, Finding::Matched | Finding::NoReference | Finding::NotMetered | Finding::Survey);
        !self.is_reference && !is_quiet
    }
}

/// When a frame was shot, behind its name.
fn shot(at: Option<&Captured>) -> String {
    at.map_or_else(String::new, |at| format!(" (shot {})", at.in_words()))
}

/// Nobody need shoot another for what is told in a moment.
const LIGHT_IS_READ: &str = "Turn nothing yet: the light of the raw file is being read";

/// No sitting goes on after so long.
const UNLIKELY_DAYS: usize = 365;

fn pause(last: DateTime, now: DateTime) -> Option<String> {
    let ago = now.duration_since(last);
    let hours = usize::try_from(ago.as_hours()).unwrap_or_default();
    let days = hours / 24;
    let how_long = if days < 2 { counted(hours, "hour") } else { counted(days, "day") };
    let clock = if days > UNLIKELY_DAYS { "; or is the camera's clock wrong?" } else { "" };
    (ago >= LONG_PAUSE).then(|| {
        format!(
            "the last frame was shot {how_long} ago: if the set-up is another one, say 'greyhold sitting new', else 'greyhold sitting same'; \
             for another face 'greyhold new-sitter'{clock}"
        )
    })
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    #[test]
    fn after_a_night_it_is_asked_whether_the_set_up_is_the_same() {
        let evening = date(2026, 3, 2).at(18, 40, 0, 0);
        let said = |day, hour, minute| pause(evening, date(2026, 3, day).at(hour, minute, 0, 0));
        assert_eq!((said(2, 22, 39), said(2, 9, 0)), (None, None), "soon after, and by a camera whose clock is ahead");
        assert!(said(3, 9, 0).unwrap().starts_with("the last frame was shot 14 hours ago"));
        assert!(said(8, 9, 0).unwrap().starts_with("the last frame was shot 5 days ago"));
        let unset = pause(date(2005, 9, 11).at(0, 0, 0, 0), evening).unwrap();
        assert!(unset.contains("days ago") && unset.ends_with("; or is the camera's clock wrong?"), "{unset}");
    }
}
