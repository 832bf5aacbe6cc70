//! What the last frames show of each light is kept beside the log: a raw file that lands after a restart is judged by the
//! survey's lights, as it would have been before. The file is bounded, damage costs no more than what is damaged, and
//! another program's file under its name is left alone.

use std::fs;
use std::path::{Path, PathBuf};

use greyhold::container::Fingerprint;
use greyhold::numbers::FrameNumber;
use greyhold::outlet::light_maps::{LightMaps, MOST_BYTES, MOST_MAPS};
use greyhold::session::{LightOfFile, State};
use greyhold::studio::Scene;
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::harness::logs::home;
use crate::harness::random::Random;
use crate::harness::set::{Set, file_of};
use crate::harness::sittings::{Lamps, Rig, SIZE, Sitting, Take, calibrated_curves, config};
use crate::harness::{Shot, dng, shot, wait_for};

// --- through the real program ---

/// A sitting whose reference has a raw file and whose survey has none.
fn surveyed() -> Set {
    let mut set = Set::open("");
    let reference = set.take(set.usual());
    add_raw(&set, &reference);
    assert_eq!(set.studio.tell(json!({"command": "survey"}))["ok"], true);
    for firing in [Lamps::None, Lamps::Only(0), Lamps::Only(1), Lamps::Only(2), Lamps::All] {
        set.shoot_for_survey(firing);
    }
    assert_eq!(set.survey_step()["step"]["what"], "finished");
    set
}

/// The raw file of a frame lands.
fn add_raw(set: &Set, take: &Take) {
    set.studio.put(&file_of(take, "dng"), &raw(take, &set.rig));
    assert!(set.studio.sync().is_empty());
    assert_eq!(set.studio.of_type("file_added").pop().unwrap()["file"], file_of(take, "dng"));
}

fn judgements_of(set: &Set, take: &Take) -> Vec<Value> {
    let frame = set.studio.frame(&file_of(take, "jpg"))["frame"].clone();
    set.studio.of_type("judged").into_iter().filter(|judged| judged["frame"] == frame).collect()
}

fn kept_beside(log: &Path) -> PathBuf {
    log.with_file_name(format!("{}.light", log.file_name().unwrap().to_str().unwrap()))
}

/// What the sensor takes up: mid-grey at f/14 and ISO 100 is 18 % of saturation.
fn raw(take: &Take, rig: &Rig) -> Vec<u8> {
    let scene = Scene { width: SIZE.0, height: SIZE.1, pose: take.pose };
    let flashes = rig.lamps.iter().zip(&take.powers).map(|(lamp, power)| (lamp.light, *power));
    let light = scene.render(&flashes.chain([(rig.ambient, take.ambient)]).collect::<Vec<_>>());
    let gain = (23.0 / 3.0 - take.exposure().f_number.av().0).exp2() as f32;
    let signal: Vec<[f32; 3]> = light.iter().map(|pixel| pixel.map(|c| c * gain)).collect();
    let settings = Shot { at: take.at, size: SIZE, ..shot(take.f_number, 0.0, take.seed) };
    dng::dng(&signal, SIZE.0, SIZE.1, &dng::Sensor::usual(), &settings)
}

/// What is made of a frame whose rim light was turned up by a stop, and whose raw file lands after a restart.
fn judgements_over_a_restart(between: impl Fn(&Set)) -> Vec<Value> {
    let mut set = surveyed();
    let turned = set.take(Take { powers: vec![0.0, 0.0, 1.0], ..set.usual() });
    let first = judgements_of(&set, &turned);
    assert_eq!(first.len(), 1);
    assert_eq!(first[0]["verdict"]["finding"], "group_changed", "{}", first[0]["verdict"]["sentence"]);
    assert_eq!(set.studio.stop().0, Some(0));
    between(&set);
    set.studio.start();
    add_raw(&set, &turned);
    judgements_of(&set, &turned)
}

#[test]
fn a_raw_file_that_lands_after_a_restart_is_judged_by_each_light() {
    let judged = judgements_over_a_restart(|set| {
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            assert_eq!(fs::metadata(kept_beside(&set.studio.log())).unwrap().permissions().mode() & 0o777, 0o600);
        }
        assert!(set.studio.of_type("warning").is_empty() && set.studio.of_type("skipped").is_empty());
    });
    let [first, last] = &judged[..] else { panic!("{} judgements", judged.len()) };
    assert_eq!((&last["occasion"], &last["supersedes"]), (&"further_file".into(), &first["n"]));
    let verdict = &last["verdict"];
    assert_eq!(verdict["finding"], "group_changed", "{}", verdict["sentence"]);
    let off = |group: usize| verdict["groups"][group]["deviation"].as_f64().unwrap();
    assert!(off(0).abs() < 0.1 && off(1).abs() < 0.1 && (off(2) - 1.0).abs() < 0.1, "{}", verdict["groups"]);
}

/// That it is this file which the judgement above rests on.
#[test]
fn without_what_was_kept_the_first_judgement_stays() {
    let judged = judgements_over_a_restart(|set| fs::remove_file(kept_beside(&set.studio.log())).unwrap());
    assert_eq!(judged.len(), 1, "{}", judged[1]["verdict"]);
    assert_eq!(judged[0]["verdict"]["groups"][2]["groups"], json!(["rim"]));
}

#[test]
fn another_programs_file_is_told_once_and_left_alone() {
    let mut studio = Set::prepared("").studio;
    let place = kept_beside(&studio.log());
    fs::write(&place, "a gaffer's list of lights\n").unwrap();
    studio.start();
    for n in 1..4 {
        studio.take(&format!("{n}.jpg"), shot(8.0, 0.0, n));
    }
    let warnings = studio.of_type("warning");
    assert_eq!(warnings.len(), 1, "{warnings:?}");
    let text = warnings[0]["text"].as_str().unwrap();
    assert!(text.contains(place.to_str().unwrap()) && text.contains("another program's file"), "{text}");
    assert_eq!(fs::read_to_string(&place).unwrap(), "a gaffer's list of lights\n");
    fs::remove_file(&place).unwrap();
    studio.take("4.jpg", shot(8.0, 0.0, 4));
    wait_for("the light that was not kept before", || found(&studio.log()).len() == 4);
}

// --- the file itself ---

/// Patches of any brightness, a few of them clipped.
fn light(number: u64, patches: usize) -> LightOfFile {
    let mut random = Random(number + 1);
    let code = |random: &mut Random| (random.next() > 0.05).then(|| (random.next() * 8160.0) as u16);
    let codes: Vec<Option<u16>> = (0..patches).map(|_| code(&mut random)).collect();
    let map = json!({"columns": 4, "rows": patches / 4, "scale": "rendered", "codes": codes});
    let (frame, file) = (FrameNumber::new(number), format!("frame_{number}.jpg"));
    LightOfFile { frame, file, fingerprint: Fingerprint::Whole(number), map: serde_json::from_value(map).unwrap() }
}

fn found(log: &Path) -> Vec<LightOfFile> {
    LightMaps::beside(log).1
}

fn keep(log: &Path, lights: &[LightOfFile]) {
    let (mut file, _) = LightMaps::beside(log);
    for light in lights {
        file.keep(light);
        assert_eq!(file.trouble(), None);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    /// What is damaged is lost, and nothing else; what is kept from then on is found.
    #[test]
    fn a_changed_byte_or_a_cut_end_loses_no_more_than_it_hits(
        count in 1..5_u64,
        at in any::<prop::sample::Index>(),
        change in prop::option::of(1..=255_u8),
    ) {
        let (_home, log) = home();
        let lights: Vec<LightOfFile> = (1..=count).map(|frame| light(frame, 32)).collect();
        keep(&log, &lights);
        let mut bytes = fs::read(kept_beside(&log)).unwrap();
        let at = at.index(bytes.len());
        match change {
            Some(change) => bytes[at] ^= change,
            None => bytes.truncate(at),
        }
        fs::write(kept_beside(&log), &bytes).unwrap();

        let mut from = 0;
        let untouched: Vec<&LightOfFile> = lights.iter().filter(|light| {
            let line = from..from + light.to_line().unwrap().len();
            from = line.end + 2;
            // A line is told from its neighbours by the bytes beside it.
            let is_hit = at + 1 >= line.start && at <= line.end;
            if change.is_some() { !is_hit } else { line.end <= at }
        }).collect();
        prop_assert!(change.is_none() || untouched.len() + 1 >= lights.len());
        let after = found(&log);
        prop_assert!(after.iter().all(|light| lights.contains(light)), "none is another than it was");
        prop_assert!(untouched.iter().all(|light| after.contains(light)), "{} of {}", after.len(), untouched.len());

        let (more, again) = (light(9, 32), light(10, 32));
        keep(&log, std::slice::from_ref(&more));
        keep(&log, std::slice::from_ref(&again));
        // Where the damage lies at the very end it may cost the next entry, too; where it hit the file's beginning, the file
        // may be another program's, and is left alone.
        let all = found(&log);
        let is_left_alone = fs::read(kept_beside(&log)).unwrap() == bytes;
        prop_assert!(is_left_alone || all.contains(&again), "{at} of {}", bytes.len());
        prop_assert!(after.iter().all(|light| all.contains(light)));
    }
}

#[test]
fn it_never_grows_beyond_its_bounds_and_has_the_last_frames() {
    // As large as a frame's usually are, and as the largest that a record may hold.
    for (patches, least) in [(6_144, 16), (40_000, 3)] {
        let (_home, log) = home();
        let mut written_anew = 0;
        let (mut file, _) = LightMaps::beside(&log);
        let mut before = 0;
        for frame in 1..=80 {
            file.keep(&light(frame, patches));
            let bytes = fs::metadata(kept_beside(&log)).unwrap().len();
            written_anew += usize::from(bytes < before);
            before = bytes;
            let found: Vec<u64> = found(&log).iter().map(|light| light.frame.get()).collect();
            assert!(bytes <= MOST_BYTES as u64 && found.len() <= MOST_MAPS, "{bytes} bytes, {} maps", found.len());
            let last: Vec<u64> = (frame.saturating_sub(least - 1).max(1)..=frame).collect();
            assert!(found.ends_with(&last), "{found:?} at frame {frame}");
        }
        assert!((1..=20).contains(&written_anew), "{written_anew} times for 80 frames of {patches} patches");
    }
}

#[test]
fn what_the_disk_did_not_take_is_kept_with_the_next_one() {
    let home = tempfile::tempdir().unwrap();
    let log = home.path().join("share/shots.jsonl");
    let (mut file, _) = LightMaps::beside(&log);
    assert_eq!(file.trouble(), None, "no file is as good as an empty one");
    file.keep(&light(1, 32));
    assert!(file.trouble().is_some());
    fs::create_dir(home.path().join("share")).unwrap();
    file.keep(&light(2, 32));
    assert_eq!(file.trouble(), None);
    // Whoever deletes it loses nothing of the last frames.
    fs::remove_file(kept_beside(&log)).unwrap();
    file.keep(&light(3, 32));
    assert_eq!(found(&log), [light(1, 32), light(2, 32), light(3, 32)]);
}

#[test]
fn whatever_is_none_of_ours_is_left_as_it_is() {
    let foreign: [&[u8]; 4] =
        [b"milk\nbread\n", b"{\"v\":5,\"n\":1,\"type\":\"closed\",\"crc\":\"00000000\"}\n", b"x", &[0; 400]];
    for bytes in foreign {
        let (_home, log) = home();
        fs::write(kept_beside(&log), bytes).unwrap();
        let (mut file, found) = LightMaps::beside(&log);
        assert!(found.is_empty() && file.trouble().is_some());
        file.keep(&light(1, 32));
        assert!(file.trouble().is_some());
        assert_eq!(fs::read(kept_beside(&log)).unwrap(), bytes);
    }
    // One that is put there while the program runs.
    let (_home, log) = home();
    let (mut file, _) = LightMaps::beside(&log);
    file.keep(&light(1, 32));
    fs::write(kept_beside(&log), "milk\n").unwrap();
    file.keep(&light(2, 32));
    assert!(file.trouble().is_some());
    assert_eq!(fs::read_to_string(kept_beside(&log)).unwrap(), "milk\n");
}

#[cfg(unix)]
#[test]
fn no_folder_pipe_or_link_in_its_place_is_written_to_or_waited_for() {
    use std::process::Command;
    type Put = fn(&Path);
    let puts: [Put; 3] = [
        |place| fs::create_dir(place).unwrap(),
        |place| assert!(Command::new("mkfifo").arg(place).status().unwrap().success()),
        |place| {
            fs::write(place.with_file_name("other"), "").unwrap();
            std::os::unix::fs::symlink(place.with_file_name("other"), place).unwrap();
        },
    ];
    for put in puts {
        let (_home, log) = home();
        let place = kept_beside(&log);
        put(&place);
        let before = place.symlink_metadata().unwrap().file_type();
        let (mut file, _) = LightMaps::beside(&log);
        file.keep(&light(1, 32));
        assert!(file.trouble().is_some());
        assert_eq!(place.symlink_metadata().unwrap().file_type(), before);
    }
}

#[test]
fn a_log_that_was_begun_anew_finds_none_of_another_log() {
    let rig = Rig::portrait();
    let (config, curves, mut random) = (config(&rig), calibrated_curves(), Random(3));
    let mut sitting = Sitting::on(&config, &curves, State::default(), 0);
    sitting.take(&Take::at_reference(&rig, 1), &rig, &mut random);
    let state = sitting.state();
    let own = light(1, 32);
    assert!(own.belongs_to(&state));
    for other in [
        LightOfFile { frame: FrameNumber::new(2), ..own.clone() },
        LightOfFile { fingerprint: Fingerprint::Whole(2), ..own.clone() },
        LightOfFile { file: "frame_2.jpg".to_owned(), ..own.clone() },
    ] {
        assert!(!other.belongs_to(&state));
    }
    assert!(!own.belongs_to(&State::default()));
    // Too many frames ago to be judged anew.
    for n in 0..32 {
        sitting.take(&Take { at: 20.0 * f64::from(n), ..Take::at_reference(&rig, 1) }, &rig, &mut random);
    }
    assert!(!own.belongs_to(&sitting.state()));
}
