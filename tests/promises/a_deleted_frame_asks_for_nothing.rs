//! A frame that was a mistake is deleted: that is told once, and what it asked for is not asked any more. A rename, a folder
//! that is away and a file of two are no deletion.

use std::fs;
use std::time::Duration;

use crate::harness::set::{Set, file_of};
use crate::harness::sittings::{Lamps, Take};
use crate::harness::{Studio, shot, wait_for};
use greyhold::config::Config;
use greyhold::outlet::plain::{Paint, block};
use greyhold::session::{Board, CardState, State};
use greyhold::studio::exif_block;
use serde_json::{Value, json};

const LIGHTS: &str = include_str!("../../fixtures/three_groups.yaml");
/// Longer than a file must be gone before that is told.
const A_WHILE: Duration = Duration::from_secs(9);

/// A reference, and a frame that asks for a turn.
fn sitting() -> Studio {
    let studio = Studio::with_config(LIGHTS);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    ask_for_a_turn(&studio, "2.jpg", 2);
    studio
}

fn ask_for_a_turn(studio: &Studio, name: &str, number: u64) {
    studio.take(name, shot(5.6, 0.0, number));
    assert!(open(studio).is_some(), "{name} asks for a turn");
}

/// The number of the correction that is asked for.
fn open(studio: &Studio) -> Option<u64> {
    status(studio)["correction"]["record"].as_u64()
}

fn status(studio: &Studio) -> Value {
    studio.tell(json!({"command": "status"}))["value"].clone()
}

fn delete(studio: &Studio, name: &str) {
    fs::remove_file(studio.folder.join(name)).unwrap();
}

/// The files of each exposure that was told to be gone.
fn told(studio: &Studio) -> Vec<Value> {
    studio.of_type("file_removed").into_iter().map(|r| r["files"].clone()).collect()
}

fn wait_for_told(studio: &Studio, count: usize) {
    wait_for("the deletion to be told", || told(studio).len() >= count);
}

/// What a listener reads of the whole log.
fn as_text(studio: &Studio) -> String {
    studio.records().iter().filter_map(|record| block(record, Paint::Plain)).map(|block| block + "\n").collect()
}

/// What every screen shows.
fn board(studio: &Studio) -> Board {
    let state = studio.records().iter().fold(State::default(), |mut state, record| {
        state.apply(record);
        state
    });
    Board::of(&state.sitting, &Config::parse(LIGHTS, "three_groups.yaml").unwrap())
}

#[test]
fn it_is_told_once_and_its_correction_is_withdrawn() {
    let mut studio = sitting();
    let asked = open(&studio);
    let lights = status(&studio)["groups"].clone();
    delete(&studio, "2.jpg");
    wait_for_told(&studio, 1);
    assert_eq!(open(&studio), None);
    let ends = studio.ends();
    assert_eq!(ends.len(), 1, "{ends:?}");
    assert_eq!((ends[0]["correction"].as_u64(), &ends[0]["how"]), (asked, &json!("withdrawn")));
    assert_eq!(status(&studio)["groups"], lights, "where the lights are taken to stand is what was seen");
    assert_eq!(status(&studio)["last"]["removed"], true);
    let board = board(&studio);
    assert!(board.last.is_some_and(|last| last.removed) && board.asked.is_none());
    assert!(board.cards.iter().all(|card| card.state == CardState::Rest), "{:?}", board.cards);
    assert!(as_text(&studio).contains("2.jpg is gone from the folder"), "{}", as_text(&studio));
    // What the log says holds at the next start, and is not told again.
    let before = status(&studio);
    studio.stop();
    studio.start();
    let after = status(&studio);
    assert_eq!(
        [&after["correction"], &after["last"], &after["groups"]],
        [&before["correction"], &before["last"], &before["groups"]]
    );
    ask_for_a_turn(&studio, "3.jpg", 3);
    delete(&studio, "3.jpg");
    wait_for_told(&studio, 2);
    assert_eq!(told(&studio), [json!(["2.jpg"]), json!(["3.jpg"])]);
    assert_eq!(studio.frames(), ["1.jpg", "2.jpg", "3.jpg"]);
}

/// A frame after it shows the same: what is asked is asked for that one, until it is deleted, too.
#[test]
fn what_another_frame_still_asks_for_stands() {
    let studio = sitting();
    let asked = open(&studio);
    studio.take("3.jpg", shot(5.6, 0.0, 3));
    assert_eq!(open(&studio), asked, "the same turn is asked for once");
    delete(&studio, "2.jpg");
    wait_for_told(&studio, 1);
    assert_eq!(open(&studio), asked);
    delete(&studio, "3.jpg");
    wait_for_told(&studio, 2);
    assert_eq!(open(&studio), None);
}

#[test]
fn a_rename_and_a_move_within_the_folder_are_none() {
    let studio = sitting();
    for number in 3..=4 {
        studio.take(&format!("{number}.jpg"), shot(8.0, 0.0, number));
    }
    ask_for_a_turn(&studio, "5.jpg", 5);
    fs::create_dir(studio.folder.join("kept")).unwrap();
    let rename = |from: &str, to: &str| fs::rename(studio.folder.join(from), studio.folder.join(to)).unwrap();
    rename("5.jpg", "kept/best.jpg");
    rename("4.jpg", "four.jpg");
    studio.sync();
    delete(&studio, "3.jpg");
    wait_for_told(&studio, 1);
    assert_eq!(told(&studio), [json!(["3.jpg"])]);
    assert!(open(&studio).is_some());
    // It is known by its last name when it goes.
    rename("kept", "selected");
    studio.sync();
    delete(&studio, "selected/best.jpg");
    wait_for_told(&studio, 2);
    assert_eq!(told(&studio)[1], json!(["selected/best.jpg"]));
    assert_eq!(open(&studio), None);
}

#[test]
fn a_folder_that_is_away_or_covered_by_another_is_none() {
    let mut studio = Studio::empty();
    fs::write(studio.config(), LIGHTS).unwrap();
    let log = studio.home.path().join("shots.jsonl");
    studio.extra =
        vec!["--config".into(), studio.config().display().to_string(), "--log".into(), log.display().to_string()];
    studio.start();
    let told = || fs::read_to_string(&log).unwrap().matches("\"type\":\"file_removed\"").count();
    for (number, f_number) in [(1, 8.0), (2, 5.6), (3, 5.6)] {
        studio.put(&format!("{number}.jpg"), &shot(f_number, 0.0, number).jpeg());
        studio.sync();
    }
    let aside = studio.home.path().join("aside");
    fs::rename(&studio.folder, &aside).unwrap();
    std::thread::sleep(A_WHILE);
    fs::create_dir(&studio.folder).unwrap();
    // What lies there in its place may well bear the same names.
    fs::copy(aside.join("1.jpg"), studio.folder.join("1.jpg")).unwrap();
    std::thread::sleep(A_WHILE);
    assert!(open(&studio).is_some());
    assert_eq!(told(), 0);
    fs::remove_dir_all(&studio.folder).unwrap();
    fs::rename(&aside, &studio.folder).unwrap();
    studio.sync();
    delete(&studio, "3.jpg");
    wait_for("the deletion to be told", || told() > 0);
    assert_eq!(told(), 1);
    assert!(open(&studio).is_some(), "frame 2 asks for it still");
}

#[test]
fn a_file_that_is_put_back_is_known_and_not_told_twice() {
    let studio = sitting();
    studio.take("3.jpg", shot(8.0, 0.0, 3));
    let [bytes, last] = ["2.jpg", "3.jpg"].map(|name| fs::read(studio.folder.join(name)).unwrap());
    delete(&studio, "2.jpg");
    wait_for_told(&studio, 1);
    studio.put("2.jpg", &bytes);
    studio.sync();
    assert_eq!(studio.frames(), ["1.jpg", "2.jpg", "3.jpg"]);
    assert_eq!(open(&studio), None, "frame 3 has shown what is right by now");
    delete(&studio, "3.jpg");
    wait_for_told(&studio, 2);
    assert_eq!(status(&studio)["last"]["removed"], true);
    studio.put("3.jpg", &last);
    wait_for("the last frame to be there again", || status(&studio)["last"]["removed"] != true);
    delete(&studio, "2.jpg");
    wait_for_told(&studio, 3);
    assert_eq!(told(&studio), ["2.jpg", "3.jpg", "2.jpg"].map(|name| json!([name])));
}

/// Of a single light, too: the frame as a whole may be as it should.
#[test]
fn what_another_frame_shows_of_a_single_light_stands() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    set.studio.tell(json!({"command": "survey"}));
    for firing in [Lamps::None, Lamps::Only(0), Lamps::Only(1), Lamps::Only(2), Lamps::All] {
        set.shoot_for_survey(firing);
    }
    set.shoot(set.usual());
    let weak_rim = Take { powers: vec![0.0, 0.0, -1.0], ..set.usual() };
    let [first, second] = [set.take(weak_rim.clone()), set.take(weak_rim)].map(|take| file_of(&take, "jpg"));
    let asked = open(&set.studio);
    assert!(asked.is_some(), "{}", set.studio.frame(&second)["verdict"]);
    delete(&set.studio, &first);
    wait_for_told(&set.studio, 1);
    assert_eq!(open(&set.studio), asked, "the other frame shows it, too");
    delete(&set.studio, &second);
    wait_for_told(&set.studio, 2);
    assert_eq!(open(&set.studio), None);
}

#[test]
fn of_two_files_both_must_be_gone() {
    let studio = sitting();
    studio.put("2.nef", &exif_block(&shot(5.6, 0.0, 2).exposure()).unwrap());
    studio.take("3.jpg", shot(5.6, 0.0, 3));
    delete(&studio, "2.jpg");
    delete(&studio, "3.jpg");
    wait_for_told(&studio, 1);
    assert_eq!(told(&studio), [json!(["3.jpg"])]);
    assert!(open(&studio).is_some(), "its raw file is there");
    delete(&studio, "2.nef");
    wait_for_told(&studio, 2);
    assert_eq!(told(&studio)[1], json!(["2.jpg", "2.nef"]));
    assert_eq!(open(&studio), None);
    assert!(as_text(&studio).contains("2.jpg and 2.nef are gone from the folder"), "{}", as_text(&studio));
}

#[test]
fn an_emptied_folder_tells_nothing() {
    let studio = sitting();
    for number in 3..=11 {
        studio.put(&format!("{number}.jpg"), &shot(8.0, 0.0, number).jpeg());
    }
    studio.sync();
    ask_for_a_turn(&studio, "12.jpg", 12);
    (1..=12).for_each(|number| delete(&studio, &format!("{number}.jpg")));
    std::thread::sleep(A_WHILE);
    assert!(told(&studio).is_empty() && open(&studio).is_some(), "{:?}", told(&studio));
}

/// Another program takes every frame out of the folder as it comes: none of them was a mistake.
#[test]
fn frames_that_are_taken_elsewhere_one_after_the_other_are_not_deleted() {
    let studio = Studio::with_config(LIGHTS);
    let aside = studio.home.path().join("aside");
    fs::create_dir(&aside).unwrap();
    for (number, f_number) in [(1, 8.0), (2, 5.6), (3, 5.6)] {
        let name = format!("{number}.jpg");
        studio.take(&name, shot(f_number, 0.0, number));
        if number < 3 {
            fs::rename(studio.folder.join(&name), aside.join(&name)).unwrap();
            std::thread::sleep(A_WHILE);
        }
    }
    assert!(told(&studio).is_empty(), "{:?}", told(&studio));
    assert!(open(&studio).is_some(), "it is still to be turned");
}

#[test]
fn the_reference_holds_on_without_its_file() {
    let studio = sitting();
    delete(&studio, "1.jpg");
    std::thread::sleep(A_WHILE);
    assert!(open(&studio).is_some(), "what frame 2 asks for is asked");
    let verdict = studio.take("3.jpg", shot(8.0, 0.0, 3))["verdict"].clone();
    assert_eq!(verdict["finding"], "matched", "{verdict}");
    assert_eq!(status(&studio)["looks"]["main"]["file"], "1.jpg");
}

/// At the next start, where the folder is known by a file that still lies in it.
#[test]
fn what_was_deleted_while_nobody_watched_is_told_at_the_next_start() {
    let mut studio = sitting();
    studio.stop();
    let aside = studio.home.path().join("aside.jpg");
    fs::rename(studio.folder.join("1.jpg"), &aside).unwrap();
    delete(&studio, "2.jpg");
    studio.start();
    std::thread::sleep(A_WHILE);
    assert!(told(&studio).is_empty(), "an empty folder may be another one");
    studio.stop();
    fs::rename(&aside, studio.folder.join("1.jpg")).unwrap();
    studio.start();
    wait_for_told(&studio, 1);
    assert_eq!(told(&studio), [json!(["2.jpg"])]);
    assert_eq!(open(&studio), None);
}
