//! The look of the page: its style sheet, and the shapes of the marks.

use crate::report::Mark;

pub const CSS: &str = include_str!("report.css");

/// A mark's shape and word. Shape and word tell it apart; colour only helps.
pub fn mark(mark: Mark) -> String {
    let (class, shape) = shape(mark);
    format!(
        "<span class=\"mark {class}\"><svg viewBox=\"0 0 16 16\" aria-hidden=\"true\">{shape}</svg>{}</span>",
        mark.in_words()
    )
}

fn shape(mark: Mark) -> (&'static str, &'static str) {
    match mark {
        Mark::Matches => ("same", "<circle cx=\"8\" cy=\"8\" r=\"5\" fill=\"currentColor\"/>"),
        Mark::TooBright => ("bright", "<path d=\"M8 1l7 13H1z\" fill=\"currentColor\"/>"),
        Mark::TooDark => ("dark", "<path d=\"M8 15L1 2h14z\" fill=\"currentColor\"/>"),
        Mark::OneLight => ("one", "<path d=\"M8 0l8 8-8 8-8-8z\" fill=\"currentColor\"/>"),
        Mark::Failed => {
            ("failed", "<path d=\"M2 2l12 12M14 2L2 14\" stroke=\"currentColor\" stroke-width=\"3\" fill=\"none\"/>")
        }
        Mark::Unclear => {
            ("", "<circle cx=\"8\" cy=\"8\" r=\"5\" fill=\"none\" stroke=\"currentColor\" stroke-width=\"2\"/>")
        }
        Mark::NotCompared => ("", "<path d=\"M2 8h12\" stroke=\"currentColor\" stroke-width=\"2\"/>"),
    }
}
