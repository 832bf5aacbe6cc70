//! Words that all sentences share: numbers of things; and what the parsers of YAML and JSON find wrong, in words for the person
//! who wrote it. Where that is, and what would be right for a key of one's own, is for others.

use std::path::Path;

/// '1 frame', '2 frames'.
pub fn counted(count: usize, what: &str) -> String {
    if count == 1 { format!("1 {what}") } else { format!("{count} {what}s") }
}

/// 'nose', 'nose and ears', 'nose, ears and shoulders'.
pub fn listed<S: AsRef<str>>(names: &[S]) -> String {
    let names: Vec<&str> = names.iter().map(S::as_ref).collect();
    match names.as_slice() {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// A name that people give, without blanks at its ends; `None` where it isn't 1 to 40 printable characters.
pub fn name(text: &str) -> Option<&str> {
    let trimmed = text.trim();
    let is_name = (1..=40).contains(&trimmed.chars().count()) && !trimmed.chars().any(char::is_control);
    is_name.then_some(trimmed)
}

/// Words on lines of at most this width, where no word is longer.
pub fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// A message without the numbers that a system has for its errors, which tell nobody anything.
pub fn without_error_numbers(said: &str) -> String {
    let mut parts = said.split(" (os error ");
    let mut text = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        text.push_str(part.split_once(')').map_or("", |(_, rest)| rest));
    }
    text
}

/// A parser's complaint as a sentence that says what to do.
pub fn of_fault(fault: &str) -> String {
    let fault = without_place(fault);
    let quoted = |rest: &str| rest.split('`').nth(1).unwrap_or_default().to_owned();
    if let Some((_, rest)) = fault.split_once("missing field") {
        return format!("'{}' is missing: add it", quoted(rest));
    }
    if let Some((_, rest)) = fault.split_once("duplicate field") {
        return format!("'{}' is there twice: keep one", quoted(rest));
    }
    if let Some((_, rest)) = fault.split_once("unknown field") {
        return format!("unknown key '{}': {}", quoted(rest), known(rest));
    }
    if let Some((_, rest)) = fault.split_once("unknown variant") {
        return format!("'{}' is not known here: {}", quoted(rest), known(rest));
    }
    for wrong in ["invalid type: ", "invalid value: "] {
        if let Some((found, wanted)) = fault.split_once(wrong).and_then(|(_, rest)| rest.rsplit_once(", expected ")) {
            return format!("write {}, not {}", kind_wanted(wanted), kind_found(found));
        }
    }
    match SYNTAX.iter().find(|(part, _)| fault.contains(part)) {
        Some((_, words)) => (*words).to_owned(),
        // A sentence of our own, said while a value was read.
        None if is_our_own(fault) => fault.to_owned(),
        None => "this can't be read: look at the indentation, the colons and the quotes here".to_owned(),
    }
}

/// What the parser of YAML says of its grammar, and what that means.
const SYNTAX: [(&str, &str); 14] = [
    (
        "mapping values are not allowed",
        "a value holds a colon, or a line is indented too far: put quotes round the text",
    ),
    (
        "cannot start any token",
        "a tab or a sign such as @ begins here: indent by spaces, and put quotes round such text",
    ),
    ("found a tab", "a tab stands here: indent by spaces"),
    ("quoted scalar", "a quote is opened and never closed"),
    ("could not find expected ':'", "a colon is missing after the key"),
    ("flow ", "a bracket or brace is not closed, or a comma is missing between two values"),
    ("while parsing a block", "the indentation changes here: what belongs together begins in the same column"),
    ("did not find expected", "the indentation changes here, or something is not closed"),
    ("more than one document", "'---' begins a second document: keep one"),
    ("limit exceeded", "it is nested too deeply, or repeats itself too often"),
    ("unknown anchor", "*name stands for something that &name names before: it is named nowhere"),
    ("control characters are not allowed", "there is a control character in it: take it out"),
    ("EndOfStream", "it ends before its first value"),
    ("tag", "a value begins with '!': put quotes round it"),
];

/// Our own sentences say what to write.
fn is_our_own(fault: &str) -> bool {
    ["write ", "give "].iter().any(|verb| fault.contains(verb))
}

/// The message without the place that the parser puts at its end; places are told on their own.
fn without_place(fault: &str) -> &str {
    fault.rsplit_once(" at line ").filter(|(_, place)| !place.contains(", while")).map_or(fault, |(said, _)| said)
}

/// Keys and words of earlier days, which are still read and not offered any more.
const EARLIER: [&str; 12] = [
    "recycle",
    "marks",
    "response",
    "picture_look",
    "watch",
    "ignore",
    "judge_by",
    "sync",
    "room_light",
    "lights",
    "count",
    "full",
];

/// The keys or words that would be known.
fn known(rest: &str) -> String {
    let names: Vec<&str> = rest.split('`').skip(3).step_by(2).filter(|name| !EARLIER.contains(name)).collect();
    match names.as_slice() {
        [] => "take it out".to_owned(),
        [one] => format!("write {one}"),
        several => format!("write one of {}", several.join(", ")),
    }
}

fn kind_wanted(wanted: &str) -> String {
    let words = match wanted {
        "u8" | "u16" | "u32" | "u64" | "usize" => "a whole number",
        "i32" | "i64" | "isize" => "a whole number",
        "f32" | "f64" => "a number",
        "a string" | "string" | "str" => "text",
        "path string" => "a path",
        "a boolean" => "true or false",
        "a sequence" => "a list",
        "a map" => "keys with values",
        _ if wanted.starts_with("struct ") || wanted.contains("enum ") => "keys with values",
        _ => wanted,
    };
    words.to_owned()
}

fn kind_found(found: &str) -> String {
    let value = || found.split('`').nth(1).unwrap_or_default();
    match found {
        "unit value" | "null" | "Option value" => "nothing".to_owned(),
        "sequence" => "a list".to_owned(),
        "map" | "newtype struct" => "keys with values".to_owned(),
        _ if found.starts_with("string ") => format!("'{}'", found["string ".len()..].trim_matches('"')),
        _ if found.starts_with("integer") || found.starts_with("floating") || found.starts_with("boolean") => {
            value().to_owned()
        }
        _ => "this".to_owned(),
    }
}

/// A photograph from elsewhere is logged by its whole path; people are told its name.
pub fn own_name(file: &str) -> String {
    let path = Path::new(file);
    let name = path.file_name().filter(|_| path.is_absolute());
    name.map_or_else(|| file.to_owned(), |name| name.to_string_lossy().into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_systems_numbers_for_its_errors_are_left_out() {
        let said = without_error_numbers("a.jpg can't be read: No such file or directory (os error 2); look again");
        assert_eq!(said, "a.jpg can't be read: No such file or directory; look again");
        assert_eq!(without_error_numbers("none here"), "none here");
    }

    #[test]
    fn what_parsers_say_is_said_to_people() {
        for (fault, words) in [
            ("missing field `text` at line 1 column 18", "'text' is missing: add it"),
            ("unknown variant `fly`, expected one of `a`, `b`", "'fly' is not known here: write one of a, b"),
            ("unknown field `x`, there are no fields", "unknown key 'x': take it out"),
            ("unknown field `x`, expected one of `a`, `heads`, `count`", "unknown key 'x': write one of a, heads"),
            ("n: invalid type: string \"two\", expected u32 at line 3 column 4", "write a whole number, not 'two'"),
            ("invalid type: unit value, expected struct Written", "write keys with values, not nothing"),
            ("invalid type: boolean `true`, expected f64", "write a number, not true"),
            ("groups: duplicate field `name`", "'name' is there twice: keep one"),
            (
                "did not find expected ',' or ']' at line 2 column 1, while parsing a flow sequence at line 1 column 9",
                "a bracket or brace is not closed, or a comma is missing between two values",
            ),
        ] {
            assert_eq!(of_fault(fault), words, "{fault}");
        }
    }
}
