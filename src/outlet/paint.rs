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
        let unwanted = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        Paint::of(unwanted, std::io::stdout().is_terminal(), understands_codes)
    }

    /// A terminal is made ready for codes only where they are to be written.
    fn of(unwanted: bool, is_terminal: bool, understands_codes: impl FnOnce() -> bool) -> Paint {
        if !unwanted && is_terminal && understands_codes() { Paint::Colour } else { Paint::Plain }
    }

    pub(super) fn wrap(self, code: &str, text: &str) -> String {
        match self {
            Paint::Plain => text.to_owned(),
            Paint::Colour => format!("\x1b[{code}m{text}\x1b[0m"),
        }
    }
}

/// A console before Windows 10 shows codes as letters; a later one understands them once it is told to.
#[cfg(windows)]
fn understands_codes() -> bool {
    anstyle_query::windows::enable_ansi_colors().unwrap_or(false)
}

#[cfg(not(windows))]
fn understands_codes() -> bool {
    true
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colour_is_for_terminals_that_show_it() {
        assert_eq!(Paint::of(false, true, || true), Paint::Colour);
        assert_eq!(Paint::of(false, true, || false), Paint::Plain, "an old console");
        for (unwanted, is_terminal) in [(true, true), (false, false), (true, false)] {
            let paint = Paint::of(unwanted, is_terminal, || panic!("a terminal that is to be left alone"));
            assert_eq!(paint, Paint::Plain);
        }
    }
}
