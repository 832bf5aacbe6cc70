//! Rust text as far as imports need it: words, paths and brackets, without comments, texts and attributes' arguments. It knows
//! nothing of modules.

use std::iter::Peekable;
use std::vec::IntoIter;

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Token {
    Word(String),
    /// `::`
    Then,
    Sign(char),
}

impl Token {
    pub fn is(&self, sign: char) -> bool {
        *self == Token::Sign(sign)
    }

    pub fn word(&self) -> Option<&str> {
        match self {
            Token::Word(word) => Some(word),
            _ => None,
        }
    }
}

struct Text {
    chars: Peekable<IntoIter<char>>,
}

pub fn tokens(text: &str) -> Vec<Token> {
    let chars: Vec<char> = text.chars().collect();
    let mut text = Text { chars: chars.into_iter().peekable() };
    let mut found = Vec::new();
    while let Some(c) = text.chars.next() {
        match c {
            '/' if text.chars.peek() == Some(&'/') => text.skip_line(),
            '/' if text.chars.peek() == Some(&'*') => text.skip_comment(),
            '"' => text.skip_text(),
            '\'' => text.skip_character_or_lifetime(),
            ':' if text.chars.next_if_eq(&':').is_some() => found.push(Token::Then),
            c if c.is_alphanumeric() || c == '_' => {
                let word = text.rest_of_word(c);
                // r"..", br#".."#, and r#name.
                if matches!(word.as_str(), "r" | "br" | "cr") && matches!(text.chars.peek(), Some('"' | '#')) {
                    found.extend(text.skip_raw().map(Token::Word));
                } else if !c.is_numeric() {
                    found.push(Token::Word(word));
                }
            }
            c if c.is_whitespace() => {}
            c => found.push(Token::Sign(c)),
        }
    }
    found
}

impl Text {
    fn skip_line(&mut self) {
        self.chars.by_ref().take_while(|c| *c != '\n').for_each(drop);
    }

    fn skip_comment(&mut self) {
        let (mut depth, mut last) = (0, '/');
        for c in self.chars.by_ref() {
            match (last, c) {
                ('/', '*') => (depth, last) = (depth + 1, ' '),
                ('*', '/') => (depth, last) = (depth - 1, ' '),
                _ => last = c,
            }
            if depth == 0 {
                return;
            }
        }
    }

    fn skip_text(&mut self) {
        while let Some(c) = self.chars.next() {
            match c {
                '\\' => drop(self.chars.next()),
                '"' => return,
                _ => {}
            }
        }
    }

    fn skip_character_or_lifetime(&mut self) {
        let Some(first) = self.chars.next() else { return };
        if first == '\\' {
            self.chars.next();
            self.chars.by_ref().take_while(|c| *c != '\'').for_each(drop);
        } else if self.chars.next_if_eq(&'\'').is_none() {
            self.rest_of_word(first);
        }
    }

    fn rest_of_word(&mut self, first: char) -> String {
        let mut word = String::from(first);
        while let Some(c) = self.chars.next_if(|c| c.is_alphanumeric() || *c == '_') {
            word.push(c);
        }
        word
    }

    /// Behind the `r` of a raw text, or of a raw name, which is given.
    fn skip_raw(&mut self) -> Option<String> {
        let mut marks = 0;
        while self.chars.next_if_eq(&'#').is_some() {
            marks += 1;
        }
        if self.chars.next_if_eq(&'"').is_none() {
            let first = self.chars.next()?;
            return Some(self.rest_of_word(first));
        }
        while let Some(c) = self.chars.next() {
            if c == '"' {
                let mut closing = 0;
                while closing < marks && self.chars.next_if_eq(&'#').is_some() {
                    closing += 1;
                }
                if closing == marks {
                    return None;
                }
            }
        }
        None
    }
}

#[test]
fn only_code_is_read() {
    let words =
        |text: &str| -> Vec<String> { tokens(text).iter().filter_map(|t| t.word().map(str::to_owned)).collect() };
    assert_eq!(words("a // b\n/* c /* d */ e */ f \"g \\\" h\" i"), ["a", "f", "i"]);
    assert_eq!(words("r\"a\" b r#\"c \" d\"# e br##\"f\"# g\"## h r#type"), ["b", "e", "h", "type"]);
    assert_eq!(words("'a' b '\\'' c '\\u{1f}' d &'static e '\"' f"), ["b", "c", "d", "e", "f"]);
    assert_eq!(
        tokens("a::b:c"),
        [Token::Word("a".into()), Token::Then, Token::Word("b".into()), Token::Sign(':'), Token::Word("c".into())]
    );
}
