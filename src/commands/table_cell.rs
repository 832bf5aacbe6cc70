//! Text from outside as a cell of a table that is opened in a spreadsheet.

use crate::outlet::plain::printable;

/// What a spreadsheet takes for a formula: file and camera names come from outside.
const BEGIN_A_FORMULA: [char; 5] = ['=', '+', '-', '@', '\t'];

/// Text that is shown as text: nothing in it is worked out by whoever opens it. Numbers stay as they are.
pub fn text_cell(text: &str) -> String {
    let is_number = text.parse::<f64>().is_ok();
    let clean = printable(text);
    match text.starts_with(BEGIN_A_FORMULA) && !is_number {
        true => format!("'{clean}"),
        false => clean,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_would_be_worked_out_stands_as_text_and_numbers_as_numbers() {
        for formula in ["=HYPERLINK(\"x\")", "+1+cmd", "-1+1", "@SUM(A1)", "\t=1"] {
            assert!(text_cell(formula).starts_with('\''), "{formula}");
        }
        for plain in ["-0.33", "+1", "1.jpg", "", "a=b", "5e-1"] {
            assert_eq!(text_cell(plain), plain);
        }
    }
}
