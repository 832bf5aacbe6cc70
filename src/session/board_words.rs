//! How a sitting stands, in lines for people: what `status` answers, and what a watch says when it goes on and when it ends.

use super::board::{Board, Card, CardState};
use super::standing::{FIRST_LOOK, Standing};
use crate::wording::counted;

impl Board {
    /// Frames, look, reference; the last frame; powers; what is asked; the survey.
    pub fn how_it_stands(&self) -> Vec<String> {
        let last = self.last.as_ref().map(|last| {
            let gone = if last.removed { " (gone from the folder)" } else { "" };
            format!("last {}{gone}: {}", last.file, last.sentence)
        });
        let asked = self.asked.as_ref().map(|asked| format!("asked: {} {}", asked.sentence, self.turns()));
        let survey = self.survey.next.as_ref().map(|next| format!("light survey: now {next}"));
        [Some(self.so_far()), last, Some(self.powers()), asked, survey].into_iter().flatten().collect()
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

    fn turns(&self) -> String {
        let turn = |card: &Card| match (card.state, &card.to) {
            (CardState::Set, _) => format!("{} is set", card.group),
            (_, Some(to)) if card.clicks != 0 => format!("{} {} to {to}", card.group, card.does),
            _ => format!("{} {}", card.group, card.does),
        };
        self.cards.iter().map(turn).collect::<Vec<_>>().join("; ")
    }
}
