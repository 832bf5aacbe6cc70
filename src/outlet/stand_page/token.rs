//! The word that lets a phone sign in, new at every start.

use std::fmt;

use subtle::ConstantTimeEq;

/// 80 random bits. It is never in an address's path or query, and shows itself in no message.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

/// Letters and digits that are not taken for one another, 32 of them.
const LETTERS: &[u8; 32] = b"23456789ABCDEFGHJKLMNPQRSTUVWXYZ";
const TOKEN_LETTERS: usize = 16;

impl Token {
    pub fn fresh() -> Result<Token, getrandom::Error> {
        let mut bytes = [0_u8; TOKEN_LETTERS];
        getrandom::fill(&mut bytes)?;
        Ok(Token(bytes.iter().map(|b| char::from(LETTERS[usize::from(b % 32)])).collect()))
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// In groups of four, for typing.
    pub fn in_groups(&self) -> String {
        let groups: Vec<&str> = (0..TOKEN_LETTERS).step_by(4).map(|at| &self.0[at..at + 4]).collect();
        groups.join("-")
    }

    /// Compares in constant time what somebody typed or brought.
    pub fn is(&self, said: &str) -> bool {
        let bare: String = said.chars().filter(|c| !c.is_whitespace() && *c != '-').collect();
        self.0.as_bytes().ct_eq(bare.to_ascii_uppercase().as_bytes()).into()
    }
}

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(not shown)")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_known_as_it_is_typed_and_never_shown_by_accident() {
        let token = Token::fresh().unwrap();
        assert_ne!(token, Token::fresh().unwrap());
        assert!(token.is(&token.in_groups().to_lowercase()) && token.is(&format!(" {} ", token.as_str())));
        assert!(!token.is("") && !token.is(&token.as_str()[1..]) && !token.is(&format!("{}2", token.as_str())));
        assert!(!format!("{token:?}").contains(token.as_str()));
    }
}
