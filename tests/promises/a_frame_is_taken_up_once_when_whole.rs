//! However a file lands, it becomes one frame, once, when it is whole. Through the real program.

use std::fs::{self, File, OpenOptions};
use std::io::{Seek, SeekFrom, Write};
use std::time::Duration;

use crate::harness::{Studio, shot, wait_for};

fn pause(ms: u64) {
    std::thread::sleep(Duration::from_millis(ms));
}

#[test]
fn written_in_place_slowly() {
    let studio = Studio::open();
    let jpeg = shot(8.0, 0.0, 1).jpeg();
    let mut file = File::create(studio.folder.join("slow.jpg")).unwrap();
    for piece in jpeg.chunks(jpeg.len() / 6 + 1) {
        file.write_all(piece).unwrap();
        assert!(studio.frames().is_empty(), "taken up before it was whole");
        // Longer than any quiet time: only the structure tells that more is to come.
        pause(500);
    }
    drop(file);
    assert!(studio.sync().is_empty());
    assert_eq!(studio.frames(), ["slow.jpg"]);
}

#[test]
fn set_aside_in_full_size_and_filled_from_behind() {
    let studio = Studio::open();
    let jpeg = shot(8.0, 0.0, 2).jpeg();
    let mut file = File::create(studio.folder.join("filled.jpg")).unwrap();
    file.set_len(jpeg.len() as u64).unwrap();
    for at in (0..jpeg.len()).step_by(8192).rev() {
        file.seek(SeekFrom::Start(at as u64)).unwrap();
        file.write_all(&jpeg[at..jpeg.len().min(at + 8192)]).unwrap();
        assert!(studio.frames().is_empty(), "taken up before it was whole");
        pause(60);
    }
    drop(file);
    assert!(studio.sync().is_empty());
    assert_eq!(studio.frames(), ["filled.jpg"]);
}

#[test]
fn renamed_into_place_from_here_and_from_elsewhere() {
    let studio = Studio::open();
    fs::write(studio.folder.join("one.jpg.part"), shot(8.0, 0.0, 3).jpeg()).unwrap();
    fs::rename(studio.folder.join("one.jpg.part"), studio.folder.join("one.jpg")).unwrap();
    let outside = studio.home.path().join("outside.jpg");
    fs::write(&outside, shot(8.0, 0.0, 4).jpeg()).unwrap();
    fs::rename(&outside, studio.folder.join("two.jpg")).unwrap();
    assert!(studio.sync().is_empty());
    let mut frames = studio.frames();
    frames.sort();
    assert_eq!(frames, ["one.jpg", "two.jpg"]);
}

#[test]
fn a_writer_that_keeps_it_open_does_not_hold_it_up() {
    let studio = Studio::open();
    let mut file = File::create(studio.folder.join("held.jpg")).unwrap();
    file.write_all(&shot(8.0, 0.0, 5).jpeg()).unwrap();
    assert!(studio.sync().is_empty());
    assert_eq!(studio.frames(), ["held.jpg"]);
    drop(file);
    studio.sync();
    assert_eq!(studio.frames(), ["held.jpg"]);
}

#[test]
fn a_burst_of_200_is_all_logged_once() {
    let studio = Studio::open();
    let jpegs: Vec<Vec<u8>> = (0..20).map(|n| shot(8.0, 0.0, n).jpeg()).collect();
    for n in 0..200_usize {
        studio.put(&format!("burst_{n:03}.jpg"), &jpegs[n % 20]);
    }
    assert!(studio.sync().is_empty());
    let mut frames = studio.frames();
    frames.sort();
    let expected: Vec<String> = (0..200).map(|n| format!("burst_{n:03}.jpg")).collect();
    assert_eq!(frames, expected);
}

#[test]
fn sub_folders_made_later_with_files_already_in_them() {
    let studio = Studio::open();
    let jpeg = shot(8.0, 0.0, 6).jpeg();
    for n in 0..30 {
        let folder = studio.folder.join(format!("card{n}/deep/er"));
        fs::create_dir_all(&folder).unwrap();
        fs::write(folder.join("a.jpg"), &jpeg).unwrap();
    }
    let moved = studio.home.path().join("moved");
    fs::create_dir(&moved).unwrap();
    fs::write(moved.join("b.jpg"), shot(8.0, 0.0, 7).jpeg()).unwrap();
    fs::rename(&moved, studio.folder.join("moved")).unwrap();
    assert!(studio.sync().is_empty());
    assert_eq!(studio.frames().len(), 31);
}

#[test]
fn a_file_that_never_becomes_whole_is_never_read() {
    let studio = Studio::open();
    let jpeg = shot(8.0, 0.0, 8).jpeg();
    studio.put("cut.jpg", &jpeg[..jpeg.len() - 1]);
    studio.put("empty.jpg", b"");
    let mut waiting = studio.sync();
    waiting.sort();
    assert_eq!(waiting, ["cut.jpg", "empty.jpg"]);
    assert!(studio.frames().is_empty());
    // The last byte makes it a frame.
    OpenOptions::new()
        .append(true)
        .open(studio.folder.join("cut.jpg"))
        .unwrap()
        .write_all(&jpeg[jpeg.len() - 1..])
        .unwrap();
    wait_for("the completed frame", || studio.frames() == ["cut.jpg"]);
}

#[test]
fn a_rewritten_caption_is_no_new_frame_but_a_reused_name_is() {
    let studio = Studio::open();
    let jpeg = shot(8.0, 0.0, 9).jpeg();
    studio.put("img.jpg", &jpeg);
    studio.sync();
    // A comment segment behind the beginning, as a caption program writes it; in place, then by rename.
    let captioned = [&jpeg[..2], &[0xFF, 0xFE, 0, 7], b"rated", &jpeg[2..]].concat();
    studio.put("img.jpg", &captioned);
    studio.sync();
    fs::write(studio.folder.join(".img.tmp"), &jpeg).unwrap();
    fs::rename(studio.folder.join(".img.tmp"), studio.folder.join("img.jpg")).unwrap();
    studio.sync();
    assert_eq!(studio.frames(), ["img.jpg"]);
    assert!(!studio.of_type("file_changed").is_empty());
    fs::rename(studio.folder.join("img.jpg"), studio.folder.join("keeper.jpg")).unwrap();
    studio.sync();
    assert_eq!(studio.frames(), ["img.jpg"], "a renamed file is the same picture");
    studio.put("img.jpg", &shot(5.6, 0.0, 10).jpeg());
    studio.sync();
    assert_eq!(studio.frames(), ["img.jpg", "img.jpg"], "another picture under a used name is a new frame");
}

#[cfg(unix)]
#[test]
fn what_is_no_photograph_is_passed_over() {
    let studio = Studio::open();
    let elsewhere = studio.home.path().join("elsewhere.jpg");
    fs::write(&elsewhere, shot(8.0, 0.0, 11).jpeg()).unwrap();
    std::os::unix::fs::symlink(&elsewhere, studio.folder.join("link.jpg")).unwrap();
    std::os::unix::fs::symlink("loop.jpg", studio.folder.join("loop.jpg")).unwrap();
    let made = std::process::Command::new("mkfifo").arg(studio.folder.join("pipe.jpg")).status().unwrap();
    assert!(made.success());
    fs::create_dir(studio.folder.join("folder.jpg")).unwrap();
    for name in [".hidden.jpg", "notes.txt", "half.jpg.part", "~lock.jpg", "movie.mov", "img.xmp"] {
        studio.put(name, &shot(8.0, 0.0, 12).jpeg());
    }
    studio.put("text.jpg", b"this is no photograph");
    studio.put("real.jpg", &shot(8.0, 0.0, 13).jpeg());
    studio.sync();
    assert_eq!(studio.frames(), ["real.jpg"]);
    let skipped = studio.of_type("skipped");
    assert_eq!(skipped.len(), 1);
    assert_eq!(skipped[0]["file"], "text.jpg");
    assert!(skipped[0]["why"].as_str().unwrap().contains("does not begin as a JPEG"));
}

#[cfg(unix)]
#[test]
fn odd_names_are_logged_on_one_line_each() {
    use std::os::unix::ffi::OsStrExt;
    let studio = Studio::open();
    for (n, name) in
        [&b"a\nb.jpg"[..], b"quote\"<script>.jpg", b"\xff\xfe.jpg", "ü \u{1f4f7}.jpg".as_bytes()].iter().enumerate()
    {
        let path = studio.folder.join(std::ffi::OsStr::from_bytes(name));
        fs::write(path, shot(8.0, 0.0, 20 + n as u64).jpeg()).unwrap();
    }
    assert!(studio.sync().is_empty());
    assert_eq!(studio.frames().len(), 4);
    assert!(studio.frames().iter().any(|f| f.contains("(bytes fffe2e6a7067)")));
}

#[test]
fn however_the_folder_is_spelled() {
    let open = |spelled: &str| {
        let mut studio = Studio::empty();
        #[cfg(unix)]
        std::os::unix::fs::symlink(&studio.folder, studio.home.path().join("link")).unwrap();
        studio.spelled = Some(spelled.to_owned());
        studio.start();
        studio
    };
    let studios = ["capture", "./capture/", "capture/../capture", "link"].map(open);
    for number in 1..=3 {
        for studio in &studios {
            studio.put(&format!("{number}.jpg"), &shot(8.0, 0.0, number).jpeg());
        }
        pause(300);
    }
    // Once by its event, and once more by a scan, which must know it again.
    pause(3500);
    for studio in studios {
        studio.sync();
        assert_eq!(studio.frames(), ["1.jpg", "2.jpg", "3.jpg"], "{:?}", studio.spelled);
    }
}

/// A JPEG whose upper part is clipped to white, as of a portrait before a white wall, and so large that its first
/// 64 KiB of picture are the same whatever is below.
fn high_key(below: u64) -> Vec<u8> {
    let (width, white, height) = (1600_usize, 1700, 1760);
    let mut random = crate::harness::random::Random(below);
    let mut rgb = vec![255_u8; width * height * 3];
    for code in &mut rgb[width * white * 3..] {
        *code = random.between(60.0, 200.0) as u8;
    }
    let mut jpeg = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut jpeg, 90);
    encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_1_1);
    encoder.encode(&rgb, width as u16, height as u16, jpeg_encoder::ColorType::Rgb).unwrap();
    jpeg
}

#[test]
fn portraits_on_white_are_told_apart_by_all_of_their_picture() {
    let jpegs: Vec<Vec<u8>> = (1..5).map(high_key).collect();
    assert!(jpegs[0][..66_000] == jpegs[1][..66_000] && jpegs[0] != jpegs[1], "alike for 64 KiB and more");
    let studio = Studio::open();
    studio.put("IMG_0001.jpg", &jpegs[0]);
    studio.sync();
    // Binned by the photographer, who goes on.
    fs::remove_file(studio.folder.join("IMG_0001.jpg")).unwrap();
    studio.put("IMG_0002.jpg", &jpegs[1]);
    studio.sync();
    assert_eq!(studio.frames(), ["IMG_0001.jpg", "IMG_0002.jpg"]);
    // A tether that always writes one name.
    for jpeg in &jpegs[2..] {
        studio.put("IMG_0002.jpg", jpeg);
        studio.sync();
    }
    assert_eq!(studio.frames(), ["IMG_0001.jpg", "IMG_0002.jpg", "IMG_0002.jpg", "IMG_0002.jpg"]);
    assert!(studio.of_type("file_changed").is_empty());
}

#[test]
fn what_lies_in_hidden_folders_is_nobodys_frame() {
    let studio = Studio::open();
    for folder in [".capture-tmp", ".thumbnails/large", "card/.hidden/deep", ".Trash-1000/files"] {
        fs::create_dir_all(studio.folder.join(folder)).unwrap();
    }
    pause(400);
    for n in 0..6 {
        for folder in [".capture-tmp", ".thumbnails/large", "card/.hidden/deep"] {
            studio.put(&format!("{folder}/{n}.jpg"), &shot(8.0, 0.0, 40 + n).jpeg());
        }
        // Worked on out of sight, then shown.
        fs::rename(studio.folder.join(format!(".capture-tmp/{n}.jpg")), studio.folder.join(format!("{n}.jpg")))
            .unwrap();
    }
    assert!(studio.sync().is_empty());
    fs::rename(studio.folder.join("0.jpg"), studio.folder.join(".Trash-1000/files/0.jpg")).unwrap();
    pause(300);
    assert!(studio.sync().is_empty());
    assert_eq!(studio.frames(), ["0.jpg", "1.jpg", "2.jpg", "3.jpg", "4.jpg", "5.jpg"]);
    assert!(studio.of_type("file_changed").is_empty(), "what is binned is not renamed");
}

/// Another program sorts the files while they come.
#[test]
fn renamed_and_moved_while_they_wait_each_is_metered_once() {
    let studio = Studio::open();
    let jpegs: Vec<Vec<u8>> = (0..40).map(|n| shot(8.0, 0.0, 100 + n).jpeg()).collect();
    let mut random = crate::harness::random::Random(11);
    fs::create_dir(studio.folder.join("sorted")).unwrap();
    for (n, jpeg) in jpegs.iter().enumerate() {
        studio.put(&format!("IMG_{n:02}.jpg"), jpeg);
    }
    for n in 0..40 {
        pause((random.next() * 60.0) as u64);
        let to = if n % 2 == 0 { format!("keeper_{n:02}.jpg") } else { format!("sorted/{n:02}.jpg") };
        fs::rename(studio.folder.join(format!("IMG_{n:02}.jpg")), studio.folder.join(to)).unwrap();
    }
    assert!(studio.sync().is_empty());
    let mut logged: Vec<String> = studio.frames();
    let mut names: std::collections::HashSet<String> = logged.iter().cloned().collect();
    for update in studio.of_type("file_changed") {
        let [file, was] = ["file", "was"].map(|key| update[key].as_str().unwrap().to_owned());
        assert!(names.contains(&was), "{was} is updated and was never logged");
        names.insert(file);
    }
    logged.sort();
    assert_eq!(logged.len(), 40, "{logged:?}");
    let prints = studio.records().into_iter().filter_map(|r| match r.body {
        greyhold::session::Body::Frame(frame) => Some(frame.fingerprint),
        _ => None,
    });
    assert_eq!(prints.collect::<std::collections::HashSet<_>>().len(), 40, "each picture once");
    assert!(studio.of_type("skipped").is_empty());
}
