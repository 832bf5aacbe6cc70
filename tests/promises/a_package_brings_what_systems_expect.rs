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

#[test]
fn nothing_that_lies_there_is_written_over() {
    let into = tempfile::tempdir().unwrap();
    let own = into.path().join("greyhold.example.yaml");
    fs::write(&own, "somebody's").unwrap();
    let refused = greyhold(&["package-files", into.path().to_str().unwrap()]);
    assert_eq!(refused.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("an empty or new folder"), "{refused:?}");
    assert_eq!(fs::read_to_string(&own).unwrap(), "somebody's");
    assert_eq!(fs::read_dir(into.path()).unwrap().count(), 1);
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
    // It is set in lines of one width, with blanks between the words.
    let words: Vec<String> = String::from_utf8_lossy(&whole.stdout).split_whitespace().map(str::to_owned).collect();
    assert!(words.join(" ").contains("Exit codes: 0 done"));
}

#[test]
fn the_example_and_the_schema_are_those_of_the_program() {
    let files = package_files();
    let example = fs::read_to_string(files.path().join("greyhold.example.yaml")).unwrap();
    assert_eq!(example, include_str!("../../config/greyhold.example.yaml"));
    let schema = fs::read_to_string(files.path().join("messages.schema.json")).unwrap();
    assert_eq!(schema, include_str!("../../config/messages.schema.json"));
}

/// CHECK: systemd.service(5): an end with a code of RestartPreventExitStatus= is never followed by another start; systemd.unit(5):
/// StartLimitIntervalSec=0 puts no limit to how often it is tried. A disk may be mounted long after the log-in.
#[test]
fn the_service_waits_for_a_folder_that_comes_later() {
    let unit = include_str!("../../packaging/linux/greyhold.service");
    let set = |key: &str| unit.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix('=')).unwrap();
    let gone = tempfile::tempdir().unwrap().path().join("gone");
    let code = greyhold(&["watch", gone.to_str().unwrap()]).status.code().unwrap().to_string();
    let is_final = |code: &str| set("RestartPreventExitStatus").split(' ').any(|found| found == code);
    assert!(!is_final(&code), "{code}");
    assert!(is_final("2") && is_final("75"), "trying again helps neither");
    assert_eq!(set("StartLimitIntervalSec"), "0");
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
