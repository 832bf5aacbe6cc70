//! A file that took long to read is logged behind frames that were shot after it. What it shows is past: it opens no
//! correction, closes none, and the frames to come are judged as if it weren't there.

use crate::harness::random::Random;
use crate::harness::sittings::{Rig, Sitting, Take, calibrate_into, config};
use greyhold::config::Curves;
use greyhold::session::{Body, Command, Record, State};

fn kinds(records: &[Record]) -> Vec<&'static str> {
    let kind = |record: &Record| match record.body {
        Body::Frame(_) => "frame",
        Body::Correction { .. } => "correction",
        Body::Power { .. } => "power",
        Body::Resolved { .. } => "resolved",
        Body::Reference { .. } => "reference",
        _ => "other",
    };
    records.iter().map(kind).collect()
}

#[test]
fn a_frame_from_before_the_lights_were_turned_moves_nothing() {
    let rig = Rig::portrait();
    let config = config(&rig);
    let curves = tempfile::tempdir().unwrap();
    calibrate_into(curves.path());
    let (curves, faults) = Curves::of_folder(Some(curves.path()));
    assert!(faults.is_empty(), "{faults:?}");
    let mut sitting = Sitting::on(&config, &curves, State::default(), 0);
    let random = &mut Random(7);
    let shot = |n: u64, f_number: f64, stops: f64| {
        let usual = Take::at_reference(&rig, n);
        let powers = vec![stops; usual.powers.len()];
        Take { f_number, powers, at: 20.0 * n as f64, ..usual }
    };
    sitting.take(&shot(1, 14.0, 0.0), &rig, random);
    // The aperture opens by two stops; this frame is read late.
    let slow = shot(3, 7.1, 0.0);
    assert!(kinds(&sitting.take(&shot(2, 7.1, 0.0), &rig, random)).contains(&"correction"));
    sitting.tell(&Command::Confirm { group: None, correction: None });
    let matched = sitting.take(&shot(4, 7.1, -2.0), &rig, random);
    assert!(!kinds(&matched).contains(&"correction"), "{:?}", kinds(&matched));

    let before = sitting.state();
    let late = sitting.take_in_order(&slow, &rig, random, true);
    assert_eq!(kinds(&late), ["frame"]);
    let Body::Frame(frame) = &late[0].body else { panic!("no frame") };
    assert!(
        frame.overtaken && frame.notes.iter().any(|note| note.contains("took longer to read")),
        "{:?}",
        frame.notes
    );
    let after = sitting.state();
    assert_eq!(after.last.as_ref().unwrap().frame, before.last.as_ref().unwrap().frame);
    assert_eq!(after.standings, before.standings);

    // One that was passed in the line by nobody is a frame like any other.
    let next = sitting.take_in_order(&shot(5, 5.6, -2.0), &rig, random, true);
    assert!(kinds(&next).contains(&"correction"), "{:?}", kinds(&next));
}
