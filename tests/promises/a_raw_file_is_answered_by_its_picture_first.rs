//! A raw file is answered by the picture embedded in it first, where that was proved in this sitting, and by its light after. The first
//! answer asks for nothing, so that the second never takes anything back.

use std::fs;

use crate::harness::random::Random;
use crate::harness::sittings::{Rig, Sitting, Take, calibrated_curves, config, pose};
use crate::harness::{Shot, Studio, shot, wait_for};
use greyhold::config::{Config, Curves};
use greyhold::frame::{Picture, RawParts};
use greyhold::meter::Scale;
use greyhold::session::{Board, Body, Judgement, Occasion, Record, State};
use serde_json::{Value, json};

// --- by the engine ---

/// A sitting with raw files, each with the camera's picture in it.
struct Raws {
    sitting: Sitting,
    config: Config,
    rig: Rig,
    random: Random,
    shots: u64,
}

impl Raws {
    fn new(seed: u64, curves: &Curves) -> Raws {
        let mut random = Random(seed);
        let rig = Rig::random(3, &mut random);
        let config = config(&rig);
        let sitting = Sitting::on(&config, curves, State::default(), 0);
        Raws { sitting, config, rig, random, shots: 0 }
    }

    fn usual(&mut self) -> Take {
        self.shots += 1;
        let pose = pose(0.005, 1.0, &mut self.random);
        Take { pose, at: self.shots as f64 * 20.0, ..Take::at_reference(&self.rig, self.shots) }
    }

    /// The raw file's light, and the picture embedded in it: the same flash.
    fn shoot(&mut self, take: &Take) -> [Picture; 2] {
        let mut same = Random(self.random.0);
        [take.raw(&self.rig, &mut self.random), take.shoot(&self.rig, &mut same)]
    }

    /// So many frames that match, read whole; their records.
    fn prove(&mut self, frames: usize) -> Vec<Record> {
        let mut records = Vec::new();
        for _ in 0..frames {
            let take = self.usual();
            let [light, embedded] = self.shoot(&take);
            records = self.sitting.land_raw(&take, Some(light), Some(embedded));
        }
        records
    }

    fn parts(&self) -> RawParts {
        self.sitting.raw_parts(&self.config)
    }
}

fn judgements(records: &[Record]) -> Vec<&Judgement> {
    records.iter().filter_map(|r| if let Body::Judged(j) = &r.body { Some(&**j) } else { None }).collect()
}

/// A frame in which something was changed, or nothing.
fn anything(raws: &mut Raws) -> Take {
    let mut take = raws.usual();
    let lamps = take.powers.len();
    match (raws.random.next() * 6.0) as usize {
        0 => take.powers.iter_mut().for_each(|power| *power -= 1.0),
        1 => take.powers.iter_mut().for_each(|power| *power += 0.5),
        2 => take.powers[(raws.random.next() * lamps as f64) as usize % lamps] = f64::NEG_INFINITY,
        3 => take.f_number = 11.0,
        4 => take.powers[0] += 1.0 / 3.0,
        _ => {}
    }
    take
}

#[test]
fn nothing_is_asked_that_the_light_would_take_back() {
    let curves = calibrated_curves();
    let (mut firsts, mut asked, mut apart) = (0, 0, Vec::new());
    for seed in 0..6 {
        let mut raws = Raws::new(400 + seed, &curves);
        raws.prove(5);
        for _ in 0..10 {
            if raws.parts() != RawParts::EmbeddedFirst {
                break;
            }
            let take = anything(&mut raws);
            let [light, embedded] = raws.shoot(&take);
            let before = raws.sitting.state().sitting.setup;
            let records = raws.sitting.land_raw(&take, None, Some(embedded));
            assert_eq!(records.len(), 2, "the frame and what is seen: {records:?}");
            let [first] = judgements(&records)[..] else { panic!("a first answer") };
            assert!(first.by_embedded && !first.notes.is_empty());
            assert!(first.correction.is_none() && first.withdraws.is_none() && first.ended.is_none(), "{first:?}");
            assert!(first.positions.is_empty() && first.anchor.is_none() && first.embedded.is_none(), "{first:?}");
            let setup = raws.sitting.state().sitting.setup;
            assert_eq!((&setup.open, &setup.looks), (&before.open, &before.looks));
            let places = |setup: &greyhold::session::Setup| setup.positions.iter().map(|p| p.at).collect::<Vec<_>>();
            assert_eq!(places(&setup), places(&before), "no dial is taken to be elsewhere");
            let records = raws.sitting.land_light(&take, Ok(light));
            let second = judgements(&records)[0];
            assert!(!second.by_embedded && second.occasion == Occasion::Light && second.supersedes.is_some());
            firsts += 1;
            asked += usize::from(second.correction.is_some());
            apart.extend(second.embedded.as_ref().map(|check| check.apart.abs().0));
        }
    }
    apart.sort_by(f64::total_cmp);
    println!(
        "{firsts} first answers, none of which asked for anything; {asked} second ones did; by how much the first was off: \
         median {:.3}, at most {:.3} stop",
        apart[apart.len() / 2],
        apart[apart.len() - 1]
    );
    assert!(firsts >= 24 && asked >= 3, "{firsts} first answers, {asked} corrections by the light");
}

/// Compare, then trust; an outlier ends the trust.
#[test]
fn a_camera_is_trusted_when_it_was_compared_and_no_more_after_an_outlier() {
    let curves = calibrated_curves();
    let mut raws = Raws::new(7, &curves);
    assert_eq!(raws.parts(), RawParts::LightAndEmbedded);
    // The first is the reference, which is compared with nothing.
    raws.prove(3);
    assert_eq!(raws.parts(), RawParts::LightAndEmbedded, "two comparisons prove nothing");
    let last = raws.prove(1);
    assert!(judgements(&last)[0].embedded.as_ref().unwrap().agrees);
    assert_eq!(raws.parts(), RawParts::EmbeddedFirst);

    // A camera that renders by what it sees: the light fell by a stop, and its picture doesn't show it.
    let mut darker = raws.usual();
    darker.powers.iter_mut().for_each(|power| *power -= 1.0);
    let [light, _] = raws.shoot(&darker);
    let as_before = Take { powers: vec![0.0; darker.powers.len()], ..darker.clone() };
    let [_, embedded] = raws.shoot(&as_before);
    raws.sitting.land_raw(&darker, None, Some(embedded));
    let records = raws.sitting.land_light(&darker, Ok(light));
    let check = judgements(&records)[0].embedded.clone().unwrap();
    assert!(!check.agrees && (check.apart.0 - 1.0).abs() < 0.2, "{check:?}");
    assert_eq!(raws.parts(), RawParts::Light);
    raws.prove(6);
    assert_eq!(raws.parts(), RawParts::Light, "not in this sitting any more");
}

/// Nobody need shoot another for what is told in a moment.
#[test]
fn until_its_light_is_read_every_screen_says_that_it_is_being_read() {
    let curves = calibrated_curves();
    let mut raws = Raws::new(8, &curves);
    raws.prove(5);
    let mut darker = raws.usual();
    darker.powers.iter_mut().for_each(|power| *power -= 1.0);
    let [light, embedded] = raws.shoot(&darker);
    let leads = |raws: &Raws| Board::of(&raws.sitting.state().sitting, &raws.config).leads();
    raws.sitting.land_raw(&darker, None, Some(embedded));
    assert_eq!(leads(&raws), "Turn nothing yet: the light of the raw file is being read");
    raws.sitting.land_light(&darker, Ok(light));
    assert_eq!(leads(&raws), "Turn nothing yet: shoot another", "one frame is a suspicion");
}

/// What can't be read any more is said, and what was seen first stays, as that.
#[test]
fn a_light_that_never_comes_leaves_the_first_answer_and_that_is_said() {
    let curves = calibrated_curves();
    let mut raws = Raws::new(8, &curves);
    raws.prove(5);
    let mut darker = raws.usual();
    darker.powers.iter_mut().for_each(|power| *power -= 1.0);
    let [_, embedded] = raws.shoot(&darker);
    let first = raws.sitting.land_raw(&darker, None, Some(embedded));
    let seen = judgements(&first)[0].verdict.drift;
    let records = raws.sitting.land_light(&darker, Err("the process that read it was ended from outside".to_owned()));
    let said = |body: &Body| matches!(body, Body::Warning { text } if text.contains("its light can't be read"));
    assert!(records.iter().any(|r| said(&r.body)), "{records:?}");
    let last = *judgements(&records).last().unwrap();
    assert!(last.by_embedded && last.verdict.drift == seen && last.notes[0].contains("alone"), "{last:?}");
    assert!(judgements(&records).iter().all(|j| j.correction.is_none() && j.positions.is_empty()));
    // And nothing later makes more of it.
    let take = raws.usual();
    let [light, embedded] = raws.shoot(&take);
    raws.sitting.land_raw(&take, Some(light), Some(embedded));
    let state = raws.sitting.state();
    assert!(state.sitting.setup.open.is_none(), "{:?}", state.sitting.setup.open);
}

// --- by the program ---

fn raw(shot: Shot) -> Vec<u8> {
    let shot = Shot { size: (720, 480), ..shot };
    shot.raw_with(&shot.jpeg())
}

/// A sitting in which the fifth raw file is darker by a stop.
fn sitting() -> Studio {
    let studio = Studio::open();
    for n in 1..=4 {
        studio.take_bytes(&format!("{n}.dng"), &raw(shot(14.0, 0.0, n)));
    }
    studio.take_bytes("5.dng", &raw(shot(14.0, -1.0, 5)));
    studio
}

fn judged(studio: &Studio) -> Vec<Value> {
    studio.of_type("judged").into_iter().filter(|judged| judged["frame"] == 5).collect()
}

#[test]
fn the_fifth_raw_file_is_answered_twice_and_asks_once() {
    let studio = sitting();
    let frames = studio.of_type("frame");
    let reading = |n: usize, kind: &str| frames[n]["observation"][kind]["scale"].clone();
    assert_eq!((reading(0, "metered"), reading(0, "second")), ("linear".into(), "embedded".into()));
    assert_eq!(frames[4]["awaits_light"], true, "{:?}", judged(&studio));
    assert_eq!(reading(4, "metered"), "embedded");
    let judged = judged(&studio);
    assert_eq!(judged.len(), 2, "{judged:?}");
    assert_eq!((&judged[0]["by_embedded"], &judged[1]["occasion"]), (&true.into(), &"light".into()));
    assert!(judged[0].get("correction").is_none());
    assert_eq!(judged[1]["supersedes"], judged[0]["n"]);
    for judged in &judged {
        assert!((judged["verdict"]["drift"].as_f64().unwrap() + 1.0).abs() < 0.35, "{}", judged["verdict"]["drift"]);
    }
    let added = studio.of_type("file_added").pop().unwrap();
    assert_eq!((&added["file"], &added["observed"]["metered"]["scale"]), (&"5.dng".into(), &"linear".into()));
    // In the order of what happened: the frame, the first answer, the light, the second answer.
    let numbers = [&frames[4]["n"], &judged[0]["n"], &added["n"], &judged[1]["n"]].map(|n| n.as_u64().unwrap());
    assert!(numbers.is_sorted(), "{numbers:?}");
}

/// The log as a kill left it, up to the last record of which this is said.
fn cut_after(studio: &mut Studio, is_last: impl Fn(&Value) -> bool) {
    studio.kill();
    let text = fs::read_to_string(studio.log()).unwrap();
    let lines: Vec<&str> = text.split_inclusive('\n').collect();
    let last = lines.iter().rposition(|line| is_last(&serde_json::from_str(line).unwrap())).unwrap();
    fs::write(studio.log(), lines[..=last].concat()).unwrap();
}

#[test]
fn a_kill_between_the_two_answers_loses_neither() {
    let mut studio = sitting();
    let whole = judged(&studio).pop().unwrap();
    for is_last in [
        |v: &Value| v["by_embedded"] == true,
        |v: &Value| v["awaits_light"] == true,
        |v: &Value| v["type"] == "file_added",
    ] {
        cut_after(&mut studio, is_last);
        studio.start();
        assert!(studio.sync().is_empty());
        let last = judged(&studio).pop().unwrap();
        for what in ["finding", "sentence"] {
            assert_eq!(last["verdict"][what], whole["verdict"][what], "{last}");
        }
        // The small picture of a light that was logged just before a kill may be lost: then tones are compared.
        let [now, then] = [&last, &whole].map(|judged| judged["verdict"]["drift"].as_f64().unwrap());
        assert!((now - then).abs() < 0.01, "{now} and {then}");
        assert_eq!(last.get("correction"), whole.get("correction"));
        assert!(last.get("by_embedded").is_none());
        assert_eq!(studio.frames().len(), 5);
    }
}

#[test]
fn a_raw_file_that_is_gone_between_the_two_answers_keeps_the_first() {
    let mut studio = sitting();
    cut_after(&mut studio, |v| v["by_embedded"] == true);
    fs::remove_file(studio.folder.join("5.dng")).unwrap();
    studio.start();
    assert!(studio.sync().is_empty());
    let said = studio.of_type("warning").into_iter().filter(|w| w["text"].as_str().unwrap().contains("5.dng"));
    assert_eq!(said.count(), 1, "{:?}", studio.of_type("warning"));
    assert_eq!(judged(&studio).pop().unwrap()["by_embedded"], true);
    // And it passes for removed, as any other frame of which the file is gone.
    wait_for("the removal", || studio.of_type("file_removed").len() == 1);
    assert_eq!(studio.tell(json!({"command": "status"}))["value"]["last"]["removed"], true);
    // Nor does a kill leave it waiting for what never comes.
    cut_after(&mut studio, |v| v["type"] == "file_added");
    studio.start();
    assert!(studio.sync().is_empty());
    let last = judged(&studio).pop().unwrap();
    assert!(last["notes"].to_string().contains("embedded in the raw file alone"), "{last}");
}

#[test]
fn a_raw_file_that_is_renamed_between_the_two_answers_gets_its_second() {
    let mut studio = sitting();
    cut_after(&mut studio, |v| v["by_embedded"] == true);
    fs::rename(studio.folder.join("5.dng"), studio.folder.join("picked_5.dng")).unwrap();
    studio.start();
    assert!(studio.sync().is_empty());
    wait_for("the second answer", || judged(&studio).pop().unwrap().get("by_embedded").is_none());
    assert!(studio.of_type("warning").is_empty(), "{:?}", studio.of_type("warning"));
    assert_eq!(studio.frames().len(), 5);
}

#[test]
fn embedded_pictures_are_told_from_a_cameras_own_files() {
    let studio = sitting();
    let shown = Scale::Embedded;
    let first =
        studio.records().into_iter().find_map(|r| if let Body::Frame(frame) = r.body { Some(frame) } else { None });
    let observation = first.unwrap().observation.in_codes(|_| None);
    assert_eq!(observation.second.as_ref().unwrap().scale, shown);
    assert!(observation.rendered().is_none(), "no curve is learned from it");
}

/// Nothing could be held against a picture that a camera embedded in a raw file whose light can't be read.
#[test]
fn a_raw_file_whose_light_can_not_be_read_is_no_reference() {
    // The colour filter's pattern (TIFF/EP, tag 33422, from memory), with a colour that is neither red, green nor blue.
    let pattern = [0x8E, 0x82, 1, 0, 4, 0, 0, 0, 0, 1, 1, 2];
    let mut bytes = raw(shot(14.0, 0.0, 1));
    let at = bytes.windows(pattern.len()).position(|part| part == pattern).unwrap();
    bytes[at + pattern.len() - 1] = 4;
    let studio = Studio::open();
    let frame = studio.take_bytes("1.dng", &bytes);
    assert!(frame["notes"].to_string().contains("embedded in the raw file alone"), "{frame}");
    for command in ["accept", "reference"] {
        let refused = studio.tell(serde_json::json!({"command": command}));
        assert_eq!(refused["ok"], false, "{refused}");
        assert!(refused["message"].as_str().unwrap().starts_with("the light of 1.dng couldn't be read"), "{refused}");
    }
    assert!(studio.of_type("reference").is_empty());
}
