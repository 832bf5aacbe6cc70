//! Imports point one way, and pure modules touch neither disk, clock nor async code.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs;
use std::path::{Path, PathBuf};

/// The flow. A module may use those before it and itself.
const ORDER: [&str; 20] = [
    "photometry",
    "statistics",
    "response",
    "files",
    "wording",
    "container",
    "intake",
    "frame",
    "workers",
    "meter",
    "drift",
    "calibration",
    "rig",
    "advice",
    "config",
    "session",
    "outlet",
    "studio",
    "daemon",
    "commands",
];
/// Modules of values only.
const PURE: [&str; 9] =
    ["photometry", "statistics", "response", "wording", "meter", "drift", "calibration", "rig", "advice"];
const IMPURE: [&str; 8] =
    ["std::fs", "std::net", "std::process", "tokio", "async ", "::now()", "std::time::Instant", "println!"];

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
    found
}

/// The module a file belongs to: its folder under `src`, or its own name.
fn module_of(path: &Path) -> String {
    let relative = path.strip_prefix(Path::new(env!("CARGO_MANIFEST_DIR")).join("src")).unwrap();
    relative.components().next().unwrap().as_os_str().to_string_lossy().trim_end_matches(".rs").to_owned()
}

/// Modules that a file's imports and paths name, against the flow.
fn upward(module: &str, text: &str) -> Vec<String> {
    let place = |m: &str| ORDER.iter().position(|o| *o == m);
    let own = place(module).unwrap_or_else(|| panic!("{module} is not in the flow: put it there"));
    let named = text
        .match_indices("crate::")
        .map(|(at, _)| text[at + 7..].chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>());
    named.filter(|m| place(m).is_some_and(|p| p > own)).collect()
}

/// Code without tests and comments.
fn code(text: &str) -> String {
    let body = text.split("#[cfg(test)]").next().unwrap_or_default();
    body.lines().filter(|l| !l.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

#[test]
fn imports_follow_the_flow() {
    let mut files = 0;
    for path in sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src")) {
        let module = module_of(&path);
        if module == "lib" || module == "main" {
            continue;
        }
        files += 1;
        let against = upward(&module, &code(&fs::read_to_string(&path).unwrap()));
        assert!(against.is_empty(), "{} uses {against:?}, which come after it in the flow", path.display());
    }
    assert!(files > 30, "the sources were found");
}

#[test]
fn pure_modules_are_pure() {
    for path in sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src")) {
        if !PURE.contains(&module_of(&path).as_str()) {
            continue;
        }
        let text = code(&fs::read_to_string(&path).unwrap());
        for word in IMPURE {
            assert!(!text.contains(word), "{} uses {word}", path.display());
        }
    }
}

#[test]
fn the_check_itself_can_fail() {
    assert_eq!(upward("meter", "use crate::drift::weigh;"), ["drift"]);
    assert!(upward("drift", "use crate::meter::Reading;").is_empty());
}

/// One subject a file.
#[test]
fn no_file_has_grown_out_of_hand() {
    for path in sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src")) {
        let lines = fs::read_to_string(&path).unwrap().lines().count();
        assert!(lines <= 480, "{} has {lines} lines", path.display());
    }
}
