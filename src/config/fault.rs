//! What a parser of YAML complains of, in words.

use super::{ConfigError, wrong};
use crate::wording;

/// A parser's complaint with its line, its key where it tells one, and what to do.
pub(crate) fn fault_in(text: &str, file: &str, e: &serde_yaml::Error) -> ConfigError {
    let message = e.to_string();
    // The way to a value comes first: "groups[0].heads: ...".
    let is_way = |way: &&str| !way.is_empty() && way.chars().all(|c| c.is_alphanumeric() || "_-[].".contains(c));
    let (way, message) = match message.split_once(": ").filter(|(way, _)| is_way(way)) {
        Some((way, rest)) => (way, rest),
        None => ("", message.as_str()),
    };
    let fault = wording::of_fault(message);
    let quoted = message.split('`').nth(1).unwrap_or_default();
    let begun = e.location().map(|place| place.line());
    // For these the parser tells where the keys begin, and not the key.
    let nth = ["unknown field", "duplicate field"].iter().position(|fault| message.starts_with(fault));
    let line = match nth {
        Some(nth) => wrong::lines_that_write(quoted, text, begun.unwrap_or(1)).nth(nth).or(begun),
        None => begun,
    };
    let key = if nth.is_some() { quoted } else { way.rsplit('.').next().unwrap_or_default() };
    let key = key.split('[').next().unwrap_or_default().to_owned();
    let file = file.to_owned();
    match line {
        Some(line) if key.is_empty() => ConfigError::Line { file, line, fault },
        Some(line) => ConfigError::At { file, line, key, fault },
        None => ConfigError::Syntax { file, fault },
    }
}
