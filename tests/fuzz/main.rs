//! Random and damaged input for everything that reads what strangers wrote: no panic, no hang, bounded output, and a
//! round trip where there is one.
//!
//! `GREYHOLD_FUZZ_SECONDS=60 cargo test --test fuzz` tries each target for so long (two seconds without it).
//! `GREYHOLD_FUZZ_SEED` begins elsewhere. Input that failed is kept in `target/fuzz`; once it is mended, it goes to
//! `fixtures/fuzz`, in the folder of its target, and is tried first ever after.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../harness/mod.rs"]
mod harness;
mod mutations;
mod runner;
mod seeds;

use std::io::Cursor;
use std::path::Path;

use greyhold::config::Config;
use greyhold::container::{self, Extent, Fingerprints, Kind, clean_block};
use greyhold::frame::{self, Settings};
use greyhold::outlet::stand_page;
use greyhold::photometry::Series;
use greyhold::session::{Command, Record};

use runner::run;

/// Kinds by the first byte of an input.
const KINDS: [Kind; 9] = [
    Kind::Jpeg,
    Kind::Tiff,
    Kind::Png,
    Kind::WebP,
    Kind::Heif,
    Kind::RawTiff,
    Kind::RawBoxes,
    Kind::RawRaf,
    Kind::RawCiff,
];

fn kind_of(input: &[u8]) -> Option<(Kind, &[u8])> {
    let (first, rest) = input.split_first()?;
    Some((KINDS[usize::from(*first) % KINDS.len()], rest))
}

fn assert_plain(sentence: &str) {
    assert!(sentence.len() < 400 && !sentence.chars().any(char::is_control), "{sentence:?}");
}

/// The structure of every kind: what is told of a file lies in that file.
#[test]
fn containers() {
    run("containers", seeds::containers(), |input| {
        let Some((kind, bytes)) = kind_of(input) else { return };
        let mut file = Cursor::new(bytes);
        match container::examine(kind, &mut file) {
            Err(fault) => assert_plain(&fault.to_string()),
            Ok(layout) => {
                let length = bytes.len() as u64;
                assert!(layout.picture.iter().all(|p| p.at + p.length <= length), "{:?}", layout.picture);
                let whole = Fingerprints::of(&mut file, &layout, Extent::Whole).unwrap();
                let sampled = Fingerprints::of(&mut file, &layout, Extent::Samples).unwrap();
                assert_eq!((whole.sampled, whole.head), (sampled.sampled, sampled.head));
                assert!(whole.are_of(whole.best()) && whole.are_of(sampled.best()));
            }
        }
        let _ = container::examine_cut(kind, &mut file);
    });
}

/// Everything that is read of a picture. Raw files' samples are left out: their library is held by its process.
#[test]
fn pictures() {
    run("pictures", seeds::containers(), |input| {
        let Some((kind, bytes)) = kind_of(input).filter(|(kind, _)| !kind.is_raw()) else { return };
        match frame::read_from(kind, Path::new("a"), &mut Cursor::new(bytes), Series::Thirds) {
            Err(fault) => assert_plain(&fault.to_string()),
            Ok(read) => {
                let frame = read.frame.unwrap();
                assert!(frame.picture.is_some() || !frame.notes.is_empty());
                frame.notes.iter().for_each(|note| assert_plain(note));
                if let Some(picture) = frame.picture {
                    assert_eq!(picture.proxy.rgb.len(), picture.proxy.width * picture.proxy.height);
                }
            }
        }
    });
}

/// The library that decodes HEIF, alone: damage that keeps the structure whole comes to it as often as can be.
#[cfg(feature = "heif")]
#[test]
fn heif_pictures() {
    run("heif_pictures", seeds::heif_pictures(), |bytes| {
        let read = frame::read_from(Kind::Heif, Path::new("a.heic"), &mut Cursor::new(bytes), Series::Thirds);
        let Ok(frame) = read.map(|read| read.frame.unwrap()) else { return };
        assert!(frame.picture.is_some() || !frame.notes.is_empty());
        frame.notes.iter().for_each(|note| assert_plain(note));
    });
}

/// Settings: numbers are numbers, text is text, and a block of our own making is read as what it was made from.
#[test]
fn metadata() {
    run("metadata", seeds::metadata(), |input| {
        let read = Settings::from_exif(input, Series::Thirds);
        if let Ok(clean) = clean_block(input) {
            assert_eq!(clean_block(&clean).unwrap(), clean, "what is clean stays as it is");
            assert_eq!(read.as_ref().ok(), Settings::from_exif(&clean, Series::Thirds).as_ref().ok());
        }
        let Ok(settings) = read else { return };
        let text = serde_json::to_string(&settings).unwrap();
        assert_eq!(serde_json::from_str::<Settings>(&text).unwrap().camera, settings.camera, "{text}");
        for text in [&settings.camera, &settings.lens].into_iter().flatten() {
            assert!(text.len() <= 1024 && !text.chars().any(char::is_control), "{text:?}");
        }
    });
}

#[test]
fn configuration() {
    run("configuration", seeds::configuration(), |input| {
        let Ok(text) = std::str::from_utf8(input) else { return };
        if let Err(fault) = Config::parse(text, "greyhold.yaml") {
            assert!(fault.to_string().len() < 2000 + text.len(), "{fault}");
        }
    });
}

/// A line that is read is written as it was read. The checksum is made to fit, or nothing behind it would be tried.
#[test]
fn log_lines() {
    run("log_lines", seeds::log_lines(), |input| {
        let Ok(text) = std::str::from_utf8(input) else { return };
        let _ = (Record::from_line(text), Record::number_in(input));
        let line = format!("{text},\"crc\":\"{:08x}\"}}", crc32fast::hash(text.as_bytes()));
        let Ok(record) = Record::from_line(&line) else { return };
        let Ok(written) = record.to_line() else { panic!("read, but not to be written: {line}") };
        let again = Record::from_line(&written).unwrap_or_else(|e| panic!("{written}: {e:?}"));
        assert_eq!(again.to_line().unwrap(), written);
        assert_eq!(Record::number_in(written.as_bytes()), Some(record.n));
    });
}

#[test]
fn socket_commands() {
    run("socket_commands", seeds::commands(), |input| {
        let Ok(command) = serde_json::from_slice::<Command>(input) else { return };
        let written = serde_json::to_vec(&command).unwrap();
        assert_eq!(serde_json::from_slice::<Command>(&written).unwrap(), command);
    });
}

/// Whatever a page asks for, it names no file.
#[test]
fn page_commands() {
    run("page_commands", seeds::actions(), |input| {
        let Some(command) = stand_page::command_in(input) else { return };
        assert!(!matches!(command, Command::Reference { file: Some(_), .. } | Command::Reference { frame: None, .. }));
        let written = serde_json::to_vec(&command).unwrap();
        assert_eq!(serde_json::from_slice::<Command>(&written).unwrap(), command);
    });
}

/// What fails is told with its place, and kept.
#[test]
fn the_runner_finds_what_fails() {
    let found = std::panic::catch_unwind(|| {
        run("runner", vec![vec![1; 40]], |input| assert!(input.iter().all(|byte| *byte != 0xFF), "an edge"));
    });
    let said = *found.unwrap_err().downcast::<String>().unwrap();
    let path = said.rsplit(' ').next().unwrap();
    assert!(std::fs::read(path).unwrap().contains(&0xFF), "{said}");
}
