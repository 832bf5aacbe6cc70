//! `greyhold check --report` writes one file for who reports a fault. Nothing in it names a photograph, a folder, a person, a
//! set, a light or a machine.

use std::fs;
use std::process::Command;

use crate::harness::process::run;
use crate::harness::{Studio, greyhold, shot};

#[test]
fn a_report_tells_numbers_and_no_names() {
    let mut studio = Studio::without_configuration();
    studio.folder = studio.home.path().join("Quillfeather-tether");
    fs::create_dir_all(studio.folder.join("Brambleworth-inside")).unwrap();
    studio.configure(
        "folder: Quillfeather-tether\nnotes: [Set Thistledown for Marchbanks]\n\
         groups:\n  - {name: Yarrowkey, role: key, dial: fraction, step: 1/3, range: 1/128 to 1/1, power: 1/4}\n\
         spots:\n  - {name: Cheekwort, left: 0.4, top: 0.4, right: 0.6, bottom: 0.6}\n",
    );
    let sound = greyhold(&["check", "--config", studio.config().to_str().unwrap()]);
    let said = String::from_utf8_lossy(&sound.stderr).into_owned();
    assert!(String::from_utf8_lossy(&sound.stdout).contains("Yarrowkey"), "the names are in the configuration: {said}");
    studio.start();
    studio.take("Marchbanks-portrait_0001.jpg", shot(8.0, 0.0, 1));
    studio.stop();
    assert!(fs::read_to_string(studio.log()).unwrap().contains("Marchbanks"), "the names are in the log");

    let report = studio.home.path().join("fault.txt");
    let mut check = Command::new(env!("CARGO_BIN_EXE_greyhold"));
    check.args(["check", "--report"]).arg(&report).arg("--config").arg(studio.config());
    check.current_dir(studio.home.path()).env("USER", "Pennywhistle").env("HOSTNAME", "Larkspurhost");
    let output = run(&mut check);
    assert!(output.status.success(), "{output:?}");
    let text = fs::read_to_string(&report).unwrap();
    let lower = text.to_lowercase();
    let mut names: Vec<String> = [
        "Quillfeather",
        "Brambleworth",
        "Thistledown",
        "Marchbanks",
        "Yarrowkey",
        "Cheekwort",
        "Pennywhistle",
        "Larkspur",
        "portrait",
        "_0001",
        ".jpg",
        ".jsonl",
        ".yaml",
        "/tmp",
    ]
    .map(str::to_lowercase)
    .to_vec();
    names.push(studio.home.path().file_name().unwrap().to_string_lossy().to_lowercase());
    for file in ["/etc/hostname", "/proc/sys/kernel/hostname"] {
        // A machine that is called by a word of the report, as 'linux', can't be told apart from it.
        let host = fs::read_to_string(file).unwrap_or_default().trim().to_lowercase();
        names.extend(Some(host).filter(|host| host.len() > 5));
    }
    for name in names {
        assert!(!lower.contains(&name), "{name} stands in\n{text}");
    }
    for part in
        ["greyhold ", "system: ", "group 1: 1 light", "configuration: sound", "of the kind frame: 1", "troubles: "]
    {
        assert!(text.contains(part), "{part} of\n{text}");
    }
    // What is there already stays.
    let again = run(&mut check);
    assert_eq!(again.status.code(), Some(3));
    assert_eq!(fs::read_to_string(&report).unwrap(), text);
}

#[test]
fn a_report_is_written_of_what_can_not_be_read_too() {
    let home = tempfile::tempdir().unwrap();
    fs::write(home.path().join("greyhold.yaml"), "Thistledown: [\n").unwrap();
    let mut check = Command::new(env!("CARGO_BIN_EXE_greyhold"));
    check.args(["check", "--report", "fault.txt"]).current_dir(home.path()).env("XDG_STATE_HOME", home.path());
    assert!(run(&mut check).status.success());
    let text = fs::read_to_string(home.path().join("fault.txt")).unwrap();
    assert!(text.contains("configuration: not sound") && text.contains("none is known"), "{text}");
    assert!(!text.contains("Thistledown"), "{text}");
}

/// Also without the option that names its kind.
#[test]
fn a_report_is_of_the_file_that_is_named() {
    let home = tempfile::tempdir().unwrap();
    fs::create_dir(home.path().join("tether")).unwrap();
    fs::write(home.path().join("other.yaml"), "groups: [\n").unwrap();
    let check = |args: &[&str]| {
        let mut check = Command::new(env!("CARGO_BIN_EXE_greyhold"));
        check.arg("check").args(args).current_dir(home.path()).env("XDG_STATE_HOME", home.path());
        run(&mut check).status.code()
    };
    for (named, report, told) in
        [("tether", "a.txt", "capture folder: known"), ("other.yaml", "b.txt", "configuration: not sound")]
    {
        assert_eq!(check(&[named, "--report", report]), Some(0));
        let text = fs::read_to_string(home.path().join(report)).unwrap();
        assert!(text.contains(told), "{told} of\n{text}");
    }
    fs::write(home.path().join("1.jpg"), "").unwrap();
    for photograph in [&["1.jpg"][..], &["--frame", "1.jpg"]] {
        assert_eq!(check(&[photograph, &["--report", "c.txt"]].concat()), Some(2), "it tells nothing of photographs");
    }
    assert!(!home.path().join("c.txt").exists());
}

/// A folder that is in order is said to be, and one that isn't is told with its mend.
#[cfg(unix)]
#[test]
fn check_tells_what_is_in_the_way_of_a_folder() {
    use std::os::unix::fs::PermissionsExt;

    let home = tempfile::tempdir().unwrap();
    let output = greyhold(&["check", "--folder", home.path().to_str().unwrap()]);
    assert!(output.status.success(), "{output:?}");
    fs::set_permissions(home.path(), fs::Permissions::from_mode(0o555)).unwrap();
    if fs::write(home.path().join("may-I"), "").is_ok() {
        println!("skipped: this user may write everywhere");
        return;
    }
    let output = greyhold(&["check", "--folder", home.path().to_str().unwrap()]);
    fs::set_permissions(home.path(), fs::Permissions::from_mode(0o755)).unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stdout).contains("may not write to this folder"), "{output:?}");
}
