//! What goes beside the program in a package is made by the program, and does what its place expects: shells complete commands,
//! `man` shows pages, the version tells whose code is in it.

use std::fs;
use std::path::Path;
use std::process::Command;

use crate::harness::greyhold;
use crate::harness::process::run;

fn has(program: &str) -> bool {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let is_there = std::env::split_paths(&path).any(|folder| folder.join(program).is_file());
    if !is_there {
        println!("skipped: {program} is not here");
    }
    is_there
}

fn package_files() -> tempfile::TempDir {
    let into = tempfile::tempdir().unwrap();
    assert!(greyhold(&["package-files", into.path().to_str().unwrap()]).status.success());
    into
}

/// What bash offers behind these words.
fn offered(script: &Path, words: &str) -> Vec<String> {
    let complete = format!(
        "source '{}'; COMP_WORDS=({words}); COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1)); \
         _greyhold greyhold \"${{COMP_WORDS[-1]}}\" \"${{COMP_WORDS[-2]}}\"; printf '%s\\n' \"${{COMPREPLY[@]}}\"",
        script.display()
    );
    let output = run(Command::new("bash").args(["--norc", "-c", &complete]));
    assert!(output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).lines().map(str::to_owned).collect()
}

#[test]
fn bash_completes_commands_and_options() {
    if !has("bash") {
        return;
    }
    let files = package_files();
    let script = files.path().join("completions/greyhold.bash");
    assert_eq!(offered(&script, "greyhold wat"), ["watch"]);
    assert!(offered(&script, "greyhold watch --me").contains(&"--meter-old".to_owned()));
    let all = offered(&script, "greyhold ''");
    for command in ["watch", "demo", "next", "set", "report", "open", "check", "init"] {
        assert!(all.iter().any(|offered| offered == command), "{command} of {all:?}");
    }
    for hidden in ["read-files", "package-files", "tell"] {
        assert!(!all.iter().any(|offered| offered == hidden), "{hidden}");
    }
}

#[test]
fn other_shells_take_their_files() {
    let files = package_files();
    for (shell, args, name) in [("zsh", ["-n"], "_greyhold"), ("fish", ["--no-execute"], "greyhold.fish")] {
        let file = files.path().join("completions").join(name);
        assert!(fs::read_to_string(&file).unwrap().contains("watch"));
        if has(shell) {
            let output = run(Command::new(shell).args(args).arg(&file));
            assert!(output.status.success(), "{shell}: {}", String::from_utf8_lossy(&output.stderr));
        }
    }
}

#[test]
fn each_command_has_a_page_that_man_shows() {
    let files = package_files();
    let man = files.path().join("man");
    let names: Vec<String> =
        fs::read_dir(&man).unwrap().flatten().map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    for name in ["greyhold.1", "greyhold-watch.1", "greyhold-next.1", "greyhold-open.1"] {
        assert!(names.iter().any(|found| found == name), "{name} of {names:?}");
    }
    assert!(!names.iter().any(|name| name.contains("read-files") || name.contains("package-files")), "{names:?}");
    if !has("man") {
        return;
    }
    for name in &names {
        let page = man.join(name);
        let output = run(Command::new("man").args(["--warnings", "-P", "cat", "-l"]).arg(&page).env("MANWIDTH", "80"));
        let (text, warned) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        assert!(output.status.success() && text.contains("greyhold"), "{name}: {warned}");
        assert!(!warned.contains("macro") && !warned.contains("error"), "{name}: {warned}");
    }
    let whole = run(Command::new("man").args(["-P", "cat", "-l"]).arg(man.join("greyhold.1")).env("MANWIDTH", "80"));
    assert!(String::from_utf8_lossy(&whole.stdout).contains("Exit codes"));
}

#[test]
fn the_example_and_the_schema_are_those_of_the_program() {
    let files = package_files();
    let example = fs::read_to_string(files.path().join("greyhold.example.yaml")).unwrap();
    assert_eq!(example, include_str!("../../config/greyhold.example.yaml"));
    let schema = fs::read_to_string(files.path().join("messages.schema.json")).unwrap();
    assert_eq!(schema, include_str!("../../config/messages.schema.json"));
}

/// CHECK: the condition of the Independent JPEG Group's licence for programs (its README, 'Legal issues', 2), word for word; section 6 of
/// the LGPL 2.1: a prominent notice, and a copy of the licence.
#[test]
fn the_version_tells_whose_code_is_in_it() {
    let short = greyhold(&["--version"]);
    assert_eq!(String::from_utf8_lossy(&short.stdout), format!("greyhold {}\n", env!("CARGO_PKG_VERSION")));
    assert_eq!(greyhold(&["-V"]).stdout, short.stdout);
    let long = String::from_utf8_lossy(&greyhold(&["--version", "--verbose"]).stdout).into_owned();
    for part in [
        "features: ",
        "This software is based in part on the work of the Independent JPEG Group.",
        "GNU LESSER GENERAL PUBLIC LICENSE",
        "Mozilla Public License Version 2.0",
        "option-ext",
        "rawler",
        "docs/licences.md",
    ] {
        assert!(long.contains(part), "{part}");
    }
}
