//! The command line: help with examples, one clear line for every mistake, documented exit codes.

use std::path::Path;
use std::process::Output;

use crate::harness::process::Printed;
use crate::harness::{Studio, greyhold, shot};
use serde_json::Value;

fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// The one line of an error.
fn said(output: &Output) -> String {
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(text.trim().lines().count(), 1, "one line: {text}");
    text
}

#[test]
fn every_command_has_help_with_an_example() {
    assert!(out(&greyhold(&["--help"])).contains("Exit codes"));
    let commands = [
        "watch",
        "demo",
        "plan",
        "report",
        "hand-over",
        "compare",
        "next",
        "set",
        "set-up",
        "reference",
        "survey",
        "follow",
        "init",
        "check",
    ];
    for command in commands {
        let help = greyhold(&[command, "--help"]);
        assert!(help.status.success());
        assert!(out(&help).contains(&format!("  greyhold {command}")), "{command} shows an example");
    }
}

#[test]
fn mistakes_are_said_in_one_line_with_what_to_do() {
    let home = tempfile::tempdir().unwrap();
    let here = |name: &str| home.path().join(name).display().to_string();
    std::fs::write(here("wrong.yaml"), "tolerance: 3 metres\n").unwrap();
    let cases: [(&[&str], i32, &str); 7] = [
        (&["watch", &here("nowhere")], 3, "does not exist"),
        (&["watch", &here("wrong.yaml")], 3, "is no folder"),
        (&["watch", home.path().to_str().unwrap(), "--config", &here("wrong.yaml")], 2, "line 1"),
        (&["check", "--config", &here("gone.yaml")], 2, "can't be read"),
        (&["check"], 2, "name a configuration"),
        (&["tell", "--socket", &here("no.sock"), "status"], 4, "greyhold watch"),
        (&["follow", "--socket", &here("no.sock")], 4, "no greyhold answers"),
    ];
    for (args, code, part) in cases {
        let output = greyhold(args);
        assert_eq!(output.status.code(), Some(code), "{args:?}");
        assert!(said(&output).contains(part), "{args:?}: {}", said(&output));
    }
    assert_eq!(greyhold(&["tell", "next", "green"]).status.code(), Some(2));
}

/// By the configuration that a watch would take from here, whichever socket that names. Where it is found by none, it is said how to
/// name one.
#[test]
fn a_running_greyhold_is_found_by_the_configuration_that_lies_here() {
    let studio = Studio::open();
    let home = tempfile::tempdir().unwrap();
    let status = || {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_greyhold"));
        // No other greyhold of this user's is seen from here.
        let nowhere = home.path().join("nowhere");
        for name in ["XDG_RUNTIME_DIR", "TMPDIR", "HOME", "XDG_STATE_HOME"] {
            command.env(name, &nowhere);
        }
        command.arg("status").current_dir(home.path()).output().unwrap()
    };
    let before = status();
    assert_eq!(before.status.code(), Some(4), "{}", said(&before));
    assert!(said(&before).contains("--socket PATH") && said(&before).contains("greyhold watch"), "{}", said(&before));
    let socket = format!("socket: {}\n", studio.socket().display());
    std::fs::write(home.path().join("greyhold.yaml"), socket).unwrap();
    let found = status();
    assert!(found.status.success() && out(&found).contains("0 frames"), "{found:?}");
}

#[test]
fn the_example_configuration_is_written_but_never_over_another() {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("studio.yaml").display().to_string();
    assert!(greyhold(&["init", &path]).status.success());
    let again = greyhold(&["init", &path]);
    assert_eq!(again.status.code(), Some(3));
    assert!(said(&again).contains("is there already: choose another name"), "{}", said(&again));
    assert!(std::fs::read_to_string(&path).unwrap().contains("groups:"));
    assert!(out(&greyhold(&["init", "-"])).contains("groups:"));
    // The form of earlier days.
    assert!(out(&greyhold(&["check", "--write-example"])).contains("groups:"));
    assert_eq!(greyhold(&["check", "--write-example", &path]).status.code(), Some(3));
    std::fs::create_dir(home.path().join("capture")).unwrap();
    let checked = greyhold(&["check", "--config", &path]);
    assert!(checked.status.success());
    assert!(out(&checked).contains("rim (1 light): 1.0 to 9.0, at 5.0"), "{}", out(&checked));
}

/// What is at hand, and what a word is taken for.
#[test]
fn a_check_tells_what_the_configuration_comes_to() {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("studio.yaml");
    let text = "lowest_iso: 100\nfilters: [0.3, 0.9]\ngroups:\n  - {name: key, dial: percent, step: 0.3, range: 3 to 100, \
                power: 12.5 %}\npassive:\n  - {name: silver card, kind: reflector, side: left}\n";
    std::fs::write(&path, text).unwrap();
    let checked = out(&greyhold(&["check", "--config", path.to_str().unwrap()]));
    for part in [
        "key (1 light): 3.1 % to 100 %, at 12.5 %",
        "silver card (reflector, left): has no power",
        "! key: 0.3 is taken as 1/3 stop",
        "camera from ISO 100, filters ND 0.3 and ND 0.9",
    ] {
        assert!(checked.contains(part), "{checked}");
    }
}

/// The program, where something lies.
fn greyhold_in<S: AsRef<std::ffi::OsStr>>(folder: &Path, args: &[S]) -> std::process::Output {
    std::process::Command::new(env!("CARGO_BIN_EXE_greyhold")).args(args).current_dir(folder).output().unwrap()
}

/// As a watch does, and a plan.
#[test]
fn the_configuration_that_lies_here_is_taken_by_check_and_compare() {
    let home = tempfile::tempdir().unwrap();
    for (name, f_number) in [("a.jpg", 8.0), ("b.jpg", 9.0)] {
        std::fs::write(home.path().join(name), shot(f_number, 0.0, 1).jpeg()).unwrap();
    }
    assert_eq!(greyhold_in(home.path(), &["check"]).status.code(), Some(2), "nothing lies here");
    let spots = "spots:\n  - {name: cheek, left: 0.42, top: 0.36, right: 0.50, bottom: 0.48}\n";
    std::fs::write(home.path().join("greyhold.yaml"), format!("lighting: continuous\n{spots}")).unwrap();
    assert!(out(&greyhold_in(home.path(), &["check"])).starts_with("greyhold.yaml: sound"));
    assert!(out(&greyhold_in(home.path(), &["check", "greyhold.yaml"])).starts_with("greyhold.yaml: sound"));
    assert!(out(&greyhold_in(home.path(), &["check", "a.jpg"])).contains("f/8  1/160 s  ISO 100"));
    assert!(out(&greyhold_in(home.path(), &["check", "."])).contains("2 pictures in it"));
    let compared = out(&greyhold_in(home.path(), &["compare", "--json", "a.jpg", "b.jpg"]));
    let compared: Value = serde_json::from_str(&compared).unwrap();
    assert_eq!(compared["lighting"], "continuous");
    assert!(compared["spots"].as_array().unwrap().iter().any(|spot| spot["spot"] == "cheek"), "{compared}");
    let sharpness = out(&greyhold_in(home.path(), &["compare", "--sharpness", "a.jpg", "b.jpg"]));
    assert!(sharpness.lines().any(|line| line.starts_with("file") && line.contains("cheek")), "{sharpness}");
    // One that is wrong is told, as everywhere.
    std::fs::write(home.path().join("greyhold.yaml"), "tolerance: wide\n").unwrap();
    assert_eq!(greyhold_in(home.path(), &["check", "a.jpg"]).status.code(), Some(2));
}

#[test]
fn compare_prints_one_object_a_frame() {
    let home = tempfile::tempdir().unwrap();
    let put = |name: &str, bytes: &[u8]| {
        let path = home.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path.display().to_string()
    };
    let reference = put("a.jpg", &shot(8.0, 0.0, 1).jpeg());
    let opened = put("b.jpg", &shot(5.6, 0.0, 2).jpeg());
    let lights = put("c.jpg", &shot(8.0, -1.0, 3).jpeg());
    let cut = put("d.jpg", &shot(8.0, 0.0, 4).jpeg()[..2000]);
    let output = greyhold(&["compare", "--json", &reference, &opened, &lights, &cut, "nowhere.jpg"]);
    assert_eq!(output.status.code(), Some(1), "some could not be used");
    let answers: Vec<Value> = out(&output).lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(answers.len(), 4);
    for key in ["file", "expected", "observed", "drift", "uncertainty", "response", "finding", "settings"] {
        assert!(answers.iter().all(|a| a.get(key).is_some()), "{key} is there, null where unknown");
    }
    let number = |v: &Value| v.as_f64().unwrap();
    assert!((number(&answers[0]["expected"]) - 1.0).abs() < 1e-6);
    assert_eq!(answers[0]["finding"], "settings_changed");
    assert_eq!(answers[0]["response"], "stock-camera-3");
    assert!(number(&answers[1]["observed"]) < -0.6);
    assert_eq!(answers[1]["finding"], "lights_changed");
    assert!(answers[2]["sentence"].as_str().unwrap().contains("not whole"));
    assert_eq!(answers[3]["drift"], Value::Null);
    let alone = greyhold(&["compare", "--json", "--light-alone", &reference, &opened]);
    let alone: Value = serde_json::from_str(&out(&alone)).unwrap();
    assert_eq!((&alone["expected"], &alone["evidence_used"]), (&Value::Null, &"light".into()));
    let table = out(&greyhold(&["compare", &reference, &opened]));
    assert_eq!(table.lines().count(), 4, "a heading, and the numbers, the sentence and how the frame lies: {table}");
    assert!(table.contains("too bright") && table.contains("+1.00"), "{table}");
    // Of whatever is compared no line is wider than a terminal.
    let long = put("a_name_that_is_as_long_as_some_programs_make_them_0001.jpg", &shot(5.6, -0.7, 5).jpeg());
    let (long, reference) = (Path::new(&long).file_name().unwrap(), Path::new(&reference).file_name().unwrap());
    let all = ["compare".as_ref(), reference, "b.jpg".as_ref(), "c.jpg".as_ref(), "d.jpg".as_ref(), long];
    let table = out(&greyhold_in(home.path(), &all));
    assert!(table.lines().all(|line| line.chars().count() <= 100), "{table}");
    let map = out(&greyhold_in(home.path(), &["compare", "--map", "map.png", "a.jpg", "c.jpg"]));
    assert!(map.ends_with("The map is drawn in map.png.\n"), "{map}");
}

/// Word for word: one judge is behind both.
#[test]
fn compare_says_what_a_watch_says_whose_reference_was_the_frame_before() {
    let cases = [(5.6, 0.0), (8.0, -1.0), (5.6, 1.0), (8.0, 0.0), (8.0, -12.0), (1.4, 0.0), (8.0, 6.0)];
    let mut findings = std::collections::BTreeSet::new();
    for (number, (f_number, power)) in (2..).zip(cases) {
        let studio = Studio::open();
        studio.take("1.jpg", shot(8.0, 0.0, 1));
        let watched = studio.take("2.jpg", shot(f_number, power, number));
        let [reference, frame] = ["1.jpg", "2.jpg"].map(|name| studio.folder.join(name).display().to_string());
        let compared: Value =
            serde_json::from_str(&out(&greyhold(&["compare", "--json", &reference, &frame]))).unwrap();
        assert_eq!(compared["sentence"], watched["verdict"]["sentence"], "f/{f_number}, {power} stop");
        findings.insert(watched["verdict"]["finding"].to_string());
    }
    assert!(findings.len() >= 5, "{findings:?}");
}

#[test]
fn tell_and_follow_speak_with_a_running_one() {
    let studio = Studio::open();
    studio.take("a.jpg", shot(8.0, 0.0, 1));
    let socket = studio.socket().display().to_string();
    let tell = |words: &[&str]| greyhold(&[&["tell", "--socket", &socket], words].concat());
    assert!(out(&tell(&["next", "f/5.6", "iso200", "1/125"])).contains("f/5.6  1/125 s  ISO 200"));
    assert!(out(&tell(&["note", "new", "backdrop"])).contains("noted"));
    assert!(out(&tell(&["status"])).contains("1 frame, "));
    assert_eq!(tell(&["power", "nobody", "1/4"]).status.code(), Some(2));
    studio.take("b\u{1b}[31m.jpg", shot(8.0, 0.0, 2));
    assert!(!out(&tell(&["status"])).contains('\u{1b}'), "a file's name does not steer the terminal");
    let reply: Value = serde_json::from_str(&out(&tell(&["--json", "wait"]))).unwrap();
    assert_eq!(reply["ok"], true);
    let mut follower = std::process::Command::new(env!("CARGO_BIN_EXE_greyhold"))
        .args(["follow", "--socket", &socket, "--since", "1"])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let printed = Printed::of(follower.stdout.take().unwrap());
    for awaited in ["a.jpg  f/8", "note: new backdrop"] {
        printed.find(|line| line.contains(awaited).then_some(())).unwrap_or_else(|e| panic!("no '{awaited}': {e}"));
    }
    follower.kill().unwrap();
    follower.wait().unwrap();
}

#[test]
fn each_word_is_a_command_and_names_are_written_in_any_case() {
    let mut studio = Studio::with_config(include_str!("../../fixtures/three_groups.yaml"));
    studio.take("a.jpg", shot(8.0, 0.0, 1));
    let socket = studio.socket().display().to_string();
    let say = |words: &[&str]| out(&greyhold(&[words, &["--socket", &socket]].concat()));
    assert!(say(&["next", "f/4"]).contains("every light down 2 stops"));
    // The same again is the same, also after a restart.
    for is_restarted in [false, true] {
        if is_restarted {
            studio.kill();
            studio.start();
        }
        assert!(say(&["next", "f/4"]).contains("every light down 2 stops"));
        assert_eq!(studio.corrections().len(), 1, "after a restart: {is_restarted}");
    }
    // A light that is elsewhere than was asked is told so, and one that was set is not asked again.
    assert!(say(&["set", "key", "1/4"]).contains("key is at 1/4 (1/8 was asked)"));
    assert!(say(&["next", "f/4"]).contains("turn key down to 1/8"));
    assert!(say(&["confirm"]).contains("taken as set"));
    // It goes on from what was asked last, also when that was told to be set: not from the last frame's f/8.
    assert!(say(&["next", "iso200"]).contains("For f/4  1/160 s  ISO 200"));
    assert!(say(&["set", "KEY", "1/8"]).contains("key is at 1/8"));
    // A bare number is not guessed at, but asked about.
    for (number, meant) in [("5.6", "did you mean f/5.6?"), ("200", "did you mean iso200?")] {
        let asked = greyhold(&["next", number, "--socket", &socket]);
        assert!(!asked.status.success() && said(&asked).contains(meant), "{asked:?}");
    }
    // A look whose name is two words: in quotes, as two words, over the socket.
    assert!(say(&["reference", "--look", "low key"]).contains("is the reference of 'low key'"));
    for look in [&["look", "Low Key"][..], &["look", "low", "key"]] {
        assert!(say(&["look", "main"]).contains("'main'"));
        assert!(say(look).contains("frames are compared with 'low key' now"), "{look:?}");
    }
    assert_eq!(studio.tell(serde_json::json!({"command": "look", "look": "low key"}))["ok"], true);
    assert!(say(&["look", "Main"]).contains("frames are compared with 'main' now"));
    assert!(say(&["looks"]).contains("main (frames are compared with it now): reference a.jpg; key 1/2, "));
    let status = say(&["status"]);
    assert!(
        status.starts_with("1 frame, reference a.jpg (shot 20") && status.contains("powers: key at 1/8, "),
        "{status}"
    );
}

#[test]
fn check_tells_what_a_frame_a_folder_and_a_log_hold() {
    let studio = Studio::open();
    studio.take("a.jpg", shot(8.0, 0.0, 1));
    let frame = out(&greyhold(&["check", "--frame", studio.folder.join("a.jpg").to_str().unwrap()]));
    assert!(frame.contains("f/8  1/160 s  ISO 100") && frame.contains("triggers usually aren't"), "{frame}");
    let log = studio.log().display().to_string();
    let folder = studio.folder.display().to_string();
    let both = greyhold(&["check", "--log", &log, "--folder", &folder]);
    assert!(both.status.success() && out(&both).contains("6 sound records, 0 missing"), "{}", out(&both));
    std::fs::write(&log, std::fs::read_to_string(&log).unwrap().replacen("a.jpg", "b.jpg", 1)).unwrap();
    let damaged = greyhold(&["check", "--log", &log]);
    assert_eq!(damaged.status.code(), Some(1), "{}", out(&damaged));
}

#[cfg(unix)]
#[test]
fn what_can_not_be_done_is_no_success() {
    let home = tempfile::tempdir().unwrap();
    let here = |name: &str| home.path().join(name).display().to_string();
    std::fs::write(here("away.yaml"), "folder: nowhere\n").unwrap();
    let away = greyhold(&["check", "--config", &here("away.yaml")]);
    assert_eq!(away.status.code(), Some(1), "its folder can't be read: {}", out(&away));
    for args in [&["check", "--write-example"][..], &["check", "--folder", home.path().to_str().unwrap()]] {
        let full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let output =
            std::process::Command::new(env!("CARGO_BIN_EXE_greyhold")).args(args).stdout(full).output().unwrap();
        assert_eq!(output.status.code(), Some(3), "{args:?}");
        assert!(said(&output).contains("standard output"), "{}", said(&output));
    }
    assert!(std::process::Command::new("mkfifo").arg(here("pipe.yaml")).status().unwrap().success());
    for file in [here("pipe.yaml"), "/dev/zero".to_owned()] {
        let refused = greyhold(&["check", "--config", &file]);
        assert_eq!(refused.status.code(), Some(2), "{file}");
        assert!(said(&refused).contains("no regular file"), "{}", said(&refused));
    }
}

/// A file's name may hold anything.
#[cfg(unix)]
#[test]
fn no_name_steers_the_terminal() {
    let home = tempfile::tempdir().unwrap();
    let name = "a\u{1b}]0;title\u{7}\u{1b}[31m\n! THE SHOT LOG IS GONE\u{9b}2J.jpg";
    let path = home.path().join(name);
    std::fs::write(&path, shot(8.0, 0.0, 1).jpeg()).unwrap();
    let path = path.display().to_string();
    let torn = home.path().join("torn\u{1b}[31m.jpg").display().to_string();
    std::fs::write(&torn, b"no photograph").unwrap();
    let folder = home.path().join("folder\u{1b}[31m").display().to_string();
    for args in [
        &["check", "--frame", &path][..],
        &["check", "--frame", &torn],
        &["check", "--folder", &folder],
        &["check", "--config", &torn],
        &["check", "--log", &torn],
        &["compare", &path, &path, &torn],
        &["compare", "--json", &path, &path, &torn],
        &["compare", &torn, &path],
        &["watch", &folder],
    ] {
        let output = greyhold(args);
        for text in [&output.stdout, &output.stderr] {
            let text = String::from_utf8_lossy(text).into_owned();
            assert!(!text.chars().any(|c| c.is_control() && c != '\n'), "{args:?}: {text:?}");
            assert!(!text.lines().any(|l| l.starts_with("! THE SHOT LOG")), "{args:?}: {text}");
        }
    }
}

/// CHECK: boxes with a length in front and a brand (ISO/IEC 14496-12, ISO/IEC 23008-12, from memory).
#[test]
fn a_heic_picture_that_can_not_be_read_is_refused_with_the_reason() {
    let boxed = |kind: &[u8], data: &[u8]| [&(data.len() as u32 + 8).to_be_bytes()[..], kind, data].concat();
    let heic = [boxed(b"ftyp", b"heic\0\0\0\0mif1heic"), boxed(b"mdat", &[9; 300])].concat();
    let studio = Studio::open();
    studio.take("a.jpg", shot(8.0, 0.0, 1));
    let (heic, jpeg) =
        (studio.put("b.heic", &heic).display().to_string(), studio.folder.join("a.jpg").display().to_string());
    let why = if cfg!(feature = "heif") { "its index can't be made out" } else { "built without HEIF (HEIC, AVIF)" };
    let socket = studio.socket().display().to_string();
    for args in [
        &["compare", heic.as_str(), &jpeg][..],
        &["compare", "--sharpness", &heic, &jpeg],
        &["reference", &heic, "--socket", &socket],
    ] {
        let output = greyhold(args);
        assert!(
            !output.status.success()
                && said(&output)
                    .contains(&format!("b.heic can't be {}", if args[0] == "compare" { "the" } else { "a" })),
            "{args:?}"
        );
        assert!(said(&output).contains(why), "{args:?}: {}", said(&output));
    }
    let other = greyhold(&["compare", "--sharpness", &jpeg, &heic]);
    let table = String::from_utf8_lossy(&other.stdout);
    assert!(table.lines().any(|line| line.starts_with("b.heic is left out") && line.contains(why)), "{table}");
}
