//! Killed after an observation and before the judgement that follows it: the next start judges in its place, and says of which
//! file.

use std::fs;

use crate::harness::{Studio, shot};
use greyhold::outlet::plain::{Paint, block};
use greyhold::session::Record;
use serde_json::{Value, json};

/// Two pairs of a picture and a raw file, which teach the camera's curve, and a picture between them that is read by it.
fn sitting() -> Studio {
    let studio = Studio::open();
    for (name, shot, is_pair) in
        [("a", shot(8.0, 0.0, 1), true), ("m", shot(13.0, 0.0, 2), false), ("b", shot(16.0, 0.0, 3), true)]
    {
        studio.take(&format!("{name}.jpg"), shot);
        if is_pair {
            studio.put(&format!("{name}.dng"), &shot.raw());
            assert!(studio.sync().is_empty());
        }
    }
    studio
}

fn lines(studio: &Studio) -> Vec<String> {
    fs::read_to_string(studio.log()).unwrap().lines().map(str::to_owned).collect()
}

fn kind(line: &str) -> String {
    serde_json::from_str::<Value>(line).unwrap()["type"].as_str().unwrap().to_owned()
}

/// What is made of the frames: in words, by a curve, and a drift in thousandths, for the last decimals are the log's. The name of a
/// learned curve tells the number of its record.
fn judged(studio: &Studio) -> Vec<(String, String, Option<i64>)> {
    let verdict = |name: &String| {
        let verdict = studio.frame(name)["verdict"].clone();
        let text = |key: &str| verdict[key].as_str().unwrap().split(" learned").next().unwrap().to_owned();
        (text("sentence"), text("response"), verdict["drift"].as_f64().map(|drift| (drift * 1000.0).round() as i64))
    };
    studio.frames().iter().map(verdict).collect()
}

/// The lines of the decision on the last file that landed.
fn last_decision(lines: &[String]) -> usize {
    lines.iter().rposition(|line| kind(line) == "file_added").unwrap()
}

#[test]
fn after_a_further_file_or_a_lesson() {
    let mut studio = sitting();
    studio.stop();
    let (mut whole, is_judged) = (lines(&studio), judged(&studio));
    whole.retain(|line| kind(line) != "closed");
    let begin = last_decision(&whole);
    let kinds: Vec<String> = whole[begin..].iter().map(|line| kind(line)).collect();
    assert_eq!(kinds, ["file_added", "judged", "response", "judged"]);
    for cut in begin + 1..whole.len() {
        fs::write(studio.log(), whole[..cut].join("\n") + "\n").unwrap();
        studio.start();
        assert!(studio.sync().is_empty());
        studio.stop();
        assert_eq!(judged(&studio), is_judged, "cut behind record {cut} of {}", whole.len());
        let made_up: Vec<String> = lines(&studio).split_off(cut);
        for line in made_up.iter().filter(|line| kind(line) == "judged") {
            let frame = serde_json::from_str::<Value>(line).unwrap()["frame"].as_u64().unwrap();
            let said = block(&Record::from_line(line).unwrap(), Paint::Plain).unwrap();
            assert!(said.starts_with(&studio.frames()[frame as usize - 1]), "{said}");
        }
    }
}

/// Spots were moved, and what frames are compared with was read by them.
#[test]
fn after_a_reading_by_other_spots() {
    let spot = |left: f64| json!({"left": left, "top": 0.2, "right": left + 0.2, "bottom": 0.4});
    let mut studio = Studio::with_config(
        "judged_spot: cheek\nspots:\n  - {name: cheek, left: 0.4, top: 0.4, right: 0.5, bottom: 0.5}\n",
    );
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(5.6, 0.3, 2));
    assert_eq!(studio.tell(json!({"command": "spot", "name": "cheek", "area": spot(0.4)}))["ok"], true);
    studio.stop();
    let (mut whole, is_judged) = (lines(&studio), judged(&studio));
    whole.retain(|line| kind(line) != "closed");
    let cut = whole.iter().rposition(|line| kind(line) == "remetered").unwrap() + 1;
    assert!(whole[cut..].iter().any(|line| kind(line) == "judged"), "frame 2 is judged by the new spot");
    fs::write(studio.log(), whole[..cut].join("\n") + "\n").unwrap();
    studio.start();
    studio.stop();
    assert_eq!(judged(&studio), is_judged);
}

/// The first file of an exposure, too: its judgement is told with its title, which was told before the end.
#[test]
fn after_a_frame() {
    let mut studio = Studio::open();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(5.6, 0.0, 2));
    studio.stop();
    let (whole, is_judged) = (lines(&studio), judged(&studio));
    for name in ["1.jpg", "2.jpg"] {
        let frame = whole.iter().position(|line| kind(line) == "frame" && line.contains(name)).unwrap();
        fs::write(studio.log(), whole[..=frame].join("\n") + "\n").unwrap();
        studio.start();
        assert!(studio.sync().is_empty());
        studio.stop();
        assert_eq!(judged(&studio), is_judged);
        let records = studio.records();
        let said: String =
            records[frame + 1..].iter().filter_map(|r| block(r, Paint::Plain)).map(|b| b + "\n").collect();
        assert!(said.starts_with(&format!("{name}\n")), "{said}");
    }
}
