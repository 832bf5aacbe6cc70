//! A hand-over writes what levels a frame, and only where it is known, into a folder of its own: never beside a photograph, never over
//! anybody's file.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

use crate::harness::{greyhold, logs};

fn hand_over(log: &Path, into: &Path, more: &[&str]) -> Output {
    let args = ["hand-over", log.to_str().unwrap(), "--into", into.to_str().unwrap()];
    greyhold(&[&args[..], more].concat())
}

fn done(output: &Output) {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap().flatten();
    let mut names: Vec<String> = entries.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

/// The list, by the names of the files.
fn list(folder: &Path) -> BTreeMap<String, BTreeMap<String, String>> {
    let rows = csv::Reader::from_path(folder.join("offsets.csv")).unwrap();
    let rows = rows.into_deserialize::<BTreeMap<String, String>>().map(Result::unwrap);
    rows.map(|row| (row["file"].clone(), row)).collect()
}

/// A log of 40 frames, of which two are off, in a home of its own.
fn sitting() -> (tempfile::TempDir, PathBuf) {
    let (home, log) = logs::home();
    logs::long(&log, 40);
    (home, log)
}

#[test]
fn only_frames_that_are_known_well_enough_get_a_sidecar() {
    let (home, log) = sitting();
    let before = fs::read(&log).unwrap();
    let into = home.path().join("offsets");
    done(&hand_over(&log, &into, &[]));
    let sidecars = ["frame_00020.jpg.xmp", "frame_00040.jpg.xmp"];
    assert_eq!(names(&into), [sidecars[0], sidecars[1], "greyhold-hand-over.json", "offsets.csv"]);
    let rows = list(&into);
    assert_eq!(rows.len(), 40);
    for (file, row) in &rows {
        assert_eq!(row["offset_stops"].is_empty(), !into.join(format!("{file}.xmp")).exists(), "{file}");
        assert_eq!(row["offset_stops"].is_empty(), row["uncertainty_stops"].is_empty(), "{file}");
        assert!(!row["reason"].is_empty(), "{file}");
    }
    // The golden frame is 0.725143 stop too bright; its picture says 0.732595 ±0.044301.
    let row = &rows["frame_00020.jpg"];
    assert_eq!((row["offset_stops"].as_str(), row["uncertainty_stops"].as_str()), ("-0.73", "0.05"));
    assert_eq!(fs::read(&log).unwrap(), before);
    assert_eq!(names(home.path()), ["offsets", "shots.jsonl"]);
    for (what, kept) in [("--xmp", 3), ("--csv", 2)] {
        let into = home.path().join(what.trim_start_matches('-'));
        done(&hand_over(&log, &into, &[what]));
        assert_eq!(names(&into).len(), kept, "{what}");
    }
}

/// CHECK: Python's XML parser, and exiftool, which reads XMP (ISO 16684-1).
#[test]
fn others_read_what_a_sidecar_says() {
    let (home, log) = sitting();
    let into = home.path().join("offsets");
    done(&hand_over(&log, &into, &[]));
    let sidecar = into.join("frame_00020.jpg.xmp");
    let row = list(&into)["frame_00020.jpg"].clone();
    let script = "import sys, xml.etree.ElementTree as E\n\
                  d = E.parse(sys.argv[1]).getroot()\n\
                  r = '{http://www.w3.org/1999/02/22-rdf-syntax-ns#}'\n\
                  assert d.tag == r + 'RDF' and [c.tag for c in d] == [r + 'Description'], d.tag\n\
                  assert d[0].attrib == {r + 'about': ''}, d[0].attrib\n\
                  g = '{urn:uuid:d09ca542-40ca-4b40-aa5f-ec900f6e24ab#}'\n\
                  assert all(c.tag.startswith(g) for c in d[0])\n\
                  print(d[0].find(g + 'ExposureOffset').text, d[0].find(g + 'ExposureOffsetUncertainty').text)";
    match Command::new("python3").args(["-c", script]).arg(&sidecar).output() {
        Ok(read) => {
            let said = String::from_utf8_lossy(&read.stdout).trim().to_owned();
            let wrong = String::from_utf8_lossy(&read.stderr).into_owned();
            assert_eq!(said, format!("{} {}", row["offset_stops"], row["uncertainty_stops"]), "{wrong}");
        }
        Err(_) => println!("skipped: python3 is not here"),
    }
    match Command::new("exiftool").args(["-j", "-n", "-G1"]).arg(&sidecar).output() {
        Ok(read) => {
            let read: Value = serde_json::from_slice(&read.stdout).unwrap();
            let of = |name: &str| read[0][format!("XMP-greyhold:{name}")].clone();
            let number = |column: &str| row[column].parse::<f64>().unwrap();
            assert_eq!(of("ExposureOffset").as_f64(), Some(number("offset_stops")), "{read}");
            assert_eq!(of("ExposureOffsetUncertainty").as_f64(), Some(number("uncertainty_stops")), "{read}");
            assert_eq!((of("File"), of("Reason")), ("frame_00020.jpg".into(), row["reason"].clone().into()));
            assert_eq!(read[0]["File:FileType"], "XMP");
        }
        Err(_) => println!("skipped: exiftool is not here (Debian: libimage-exiftool-perl)"),
    }
    let text = fs::read_to_string(&sidecar).unwrap();
    assert!(text.starts_with("<?xpacket begin=\"\u{feff}\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>"), "{text}");
    assert!(text.trim_end().ends_with("<?xpacket end=\"r\"?>"), "{text}");
}

#[test]
fn nobodys_folder_is_written_to() {
    let (home, log) = sitting();
    fs::write(home.path().join("frame_00020.jpg"), "a photograph").unwrap();
    let said = |output: Output| {
        assert_eq!(output.status.code(), Some(3));
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    assert!(said(hand_over(&log, home.path(), &[])).contains("no hand-over made it"));
    let into = home.path().join("offsets");
    done(&hand_over(&log, &into, &[]));
    done(&hand_over(&log, &into, &[]));
    // What another program changed since is its.
    let sidecar = into.join("frame_00020.jpg.xmp");
    fs::write(&sidecar, "another program's").unwrap();
    assert!(said(hand_over(&log, &into, &[])).contains("frame_00020.jpg.xmp in it is not as the hand-over left it"));
    assert_eq!(fs::read_to_string(&sidecar).unwrap(), "another program's");
    assert!(said(hand_over(&log, &home.path().join("nowhere/offsets"), &[])).contains("there is no folder"));
    assert!(
        said(hand_over(&home.path().join("absent.jsonl"), &home.path().join("b"), &[]))
            .contains("there is no shot log")
    );
    assert_eq!(names(home.path()), ["frame_00020.jpg", "offsets", "shots.jsonl"]);
}
