//! HEIF pictures are metered by a curve of their own, which no JPEG's frame is read by, and a damaged one costs no more than itself.
//!
//! CHECK: libheif (PyPI pillow_heif) on two cameras' files of 10 bit and 4:2:2, and phones', out of that package's sources;
//! `.ci/formats` fetches both and names them in `GREYHOLD_OUTSIDE_LIGHT`.
#![cfg(feature = "heif")]

use std::io::Cursor;
use std::path::{Path, PathBuf};

use greyhold::container::{Kind, Links};
use greyhold::frame::{self, CutPlace, Space, cut_from};
use greyhold::outlet::plain::{Paint, block};
use greyhold::photometry::Series;
use greyhold::studio::exif_block;
use greyhold::workers::{Depth, Pool, Task};
use heifer::{EncodeOptions, Image, Metadata, encode_with_metadata};

use crate::harness::http::Feed;
use crate::harness::random::Random;
use crate::harness::{Shot, Studio, shot};
use crate::real_files_are_metered_as_outside_decoders_read_them::{OutsideLight, median, outside_light};

/// The picture of a shot, as a camera that is set to HEIF writes it.
fn heif(shot: &Shot) -> Vec<u8> {
    let picture = image::load_from_memory(&shot.jpeg()).unwrap().to_rgba8();
    let (width, height) = picture.dimensions();
    let data = picture.into_raw().into_iter().map(u16::from).collect();
    let image = Image { width, height, bit_depth: 8, has_alpha: false, data };
    let metadata = Metadata { exif: Some(exif_block(&shot.exposure()).unwrap()), ..Metadata::default() };
    encode_with_metadata(&image, &metadata, &EncodeOptions { quality: 90, max_threads: 1 }).unwrap()
}

#[test]
fn a_heif_picture_has_a_verdict_by_a_curve_that_is_not_the_jpegs() {
    let studio = Studio::open();
    studio.take_bytes("a.heic", &heif(&shot(8.0, 0.0, 1)));
    let darker = studio.take_bytes("b.hif", &heif(&shot(8.0, -1.0, 2)));
    let verdict = &darker["verdict"];
    assert_eq!(darker["observation"]["settings"]["f_number"], 8.0, "{darker}");
    assert_eq!(verdict["response"], "unproved-heif", "{darker}");
    let (observed, unsure) = (verdict["observed"].as_f64().unwrap(), verdict["observed_uncertainty"].as_f64().unwrap());
    println!("-1 stop by a HEIF picture alone: {observed:+.3} (+-{unsure})");
    assert!((observed + 1.0).abs() < unsure && unsure > 0.3, "{observed} +-{unsure}");
    // A JPEG is held against no HEIF picture, as little as the other way round.
    let other = studio.take("c.jpg", shot(8.0, 0.0, 3));
    assert!(other["verdict"]["observed"].is_null(), "{other}");
    let said = other["verdict"]["sentence"].as_str().unwrap();
    assert!(
        said.starts_with("Metered, but not compared: ") && said.contains("the reference is a HEIF picture"),
        "{said}"
    );
    assert!(studio.connect().ask(serde_json::json!({"command": "reference"}))["ok"] == true);
    let next = studio.take("d.jpg", shot(8.0, 0.0, 4));
    assert!(next["verdict"]["response"].as_str().unwrap().starts_with("stock-camera"), "{next}");
}

/// So that a raw file teaches the curve of the HEIF picture beside it, and not that of a JPEG.
#[test]
#[cfg(feature = "raw")]
fn a_raw_file_beside_it_teaches_its_curve() {
    let studio = Studio::open();
    for (name, f_number, number) in [("a", 8.0, 1), ("b", 16.0, 2)] {
        studio.take_bytes(&format!("{name}.heic"), &heif(&shot(f_number, 0.0, number)));
        studio.put(&format!("{name}.dng"), &shot(f_number, 0.0, number).raw());
        assert!(studio.sync().is_empty());
    }
    let learned = studio.of_type("response");
    assert_eq!(learned.len(), 1);
    assert_eq!(learned[0]["colour"], "HEIF", "{}", learned[0]);
}

#[test]
fn sharpness_is_cut_out_of_it_at_full_size() {
    let bytes = heif(&shot(8.0, 0.0, 1));
    let place = CutPlace { left: 0.25, top: 0.25, right: 0.5, bottom: 0.5, most: 400, margin: 0 };
    let cut = cut_from(Kind::Heif, Path::new("a.heic"), &mut Cursor::new(&bytes), &[place]).unwrap().unwrap();
    let proxy = &cut[0].picture.proxy;
    assert_eq!((proxy.width, proxy.height, cut[0].frame), (120, 80, [480, 320]));
    assert_eq!(cut[0].picture.colour.space, Space::Heif);
}

/// Every cut is told as a file that is not whole; of other damage the worst is a sentence.
#[test]
fn a_damaged_one_is_refused_or_told_and_never_ends_the_reader() {
    let whole = heif(&shot(8.0, 0.0, 1));
    let read =
        |bytes: &[u8]| frame::read_from(Kind::Heif, Path::new("a.heic"), &mut Cursor::new(bytes), Series::Thirds);
    assert!(read(&whole).unwrap().frame.unwrap().picture.is_some());
    let ends = (0..400).chain((400..whole.len()).step_by(whole.len() / 200));
    for end in ends {
        assert!(read(&whole[..end]).is_err(), "cut at {end}");
    }
    let (mut random, mut metered, mut told, mut refused) = (Random(7), 0, 0, 0);
    for round in 0..300 {
        let mut bytes = whole.clone();
        for _ in 0..=round % 6 {
            // Half of the damage lies in the index, where lengths and sizes stand.
            let within = if round % 2 == 0 { 700.min(bytes.len()) } else { bytes.len() };
            let at = (random.next() * within as f64) as usize;
            bytes[at] = (random.next() * 256.0) as u8;
        }
        match read(&bytes) {
            Err(why) => {
                refused += 1;
                assert!(!why.to_string().is_empty());
            }
            Ok(read) => match read.frame.unwrap() {
                frame if frame.picture.is_some() => metered += 1,
                frame => {
                    told += 1;
                    assert!(!frame.notes[0].contains("::") && frame.notes[0].len() < 300, "{:?}", frame.notes);
                }
            },
        }
    }
    println!("damaged HEIF: {metered} metered, {told} told, {refused} refused");
    assert!(told > 0 && refused > 0);
}

/// A claim of pixels is refused before anything of that size is taken.
#[test]
fn a_claim_that_memory_does_not_hold_is_refused() {
    let mut bytes = heif(&shot(8.0, 0.0, 1));
    for at in bytes.windows(4).enumerate().filter(|(_, four)| four == b"ispe").map(|(at, _)| at).collect::<Vec<_>>() {
        for side in [at + 8, at + 12] {
            bytes[side..side + 4].copy_from_slice(&12_000_u32.to_be_bytes());
        }
    }
    let read = frame::read_from(Kind::Heif, Path::new("a.heic"), &mut Cursor::new(&bytes), Series::Thirds).unwrap();
    let notes = read.frame.unwrap().notes;
    assert!(notes[0].contains("MiB of memory"), "{notes:?}");
}

#[test]
fn what_is_coded_otherwise_is_told_in_the_event_on_the_terminal_and_on_the_page() {
    let Some(frames) = crate::harness::real_frames() else { return };
    let studio = Studio::open();
    let mut feed = Feed::open(&studio, None).unwrap();
    let bytes = std::fs::read(frames.join("containers/exif.avif")).unwrap();
    let frame = studio.take_bytes("a.avif", &bytes);
    let why = "coded in a way that is not read here (AVIF, say): set the camera to JPEG or raw";
    assert!(frame["notes"].to_string().contains(why), "{frame}");
    let text: String = studio.records().iter().filter_map(|record| block(record, Paint::Plain)).collect();
    assert!(text.contains(why), "{text}");
    // The start is told before it.
    assert!((0..8).any(|_| feed.next("news").to_string().contains(why)));
}

/// What libheif reads of the files that `.ci/formats` names: two cameras' and four phones'.
fn codes_by_libheif() -> Vec<OutsideLight> {
    const FILES: usize = 6;
    let all: Vec<_> = outside_light().into_iter().filter(|light| Kind::of(&light.file) == Some(Kind::Heif)).collect();
    if all.is_empty() {
        println!("skipped: no HEIF files of cameras and phones are at hand");
    } else {
        assert_eq!(all.len(), FILES, "some of them are not at hand");
    }
    all
}

/// Within what a worker may take, and with the settings that exiftool reads (which `containers_from_the_registries` holds).
#[test]
fn cameras_files_are_read_within_a_workers_limits() {
    let pool = Pool::new(PathBuf::from(env!("CARGO_BIN_EXE_greyhold")), 1);
    for path in codes_by_libheif().into_iter().map(|light| light.file) {
        let task = Task { links: Links::Followed, ..Task::of(path.clone(), Kind::Heif, Series::Thirds, Depth::Whole) };
        let answer = pool.read(&task).unwrap_or_else(|why| panic!("{}: {why}", path.display()));
        let frame = answer.frame.unwrap();
        assert!(frame.picture.is_some(), "{}: {:?}", path.display(), frame.notes);
    }
}

/// Two decoders agree about codes within what 8 bits round, and about chroma between its samples; where the file tells its range
/// wrongly they read it differently, but by one map from codes to codes, which a curve that is learned holds.
#[test]
fn cameras_files_show_the_codes_that_libheif_reads() {
    const SAME: f64 = 1.0;
    const BY_ONE_MAP: f64 = 0.02;
    for light in codes_by_libheif() {
        let read = frame::read(Kind::Heif, &light.file, Series::Thirds).unwrap();
        let picture = read.picture.unwrap_or_else(|| panic!("{}: {:?}", light.file.display(), read.notes));
        let ours = light.cells_of(&picture);
        let pairs: Vec<(f64, f64)> = ours.iter().zip(&light.cells).map(|(a, b)| (a.codes[1], b[1])).collect();
        let apart = median(pairs.iter().map(|(a, b)| (a - b).abs()).collect());
        // A straight line, by least squares.
        let n = pairs.len() as f64;
        let (x, y) = (pairs.iter().map(|p| p.1).sum::<f64>() / n, pairs.iter().map(|p| p.0).sum::<f64>() / n);
        let slope = pairs.iter().map(|p| (p.1 - x) * (p.0 - y)).sum::<f64>()
            / pairs.iter().map(|p| (p.1 - x).powi(2)).sum::<f64>();
        let off = median(pairs.iter().map(|p| (p.0 - y - slope * (p.1 - x)).abs()).collect());
        println!(
            "{}: {apart:.2} codes apart (median), slope {slope:.3}, {off:.2} codes off one line",
            light.file.display()
        );
        assert!(apart <= SAME || off <= BY_ONE_MAP * 255.0, "{}: {apart} codes", light.file.display());
    }
}
