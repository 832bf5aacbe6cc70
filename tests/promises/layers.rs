//! Imports point one way, between modules and between the files of a folder; pure modules touch neither disk, clock nor async
//! code; and a file has one subject.
//!
//! A folder's `mod.rs` is its files' frame: what it *defines itself* its files may use, as it uses them, because the one is not
//! to be read without the others anyway. What it only hands on (`pub use`) counts as the file that defines it. Tests follow the
//! flow between modules, too; of a circle within a folder, and of what is pure, they are no part: they look at their subject
//! from outside.

mod modules;
mod tokens;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use modules::{Module, Sources};

/// The flow. A module may use those before it and itself.
const ORDER: [&str; 25] = [
    "photometry",
    "statistics",
    "response",
    "files",
    "wording",
    "optics",
    "numbers",
    "container",
    "intake",
    "frame",
    "workers",
    "align",
    "meter",
    "sharpness",
    "drift",
    "calibration",
    "rig",
    "advice",
    "config",
    "session",
    "report",
    "outlet",
    "studio",
    "daemon",
    "commands",
];
/// Modules of values only.
const PURE: [&str; 14] = [
    "photometry",
    "optics",
    "statistics",
    "response",
    "wording",
    "numbers",
    "align",
    "meter",
    "sharpness",
    "drift",
    "calibration",
    "rig",
    "advice",
    "report",
];
/// What no pure module names, as a path's beginning or as a word.
const IMPURE: [&str; 16] = [
    "std::fs",
    "std::net",
    "std::process",
    "std::env",
    "std::thread",
    "std::time::Instant",
    "std::time::SystemTime",
    "tokio",
    "crate::files",
    "crate::workers",
    "async",
    "print!",
    "println!",
    "eprint!",
    "eprintln!",
    "dbg!",
];
/// And no path's end.
const IMPURE_CALL: &str = "now";
const MOST_LINES: usize = 400;

fn source() -> Sources {
    Sources::in_folder(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"))
}

/// Imports that point against the flow between modules.
fn against_the_flow(sources: &Sources) -> Vec<String> {
    let place = |module: &Module| ORDER.iter().position(|o| *o == module[0]);
    let imports = sources.imports().into_iter().filter(|i| !i.from.is_empty() && !i.to.is_empty());
    let against = imports.filter(|i| place(&i.from).is_none() || place(&i.to) > place(&i.from));
    against.map(|i| format!("{} uses {}", i.file, i.to.join("::"))).collect()
}

/// Files and folders of one folder, in groups in which each uses, perhaps over others, each of the others.
fn circles(sources: &Sources) -> BTreeSet<String> {
    let mut uses: BTreeMap<Module, BTreeMap<String, BTreeSet<String>>> = BTreeMap::new();
    for import in sources.imports().into_iter().filter(|i| !i.in_test) {
        let shared = import.from.iter().zip(&import.to).take_while(|(a, b)| a == b).count();
        // Where one of them is the folder's own file, it is the frame.
        let (Some(from), Some(to)) = (import.from.get(shared), import.to.get(shared)) else { continue };
        uses.entry(import.from[..shared].to_vec()).or_default().entry(from.clone()).or_default().insert(to.clone());
    }
    let mut found = BTreeSet::new();
    for (folder, uses) in &uses {
        let reached: BTreeMap<&String, BTreeSet<&String>> =
            uses.keys().map(|name| (name, reached(uses, name))).collect();
        for name in uses.keys() {
            let with = |other: &&&String| reached[name].contains(**other) && reached[**other].contains(name);
            let group: Vec<&str> = reached.keys().filter(with).map(|other| other.as_str()).collect();
            if group.len() > 1 {
                found.insert(format!("{}: {}", folder.join("::"), group.join(", ")));
            }
        }
    }
    found
}

/// What can be come to from a file, over any number of imports.
fn reached<'a>(uses: &'a BTreeMap<String, BTreeSet<String>>, from: &'a String) -> BTreeSet<&'a String> {
    let mut reached = BTreeSet::new();
    let mut next = vec![from];
    while let Some(name) = next.pop() {
        next.extend(uses.get(name).into_iter().flatten().filter(|to| reached.insert(*to)));
    }
    reached
}

fn impurities(sources: &Sources) -> Vec<String> {
    let said = sources.said().filter(|(_, module, _)| module.first().is_some_and(|m| PURE.contains(&m.as_str())));
    let is_impure = |said: &str| {
        let begins = |with: &str| said == with || said.strip_prefix(with).is_some_and(|rest| rest.starts_with("::"));
        IMPURE.iter().any(|with| begins(with)) || said.rsplit_once("::").is_some_and(|(_, end)| end == IMPURE_CALL)
    };
    said.filter(|(.., said)| is_impure(said)).map(|(file, _, said)| format!("{file} uses {said}")).collect()
}

/// Files outside of the configuration that name the crate which reads it: it is kept by nobody any more, and must be easy to take out.
fn readers_of_yaml(sources: &Sources) -> BTreeSet<String> {
    let said = sources.said().filter(|(_, module, _)| module.first().is_none_or(|first| first != "config"));
    said.filter(|(.., said)| said.split("::").any(|word| word == "serde_yaml"))
        .map(|(file, ..)| file.to_owned())
        .collect()
}

fn long_files(sources: &Sources) -> BTreeSet<String> {
    sources.lengths().into_iter().filter(|(_, lines)| *lines > MOST_LINES).map(|(name, _)| name.to_owned()).collect()
}

fn assert_none(found: &BTreeSet<String>, what: &str) {
    assert!(found.is_empty(), "{what}: {found:#?}");
}

#[test]
fn the_sources_are_found_and_their_imports_are_read() {
    let sources = source();
    assert!(sources.lengths().len() > 150, "{} files", sources.lengths().len());
    assert!(sources.imports().len() > 500, "{} imports", sources.imports().len());
    let modules: BTreeSet<Module> = sources.imports().into_iter().map(|i| i.from).collect();
    for module in ORDER {
        let of_it = modules.iter().any(|m| m.first().is_some_and(|first| first == module));
        assert!(
            of_it || ["photometry", "statistics", "files", "wording", "numbers"].contains(&module),
            "{module} imports nothing of this crate"
        );
    }
}

#[test]
fn imports_follow_the_flow() {
    let against = against_the_flow(&source());
    assert!(against.is_empty(), "against the flow, or of a module that is not in it: {against:#?}");
}

#[test]
fn the_files_of_a_folder_stand_in_no_circle() {
    assert_none(&circles(&source()), "files that use each other");
}

#[test]
fn pure_modules_are_pure() {
    let impurities = impurities(&source());
    assert!(impurities.is_empty(), "{impurities:#?}");
}

#[test]
fn only_the_configuration_is_read_by_the_yaml_crate() {
    assert_none(&readers_of_yaml(&source()), "files that name serde_yaml");
    let of = |file: &str, text: &str| readers_of_yaml(&Sources::of(&[(file, text)])).len();
    for text in ["use serde_yaml::Value;", "fn f() { serde_yaml::from_str(\"a\"); }", "use serde_yaml as y;"] {
        assert_eq!((of("outlet/sheet.rs", text), of("config/written.rs", text)), (1, 0), "{text}");
    }
    assert_eq!(of("outlet/sheet.rs", "// serde_yaml\nconst A: &str = \"serde_yaml\";"), 0);
    let sources = source();
    let reads =
        |(_, module, said): &(&str, &modules::Module, String)| module[..] == ["config"] && said.contains("serde_yaml");
    assert!(sources.said().any(|said| reads(&said)), "it is looked for under another name than it has");
}

#[test]
fn a_file_has_one_subject() {
    assert_none(&long_files(&source()), "longer than 400 lines");
}

/// Of the invented files, what is found against the flow, shortened.
fn flow_of(texts: &[(&str, &str)]) -> Vec<String> {
    against_the_flow(&Sources::of(texts))
}

#[test]
fn an_import_against_the_flow_is_found_however_it_is_written() {
    let to_drift = ["meter/spot.rs uses drift::weigh"];
    for text in [
        "use crate::drift::weigh;",
        "use crate::{photometry, drift::weigh::Weighed};",
        "use crate::{\n    photometry::{Stops, Dial},\n    drift::{\n        weigh::{self, Weighed as W},\n    },\n};",
        "use super::super::drift::weigh;",
        "use super::super::{photometry::Stops, drift::weigh};",
        "fn f() { g(crate::drift::weigh::weighed(1)) }",
        "fn f() { vec![super::super::drift::weigh::weighed::<u8>()]; }",
        "use crate::drift::Weighed;",
        "mod inner { use super::super::super::drift::weigh; }",
        "#[cfg(test)]\nmod tests {\n    use crate::drift::weigh;\n}",
        "#[cfg(test)]\nuse crate::photometry::Stops;\npub fn f() -> crate::drift::weigh::Weighed {}",
        "#[cfg(test)] mod tests { fn a() {} }\nuse crate::drift::weigh;",
        "pub(in crate::meter) fn f() { let _ = \"\\\"\"; crate::drift::weigh::weighed(); }",
    ] {
        let drift = [("drift/mod.rs", "mod weigh;\npub use weigh::{Weighed, weighed};"), ("drift/weigh.rs", "")];
        let of_it: Vec<String> = flow_of(&[drift[0], drift[1], ("photometry.rs", ""), ("meter/spot.rs", text)]);
        assert_eq!(of_it, to_drift, "{text}");
    }
    assert_eq!(
        flow_of(&[("unheard_of.rs", "use crate::meter::Spot;"), ("meter.rs", "")]),
        ["unheard_of.rs uses meter"]
    );
    assert!(flow_of(&[("meter.rs", ""), ("drift/weigh.rs", "use crate::{meter::Spot, self as root};")]).is_empty());
    let only_spoken_of = "// crate::drift::weigh\nconst A: &str = \"crate::drift::weigh\";";
    assert!(flow_of(&[("drift/weigh.rs", ""), ("meter.rs", only_spoken_of)]).is_empty());
}

#[test]
fn a_circle_is_found_however_it_is_written() {
    let folder = ("rig/mod.rs", "mod a;\nmod b;\nmod c;\npub use self::{a::A, b::B as Renamed};\npub struct Own;");
    let of = |texts: [&str; 3]| {
        let [a, b, c] = texts;
        circles(&Sources::of(&[
            folder,
            ("rig/a.rs", a),
            ("rig/b.rs", b),
            ("rig/c/mod.rs", c),
            ("rig/c/d.rs", "use super::super::a;"),
        ]))
    };
    for (a, b) in [
        ("use super::b::B;", "use super::a;"),
        ("use crate::rig::b::B;", "fn f() { super::a::A::new() }"),
        // Handed on by their frame.
        ("use super::{Own, Renamed};", "use crate::rig::{A, Own};"),
        ("use super::*;", "use super::a::{self};"),
    ] {
        assert_eq!(of([a, b, ""]), BTreeSet::from(["rig: a, b".to_owned()]), "{a} {b}");
    }
    assert_eq!(
        of(["use super::b;", "use super::c::C;", ""]),
        BTreeSet::from(["rig: a, b, c".to_owned()]),
        "over a folder"
    );
    // One way; what the frame defines; tests.
    assert!(of(["use super::{Own, b::B};", "use super::Own;", ""]).is_empty());
    assert!(
        of(["use super::b;", "#[cfg(test)]\nmod tests {\n    use super::super::a;\n    use super::*;\n}", ""])
            .is_empty()
    );
}

#[test]
fn what_is_impure_is_found_and_tests_may_be_so() {
    let of = |text: &str| impurities(&Sources::of(&[("meter/spot.rs", text)])).len();
    for text in [
        "use std::fs;",
        "use std::{fmt, fs::File};",
        "fn f() { std::fs::read(\"a\"); }",
        "use tokio::sync::mpsc;",
        "async fn f() {}",
        "fn f() { let began = Instant::now(); }",
        "use std::time::{Duration, Instant};",
        "fn f() { println!(\"a\"); }",
        "#[cfg(test)]\nmod tests {}\nuse std::fs;",
        "#[cfg(test)]\nuse std::net;\nuse std::fs;",
        "#[cfg(not(test))]\nuse std::fs;",
        "struct A { #[cfg(test)] a: u8, b: std::fs::File }",
    ] {
        assert_eq!(of(text), 1, "{text}");
    }
    for text in [
        "use std::time::Duration;",
        "// std::fs\nconst A: &str = \"tokio::async println!\";",
        "#[cfg(test)]\nmod tests {\n    use std::fs;\n    fn f() { println!(\"a\"); }\n}",
        "#[cfg(test)]\nfn f() -> impl Iterator<Item = u8> { std::fs::read(\"a\") }",
    ] {
        assert_eq!(of(text), 0, "{text}");
    }
    assert!(impurities(&Sources::of(&[("daemon.rs", "use std::fs;")])).is_empty());
    let test_file = [("meter/mod.rs", "#[cfg(test)]\nmod spot_tests;"), ("meter/spot_tests.rs", "use std::fs;")];
    assert!(impurities(&Sources::of(&test_file)).is_empty());
}

#[test]
fn a_long_file_is_found() {
    let of = |lines: usize| long_files(&Sources::of(&[("meter.rs", "\n".repeat(lines).as_str())]));
    assert!(of(400).is_empty());
    assert_eq!(of(401).len(), 1);
}
