//! A survey says of which spot it can't tell anything, and which light it left out. Through the real program, on rendered
//! frames of known light.

use crate::harness::set::Set;
use crate::harness::sittings::{Lamps, SIZE, Take};
use serde_json::{Value, json};

/// A white card in a corner, and the spot on it; small enough for a survey to bear.
const CARD: &str = "\
spots:
  - {name: card, left: 0.02, top: 0.02, right: 0.08, bottom: 0.10}
";

/// The same picture with such a card, burnt out.
fn with_burnt_out_card(jpeg: Vec<u8>, take: &Take) -> Vec<u8> {
    let mut picture = image::load_from_memory(&jpeg).unwrap().to_rgb8();
    for (x, y) in (0..40).flat_map(|y| (0..48).map(move |x| (x, y))) {
        picture.put_pixel(x, y, image::Rgb([255; 3]));
    }
    greyhold::studio::with_exif(&picture, SIZE.0, SIZE.1, &take.exposure(), 92).unwrap()
}

/// A survey of some groups.
fn survey(set: &mut Set, groups: &[usize]) {
    let names: Vec<&str> = groups.iter().map(|g| set.rig.lamps[*g].name).collect();
    let begun = set.studio.tell(json!({"command": "survey", "groups": names}));
    assert_eq!(begun["ok"], true, "{begun}");
    let firings = [Lamps::None].into_iter().chain(groups.iter().map(|g| Lamps::Only(*g)));
    for firing in firings {
        let step = set.shoot_for_survey(firing);
        assert_eq!(step["step"]["what"], "taken", "{step}");
    }
    let last = set.shoot_for_survey(Lamps::All);
    assert_eq!(last["step"]["what"], "finished", "{last}");
}

/// The trigger of the others was left off.
#[test]
fn one_light_alone_is_not_taken_for_all() {
    for alone in 0..3 {
        let mut set = Set::open("");
        set.shoot(set.usual());
        assert_eq!(set.studio.tell(json!({"command": "survey"}))["ok"], true);
        for firing in [Lamps::None, Lamps::Only(0), Lamps::Only(1), Lamps::Only(2)] {
            assert_eq!(set.shoot_for_survey(firing)["step"]["what"], "taken");
        }
        let refused = set.shoot_for_survey(Lamps::Only(alone));
        assert_eq!(refused["step"]["what"], "refused", "{alone}: {refused}");
        assert_eq!(set.shoot_for_survey(Lamps::All)["step"]["what"], "finished");
    }
}

#[test]
fn a_spot_on_a_burnt_out_card_is_said_to_be_clipped_and_the_survey_is_kept() {
    let mut set = Set::open(&format!("judged_spot: card\n{CARD}"));
    set.finish = with_burnt_out_card;
    set.shoot(set.usual());
    survey(&mut set, &[0, 1, 2]);
    let report = set.studio.tell(json!({"command": "survey", "what": "report"}));
    assert_eq!(report["ok"], true, "{report}");
    let said = report["message"].as_str().unwrap();
    assert!(said.contains("card: clipped in the frame with all groups, so nothing can be told"), "{said}");
    assert!(said.contains("whole frame: key"), "{said}");
    let spots = report["value"]["spots"].as_array().unwrap();
    let card = spots.iter().find(|s| s["spot"] == "card").unwrap();
    assert_eq!((&card["ambient"], &card["rest"]), (&Value::Null, &Value::Null), "{card}");
    assert!(card["shares"].as_array().unwrap().iter().all(Value::is_null), "{card}");
    // The ratios are told at the spot that frames are judged by, so here they aren't; the board says why.
    let board = crate::harness::http::Feed::open(&set.studio, None).unwrap().next("board");
    assert!(board["ratios"].to_string().contains("'card' is clipped"), "{}", board["ratios"]);
    // It outlives the program, and room light is still warned of at the spots that can be read.
    set.studio.kill();
    set.studio.start();
    let again = set.studio.tell(json!({"command": "survey", "what": "report"}));
    assert_eq!(again["message"], report["message"]);
    set.shoot(Take { seconds: 0.1, ..set.usual() });
    let warned = set.studio.of_type("warning");
    assert!(warned.iter().any(|w| w["text"].as_str().unwrap().contains("room light is")), "{warned:?}");
}

#[test]
fn a_light_that_the_survey_left_out_is_named_and_is_turned_by_nobody() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    survey(&mut set, &[0, 2]);
    // Somebody has turned all lights down a stop, the one that was left out, too: where it stands is not known.
    let alike = Take { powers: vec![-1.0; 3], ..set.usual() };
    set.shoot(alike.clone());
    let verdict = set.shoot(alike)["verdict"].clone();
    assert_eq!(verdict["not_surveyed"], json!(["fill"]), "{verdict}");
    for frame in [verdict.clone(), set.shoot(set.usual())["verdict"].clone()] {
        let said = frame["sentence"].as_str().unwrap().to_lowercase();
        assert!(said.contains("fill can't be told: the survey left it out"), "{said}");
    }
    let settled = verdict["groups"].as_array().unwrap().iter().all(|g| g["change"]["changed"].is_object());
    assert!(settled, "the surveyed lights are read: {verdict}");
    let first = set.studio.corrections().remove(0);
    let turned: Vec<&Value> =
        first["correction"]["dial_changes"].as_array().unwrap().iter().map(|t| &t["group"]).collect();
    assert_eq!(turned, ["key", "rim"], "{first}");
}
