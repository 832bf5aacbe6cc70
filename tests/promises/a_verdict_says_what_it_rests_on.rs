//! A verdict names the one spot that it rests on, and says where that spot can't be compared; an interval is shown with
//! what it holds under. Through the real program and its own screens, on rendered frames of known light.

use std::fs;

use crate::harness::http::Feed;
use crate::harness::{Studio, greyhold, shot};
use serde_json::{Value, json};

/// The cheek of the rendered sitter, in fractions of the frame.
const CHEEK: [f64; 4] = [0.44, 0.40, 0.56, 0.52];

fn rig(judged_spot: &str) -> String {
    let [left, top, right, bottom] = CHEEK;
    let lights = include_str!("../../fixtures/three_groups.yaml").split_once("groups:").unwrap().1;
    format!(
        "judged_spot: {judged_spot}\nspots:\n  - {{name: cheek, left: {left}, top: {top}, right: {right}, bottom: {bottom}}}\n\
         groups:{lights}"
    )
}

/// The frame with one code all over the cheek, and the rest of it as it was rendered.
fn with_cheek(f_number: f64, power: f64, number: u64, code: u8) -> Vec<u8> {
    let shot = shot(f_number, power, number);
    let mut picture = image::load_from_memory(&shot.jpeg()).unwrap().to_rgb8();
    let (width, height) = picture.dimensions();
    let pixel = |share: f64, all: u32| (share * f64::from(all)).round() as u32;
    // A few pixels beyond the spot, so that the coding's blocks at its edge are of one code, too.
    for y in pixel(CHEEK[1], height) - 8..pixel(CHEEK[3], height) + 8 {
        for x in pixel(CHEEK[0], width) - 8..pixel(CHEEK[2], width) + 8 {
            picture.put_pixel(x, y, image::Rgb([code; 3]));
        }
    }
    greyhold::studio::with_exif(&picture, width, height, &shot.exposure(), 92).unwrap()
}

fn take(studio: &Studio, name: &str, bytes: &[u8]) -> Value {
    studio.put(name, bytes);
    assert!(studio.sync().is_empty());
    studio.frame(name)["verdict"].clone()
}

fn sentence(verdict: &Value) -> &str {
    verdict["sentence"].as_str().unwrap()
}

#[test]
fn a_judged_spot_that_is_burnt_out_is_said_to_be_and_no_other_place_speaks_for_it() {
    let studio = Studio::with_config(&rig("cheek"));
    let first = take(&studio, "1.jpg", &with_cheek(8.0, 0.0, 1, 118));
    assert_eq!(first["finding"], "no_reference");
    // Everything but the cheek is as it was: the frame as a whole would match.
    let burnt = take(&studio, "2.jpg", &with_cheek(8.0, 0.0, 2, 255));
    assert_eq!(burnt["finding"], "clipped", "{burnt}");
    assert_eq!(burnt["judged"]["spot"], "cheek");
    assert_eq!((&burnt["observed"], &burnt["drift"]), (&Value::Null, &Value::Null), "{burnt}");
    // CHECK: sRGB code 118 is mid-grey (IEC 61966-2-1, ISO 12232), and the top of the scale lies at 1.0, which is 2.47
    // stops above 18 %; a camera's curve puts its top no nearer than a stop.
    let least = burnt["judged"]["clipped"]["at_least"].as_f64().unwrap();
    assert!((1.0..3.5).contains(&least), "{burnt}");
    let said = sentence(&burnt);
    for part in ["'cheek' is burnt out", "at least", "brighter"] {
        assert!(said.contains(part), "{part}: {said}");
    }
    assert!(!said.contains("atches"), "{said}");
    assert!(studio.corrections().is_empty() && studio.powers().is_empty());
    // The other end: a black cheek in a frame that is otherwise as it was. Nothing fires no flash at a cheek alone.
    let board = Feed::open(&studio, None).unwrap().next("board");
    assert!(board["last"]["clipping"].as_str().unwrap().contains("(cheek)"), "{board}");
}

#[test]
fn settings_that_bear_a_clipped_spot_out_are_said_and_followed_and_others_are_not() {
    let studio = Studio::with_config(&rig("cheek"));
    take(&studio, "1.jpg", &with_cheek(8.0, 0.0, 1, 118));
    // Five stops more, by the settings: more than the scale holds above the cheek.
    let wide = take(&studio, "2.jpg", &with_cheek(1.4, 0.0, 2, 255));
    assert_eq!((&wide["finding"], &wide["evidence_used"]), (&json!("clipped"), &json!("settings")));
    assert!((wide["drift"].as_f64().unwrap() - 5.0).abs() < 0.05, "{wide}");
    assert!(sentence(&wide).contains("the settings alone say 5 stops brighter"), "{}", sentence(&wide));
    assert_eq!(studio.corrections().len(), 1);
    // A third of a stop by the settings does not explain a cheek that is burnt out.
    let studio = Studio::with_config(&rig("cheek"));
    take(&studio, "1.jpg", &with_cheek(8.0, 0.0, 1, 118));
    let third = take(&studio, "2.jpg", &with_cheek(7.1, 0.0, 2, 255));
    assert_eq!((&third["finding"], &third["drift"]), (&json!("clipped"), &Value::Null), "{third}");
    assert!(studio.of_type("correction").is_empty());
}

#[test]
fn misfire_and_colour_are_told_at_the_judged_spot() {
    let studio = Studio::with_config(&rig("cheek"));
    take(&studio, "1.jpg", &with_cheek(8.0, 0.0, 1, 118));
    let dark = take(&studio, "2.jpg", &with_cheek(8.0, 0.0, 2, 1));
    assert_eq!(dark["judged"]["spot"], "cheek", "{dark}");
    assert_eq!((&dark["finding"], &dark["drift"]), (&json!("misfire"), &Value::Null), "{dark}");
}

#[test]
fn a_spot_that_was_moved_since_gives_way_to_the_whole_frame_and_that_is_said() {
    let studio = Studio::with_config(&rig("cheek"));
    take(&studio, "1.jpg", &shot(8.0, 0.0, 1).jpeg());
    // A reference whose file is gone can't be metered anew by the new spots.
    fs::remove_file(studio.folder.join("1.jpg")).unwrap();
    fs::write(studio.config(), rig("cheek").replace("left: 0.44", "left: 0.40")).unwrap();
    crate::harness::wait_for("the new spots", || studio.of_type("config").len() == 2);
    let verdict = take(&studio, "2.jpg", &shot(8.0, 0.0, 2).jpeg());
    assert_eq!(verdict["judged"]["spot"], "whole", "{verdict}");
    assert_eq!(verdict["judged"]["instead_of"]["spot"], "cheek");
    assert_eq!(verdict["finding"], "matched", "{verdict}");
    let said = sentence(&verdict);
    assert!(said.contains("'cheek'") && said.contains("moved") && said.contains("whole frame"), "{said}");
}

/// CHECK: sRGB codes 94, 118 and 150 are 0.112, 0.181 and 0.305 of white, which are 2/3 stop under mid-grey (18 %), mid-grey, and
/// 0.76 stop over it (IEC 61966-2-1).
#[test]
fn a_reference_that_is_itself_off_its_target_is_said_to_be_once() {
    let studio = Studio::with_config(&format!("response_curve: srgb\ntarget: {{spot: cheek}}\n{}", rig("whole")));
    let said = || -> Vec<String> {
        studio.of_type("warning").iter().map(|w| w["text"].as_str().unwrap().to_owned()).collect()
    };
    take(&studio, "1.jpg", &with_cheek(8.0, 0.0, 1, 94));
    let first = said();
    assert_eq!(first.len(), 1, "{first:?}");
    assert!(first[0].contains("the reference 1.jpg is itself 2/3 stop under mid-grey on 'cheek'"), "{first:?}");
    take(&studio, "2.jpg", &with_cheek(8.0, 0.0, 2, 118));
    assert_eq!(said(), first, "frames after it are held to it, and nothing is said again");
    assert_eq!(studio.tell(json!({"command": "accept"}))["ok"], true);
    assert_eq!(said(), first, "on target");
    take(&studio, "3.jpg", &with_cheek(8.0, 0.0, 3, 150));
    let accepted = studio.tell(json!({"command": "accept"}));
    let message = accepted["message"].as_str().unwrap();
    assert!(message.contains("3.jpg is itself 0.8 stop over mid-grey"), "{message}");
    assert_eq!(said().len(), 2);
}

/// CHECK: f/14 is five thirds of a stop smaller than f/8 (marks are thirds, APEX); both are exact marks.
#[test]
fn a_reference_shot_at_other_settings_than_the_hand_meter_showed_is_said_to_be_once() {
    let studio = Studio::with_config(&format!("target: {{meter: f/8 iso100}}\n{}", rig("whole")));
    studio.take("1.jpg", shot(14.0, 0.0, 1));
    studio.take("2.jpg", shot(14.0, 0.0, 2));
    let said = studio.of_type("warning");
    assert_eq!(said.len(), 1, "{said:?}");
    let text = said[0]["text"].as_str().unwrap();
    let wanted = "the reference 1.jpg was shot 1 2/3 stops under what the hand meter showed (f/8, ISO 100)";
    assert!(text.starts_with(wanted), "{text}");
}

/// CHECK: f/8 is one stop smaller than f/5.6 (marks are thirds, APEX).
#[test]
fn a_target_that_is_changed_is_held_against_the_reference_that_stands() {
    let config = |target: &str| format!("target: {target}\nresponse_curve: srgb\n{}", rig("whole"));
    let mut studio = Studio::with_config(&config("{meter: f/8 iso100}"));
    take(&studio, "1.jpg", &with_cheek(8.0, 0.0, 1, 94));
    let said = |studio: &Studio| -> Vec<String> {
        studio.of_type("warning").iter().map(|w| w["text"].as_str().unwrap().to_owned()).collect()
    };
    assert!(said(&studio).is_empty(), "{:?}", said(&studio));
    for (target, count, part) in [
        ("{meter: f/5.6 iso100}", 1, "1.jpg was shot 1 stop under what the hand meter showed (f/5.6, ISO 100)"),
        ("{meter: f/5.6 iso100}", 1, "what the hand meter showed"),
        ("{spot: cheek}", 2, "1.jpg is itself 2/3 stop under mid-grey on 'cheek'"),
        ("{meter: f/8 iso100}", 2, "on 'cheek'"),
    ] {
        studio.stop();
        studio.configure(&config(target));
        studio.start();
        studio.sync();
        let said = said(&studio);
        assert!(said.len() == count && said.last().unwrap().contains(part), "{target}: {said:?}");
    }
}

// --- what an interval holds under ---

const CONDITION: &str = "if nobody touched a light";

#[test]
fn every_screen_says_what_the_narrow_interval_holds_under() {
    let studio = Studio::with_config(&rig("whole"));
    studio.take("1.jpg", shot(14.0, 0.0, 1));
    let frame = studio.take("2.jpg", shot(7.1, 0.0, 2));
    let verdict = &frame["verdict"];
    assert_eq!(verdict["assumption"], "lights_untouched");
    let (own, narrow) = (&verdict["observed_uncertainty"], &verdict["uncertainty"]);
    assert!(own.as_f64() > narrow.as_f64(), "{verdict}");
    // The board, which the page and the live view show.
    let board = Feed::open(&studio, None).unwrap().next("board");
    let drift = board["last"]["drift"].as_str().unwrap();
    let narrow = format!("±{:.2} stop", narrow.as_f64().unwrap());
    assert!((drift.starts_with("+1.99") || drift.starts_with("+2.0")) && drift.contains(&narrow), "{drift}");
    assert!(drift.ends_with(CONDITION), "{drift}");
    for card in board["cards"].as_array().unwrap() {
        assert!(card["sure"].as_str().unwrap().contains(CONDITION), "{card}");
    }
    let status = studio.tell(json!({"command": "status"}))["message"].as_str().unwrap().to_owned();
    assert!(
        status.lines().any(|line| line.starts_with("last 2.jpg") && line.ends_with(&format!("({CONDITION})"))),
        "{status}"
    );
    // The chart of the last frames has no room for a condition: its interval is the picture's own.
    let point = board["trend"].as_array().unwrap().last().unwrap();
    assert!(point["uncertainty"].as_f64() >= own.as_f64(), "{point} {own}");
    // Lines for a terminal.
    let told = greyhold(
        &["compare", "--lighting", "flash"]
            .into_iter()
            .chain(files(&studio).iter().map(String::as_str))
            .collect::<Vec<_>>(),
    );
    let table = String::from_utf8(told.stdout).unwrap();
    assert!(table.lines().last().unwrap().contains(CONDITION), "{table}");
    let plain = plain_words(&studio);
    assert!(plain.iter().any(|l| l.contains("together +") && l.contains(CONDITION)), "{plain:?}");
    // Nothing conditional is said where the picture contradicts what was predicted.
    let touched = studio.take("3.jpg", shot(7.1, -1.0, 3));
    assert_eq!(touched["verdict"]["evidence_used"], "light");
    let board = Feed::open(&studio, None).unwrap().next("board");
    let drift = board["last"]["drift"].as_str().unwrap();
    let own = touched["verdict"]["observed_uncertainty"].as_f64().unwrap();
    assert!(drift.ends_with(&format!("±{own:.2} stop")), "{drift}");
}

#[test]
fn an_interval_that_holds_if_the_correction_was_carried_out_says_so() {
    let studio = Studio::with_config(&rig("whole"));
    studio.take("1.jpg", shot(14.0, 0.0, 1));
    studio.take("2.jpg", shot(5.6, 0.0, 2));
    let frame = studio.take("3.jpg", shot(5.6, -8.0 / 3.0, 3));
    assert_eq!(frame["verdict"]["assumption"], "correction_followed");
    let board = Feed::open(&studio, None).unwrap().next("board");
    let drift = board["last"]["drift"].as_str().unwrap();
    let shown = |key: &str| (frame["verdict"][key].as_f64().unwrap() * 100.0).round();
    let wider = shown("observed_uncertainty") > shown("uncertainty");
    assert_eq!(drift.ends_with("if the correction was carried out"), wider, "{drift}");
}

fn files(studio: &Studio) -> Vec<String> {
    ["1.jpg", "2.jpg"].map(|f| studio.folder.join(f).display().to_string()).to_vec()
}

/// What the program prints with `-v` for the sitting's records.
fn plain_words(studio: &Studio) -> Vec<String> {
    use greyhold::outlet::plain::{Paint, Showing, block};
    let with_evidence = Showing { paint: Paint::Plain, evidence: true };
    let blocks = studio.records().into_iter().filter_map(|r| block(&r, with_evidence));
    blocks.flat_map(|b| b.lines().map(str::to_owned).collect::<Vec<_>>()).collect()
}
