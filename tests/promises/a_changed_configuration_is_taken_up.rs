//! A configuration edited while running is taken up, or the old one holds and it is said why.

use std::fs;

use crate::harness::{Studio, shot, wait_for};
use serde_json::json;

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");

fn warned(studio: &Studio, part: &str) -> bool {
    studio.of_type("warning").iter().any(|w| w["text"].as_str().unwrap().contains(part))
}

#[test]
fn taken_up_by_whatever_way_it_is_saved() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let wider = format!("tolerance: 0.9 stop\n{RIG}");
    fs::write(studio.config(), &wider).unwrap();
    wait_for("the new tolerance", || studio.of_type("config").iter().any(|c| c["tolerance"] == json!(0.9)));
    assert_eq!(studio.take("2.jpg", shot(8.0, 0.6, 2))["verdict"]["finding"], "matched");
    // As an editor saves: beside it, then renamed over it.
    let aside = studio.home.path().join("greyhold.yaml.new");
    fs::write(&aside, RIG).unwrap();
    fs::rename(&aside, studio.config()).unwrap();
    wait_for("the old tolerance", || studio.of_type("config").last().unwrap()["tolerance"] == json!(0.15));
    assert_eq!(studio.take("3.jpg", shot(8.0, 0.6, 3))["verdict"]["finding"], "lights_changed");
}

#[test]
fn a_wrong_one_changes_nothing_and_is_said_with_its_line() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    fs::write(studio.config(), RIG.replace("power: 7.0", "power: 70.0")).unwrap();
    wait_for("the warning", || warned(&studio, "the old one holds"));
    assert!(warned(&studio, "line 7") && warned(&studio, "power"));
    fs::remove_file(studio.config()).unwrap();
    assert_eq!(studio.take("2.jpg", shot(5.6, 0.0, 2))["verdict"]["finding"], "settings_changed");
    assert_eq!(studio.of_type("config").len(), 1);
}

#[test]
fn powers_in_it_count_when_they_are_written_anew() {
    let studio = Studio::with_config(RIG);
    studio.tell(json!({"command": "power", "group": "key", "setting": "1/8"}));
    // Another key changes: what was told stays.
    fs::write(studio.config(), format!("recycle_time: 3 s\n{RIG}")).unwrap();
    wait_for("it to be taken up", || studio.of_type("config").len() == 2);
    let lights = |studio: &Studio| studio.tell(json!({"command": "status"}))["value"]["groups"].clone();
    assert_eq!(lights(&studio)[0]["power"], json!(-3.0));
    fs::write(studio.config(), RIG.replace("power: 1/2", "power: 1/64")).unwrap();
    wait_for("it to be taken up", || studio.of_type("config").len() == 3);
    assert_eq!(lights(&studio)[0]["power"], json!(-6.0));
}

#[test]
fn what_needs_a_restart_is_said() {
    let studio = Studio::with_config(RIG);
    fs::write(studio.config(), format!("detect: poll\n{RIG}")).unwrap();
    wait_for("the hint", || warned(&studio, "at the next start"));
}

/// Dotfile managers, and people who keep several rigs, put a link in the configuration's place.
#[cfg(unix)]
#[test]
fn a_link_is_followed_when_its_file_changes_and_when_it_is_turned() {
    let mut studio = Studio::without_configuration();
    let (first, second) = (studio.home.path().join("first.yaml"), studio.home.path().join("second.yaml"));
    fs::write(&first, RIG).unwrap();
    std::os::unix::fs::symlink(&first, studio.config()).unwrap();
    studio.extra = vec!["--config".into(), studio.config().display().to_string()];
    studio.start();
    let taken = |tolerance: f64| studio.of_type("config").last().unwrap()["tolerance"] == json!(tolerance);
    fs::write(&first, format!("tolerance: 0.9 stop\n{RIG}")).unwrap();
    wait_for("the file behind the link", || taken(0.9));
    fs::write(&second, format!("tolerance: 0.4 stop\n{RIG}")).unwrap();
    let aside = studio.home.path().join("aside");
    std::os::unix::fs::symlink(&second, &aside).unwrap();
    fs::rename(&aside, studio.config()).unwrap();
    wait_for("the other file", || taken(0.4));
    // As editors save, behind the link.
    let new = studio.home.path().join("second.new");
    fs::write(&new, format!("tolerance: 0.3 stop\n{RIG}")).unwrap();
    fs::rename(&new, &second).unwrap();
    wait_for("the file put in the place of the other", || taken(0.3));
}

/// A pipe would give its bytes never, and a device without end.
#[cfg(unix)]
#[test]
fn what_is_no_file_holds_nobody_up() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let pipe = |path: &std::path::Path| {
        let _ = fs::remove_file(path);
        assert!(std::process::Command::new("mkfifo").arg(path).status().unwrap().success());
    };
    pipe(&studio.config());
    studio.take("2.jpg", shot(8.0, 0.0, 2));
    fs::remove_file(studio.config()).unwrap();
    fs::write(studio.config(), RIG).unwrap();
    pipe(&studio.config().with_extension("spots.yaml"));
    wait_for("the warning", || warned(&studio, "no regular file"));
    studio.take("3.jpg", shot(8.0, 0.0, 3));
    let area = json!({"left": 0.1, "top": 0.1, "right": 0.2, "bottom": 0.2});
    let reply = studio.tell(json!({"command": "spot", "name": "cheek", "area": area}));
    assert!(reply["ok"] == false && reply["message"].as_str().unwrap().contains("no regular file"), "{reply}");
}

/// One sentence for each: what changed, and what it means.
#[test]
fn what_it_changes_of_powers_groups_and_speeds_is_said() {
    let mut studio = Studio::with_config(&format!("lowest_iso: 100\n{RIG}"));
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert!(studio.of_type("warning").is_empty());
    fs::write(studio.config(), RIG.replace("power: 1/2", "power: 1/64").replace("name: rim", "name: hair light"))
        .unwrap();
    wait_for("the sentences", || studio.of_type("warning").len() == 3);
    assert!(warned(&studio, "key is taken to be at 1/64 now (before: 1/2)"), "{:?}", studio.of_type("warning"));
    assert!(warned(&studio, "rim is no name of a group any more") && warned(&studio, "hair light at 7.0"));
    assert!(warned(&studio, "lowest_iso is not told now (before: ISO 100)"));
    // While nobody watched, too; and what stays is not said again.
    studio.stop();
    fs::write(studio.config(), RIG.replace("power: 1/2", "power: 1/8").replace("name: rim", "name: hair light"))
        .unwrap();
    studio.start();
    assert!(warned(&studio, "key is taken to be at 1/8 now (before: 1/64)"), "{:?}", studio.of_type("warning"));
    assert_eq!(studio.of_type("warning").len(), 4);
}
