//! The demo: each mistake of the sitting is named, and answered by what greyhold said.

use std::process::{Command, Stdio};

use crate::harness::greyhold;
use crate::harness::http::{Feed, here, sign_in};
use crate::harness::process::Printed;
use serde_json::Value;

#[test]
fn from_the_first_frame_to_the_end_of_the_range() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("demo");
    let output = greyhold(&["demo", "--folder", folder.to_str().unwrap()]);
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{told}\n{}", String::from_utf8_lossy(&output.stderr));
    assert!(!told.contains('\x1b'), "no colours into a pipe");

    let log = std::fs::read_to_string(folder.join("capture/greyhold-shots.jsonl")).unwrap();
    let records: Vec<Value> = log.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    let causes: Vec<&str> =
        records.iter().filter(|r| r["type"] == "judged").map(|r| r["verdict"]["finding"].as_str().unwrap()).collect();
    let story = [
        "no_reference",
        "matched",
        "survey",
        "survey",
        "survey",
        "survey",
        "survey",
        // The survey has made the camera's curve known: the frames before it are judged anew.
        "no_reference",
        "matched",
        "settings_changed",
        "matched",
        "both_changed",
        "matched",
        "misfire",
        "matched",
        "recycle",
        "group_changed",
        "matched",
    ];
    assert_eq!(causes, story);
    let ended = records.iter().filter(|r| r["type"] == "resolved" || r["ended"].is_object());
    let how: Vec<&str> = ended.map(|r| r["how"].as_str().or(r["ended"]["how"].as_str()).unwrap()).collect();
    // What was asked for f/8 was carried out but at the rim light, which is then asked for alone.
    assert_eq!(how, ["observed", "observed", "withdrawn", "observed"], "every answer was seen in the picture");
    let forgotten = records.iter().find(|r| r["verdict"]["finding"] == "group_changed").unwrap();
    let sentence = forgotten["verdict"]["sentence"].as_str().unwrap();
    assert!(sentence.starts_with("Rim is") && sentence.contains("it was not turned"), "{sentence}");
    let last = records.iter().rfind(|r| r["type"] == "correction").unwrap();
    assert_eq!(last["correction"]["dial_changes"][1]["limit"], "minimum");

    for part in [
        "(key and rim to rim alone)",
        "HOLD",
        "turn key up to 1/16 +0.3  (from 1/16: 1/3 stop, 1 click)",
        "greyhold-shots.jsonl",
        "greyhold-corrections.txt",
        "stored charge",
    ] {
        assert!(told.contains(part), "'{part}' is missing:\n{told}");
    }
    let again = greyhold(&["demo", "--folder", folder.to_str().unwrap()]);
    assert_eq!(again.status.code(), Some(3), "it never plays into a folder that is in use");
}

/// Whoever looks at the page alone hears what goes on in the studio, and who comes late hears where it stands.
#[test]
fn the_page_tells_the_story_as_it_goes_on() {
    let home = tempfile::tempdir().unwrap();
    let mut demo = Command::new(env!("CARGO_BIN_EXE_greyhold"))
        .args(["demo", "--page", "--folder"])
        .arg(home.path().join("demo"))
        .env("XDG_STATE_HOME", home.path().join("state"))
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let printed = Printed::of(demo.stdout.take().unwrap());
    let port = |line: &str| line.strip_prefix("page http://127.0.0.1:")?.split('/').next()?.parse::<u16>().ok();
    let port = printed.find(port).unwrap();
    let file = printed.find(|line| Some(line.trim().strip_prefix("token    in ")?.to_owned())).unwrap();
    let addresses = std::fs::read_to_string(file.strip_suffix(", which you alone can read").unwrap()).unwrap();
    let cookie = sign_in(here(port), addresses.lines().next().unwrap().split_once('#').unwrap().1);
    let mut page = Feed::open_at(here(port), &cookie, None).unwrap();
    let first = page.next("story");
    let second = page.next("story");
    let late = Feed::open_at(here(port), &cookie, None).unwrap().next("story");
    let _ = demo.kill();
    let _ = demo.wait();
    assert_eq!(
        (first.as_str(), second.as_str()),
        (Some("The light is built: the first frame at f/14."), late.as_str())
    );
    assert!(second.as_str().unwrap().starts_with("A second one"), "{second}");
}
