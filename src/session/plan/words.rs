//! The apertures of a plan as people write them: a list, or a range.

use crate::photometry::{FNumber, Series};

/// All marks from f/0.7 to f/64.
const MOST_APERTURES: usize = 40;

/// A list, or two with `to` between them and the camera's marks within; each once. Empty for no words.
///
/// # Errors
/// One sentence, of the first word that is no aperture.
pub fn read_apertures(words: &[String], steps: Series) -> Result<Vec<FNumber>, String> {
    let text = words.join(" ");
    no_decimal_comma(&text)?;
    let text = text.replace(',', " ");
    let words: Vec<&str> = text.split_whitespace().collect();
    let read = |word: &str| FNumber::read(word, steps);
    let named: Vec<FNumber> = match words.as_slice() {
        [first, to, last] if to.eq_ignore_ascii_case("to") => range(read(first)?, read(last)?, steps),
        words if words.iter().any(|word| word.eq_ignore_ascii_case("to")) => {
            return Err("a range has an aperture at each end and nothing beside it, such as f/14 to f/2.8".to_owned());
        }
        words => words.iter().map(|word| read(word)).collect::<Result<_, _>>()?,
    };
    let mut apertures: Vec<FNumber> = Vec::new();
    for n in named {
        if !apertures.contains(&n) {
            apertures.push(n);
        }
    }
    if apertures.len() > MOST_APERTURES {
        return Err(format!("that are more than {MOST_APERTURES} apertures: leave some out"));
    }
    Ok(apertures)
}

/// In half of Europe 5,6 is one number.
///
/// # Errors
/// Says how it is written instead.
pub fn no_decimal_comma(text: &str) -> Result<(), String> {
    let digit = |c: Option<char>| c.is_some_and(|c| c.is_ascii_digit());
    let is_decimal = |at: usize| digit(text[..at].chars().next_back()) && digit(text[at + 1..].chars().next());
    match text.match_indices(',').any(|(at, _)| is_decimal(at)) {
        true => Err(format!("'{text}' may be one number or two: write 5.6 with a point, and a blank between two")),
        false => Ok(()),
    }
}

fn range(first: FNumber, last: FNumber, steps: Series) -> Vec<FNumber> {
    let (low, high) = if first.av() < last.av() { (first, last) } else { (last, first) };
    let within = FNumber::all(steps).filter(|n| n.av() > low.av() && n.av() < high.av());
    let rising: Vec<FNumber> = std::iter::once(low).chain(within).chain(std::iter::once(high)).collect();
    if first.av() < last.av() { rising } else { rising.into_iter().rev().collect() }
}
