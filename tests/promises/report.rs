//! A report tells what a sitting came to, on a page that needs nothing but itself; it only reads, and what it writes comes whole.

use std::collections::BTreeMap;
use std::fs;
use std::io::Cursor;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Instant;

use base64::Engine;
use exif::experimental::Writer;
use exif::{Field, In, Tag};
use serde_json::json;

use crate::harness::browser::with_browser;
use crate::harness::{Studio, greyhold, logs, process, shot};

fn report(args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_greyhold"));
    process::run(command.arg("report").args(args).env("TZ", "Europe/Vienna"))
}

fn done(output: &Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn refused(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(3));
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn shown(path: &Path) -> &str {
    path.to_str().unwrap()
}

type Row = BTreeMap<String, String>;

/// The rows of a table, by the names of their files.
fn table(path: &Path) -> BTreeMap<String, Row> {
    let rows = csv::Reader::from_path(path).unwrap().into_deserialize::<Row>().map(Result::unwrap);
    rows.map(|row| (row["file"].clone(), row)).collect()
}

fn number(row: &Row, column: &str) -> Option<f64> {
    row[column].parse().ok()
}

/// What a demo left: its capture folder, and what holds it.
fn demo() -> (tempfile::TempDir, PathBuf) {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("demo");
    assert!(greyhold(&["demo", "--folder", shown(&folder)]).status.success());
    (home, folder.join("capture"))
}

/// Every file of a watched folder, with its bytes and when it was written; but for what the watch itself still writes beside its log.
fn not_the_watchs_own(studio: &Studio) -> BTreeMap<PathBuf, (Vec<u8>, std::time::SystemTime)> {
    let files = fs::read_dir(&studio.folder).unwrap().flatten().map(|entry| entry.path());
    let files = files.filter(|path| !shown(path).contains(".jsonl.") && !shown(path).contains("/.greyhold-"));
    files.map(|path| (path.clone(), (fs::read(&path).unwrap(), path.metadata().unwrap().modified().unwrap()))).collect()
}

/// `GREYHOLD_WRITE_FIXTURES=1` writes the tables anew, to be looked at before they are committed.
#[test]
fn the_golden_logs_are_reported_to_the_same_numbers() {
    let home = tempfile::tempdir().unwrap();
    for log in ["sitting", "survey", "eventful", "pairs", "learned"] {
        let written = home.path().join(format!("{log}.csv"));
        done(&report(&[&format!("fixtures/golden/{log}.jsonl"), "--csv", shown(&written)]));
        let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("fixtures/golden/{log}.report.csv"));
        let table = fs::read_to_string(&written).unwrap();
        if std::env::var_os("GREYHOLD_WRITE_FIXTURES").is_some() {
            fs::write(&golden, &table).unwrap();
        }
        assert_eq!(table, fs::read_to_string(&golden).unwrap(), "{log}");
    }
}

/// The demo is a sitting of known light: what its frames lack, and what each of them was played for, is known.
#[test]
fn a_sitting_of_known_light_is_told_as_it_was() {
    let (home, capture) = demo();
    let [page, list] = ["out.html", "out.csv"].map(|name| home.path().join(name));
    done(&report(&[shown(&capture), "--out", shown(&page), "--csv", shown(&list)]));
    let rows = table(&list);
    let frames = rows.len();
    // From f/14 to f/7.1 nobody turned a light; then they were turned a third too far; then a flash was short of charge.
    for (file, truth) in [("sitting_0008.jpg", 2.0), ("sitting_0010.jpg", -1.0 / 3.0)] {
        let row = &rows[file];
        let (offset, within) = (number(row, "offset_stops").unwrap(), number(row, "offset_uncertainty_stops").unwrap());
        assert!((truth + offset).abs() <= within && within <= 0.15, "{file}: {offset} ±{within}");
    }
    for (file, why) in [
        ("sitting_0002.jpg", "it is a reference itself"),
        ("sitting_0009.jpg", "it is within the tolerance"),
        ("sitting_0012.jpg", "no flash lit it"),
        ("sitting_0016.jpg", "not all of its lights are known to have changed alike"),
    ] {
        let row = &rows[file];
        assert!(
            row["offset_stops"].is_empty() && row["why_no_offset"].starts_with(why),
            "{file}: {}",
            row["why_no_offset"]
        );
    }
    assert!(rows["sitting_0001.jpg"]["logged"].ends_with(":00") && rows["sitting_0001.jpg"]["logged"].contains(" +0"));
    assert_eq!(
        (rows["sitting_0001.jpg"]["power key"].as_str(), rows["sitting_0017.jpg"]["power rim"].as_str()),
        ("1/2", "5.3")
    );

    let text = fs::read_to_string(&page).unwrap();
    assert!(!text.contains("<script") && !text.contains("http:") && !text.contains("https:"), "nothing from outside");
    assert_eq!(text.matches("<img ").count(), frames);
    for said in
        ["No flash lit this frame", "a flash had not recycled", "done: a frame shows it", "1/8 +0.3", "never open one"]
    {
        assert!(text.contains(said), "{said}");
    }
    // A frame whose file is gone has an empty place with its name.
    fs::remove_file(capture.join("sitting_0009.jpg")).unwrap();
    done(&report(&[shown(&capture), "--out", shown(&page), "--force"]));
    let text = fs::read_to_string(&page).unwrap();
    assert_eq!((text.matches("<img ").count(), text.matches("the file is gone").count()), (frames - 1, 1));
    assert!(text.contains("sitting_0009.jpg"));
}

#[test]
fn a_file_in_its_place_stays_unless_it_is_told_otherwise() {
    let (home, log) = logs::home();
    logs::long(&log, 3);
    let [page, list] = ["out.html", "out.csv"].map(|name| home.path().join(name));
    fs::write(&list, "somebody's").unwrap();
    let args = [shown(&log), "--out", shown(&page), "--csv", shown(&list)];
    assert!(refused(&report(&args)).contains("is there already, and stays as it is"));
    assert_eq!((page.exists(), fs::read_to_string(&list).unwrap().as_str()), (false, "somebody's"));
    done(&report(&[&args[..], &["--force"]].concat()));
    assert!(page.exists() && fs::read_to_string(&list).unwrap().starts_with("log,sitting,frame,file"));
    let nowhere = home.path().join("nowhere/out.html");
    assert!(refused(&report(&[shown(&log), "--out", shown(&nowhere)])).contains("make it, or name another"));
    let absent = home.path().join("absent.jsonl");
    assert!(
        refused(&report(&[shown(&absent), "--csv", shown(&nowhere.with_file_name("../a.csv"))])).contains("no folder")
    );
    assert!(
        refused(&report(&[shown(&absent), "--out", shown(&home.path().join("b.html"))]))
            .contains("there is no shot log")
    );
}

#[test]
fn a_running_watch_and_its_files_are_left_as_they_are() {
    let studio = Studio::open();
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.take("2.jpg", shot(8.0, 0.7, 2));
    studio.sync();
    let before = not_the_watchs_own(&studio);
    let out = tempfile::tempdir().unwrap();
    let [page, list] = ["out.html", "out.csv"].map(|name| out.path().join(name));
    done(&report(&[shown(&studio.folder), "--out", shown(&page), "--csv", shown(&list)]));
    let into = out.path().join("offsets");
    done(&greyhold(&["hand-over", shown(&studio.folder), "--into", shown(&into)]));
    let after = not_the_watchs_own(&studio);
    assert!(after == before, "{:?} is not {:?} as it was", after.keys(), before.keys());
    assert_eq!(table(&list).len(), 2);
    studio.take("3.jpg", shot(8.0, 0.0, 3));
    assert_eq!(studio.frames().len(), 3, "the watch goes on");
}

/// Raw frames of known light are turned down and up; each is then taken once more with its offset, as a program that develops it
/// would show it: it matches.
#[test]
fn an_offset_levels_its_frame() {
    let studio = Studio::open();
    let take = |name: &str, power: f64, number: u64| {
        studio.take_bytes(&format!("{name}.dng"), &shot(8.0, power, number).raw())
    };
    take("reference", 0.0, 1);
    let off = [-1.3, -0.6, 0.45, 0.8];
    for (number, power) in (2..).zip(off) {
        take(&format!("off_{number}"), power, number);
        // The next shows the same, so that it is no mere suspicion.
        take(&format!("again_{number}"), power, number + 20);
    }
    take("back", 0.0, 39);
    take("alone", -0.9, 40);
    take("as_it_was", 0.0, 41);
    studio.sync();
    let list = studio.home.path().join("out.csv");
    done(&report(&[shown(&studio.folder), "--csv", shown(&list)]));
    let rows = table(&list);
    let mut levelled = 0;
    for (number, power) in (2..).zip(off) {
        let Some(offset) = number_of(&rows, &format!("off_{number}.dng")) else { continue };
        assert!((power + offset).abs() <= 0.15, "{power} is levelled by {offset}");
        take(&format!("levelled_{number}"), power + offset, number + 60);
        studio.sync();
        assert_eq!(studio.frame(&format!("levelled_{number}.dng"))["verdict"]["finding"], "matched");
        levelled += 1;
    }
    let untold =
        rows.values().map(|row| (&row["file"], &row["why_no_offset"], &row["finding"], &row["seen_uncertainty_stops"]));
    assert_eq!(rows["alone.dng"]["why_no_offset"], "one frame alone is no proof of it");
    assert!(levelled >= 3, "{levelled} of {} frames have an offset: {:?}", off.len(), untold.collect::<Vec<_>>());
}

fn number_of(rows: &BTreeMap<String, Row>, file: &str) -> Option<f64> {
    number(&rows[file], "offset_stops")
}

#[test]
fn what_is_damaged_is_passed_over_with_a_sentence() {
    let (home, log) = logs::home();
    logs::long(&log, 5);
    let text = fs::read_to_string(&log).unwrap();
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let judged = lines.iter().position(|line| line.contains("\"judged\",\"frame\":3")).unwrap();
    lines[judged] = lines[judged].replace("\"frame\":3", "\"frame\":9");
    let last = lines.pop().unwrap();
    // The last line is just being written.
    fs::write(&log, lines.join("\n") + "\n" + &last[..last.len() / 2]).unwrap();
    let before = fs::read(&log).unwrap();
    let [page, list] = ["out.html", "out.csv"].map(|name| home.path().join(name));
    let said = done(&report(&[shown(&log), "--out", shown(&page), "--csv", shown(&list), "--no-pictures"]));
    assert!(said.contains(&format!("line {}, is damaged and was passed over", judged + 1)), "{said}");
    assert_eq!(said.lines().count(), 2, "that, and the number that is missing: {said}");
    assert!(fs::read_to_string(&page).unwrap().contains("is damaged and was passed over"));
    let rows = table(&list);
    assert_eq!((rows.len(), rows["frame_00003.jpg"]["mark"].as_str()), (5, "not compared"));
    assert_eq!(fs::read(&log).unwrap(), before);
}

#[cfg(unix)]
#[test]
fn who_interrupts_it_finds_nothing_half_written() {
    let (home, log) = logs::home();
    logs::long(&log, 6_000);
    let page = home.path().join("out.html");
    let mut child = Command::new(env!("CARGO_BIN_EXE_greyhold"))
        .args(["report", shown(&log), "--out", shown(&page)])
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    std::thread::sleep(std::time::Duration::from_millis(250));
    crate::harness::process::signal(&child, "INT");
    let ended = child.wait().unwrap();
    assert!(!ended.success(), "6,000 frames are not read in a quarter of a second");
    let left: Vec<_> = fs::read_dir(home.path()).unwrap().flatten().map(|entry| entry.file_name()).collect();
    assert_eq!(left, ["shots.jsonl"]);
}

/// It is printed and not asserted: `cargo test --release --test promises five_thousand -- --nocapture`.
#[test]
fn five_thousand_frames_make_a_page_that_stays_small() {
    let (home, log) = logs::home();
    logs::long(&log, 5_000);
    let [page, list] = ["out.html", "out.csv"].map(|name| home.path().join(name));
    let began = Instant::now();
    done(&report(&[shown(&log), "--out", shown(&page), "--csv", shown(&list)]));
    let took = began.elapsed();
    let size = page.metadata().unwrap().len();
    println!("5,000 frames ({} bytes of log) in {took:?}: a page of {size} bytes", log.metadata().unwrap().len());
    assert!(size < 10_000_000);
    assert_eq!(table(&list).len(), 5_000);
    let text = fs::read_to_string(&page).unwrap();
    assert!(text.contains("left out so that the page stays small") && text.contains("17 frames together"));
    assert_eq!(text.matches("the file is gone").count(), 240);
}

/// No record has the words of a power that the configuration gave: where it is this log's, its dials have.
#[test]
fn powers_are_told_as_the_dials_of_the_configuration_show_them() {
    let (home, log) = logs::home();
    logs::long(&log, 3);
    let rig = "groups:\n  - {name: key, dial: fraction, range: 1/128 to 1/1, power: 1/4}\n  - {name: rim, dial: percent, range: 1 to 100, power: 25}\n";
    fs::write(home.path().join("greyhold.yaml"), format!("log: {}\n{rig}", shown(&log))).unwrap();
    let reported = |folder: &Path| {
        let page = home.path().join("out.html");
        let mut command = Command::new(env!("CARGO_BIN_EXE_greyhold"));
        command.args(["report", shown(&log), "--force", "--out", shown(&page)]).current_dir(folder);
        done(&process::run(&mut command));
        fs::read_to_string(&page).unwrap()
    };
    let by_dials = reported(home.path());
    assert!(by_dials.contains("1/4") && by_dials.contains("25"), "key and rim by their dials");
    let in_stops = |page: &str| page.matches("2 stops below full power").count();
    let elsewhere = tempfile::tempdir().unwrap();
    // Fill isn't configured.
    assert!(in_stops(&by_dials) > 0);
    assert_eq!(in_stops(&reported(elsewhere.path())), 3 * in_stops(&by_dials));
}

/// A photograph of one colour, with a small picture of another in its metadata, as cameras put it there (Exif 2.32, 4.5.8).
fn with_a_small_picture(rgb: [u8; 3], small: &[u8]) -> Vec<u8> {
    let of = image::RgbImage::from_pixel(640, 480, image::Rgb(rgb));
    let mut plain = Cursor::new(Vec::new());
    of.write_to(&mut plain, image::ImageFormat::Jpeg).unwrap();
    let field =
        Field { tag: Tag::Model, ifd_num: In::PRIMARY, value: exif::Value::Ascii(vec![b"a made-up camera".to_vec()]) };
    let mut writer = Writer::new();
    writer.push_field(&field);
    writer.set_jpeg(small, In::THUMBNAIL);
    let mut block = Cursor::new(Vec::new());
    writer.write(&mut block, false).unwrap();
    let block = [b"Exif\0\0".as_slice(), &block.into_inner()].concat();
    let length = (block.len() as u16 + 2).to_be_bytes();
    [&[0xFF, 0xD8, 0xFF, 0xE1], length.as_slice(), &block, &plain.into_inner()[2..]].concat()
}

/// A contact sheet of thousands of photographs would take minutes to decode: what the camera made for looking at is shown.
#[test]
fn a_contact_sheet_shows_the_small_picture_that_a_photograph_has_in_it() {
    let (home, log) = logs::home();
    logs::long(&log, 20);
    let [page, list] = ["out.html", "out.csv"].map(|name| home.path().join(name));
    done(&report(&[shown(&log), "--csv", shown(&list)]));
    let files: Vec<String> = table(&list).into_keys().take(2).collect();
    let mut small = Cursor::new(Vec::new());
    let red = image::RgbImage::from_pixel(160, 120, image::Rgb([220, 20, 20]));
    red.write_to(&mut small, image::ImageFormat::Jpeg).unwrap();
    let small = small.into_inner();
    fs::write(home.path().join(&files[0]), with_a_small_picture([20, 20, 220], &small)).unwrap();
    // One that is cut is none: then it is the photograph's own.
    let cut = &small[..small.len() / 2];
    fs::write(home.path().join(&files[1]), with_a_small_picture([20, 20, 220], cut)).unwrap();
    done(&report(&[shown(&log), "--out", shown(&page)]));
    let text = fs::read_to_string(&page).unwrap();
    let pictures: Vec<image::RgbImage> = text
        .split("src=\"data:image/jpeg;base64,")
        .skip(1)
        .map(|rest| base64::engine::general_purpose::STANDARD.decode(rest.split('"').next().unwrap()).unwrap())
        .map(|jpeg| image::load_from_memory(&jpeg).unwrap().to_rgb8())
        .collect();
    assert_eq!(pictures.len(), 2);
    let mut middles: Vec<[u8; 3]> = pictures.iter().map(|p| p.get_pixel(p.width() / 2, p.height() / 2).0).collect();
    middles.sort();
    assert!(middles[0][2] > 180 && middles[0][0] < 60, "{middles:?}");
    assert!(middles[1][0] > 180 && middles[1][2] < 60, "{middles:?}");
}

/// Sittings beside each other: each of them is told, and what they come to stands in one table.
#[test]
fn several_sittings_stand_side_by_side() {
    let home = tempfile::tempdir().unwrap();
    let page = home.path().join("out.html");
    let logs = ["fixtures/golden/sitting.jsonl", "fixtures/golden/eventful.jsonl"];
    done(&report(&[logs[0], logs[1], "--out", shown(&page)]));
    let text = fs::read_to_string(&page).unwrap();
    assert!(text.contains("<h1>2 sittings</h1>") && text.contains("Side by side"));
    assert!(text.contains("id=\"sitting-1\"") && text.contains("href=\"#sitting-2\""));
}

/// Shows the page as a dark screen does, or doesn't.
const DARK: &str = "window.ofDark ??= [...document.styleSheets[0].cssRules].find(r => r.media?.mediaText.includes('prefers-color-scheme')); \
                    window.ofDark.media.mediaText = arguments[0]";

#[test]
fn the_page_is_read_by_everybody_on_phone_desk_and_paper() {
    with_browser(|driver| async move {
        let (home, capture) = demo();
        let page = home.path().join("out.html");
        done(&report(&[shown(&capture), "fixtures/golden/sitting.jsonl", "--out", shown(&page)]));
        let axe = std::env::var_os("GREYHOLD_AXE").map(|axe| fs::read_to_string(axe).unwrap());
        if axe.is_none() {
            println!("skipped: GREYHOLD_AXE names no axe.min.js (npm: axe-core)");
        }
        for size in [(390, 844), (1280, 900)] {
            let opened = driver.open(&format!("file://{}", page.display()), size).await;
            let beyond = opened.run("return document.documentElement.scrollWidth - innerWidth", vec![]).await;
            assert!(beyond.as_f64().unwrap() <= 0.0, "{size:?}: {beyond} pixels are out of sight");
            for (ink, media) in [("dark", "all"), ("light", "not all")] {
                opened.run(DARK, vec![json!(media)]).await;
                let ground = opened.run("return getComputedStyle(document.body).backgroundColor", vec![]).await;
                let is_dark = ground == json!("rgb(17, 20, 15)");
                assert_eq!(is_dark, ink == "dark", "{ground}");
                if let Some(axe) = &axe {
                    opened.assert_no_barrier_as_it_is(axe, &format!("{size:?}, {ink}")).await;
                }
            }
            opened.close().await;
        }
        // ISO 216 A4, and ANSI/ASME Y14.1 A, which is Letter (both from memory), in centimetres.
        let opened = driver.open(&format!("file://{}", page.display()), (1280, 900)).await;
        for (paper, points) in [((21.0, 29.7), "595"), ((21.59, 27.94), "612")] {
            let pdf = opened.printed(paper).await;
            let text = String::from_utf8_lossy(&pdf);
            let pages = text.matches("/Type /Page\n").count();
            assert!((4..=14).contains(&pages), "{paper:?}: {pages} pages");
            assert!(text.contains(&format!("/MediaBox [0 0 {points}")), "{paper:?}");
            assert_is_on_paper(&pdf, paper);
        }
        opened.close().await;
    });
}

/// By poppler's pdftotext: what stands last and farthest right is on the paper whole.
fn assert_is_on_paper(pdf: &[u8], paper: (f64, f64)) {
    let home = tempfile::tempdir().unwrap();
    let file = home.path().join("out.pdf");
    fs::write(&file, pdf).unwrap();
    let Ok(read) = Command::new("pdftotext").arg("-layout").arg(&file).arg("-").output() else {
        return println!("skipped: pdftotext is not here (Debian: poppler-utils)");
    };
    let text = String::from_utf8_lossy(&read.stdout);
    for whole in ["sitting_0017.jpg", "What was asked", "offset, stops", "done: a frame", "local rules come first"] {
        assert!(text.contains(whole), "{whole} is not on {paper:?}:\n{text}");
    }
}
