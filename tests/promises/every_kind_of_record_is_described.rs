//! Whatever a sitting brings, its record is one that the published schema describes, line by line; and the golden logs of the
//! present format have every kind of record that there is.
#![cfg(feature = "raw")]

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use crate::harness::set::Set;
use crate::harness::sittings::{Lamps, Take};
use crate::harness::{Studio, shot, wait_for};
use greyhold::session::{Body, Record};
use greyhold::sharpness::Untold;
use serde_json::{Value, json};

fn schema() -> Value {
    serde_json::from_str(include_str!("../../config/messages.schema.json")).unwrap()
}

/// A sitting in which nearly everything happens that can.
fn eventful() -> Studio {
    let mut set = Set::prepared("reference: when accepted\n");
    set.studio.put("of_yesterday.jpg", &shot(8.0, 0.0, 90).jpeg());
    set.studio.start();
    set.shoot(set.usual());
    set.studio.tell(json!({"command": "survey"}));
    for firing in [Lamps::None, Lamps::Only(0), Lamps::Only(1), Lamps::Only(2), Lamps::All] {
        set.shoot_for_survey(firing);
    }
    // The room's light passes its limit.
    set.shoot(Take { seconds: 0.1, ..set.usual() });
    // The lights are told what comes; one is forgotten, and set afterwards.
    set.studio.tell(json!({"command": "next", "f_number": "f/7.1"}));
    set.shoot(Take { f_number: 7.1, powers: vec![-2.0, -2.0, 0.0], ..set.usual() });
    for word in [
        json!({"command": "power", "group": "rim", "setting": "1/16"}),
        json!({"command": "undo", "group": "rim"}),
        json!({"command": "confirm"}),
        json!({"command": "note", "text": "the hair light stays"}),
    ] {
        assert_eq!(set.studio.tell(word.clone())["ok"], true, "{word}");
    }
    set.studio.put("letter.jpg", b"no photograph");
    assert!(set.studio.sync().is_empty());
    let named = set.studio.folder.join("frame_001.jpg");
    fs::rename(&named, set.studio.folder.join("frame_001_select.jpg")).unwrap();
    assert!(set.studio.sync().is_empty());
    for word in [
        json!({"command": "spot", "name": "cheek", "area": {"left": 0.4, "top": 0.4, "right": 0.5, "bottom": 0.5}}),
        json!({"command": "spot", "name": "face", "area": {"left": 0.3, "top": 0.2, "right": 0.7, "bottom": 0.8}}),
        json!({"command": "reference", "look": "low key"}),
        json!({"command": "look", "look": "main"}),
    ] {
        assert_eq!(set.studio.tell(word.clone())["ok"], true, "{word}");
    }
    set.shoot(Take { f_number: 7.1, powers: vec![-2.0; 3], ..set.usual() });
    wait_for("its sharpness to be measured", || !set.studio.of_type("sharpness").is_empty());
    // One more, and nobody wants it: the filter that was told is not on the lens.
    set.studio.tell(json!({"command": "next", "f_number": "f/5.6", "filter": "0.6"}));
    set.shoot(Take { f_number: 5.6, powers: vec![-2.0; 3], ..set.usual() });
    assert_eq!(set.studio.tell(json!({"command": "undo", "group": "filter"}))["ok"], true);
    fs::remove_file(set.studio.folder.join("frame_010.jpg")).unwrap();
    wait_for("the deletion to be told", || !set.studio.of_type("file_removed").is_empty());
    for word in [json!({"command": "accept"}), json!({"command": "new_sitter"})] {
        assert_eq!(set.studio.tell(word.clone())["ok"], true, "{word}");
    }
    set.shoot(set.usual());
    assert_eq!(set.studio.tell(json!({"command": "sitting", "what": "end"}))["ok"], true);
    set.shoot(set.usual());
    for (word, name) in [("same", "winter coats"), ("new", "summer coats")] {
        let word = json!({"command": "sitting", "what": word, "name": name});
        assert_eq!(set.studio.tell(word.clone())["ok"], true, "{word}");
    }
    set.studio.stop();
    set.studio
}

/// A sitting of raw files beside pictures, which teach the camera's curve.
fn learned() -> Studio {
    let mut studio = Studio::open();
    for (number, f_number) in [(1, 8.0), (2, 16.0)] {
        studio.take(&format!("{number}.jpg"), shot(f_number, 0.0, number));
        studio.put(&format!("{number}.dng"), &shot(f_number, 0.0, number).raw());
        assert!(studio.sync().is_empty());
    }
    studio.stop();
    studio
}

/// The log as it may be kept: of a folder that is nobody's.
fn to_be_kept(records: &[Record]) -> String {
    let line = |record: &Record| {
        let mut record = record.clone();
        if let Body::Opened { folder, process, .. } = &mut record.body {
            (*folder, *process) = ("/studio/capture".to_owned(), 4711);
        }
        record.to_line().unwrap() + "\n"
    };
    records.iter().map(line).collect()
}

/// `GREYHOLD_WRITE_FIXTURES=1` keeps the logs as golden ones.
#[test]
fn a_sitting_makes_each_of_them_and_no_other() {
    let whole = schema();
    let described = whole["$defs"]["present_record"]["properties"]["type"]["enum"].as_array().unwrap();
    let described: BTreeSet<String> = described.iter().map(|kind| kind.as_str().unwrap().to_owned()).collect();
    let of_record = json!({"$ref": "#/$defs/record", "$defs": whole["$defs"]});
    let of_record = jsonschema::draft202012::new(&of_record).unwrap();
    let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/golden");
    let mut made = BTreeSet::new();
    for (name, studio) in [("eventful", eventful()), ("learned", learned())] {
        let kept = to_be_kept(&studio.records());
        for line in kept.lines() {
            let record: Value = serde_json::from_str(line).unwrap();
            let faults: Vec<String> =
                of_record.iter_errors(&record).map(|e| format!("{e} at {}", e.instance_path())).collect();
            assert!(faults.is_empty(), "{faults:?} in {line}");
            made.insert(record["type"].as_str().unwrap().to_owned());
        }
        if std::env::var_os("GREYHOLD_WRITE_FIXTURES").is_some() {
            fs::write(golden.join(format!("{name}.jsonl")), &kept).unwrap();
        }
    }
    assert_eq!(made, described);
}

#[test]
fn every_reason_why_sharpness_is_not_told_is_described() {
    let described = schema()["$defs"]["untold"]["enum"].clone();
    let mut reason = Some(Untold::TooSmall);
    let mut reasons = Vec::new();
    while let Some(of) = reason {
        reasons.push(serde_json::to_value(of).unwrap());
        // One that is new has no place here, and doesn't compile.
        reason = match of {
            Untold::TooSmall => Some(Untold::OtherSize),
            Untold::OtherSize => Some(Untold::Clipped),
            Untold::Clipped => Some(Untold::NoTexture),
            Untold::NoTexture => Some(Untold::Moved),
            Untold::Moved => Some(Untold::TooNoisy),
            Untold::TooNoisy => Some(Untold::OtherExposure),
            Untold::OtherExposure => Some(Untold::TooBlurred),
            Untold::TooBlurred => Some(Untold::ReferenceTooBlurred),
            Untold::ReferenceTooBlurred => None,
        };
    }
    assert_eq!(described, Value::Array(reasons));
}
