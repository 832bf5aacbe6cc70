//! Raw and JPEG files of one stem are one frame, in either order. Through the real program.

use std::time::Duration;

use crate::harness::{Studio, shot, wait_for};

/// A raw file as far as it matters here: camera metadata in TIFF form.
fn raw(number: u64) -> Vec<u8> {
    greyhold::studio::exif_block(&shot(8.0, 0.0, number).exposure()).unwrap()
}

#[test]
fn jpeg_first() {
    let studio = Studio::open();
    studio.put("img_1.jpg", &shot(8.0, 0.0, 1).jpeg());
    studio.sync();
    studio.put("IMG_1.NEF", &raw(1));
    studio.sync();
    assert_eq!(studio.frames(), ["img_1.jpg"]);
    let members = studio.of_type("file_added");
    assert_eq!((members.len(), &members[0]["frame"], &members[0]["file"]), (1, &1.into(), &"IMG_1.NEF".into()));
}

#[test]
fn raw_first_and_jpeg_soon() {
    let studio = Studio::open();
    studio.put("img_2.dng", &raw(2));
    std::thread::sleep(Duration::from_millis(50));
    studio.put("img_2.jpg", &shot(8.0, 0.0, 2).jpeg());
    studio.sync();
    assert_eq!(studio.frames(), ["img_2.jpg"]);
    assert_eq!(studio.of_type("file_added").len(), 1);
}

#[test]
fn raw_alone_is_logged_with_its_settings_and_a_late_jpeg_completes_it() {
    let studio = Studio::open();
    studio.put("img_3.arw", &raw(3));
    wait_for("the raw file alone", || studio.frames() == ["img_3.arw"]);
    let frame = studio.frame("img_3.arw");
    assert_eq!(frame["observation"]["settings"]["f_number"], 8.0);
    assert_eq!(frame["verdict"]["finding"], "not_metered");
    let note = frame["notes"][0].as_str().unwrap();
    assert!(note.contains("raw file"), "its picture is none, and that is said: {note}");
    studio.put("img_3.jpg", &shot(8.0, 0.0, 3).jpeg());
    studio.sync();
    assert_eq!(studio.frames(), ["img_3.arw"]);
    let member = &studio.of_type("file_added")[0];
    assert_eq!((&member["frame"], &member["file"]), (&1.into(), &"img_3.jpg".into()));
    assert!(member["observed"]["metered"]["readings"].as_array().unwrap().len() >= 2);
    // The completed frame is the first that was metered, so it became the reference.
    assert_eq!(studio.of_type("reference").len(), 1);
}

#[test]
fn one_stem_in_two_folders_or_at_two_times_is_two_frames() {
    let studio = Studio::open();
    std::fs::create_dir(studio.folder.join("b")).unwrap();
    studio.put("img_4.jpg", &shot(8.0, 0.0, 4).jpeg());
    studio.sync();
    studio.put("b/img_4.nef", &raw(4));
    // The camera's counter went round: the raw file of another exposure.
    studio.put("img_4.nef", &raw(400));
    wait_for("three frames", || studio.frames().len() == 3);
    assert!(studio.of_type("file_added").is_empty());
}
