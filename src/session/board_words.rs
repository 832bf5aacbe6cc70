//! How a sitting stands, in lines for people: what `status` answers, and what a watch says when it goes on and when it ends.

use std::collections::BTreeSet;

use super::board::Board;
use super::cards::{Card, CardState};
use super::standing::{FIRST_LOOK, Standing};
use crate::advice::Finding;
use crate::wording::counted;

impl Board {
    /// Frames, look, reference; the last frame; powers; what is asked; the survey.
    pub fn how_it_stands(&self) -> Vec<String> {
        let last = self.last.as_ref().map(|last| {
            let gone = if last.removed { " (gone from the folder)" } else { "" };
            format!("last {}{gone}: {}", last.file, last.sentence)
        });
        let asked = self.asked.as_ref().map(|asked| format!("asked: {}", asked.sentence));
        let turns = self.cards.iter().filter_map(|card| card.turn.as_ref()).map(|(turn, _)| format!("  {turn}"));
        let survey = self.survey.next.as_ref().map(|next| format!("light survey: now {next}"));
        let so_far = [Some(self.so_far()), last, Some(self.powers()), asked];
        so_far.into_iter().flatten().chain(turns).chain(survey).collect()
    }

    /// '7 frames, look 'soft', reference sitting_0002.jpg'.
    pub fn so_far(&self) -> String {
        let look = match self.look.as_deref() {
            Some(FIRST_LOOK) | None => String::new(),
            Some(look) => format!(", look '{look}'"),
        };
        let reference = match (&self.reference, self.standing) {
            (_, Standing::AwaitsSitter) => ", waiting for the new sitter's first frame".to_owned(),
            (Some(_), Standing::Building) => ", the light is being built".to_owned(),
            (Some(file), Standing::Accepted) => format!(", reference {file}"),
            (None, _) => ", no reference yet".to_owned(),
        };
        format!("{}{look}{reference}", counted(self.frames as usize, "frame"))
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
        if self.hold.is_some() {
            return "Leave every power as it is, and shoot again".to_owned();
        }
        if let Some(next) = &self.survey.next {
            return format!("Light survey: {next}");
        }
        let ends = self.at_their_ends();
        match (&self.asked, &self.last) {
            (Some(asked), _) => self.leads_to_turns(asked.coming.as_deref()),
            (None, None) => "Shoot a frame".to_owned(),
            (None, Some(_)) if self.standing == Standing::AwaitsSitter => {
                "New sitter: shoot the first frame".to_owned()
            }
            (None, Some(_)) if self.standing == Standing::Building => {
                "Build the light, and accept it when it stands".to_owned()
            }
            (None, Some(_)) if self.all_set => format!("All set: shoot{ends}"),
            (None, Some(last)) => match last.finding {
                _ if last.is_reference => "Nothing to turn".to_owned(),
                Finding::Matched | Finding::NoReference | Finding::NotMetered | Finding::Survey => {
                    format!("Nothing to turn{ends}")
                }
                _ => format!("Turn nothing yet: look first{ends}"),
            },
        }
    }

    /// 'Turn 3 lights down 2 stops', 'Coming, for f/7.1  1/160 s  ISO 100: 3 lights down 2 stops'.
    fn leads_to_turns(&self, coming: Option<&str>) -> String {
        let left: Vec<&Card> = self.cards.iter().filter(|card| card.clicks != 0 && !card.confirmed).collect();
        let ends = self.at_their_ends();
        let who = match left.as_slice() {
            [] => return format!("All set: shoot{ends}"),
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
        if names.is_empty() { String::new() } else { format!("; {} can't go far enough", names.join(" and ")) }
    }
}
