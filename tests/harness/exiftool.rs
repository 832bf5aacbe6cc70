//! exiftool (Debian package libimage-exiftool-perl) as an outside reference for metadata.

use std::path::Path;
use std::process::Command;

use greyhold::frame::{FlashTag, Settings};
use serde_json::Value;

/// What exiftool reads in the files of a folder, those below it included.
pub fn exiftool(folder: &Path) -> Vec<Value> {
    const TAGS: [&str; 9] = [
        "-EXIF:FNumber",
        "-EXIF:ExposureTime",
        "-EXIF:ISO",
        "-EXIF:Flash",
        "-EXIF:FocalLength",
        "-EXIF:Model",
        "-IFD0:Orientation",
        "-EXIF:DateTimeOriginal",
        "-EXIF:ExposureCompensation",
    ];
    let output =
        Command::new("exiftool").args(["-j", "-n", "-q", "-r", "-ext", "*"]).args(TAGS).arg(folder).output().unwrap();
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Holds a file's settings against exiftool's.
pub fn compare_settings(path: &Path, ours: &Settings, theirs: &Value) {
    let same = |what: &str, ours: Option<f64>, key: &str, usable: fn(f64) -> bool| {
        let theirs = theirs[key].as_f64().filter(|v| usable(*v));
        let equal = match (ours, theirs) {
            (Some(a), Some(b)) => (a - b).abs() <= 1e-3 * b.abs().max(1e-9),
            (a, b) => a.is_none() == b.is_none(),
        };
        assert!(equal, "{}: {what} is {ours:?}, exiftool says {theirs:?}", path.display());
    };
    same("f-number", ours.f_number.map(|n| n.marked()), "FNumber", |n| (0.5..256.0).contains(&n));
    same("exposure time", ours.exposure_time.map(|t| t.marked_seconds()), "ExposureTime", |t| t > 1e-6);
    same("ISO", ours.iso.map(|s| s.marked()), "ISO", |s| (1.0..65_535.0).contains(&s));
    same("focal length", ours.focal_length_mm, "FocalLength", |f| f >= 0.5);
    same("exposure bias", ours.exposure_bias.map(|b| b.0), "ExposureCompensation", |b| b.abs() < 100.0);
    if let Some(bits) = theirs["Flash"].as_u64() {
        assert_eq!(ours.flash == Some(FlashTag::Fired), bits & 1 == 1, "{}: flash", path.display());
    }
    if let Some(orientation) = theirs["Orientation"].as_u64().filter(|o| (1..=8).contains(o)) {
        assert_eq!(u64::from(ours.orientation), orientation, "{}: orientation", path.display());
    }
    if let (Some(model), Some(ours)) = (theirs["Model"].as_str(), &ours.camera) {
        assert_eq!(ours, model.trim(), "{}: camera", path.display());
    }
    if let (Some(at), Some(captured)) = (theirs["DateTimeOriginal"].as_str(), &ours.captured) {
        assert_eq!(captured.local.strftime("%Y:%m:%d %H:%M:%S").to_string(), at, "{}: time", path.display());
    }
}
