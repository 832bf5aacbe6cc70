//! `greyhold --version`: what this program is; with `--verbose`, what is in it and whose that is.

use super::exit::{CommandError, Exit};
use super::say;

/// Made by `packaging/notices`; a check holds it to what is linked.
const NOTICES: &str = include_str!("../../packaging/notices.txt");

/// The features that can be left out of a build, and whether they are in this one.
const FEATURES: [(&str, bool); 2] = [("raw", cfg!(feature = "raw")), ("heif", cfg!(feature = "heif"))];

/// What a program with these features owes first of all.
const OWED: &str = "\
MIT licence, see LICENSE. The parts below have terms of their own, which come first for them.
This software is based in part on the work of the Independent JPEG Group.";
const OWED_FOR_RAW: &str = "\
Raw files are read by rawler, a library under the GNU Lesser General Public License 2.1, which is linked into this program.
You may change rawler and link the program anew: docs/licences.md in its source says how.";

pub fn in_one_line() -> String {
    let with: Vec<&str> = FEATURES.iter().filter(|(_, is_in)| *is_in).map(|(name, _)| *name).collect();
    let with = if with.is_empty() { "none".to_owned() } else { with.join(", ") };
    format!("greyhold {} (features: {with})", env!("CARGO_PKG_VERSION"))
}

pub fn run(is_whole: bool) -> Result<Exit, CommandError> {
    if is_whole {
        let raw = if cfg!(feature = "raw") { format!("\n{OWED_FOR_RAW}") } else { String::new() };
        say(&format!("{}\n\n{OWED}{raw}\n\n{}", in_one_line(), NOTICES.trim_end()));
    } else {
        say(&format!("greyhold {}", env!("CARGO_PKG_VERSION")));
    }
    Ok(Exit::Clean)
}
