//! Real containers of many cameras, fetched from package registries by `.ci/registry-frames`: settings as
//! exiftool reads them, and no file that panics, hangs or is metered by halves. Skipped, with a line, where
//! `GREYHOLD_REGISTRY_FRAMES` names no folder of them.
//!
//! CHECK: exiftool (Debian package libimage-exiftool-perl) on files of PyPI's pillow_heif and pillow, Debian's
//! exiv2 and libimage-exiftool-perl.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::harness::exiftool::{compare_settings, exiftool};
use greyhold::container::Kind;
use greyhold::frame;
use greyhold::photometry::Series;

fn registry() -> Option<PathBuf> {
    let folder = std::env::var_os("GREYHOLD_REGISTRY_FRAMES").map(PathBuf::from).filter(|f| f.is_dir());
    if folder.is_none() {
        println!("skipped: GREYHOLD_REGISTRY_FRAMES names no folder (.ci/registry-frames fetches one)");
    }
    folder
}

/// Files whose damage is their purpose: readers may differ on them.
fn is_damaged_on_purpose(path: &Path) -> bool {
    let text = path.display().to_string();
    [
        "issue",
        "poc",
        "POC",
        "corrupt",
        "truncat",
        "fuzz",
        "crash",
        "oom",
        "hostile",
        "CVE",
        "2018-",
        "broken",
        "invalid",
        "exiv2-bug",
        "/test/data/",
    ]
    .iter()
    .any(|mark| text.contains(mark))
        && !["Canon-R6", "Canon.HIF", "Sony.HIF"].iter().any(|mark| text.contains(mark))
}

/// The first tells its ISO speed outside the standard tags only; the second holds times of two pictures.
const READ_OTHERWISE: [&str; 2] = ["spatial_photo.heic", "empty_icc.heic"];

#[test]
fn settings_are_exiftools_in_every_kind_of_container() {
    let Some(folder) = registry() else { return };
    let mut compared: BTreeMap<String, usize> = BTreeMap::new();
    let mut refused = 0;
    for theirs in exiftool(&folder) {
        let path = PathBuf::from(theirs["SourceFile"].as_str().unwrap());
        let Some(kind) = Kind::of(&path) else { continue };
        let known = READ_OTHERWISE.iter().any(|name| path.ends_with(name));
        if !(kind.is_raw() || kind == Kind::Heif)
            || matches!(kind, Kind::RawOther | Kind::RawCiff)
            || is_damaged_on_purpose(&path)
            || known
        {
            continue;
        }
        let Ok(read) = frame::read_leniently(kind, &path, Series::Thirds) else {
            refused += 1;
            continue;
        };
        // Files without any camera metadata have nothing to compare.
        if theirs["FNumber"].is_null() && read.settings.f_number.is_none() {
            continue;
        }
        compare_settings(&path, &read.settings, &theirs);
        *compared.entry(path.extension().unwrap().to_string_lossy().to_lowercase()).or_default() += 1;
    }
    println!("settings compared with exiftool: {compared:?}; refused: {refused}");
    for extension in ["cr2", "cr3", "nef", "raf", "rw2", "dng", "hif", "heic"] {
        assert!(compared.contains_key(extension), "no {extension} was compared: {compared:?}");
    }
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        if path.is_dir() {
            found.extend(files(&path));
        } else if Kind::of(&path).is_some() {
            found.push(path);
        }
    }
    found
}

#[test]
fn every_container_is_read_or_refused_and_no_stub_of_a_raw_file_is_metered() {
    let Some(folder) = registry() else { return };
    let (mut read, mut refused) = (0, 0);
    for path in files(&folder) {
        let kind = Kind::of(&path).unwrap();
        match frame::read_leniently(kind, &path, Series::Thirds) {
            Ok(frame) => {
                read += 1;
                // All raw files there are cut: light of one would be made up.
                let light = frame.picture.as_ref().and_then(|picture| picture.linear.as_ref());
                assert!(!kind.is_raw() || light.is_none(), "{}", path.display());
                assert!(frame.picture.is_some() || !frame.notes.is_empty(), "{}", path.display());
            }
            Err(why) => {
                refused += 1;
                assert!(!why.to_string().is_empty());
            }
        }
    }
    println!("{read} files read, {refused} refused");
    assert!(read > 100);
}
