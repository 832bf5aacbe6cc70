//! A hostile file is refused with one plain sentence, soon and within little memory; what a library says of it, or what
//! it holds as text, reaches nobody as it is.

use std::io::Cursor;
use std::path::Path;
use std::time::{Duration, Instant};

use crate::harness::process::in_a_process_of_its_own;
use crate::harness::{dng, hostile, real_frames, shot};
use greyhold::container::Kind;
use greyhold::frame::{self, Frame};
use greyhold::meter::{FrameReadings, Spot, meter};
use greyhold::photometry::Series;

fn read(name: &str, bytes: &[u8]) -> Result<Frame, String> {
    let path = Path::new(name);
    let kind = Kind::of(path).unwrap();
    let read = frame::read_from(kind, path, &mut Cursor::new(bytes), Series::Thirds).map_err(|e| e.to_string())?;
    Ok(read.frame.unwrap())
}

/// The most memory that this process has had, in MiB; `None` where the system doesn't tell.
fn peak_mib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? >> 10)
}

fn assert_plain(name: &str, sentence: &str) {
    assert!(!sentence.is_empty() && sentence.len() < 300, "{name}: {sentence}");
    assert!(!sentence.chars().any(char::is_control), "{name}: {sentence:?}");
    for mark in ["{", "}", "http", "::", "Please file"] {
        assert!(!sentence.contains(mark), "{name}: {sentence}");
    }
}

fn assert_refused(name: &str, bytes: &[u8]) {
    let began = Instant::now();
    match read(name, bytes) {
        Err(sentence) => assert_plain(name, &sentence),
        Ok(frame) => {
            assert!(frame.picture.is_none(), "{name} was metered");
            assert!(!frame.notes.is_empty(), "{name}: nothing is said");
            frame.notes.iter().for_each(|note| assert_plain(name, note));
        }
    }
    assert!(began.elapsed() < Duration::from_secs(10), "{name} took {:?}", began.elapsed());
}

#[test]
fn every_hostile_file_is_refused_soon_and_within_little_memory() {
    in_a_process_of_its_own(|| {
        for file in hostile::all() {
            assert_refused(&file.name, &file.bytes);
        }
        if let Some(frames) = real_frames() {
            for name in ["loop.CR3", "uuid0.CR3", "compatible-brands-fail.heic", "oom_large_box.heic"] {
                assert_refused(name, &std::fs::read(frames.join("hostile").join(name)).unwrap());
            }
        }
        // All of them together.
        match peak_mib() {
            Some(mib) => assert!(mib < 400, "{mib} MiB"),
            None => println!("skipped: this system doesn't tell a process's memory"),
        }
    });
}

#[test]
fn a_sound_raw_file_of_boxes_keeps_its_settings() {
    let Some(frames) = real_frames() else { return };
    // It is cut in its picture, and its boxes are sound.
    let path = frames.join("containers/canon-r6.cr3");
    let frame = frame::read_leniently(Kind::RawBoxes, &path, Series::Thirds).unwrap();
    assert!(frame.settings.f_number.is_some() && frame.settings.exposure_time.is_some(), "{:?}", frame.settings);
    // Whole but for its samples' place, it is walked, too, and refused by nobody but the library.
    let mut bytes = std::fs::read(&path).unwrap();
    let mdat = bytes.windows(4).position(|w| w == b"mdat").unwrap() - 4;
    let size = (bytes.len() - mdat) as u32;
    bytes[mdat..mdat + 4].copy_from_slice(&size.to_be_bytes());
    let frame = read("r6.cr3", &bytes).unwrap();
    assert!(frame.settings.f_number.is_some());
    frame.notes.iter().for_each(|note| assert_plain("r6.cr3", note));
}

#[test]
fn a_big_tiff_is_called_by_its_name() {
    let said = read("big.tif", b"II+\0\x08\0\0\0\x10\0\0\0\0\0\0\0").unwrap_err();
    assert!(said.contains("BigTIFF"), "{said}");
}

#[test]
fn text_out_of_a_file_holds_nothing_that_a_terminal_obeys() {
    let mut bytes = shot(8.0, 0.0, 1).raw();
    let name = b"a made-up camera";
    let places: Vec<usize> =
        bytes.windows(name.len()).enumerate().filter(|(_, w)| w == name).map(|(at, _)| at).collect();
    assert!(!places.is_empty());
    for at in places {
        bytes[at..at + 9].copy_from_slice(b"\x1b]0;xy\x07\n!");
    }
    let frame = read("a.nef", &bytes).unwrap();
    let camera = frame.settings.camera.clone().unwrap();
    assert!(!camera.chars().any(char::is_control), "{camera:?}");
    frame.notes.iter().for_each(|note| assert_plain("a.nef", note));
}

/// A DNG of floating point whose samples are no numbers, or have no end, in places.
#[test]
fn samples_that_are_no_numbers_are_black_or_saturated() {
    let (width, height) = (96, 64);
    for strange in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, f32::MIN, 1e30] {
        let sample = |at: usize| if at.is_multiple_of(7) { strange } else { 0.18 };
        let samples: Vec<f32> = (0..width * height).map(sample).collect();
        let frame = read("float.dng", &dng::float_dng(&samples, width as u32, height as u32)).unwrap();
        let picture = frame.picture.unwrap_or_else(|| panic!("{:?}", frame.notes));
        assert!(picture.linear.as_ref().unwrap().iter().all(|light| (0.0..=1.0).contains(light)), "{strange}");
        let metered = meter(&picture, &Spot::ready());
        let json = serde_json::to_string(&metered).unwrap();
        // What JSON has no number for would be written as null, and then not be read.
        let back: FrameReadings = serde_json::from_str(&json).unwrap_or_else(|e| panic!("{strange}: {e}"));
        assert_eq!(back.readings.len(), metered.readings.len());
    }
}
