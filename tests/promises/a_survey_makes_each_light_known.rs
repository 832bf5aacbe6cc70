//! A light survey is guided frame by frame, refuses what is none, survives a restart, and makes a light that was forgotten known
//! by its name. Without one, nothing is claimed of a single group.

use crate::harness::greyhold;
use crate::harness::set::Set;
use crate::harness::sittings::{Lamps, Take};
use serde_json::{Value, json};

/// A survey of all groups, as the guide asks for it.
fn survey(set: &mut Set) {
    let begun = set.studio.tell(json!({"command": "survey"}));
    assert!(begun["ok"] == true && begun["message"].as_str().unwrap().contains("no flash fires"), "{begun}");
    for (firing, next) in [
        (Lamps::None, "only key"),
        (Lamps::Only(0), "only fill"),
        (Lamps::Only(1), "only rim"),
        (Lamps::Only(2), "all groups"),
    ] {
        let step = set.shoot_for_survey(firing);
        assert_eq!(step["step"]["what"], "taken", "{}", step["step"]["why"]);
        assert!(step["next"].as_str().unwrap().contains(next), "{}", step["next"]);
    }
    assert_eq!(set.shoot_for_survey(Lamps::All)["step"]["what"], "finished");
}

#[test]
fn a_forgotten_light_is_named_and_turned_alone() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    survey(&mut set);
    let report = set.studio.tell(json!({"command": "survey", "what": "report"}));
    for part in ["whole frame: key", "room light", "(key and fill to fill alone)", ":1"] {
        assert!(report["message"].as_str().unwrap().contains(part), "{part}: {report}");
    }
    let ambient = report["value"]["spots"][0]["ambient"].as_f64().unwrap();
    assert!((0.001..0.02).contains(&ambient), "{ambient}");

    // What the survey knows outlives the program.
    set.studio.kill();
    set.studio.start();
    assert_eq!(set.studio.tell(json!({"command": "next", "f_number": "f/7.1"}))["ok"], true);
    let mut forgotten = Take { f_number: 7.1, ..set.usual() };
    forgotten.powers = vec![-2.0, -2.0, 0.0];
    let frame = set.shoot(forgotten);
    let verdict = &frame["verdict"];
    assert_eq!(verdict["finding"], "group_changed", "{}", verdict["sentence"]);
    let sentence = verdict["sentence"].as_str().unwrap();
    assert!(sentence.starts_with("Rim is 2 stops too bright") && sentence.contains("it was not turned"), "{sentence}");
    let off = |group: usize| verdict["groups"][group]["deviation"].as_f64().unwrap();
    assert!(off(0).abs() < 0.1 && off(1).abs() < 0.1 && (off(2) - 2.0).abs() < 0.1, "{}", verdict["groups"]);
    let last = set.studio.corrections().pop().unwrap();
    let clicks: Vec<i64> = turns(&last).iter().map(|t| t["clicks"].as_i64().unwrap()).collect();
    assert_eq!(clicks, [0, 0, -6], "{last}");
    let read = set.studio.powers();
    assert_eq!(read.iter().filter(|p| p["known"] == "seen_as_asked").count(), 2, "key and fill are seen as asked");

    let mut mended = Take { f_number: 7.1, ..set.usual() };
    mended.powers = vec![-2.0; 3];
    assert_eq!(set.shoot(mended)["verdict"]["finding"], "matched");
    assert_eq!(set.studio.ends().pop().unwrap()["how"], "observed");
}

fn turns(correction: &Value) -> Vec<Value> {
    correction["correction"]["dial_changes"].as_array().unwrap().clone()
}

#[test]
fn a_light_that_is_out_is_named_and_nobody_turns_anything() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    survey(&mut set);
    let mut out = set.usual();
    out.powers[2] = f64::NEG_INFINITY;
    let verdict = set.shoot(out)["verdict"].clone();
    assert_eq!(verdict["finding"], "group_not_fired", "{verdict}");
    assert!(verdict["sentence"].as_str().unwrap().starts_with("Rim did not fire. Leave every power as it is"));
    let band = Take { seconds: 1.0 / 320.0, covered: 90, ..set.usual() };
    let verdict = set.shoot(band)["verdict"].clone();
    assert_eq!(verdict["finding"], "sync_band", "{}", verdict["sentence"]);
    assert!(verdict["sentence"].as_str().unwrap().contains("longer exposure time"));
    // At a time that no shutter cuts a flash off, a dark edge is something else.
    let slow = set.shoot(Take { seconds: 1.0 / 125.0, covered: 90, ..set.usual() });
    assert_ne!(slow["verdict"]["finding"], "sync_band");
    let none = set.shoot(set.usual().firing(Lamps::None))["verdict"].clone();
    assert_eq!(none["finding"], "misfire", "{}", none["sentence"]);
    assert!(set.studio.corrections().is_empty() && set.studio.powers().is_empty());
}

#[test]
fn ambient_light_that_would_pass_its_limit_is_warned_of() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    survey(&mut set);
    let warned = |set: &Set| set.studio.of_type("warning").len();
    set.shoot(set.usual());
    assert_eq!(warned(&set), 0);
    let asked = set.studio.tell(json!({"command": "next", "exposure_time": "1/10"}));
    assert!(asked["message"].as_str().unwrap().contains("room light is"), "before the frame: {asked}");
    let long = Take { seconds: 0.1, ..set.usual() };
    set.shoot(long.clone());
    set.shoot(long);
    assert_eq!(warned(&set), 1, "once until it is well again");
    let text = set.studio.of_type("warning")[0]["text"].clone();
    assert!(text.as_str().unwrap().contains("shorter exposure time"), "{text}");
}

/// What a plan says of room light is what `next` warns of.
#[test]
fn a_plan_tells_the_share_of_room_light_that_the_survey_found() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    survey(&mut set);
    set.shoot(set.usual());
    let f_number = set.usual().f_number;
    let plan = |set: &Set| -> Value {
        let apertures = [format!("f/{f_number}"), "f/2.8".to_owned()];
        set.studio.tell(json!({"command": "plan", "apertures": apertures}))["value"].clone()
    };
    let share = |plan: &Value, at: usize| plan["apertures"][at]["room"]["share"].as_f64().unwrap();
    let dark = plan(&set);
    assert!((0.001..0.02).contains(&share(&dark, 0)) && share(&dark, 1) > share(&dark, 0), "{dark}");
    let asked = set.studio.tell(json!({"command": "next", "exposure_time": "1/10"}));
    let message = asked["message"].as_str().unwrap();
    let told = message.split_once("room light is ").unwrap().1.split_once(" %").unwrap().0;
    set.shoot(Take { seconds: 0.1, ..set.usual() });
    let long = plan(&set);
    assert!((share(&long, 0) * 100.0 - told.parse::<f64>().unwrap()).abs() < 0.06, "{told} % is told, {long}");
    let words = long["room"]["in_words"].as_str().unwrap();
    assert!(
        words.contains("by the light survey") && words.contains("is more than 5 % of the light from f/"),
        "{words}"
    );
}

#[test]
fn a_survey_with_no_picture_to_hold_it_against_is_refused() {
    let set = Set::open("");
    let refused = set.studio.tell(json!({"command": "survey"}));
    assert!(refused["ok"] == false && refused["message"].as_str().unwrap().contains("all groups"), "{refused}");
}

#[test]
fn light_that_matches_in_another_colour_is_told() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    assert_eq!(set.shoot(Take { warmer: 0.1, ..set.usual() })["verdict"]["finding"], "matched");
    let verdict = set.shoot(Take { warmer: 0.5, ..set.usual() })["verdict"].clone();
    assert_eq!(verdict["finding"], "colour_shifted", "{}", verdict["sentence"]);
    let sentence = verdict["sentence"].as_str().unwrap();
    let red = sentence.split("red over green ").nth(1).and_then(|rest| rest.split(',').next()).unwrap();
    assert!((red.parse::<f64>().unwrap() - 0.5).abs() < 0.05, "{sentence}");
    assert!(set.studio.corrections().is_empty());
}

#[test]
fn without_a_survey_nothing_is_claimed_of_a_group() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    for powers in [[0.0, 0.0, 1.0], [0.0, -1.0, 0.0], [-1.0, -1.0, -1.0], [0.0, 0.0, f64::NEG_INFINITY]] {
        let frame = set.shoot(Take { powers: powers.to_vec(), ..set.usual() });
        assert!(frame["verdict"].get("groups").is_none(), "{frame}");
        let sentence = frame["verdict"]["sentence"].as_str().unwrap();
        assert!(!["key", "fill", "rim"].iter().any(|g| sentence.to_lowercase().contains(g)), "{sentence}");
    }
    let power = set.studio.powers();
    assert!(power.iter().all(|p| p["known"] == "deduced"), "all alike, and said so: {power:?}");
}

#[test]
fn what_does_not_show_one_light_is_refused_with_what_to_do() {
    let mut set = Set::open("");
    assert_eq!(set.studio.tell(json!({"command": "survey", "groups": ["hair"]}))["ok"], false);
    set.shoot(set.usual());
    assert_eq!(set.studio.tell(json!({"command": "survey", "what": "skip"}))["ok"], false);
    assert_eq!(set.studio.tell(json!({"command": "survey"}))["ok"], true);
    let refused = |step: Value, part: &str| {
        assert_eq!(step["step"]["what"], "refused", "{part}");
        let why = step["step"]["why"].as_str().unwrap();
        assert!(why.contains(part), "{why}");
        assert!(!step["next"].is_null(), "it says what to do now");
    };
    let at_usual = |set: &mut Set, take: Take| {
        set.shoot(take);
        set.survey_step()
    };
    let all = set.usual();
    refused(at_usual(&mut set, all.clone()), "a flash fired");
    // Turns that are asked may be done or not: which powers a survey takes that begins now is said.
    let next =
        |set: &Set, mark: &str| assert_eq!(set.studio.tell(json!({"command": "next", "f_number": mark}))["ok"], true);
    next(&set, "f/7");
    assert_eq!(set.studio.tell(json!({"command": "survey", "what": "stop"}))["ok"], true);
    let begun = set.studio.tell(json!({"command": "survey"}));
    let says = "Nobody said that key, fill and rim were turned as asked, so the survey takes key at 1/4, fill at 1/4 and rim at 1/4.";
    assert!(begun["message"].as_str().unwrap().starts_with(says), "{begun}");
    next(&set, "f/14");
    assert_eq!(set.shoot_for_survey(Lamps::None)["step"]["what"], "taken");
    refused(at_usual(&mut set, all.clone()), "more than key alone");
    refused(at_usual(&mut set, all.clone().firing(Lamps::None)), "a misfire?");
    let bright = Take { f_number: 2.8, ..all.clone() };
    refused(at_usual(&mut set, bright.firing(Lamps::Only(0))), "clipped");
    let dark = Take { f_number: 36.0, iso: 25.0, ..all.clone() };
    refused(at_usual(&mut set, dark.firing(Lamps::Only(0))), "too weakly");
    assert_eq!(set.shoot_for_survey(Lamps::Only(0))["step"]["what"], "taken");
    // The key light was left on beside the fill light.
    let mut two = all.clone();
    two.powers[2] = f64::NEG_INFINITY;
    refused(at_usual(&mut set, two), "more than fill alone");
    let skipped = set.studio.tell(json!({"command": "survey", "what": "skip"}));
    assert!(skipped["message"].as_str().unwrap().starts_with("fill is left out"), "{skipped}");
    assert_eq!(set.shoot_for_survey(Lamps::Only(2))["step"]["what"], "taken");
    let finished = set.shoot_for_survey(Lamps::All);
    assert_eq!(finished["step"]["what"], "finished", "{finished}");
    assert_eq!(finished["step"]["report"]["skipped"], json!(["fill"]));
    // Nothing is claimed of the group that was left out, and the others are told.
    let mut turned = set.usual();
    turned.powers[0] = 1.0;
    let verdict = set.shoot(turned)["verdict"].clone();
    let names: Vec<&Value> = verdict["groups"].as_array().unwrap().iter().map(|g| &g["groups"][0]).collect();
    assert_eq!(names, ["key", "rim"]);
    let by = verdict["groups"][0]["change"]["changed"]["change"].as_f64();
    assert!(by.is_none_or(|by| (by - 1.0).abs() < 0.17), "{verdict}");

    let socket = set.studio.socket();
    let told = greyhold(&["tell", "survey", "report", "--socket", socket.to_str().unwrap()]);
    assert!(String::from_utf8_lossy(&told.stdout).contains("not surveyed: fill"), "{told:?}");
    assert_eq!(set.studio.tell(json!({"command": "survey"}))["ok"], true);
    assert_eq!(set.studio.tell(json!({"command": "survey", "what": "stop"}))["ok"], true);
    assert_ne!(set.shoot(set.usual())["verdict"]["finding"], "survey", "given up, the old survey holds");
}
