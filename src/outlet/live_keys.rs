//! What the keys of the live view do: the sitting is led from the photographer's own terminal.

use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use crate::rig::GroupName;
use crate::session::{Board, Command, SittingAsk, SurveyAsk};

/// What lies over the view.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Over {
    Nothing,
    Page,
    /// Whether to end the watch.
    End,
    /// Something is typed.
    Typing(Typing, String),
}

/// What is typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Typing {
    /// Settings that come next.
    Next,
    /// A group, and what it is set to.
    Set,
    /// The name of a look.
    Look,
}

/// What comes of a key.
#[derive(Debug, PartialEq)]
pub enum Step {
    Show(Over),
    /// Commands for the sitting; nothing lies over the view then.
    Tell(Vec<Command>),
    /// Something can't be done, and why.
    Say(String),
    EndTheWatch,
}

/// The line that names the keys that do something.
pub fn keys(board: &Board) -> &'static str {
    match board.same_set_up {
        Some(_) => KEYS_OF_SET_UP,
        None if board.survey.next.is_some() => KEYS_IN_A_SURVEY,
        None => KEYS,
    }
}

const KEYS_IN_A_SURVEY: &str = "s leave this light out  x give the survey up  t power  u undo  q end";
const KEYS_OF_SET_UP: &str = "y the same set-up  x another set-up  t power  l look  q end";
const KEYS: &str = "n next  t power  c all set  u undo  a accept  s survey  l look  q end";

impl Typing {
    pub fn asks(self) -> (&'static str, &'static str) {
        match self {
            Typing::Next => ("next", "What will be shot next? For example f/5.6, or f/2.8 iso64"),
            Typing::Set => ("power", "Which group is set to what? For example key 1/8 +0.3"),
            Typing::Look => ("look", "Which look? Its name, or nothing to list them"),
        }
    }

    /// What the typed text tells.
    fn command(self, text: &str) -> Result<Command, String> {
        let text = text.trim();
        match self {
            Typing::Next => Command::next(text.split_whitespace()),
            Typing::Set => match text.split_once(char::is_whitespace) {
                Some((group, setting)) => {
                    Ok(Command::Power { group: group.into(), setting: setting.trim().to_owned() })
                }
                None => Err("name a group and its power: key 1/8".to_owned()),
            },
            Typing::Look if text.is_empty() => Ok(Command::Looks {}),
            Typing::Look => Ok(Command::Look { look: text.to_owned() }),
        }
    }
}

/// What a key does to a view that shows this.
pub fn after_key(key: KeyEvent, over: Over, board: &Board, has_page: bool) -> Step {
    if key.code == KeyCode::Char('c') && key.modifiers.contains(KeyModifiers::CONTROL) {
        return Step::EndTheWatch;
    }
    match (over, key.code) {
        // A key that is held with another is somebody else's: Ctrl-A is no 'a'.
        (over, _) if key.modifiers.intersects(KeyModifiers::CONTROL | KeyModifiers::ALT) => Step::Show(over),
        (Over::Typing(what, text), code) => typed(what, text, code),
        (Over::End, KeyCode::Char('y')) => Step::EndTheWatch,
        (Over::End | Over::Page, _) => Step::Show(Over::Nothing),
        (Over::Nothing, KeyCode::Char(key)) => of_letter(key.to_ascii_lowercase(), board, has_page),
        (Over::Nothing, _) => Step::Show(Over::Nothing),
    }
}

fn of_letter(key: char, board: &Board, has_page: bool) -> Step {
    let typing = |what| Step::Show(Over::Typing(what, String::new()));
    match key {
        'n' => typing(Typing::Next),
        't' => typing(Typing::Set),
        'l' => typing(Typing::Look),
        'c' => match &board.asked {
            Some(asked) => Step::Tell(vec![Command::Confirm { group: None, correction: Some(asked.record) }]),
            None => Step::Say("nothing is asked of the lights".to_owned()),
        },
        'a' => match &board.last {
            Some(last) => Step::Tell(vec![Command::Accept { frame: Some(last.frame) }]),
            None => Step::Say("there is no frame yet".to_owned()),
        },
        'u' => undo(board),
        's' => Step::Tell(vec![Command::Survey { what: survey(board), groups: Vec::new() }]),
        'y' if board.same_set_up.is_some() => tell_sitting(SittingAsk::Same),
        'x' if board.same_set_up.is_some() => tell_sitting(SittingAsk::New),
        'x' if board.survey.next.is_some() => {
            Step::Tell(vec![Command::Survey { what: SurveyAsk::Stop, groups: Vec::new() }])
        }
        'q' => Step::Show(Over::End),
        'p' if has_page => Step::Show(Over::Page),
        _ => Step::Show(Over::Nothing),
    }
}

fn tell_sitting(what: SittingAsk) -> Step {
    Step::Tell(vec![Command::Sitting { what, name: None }])
}

/// Everything that was told since the last frame.
fn undo(board: &Board) -> Step {
    let told: Vec<GroupName> = board.cards.iter().filter(|c| c.can_undo).map(|c| c.group.clone()).collect();
    match told.is_empty() {
        true => Step::Say("there is nothing to take back".to_owned()),
        false => Step::Tell(told.into_iter().map(|group| Command::Undo { group: Some(group) }).collect()),
    }
}

/// Begins a survey; while one is under way its next group is left out.
fn survey(board: &Board) -> SurveyAsk {
    if board.survey.next.is_some() { SurveyAsk::Skip } else { SurveyAsk::Start }
}

fn typed(what: Typing, mut text: String, key: KeyCode) -> Step {
    match key {
        KeyCode::Esc => return Step::Show(Over::Nothing),
        KeyCode::Enter => return what.command(&text).map_or_else(Step::Say, |command| Step::Tell(vec![command])),
        KeyCode::Backspace => drop(text.pop()),
        KeyCode::Char(letter) if !letter.is_control() && text.chars().count() < MOST_TYPED => text.push(letter),
        _ => {}
    }
    Step::Show(Over::Typing(what, text))
}

/// No setting and no name is longer.
const MOST_TYPED: usize = 60;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;
    use crate::session::State;

    fn empty() -> Board {
        Board::of(&State::default().sitting, &Config::parse("groups: [{name: key}]", "test").unwrap())
    }

    fn pressed(code: KeyCode, modifiers: KeyModifiers, over: Over) -> Step {
        after_key(KeyEvent::new(code, modifiers), over, &empty(), false)
    }

    #[test]
    fn a_key_tells_nothing_that_nobody_sees() {
        for key in ['c', 'a', 'u'] {
            assert!(matches!(pressed(KeyCode::Char(key), KeyModifiers::NONE, Over::Nothing), Step::Say(_)), "{key}");
        }
        for key in ['a', 's', 'x'] {
            let held = pressed(KeyCode::Char(key), KeyModifiers::CONTROL, Over::Nothing);
            assert_eq!(held, Step::Show(Over::Nothing), "Ctrl-{key}");
        }
        assert_eq!(pressed(KeyCode::Char('c'), KeyModifiers::CONTROL, Over::Nothing), Step::EndTheWatch);
    }

    #[test]
    fn what_is_typed_is_told_with_enter_and_left_with_escape() {
        let typing = |text: &str| Over::Typing(Typing::Set, text.to_owned());
        assert_eq!(pressed(KeyCode::Char('a'), KeyModifiers::NONE, typing("rim")), Step::Show(typing("rima")));
        assert_eq!(pressed(KeyCode::Backspace, KeyModifiers::NONE, typing("rim")), Step::Show(typing("ri")));
        assert_eq!(pressed(KeyCode::Esc, KeyModifiers::NONE, typing("rim 1/8")), Step::Show(Over::Nothing));
        let told = Command::Power { group: "rim".into(), setting: "1/8 +0.3".into() };
        assert_eq!(pressed(KeyCode::Enter, KeyModifiers::NONE, typing("rim  1/8 +0.3 ")), Step::Tell(vec![told]));
        assert!(matches!(pressed(KeyCode::Enter, KeyModifiers::NONE, typing("rim")), Step::Say(_)));
    }
}
