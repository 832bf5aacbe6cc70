//! A file that took long to read is logged behind frames that were shot after it. What it shows is past: it opens no
//! correction, closes none, and the frames to come are judged as if it weren't there.

use crate::harness::random::Random;
use crate::harness::sittings::{Rig, Sitting, Take, calibrate_into, config};
use greyhold::config::Curves;
use greyhold::session::{Body, Command, Judgement, Record, State};

/// What was made of the frame that these records tell of.
fn judged(records: &[Record]) -> &Judgement {
    let mut judgements = records.iter().filter_map(|record| match &record.body {
        Body::Judged(judgement) => Some(&**judgement),
        _ => None,
    });
    judgements.next_back().unwrap()
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
    assert!(judged(&sitting.take(&shot(2, 7.1, 0.0), &rig, random)).correction.is_some());
    sitting.tell(&Command::Confirm { group: None, correction: None });
    let matched = sitting.take(&shot(4, 7.1, -2.0), &rig, random);
    assert!(judged(&matched).correction.is_none(), "{matched:?}");

    let before = sitting.state();
    let late = sitting.take_in_order(&slow, &rig, random, true);
    assert!(matches!(&late[0].body, Body::Frame(frame) if frame.overtaken), "{late:?}");
    let Judgement { notes, positions, ended, correction, .. } = judged(&late);
    assert!(notes.iter().any(|note| note.contains("took longer to read")), "{notes:?}");
    assert!(late.len() == 2 && positions.is_empty() && ended.is_none() && correction.is_none(), "{late:?}");
    let after = sitting.state();
    assert_eq!(after.sitting.setup, before.sitting.setup);

    // One that was passed in the line by nobody is a frame like any other.
    let next = sitting.take_in_order(&shot(5, 5.6, -2.0), &rig, random, true);
    assert!(judged(&next).correction.is_some(), "{next:?}");
}
