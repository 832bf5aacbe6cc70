//! Colour on a terminal: it helps, and is never needed.

/// Whether to mark with colour. Words and signs carry everything; colour only helps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paint {
    Plain,
    Colour,
}

impl Paint {
    /// Colour on a terminal, unless NO_COLOR is set.
    pub fn for_stdout() -> Paint {
        use std::io::IsTerminal;
        let wanted = std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty()) && std::io::stdout().is_terminal();
        if wanted { Paint::Colour } else { Paint::Plain }
    }

    pub(super) fn wrap(self, code: &str, text: &str) -> String {
        match self {
            Paint::Plain => text.to_owned(),
            Paint::Colour => format!("\x1b[{code}m{text}\x1b[0m"),
        }
    }
}

/// How records are shown to people.
#[derive(Debug, Clone, Copy)]
pub struct Showing {
    pub paint: Paint,
    /// With the numbers that each sentence rests on.
    pub evidence: bool,
}

impl From<Paint> for Showing {
    /// Without the evidence.
    fn from(paint: Paint) -> Showing {
        Showing { paint, evidence: false }
    }
}

pub(super) const BOLD: &str = "1";
pub(super) const DIM: &str = "2";
