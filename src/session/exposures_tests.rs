use std::collections::BTreeMap;

use super::super::judgement::{Occasion, PositionRead};
use super::super::record::GroupPower;
use super::super::sitting::Sitting;
use super::super::standing::ReferenceBy;
use super::*;
use crate::container::Fingerprint;
use crate::frame::Settings;
use crate::intake::FileState;
use crate::photometry::Stops;
use crate::rig::Known;

fn key() -> GroupName {
    "key".into()
}

fn name(frame: u64) -> String {
    format!("{frame}.jpg")
}

fn observation() -> Observation {
    Observation { settings: Settings::shot_at("f/8", "1/160", "100"), metered: None, second: None }
}

fn shot(frame: u64) -> Body {
    Body::Frame(Box::new(FrameRecord {
        frame: FrameNumber::new(frame),
        file: name(frame),
        state: FileState { size: frame, modified_ns: 0, changed_ns: 0, inode: frame },
        fingerprint: Fingerprint::Whole(frame),
        found_at_start: false,
        overtaken: false,
        awaits_light: false,
        look: None,
        observation: observation().into(),
        notes: Vec::new(),
        verdict: None,
    }))
}

/// The key is read to be so far from where it was at the reference.
fn judged(frame: u64, since_reference: f64) -> Body {
    let verdict = serde_json::json!({
        "finding": "lights_changed", "sentence": "", "expected": 0.0, "lighting": "flash", "observed": 0.0,
        "observed_uncertainty": 0.1, "drift": 0.0, "uncertainty": 0.1, "evidence_used": "both", "assumption": null,
        "light_change": 0.0, "spots": [], "uneven": null
    });
    let verdict = serde_json::from_value(verdict).unwrap();
    let read =
        PositionRead { group: key(), since_reference: Stops(since_reference), shown: None, known: Known::ReadBySurvey };
    let judgement = Judgement::without_effect(FrameNumber::new(frame), Occasion::FirstFile, verdict);
    Body::Judged(Box::new(Judgement { positions: vec![read], ..judgement }))
}

fn reference(frame: u64, marks: Option<Marks>) -> Body {
    Body::Reference {
        look: "main".to_owned(),
        frame: Some(FrameNumber::new(frame)),
        file: name(frame),
        observation: Box::new(observation().into()),
        powers: BTreeMap::new(),
        by: ReferenceBy::Told,
        positions: Vec::new(),
        marks,
    }
}

fn apply(sitting: &mut Sitting, body: &Body) {
    sitting.apply(sitting.records.next(), body);
}

/// Somebody goes back to a frame, and then its further file tells better where the key stood for it.
#[test]
fn who_went_back_to_a_frame_that_is_judged_anew_went_back_to_where_the_dials_are_now_known_to_have_stood() {
    let mut sitting = Sitting::default();
    let groups = vec![GroupPower { group: key(), power: None }];
    apply(&mut sitting, &Body::Config { tolerance: Stops(0.1), groups, target: None });
    for body in [shot(1), judged(1, 0.0), reference(1, None), shot(2), judged(2, -1.0), shot(3), judged(3, -2.0)] {
        apply(&mut sitting, &body);
    }
    let stood = sitting.stood_for("2.jpg").unwrap().marks;
    assert_eq!(stood[&key()], Stops(-1.0));
    apply(&mut sitting, &reference(2, Some(stood)));
    assert_eq!(sitting.setup.since_reference(&key()), Some(Stops(-1.0)), "the last frame's is a stop less");
    apply(&mut sitting, &judged(2, -1.5));
    assert_eq!(sitting.setup.looks["main"].marks[&key()], Stops(-1.5));
    assert_eq!(sitting.setup.since_reference(&key()), Some(Stops(-0.5)));
}
