//! A survey says of which spot it can't tell anything, and which light it left out. Through the real program, on rendered
//! frames of known light.

use crate::harness::Studio;
use crate::harness::random::Random;
use crate::harness::sittings::{Lamps, Rig, SECONDS, SIZE, Take, calibrate_into};
use serde_json::{Value, json};

const LIGHTS: &str = "\
curves: ./curves
lights:
  - {name: key, role: key, dial: fraction, step: 1/3, range: 1/256 to 1/1, power: 1/4}
  - {name: fill, role: fill, dial: fraction, step: 1/3, range: 1/256 to 1/1, power: 1/4}
  - {name: rim, role: rim, dial: fraction, step: 1/3, range: 1/256 to 1/1, power: 1/4}
";
/// A white card in a corner, and the spot on it; small enough for a survey to bear.
const CARD: &str = "\
spots:
  - {name: card, left: 0.02, top: 0.02, right: 0.08, bottom: 0.10}
";

/// A photographer with three groups of lights, of whom some pictures have a card that is burnt out.
struct Set {
    studio: Studio,
    rig: Rig,
    random: Random,
    shots: u64,
    card: bool,
}

impl Set {
    fn open(more: &str, card: bool) -> Set {
        let mut studio = Studio::empty();
        calibrate_into(&studio.home.path().join("curves"));
        std::fs::write(studio.config(), format!("{more}{LIGHTS}")).unwrap();
        studio.extra = vec!["--config".into(), studio.config().display().to_string()];
        studio.start();
        Set { studio, rig: Rig::portrait(), random: Random(11), shots: 0, card }
    }

    fn usual(&self) -> Take {
        Take::at_reference(&self.rig, self.shots)
    }

    fn shoot(&mut self, take: Take) -> Value {
        self.shots += 1;
        let name = format!("frame_{:03}.jpg", self.shots);
        let take = Take { at: self.shots as f64 * 20.0, seed: self.shots, ..take };
        let mut jpeg = take.jpeg(&self.rig, &mut self.random);
        if self.card {
            let mut picture = image::load_from_memory(&jpeg).unwrap().to_rgb8();
            for (x, y) in (0..40).flat_map(|y| (0..48).map(move |x| (x, y))) {
                picture.put_pixel(x, y, image::Rgb([255; 3]));
            }
            jpeg = greyhold::studio::with_exif(&picture, SIZE.0, SIZE.1, &take.exposure(), 92).unwrap();
        }
        self.studio.put(&name, &jpeg);
        assert!(self.studio.sync().is_empty());
        self.studio.frame(&name)
    }

    fn shoot_for_survey(&mut self, firing: Lamps) -> Value {
        let seconds = if firing == Lamps::None { 0.1 } else { SECONDS };
        let iso = if firing == Lamps::Only(1) { 400.0 } else { 100.0 };
        let take = Take { seconds, iso, ..self.usual() }.firing(firing);
        assert_eq!(self.shoot(take)["verdict"]["cause"], "survey");
        self.studio.of_type("survey").pop().unwrap()
    }

    fn survey(&mut self, groups: &[usize]) {
        let names: Vec<&str> = groups.iter().map(|g| self.rig.lamps[*g].name).collect();
        let begun = self.studio.tell(json!({"command": "survey", "groups": names}));
        assert_eq!(begun["ok"], true, "{begun}");
        let firings = [Lamps::None].into_iter().chain(groups.iter().map(|g| Lamps::Only(*g)));
        for firing in firings {
            let step = self.shoot_for_survey(firing);
            assert_eq!(step["step"]["what"], "taken", "{step}");
        }
        let last = self.shoot_for_survey(Lamps::All);
        assert_eq!(last["step"]["what"], "finished", "{last}");
    }
}

#[test]
fn a_spot_on_a_burnt_out_card_is_said_to_be_clipped_and_the_survey_is_kept() {
    let mut set = Set::open(&format!("judge_by: card\n{CARD}"), true);
    set.shoot(set.usual());
    set.survey(&[0, 1, 2]);
    let report = set.studio.tell(json!({"command": "survey", "what": "report"}));
    assert_eq!(report["ok"], true, "{report}");
    let said = report["says"].as_str().unwrap();
    assert!(said.contains("card: clipped in the frame with all groups, so nothing can be told"), "{said}");
    assert!(said.contains("whole: key"), "{said}");
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
    assert_eq!(again["says"], report["says"]);
    set.shoot(Take { seconds: 0.1, ..set.usual() });
    let warned = set.studio.of_type("warning");
    assert!(warned.iter().any(|w| w["text"].as_str().unwrap().contains("room light is")), "{warned:?}");
}

#[test]
fn a_light_that_the_survey_left_out_is_named_and_is_turned_by_nobody() {
    let mut set = Set::open("", false);
    set.shoot(set.usual());
    set.survey(&[0, 2]);
    // Somebody has turned all lights down a stop, the one that was left out, too: where it stands is not known.
    let alike = Take { powers: vec![-1.0; 3], ..set.usual() };
    let verdict = set.shoot(alike)["verdict"].clone();
    assert_eq!(verdict["not_surveyed"], json!(["fill"]), "{verdict}");
    for frame in [verdict.clone(), set.shoot(set.usual())["verdict"].clone()] {
        let said = frame["sentence"].as_str().unwrap().to_lowercase();
        assert!(said.contains("fill can't be told: the survey left it out"), "{said}");
    }
    let settled = verdict["groups"].as_array().unwrap().iter().all(|g| g["did"]["changed"].is_object());
    assert!(settled, "the surveyed lights are read: {verdict}");
    let first = set.studio.corrections().remove(0);
    let turned: Vec<&Value> = first["correction"]["turns"].as_array().unwrap().iter().map(|t| &t["group"]).collect();
    assert_eq!(turned, ["key", "rim"], "{first}");
}
