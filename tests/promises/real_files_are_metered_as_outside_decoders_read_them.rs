//! Real raw files: each is metered, or told why not; their settings are exiftool's, and the light between their patches is that of
//! an outside decoder. A raw file whose light no library reads is metered by the picture in it, and says so.
//!
//! CHECK: LibRaw (PyPI rawpy), whose light `.ci/formats` writes into the file that `GREYHOLD_OUTSIDE_LIGHT` names; exiftool
//! (Debian package libimage-exiftool-perl). The files are those of ../shared/frames/raw, and serve to check only.

use std::path::{Path, PathBuf};

use greyhold::frame::Picture;
use serde::Deserialize;

/// What an outside decoder read of a file: the mean of each cell of a grid over the upright picture.
#[derive(Deserialize)]
pub struct OutsideLight {
    pub file: PathBuf,
    /// Light from 0 to 1, and not codes.
    pub linear: bool,
    pub cells: Vec<[f64; 3]>,
}

/// Means of a cell of the same grid, as greyhold reads it.
#[derive(Default, Clone)]
pub struct Cell {
    pub light: f64,
    pub codes: [f64; 3],
    count: f64,
}

impl OutsideLight {
    pub fn cells_of(&self, picture: &Picture) -> Vec<Cell> {
        let (width, height) = (picture.proxy.width, picture.proxy.height);
        let (columns, rows) = if width >= height { (12, 8) } else { (8, 12) };
        let mut cells = vec![Cell::default(); columns * rows];
        for (at, rgb) in picture.proxy.rgb.iter().enumerate() {
            let cell = &mut cells[(at / width * rows / height) * columns + at % width * columns / width];
            cell.light += picture.linear.as_ref().map_or(0.0, |linear| f64::from(linear[at]));
            cell.codes.iter_mut().zip(rgb).for_each(|(sum, code)| *sum += f64::from(*code));
            cell.count += 1.0;
        }
        for cell in &mut cells {
            cell.light /= cell.count;
            cell.codes.iter_mut().for_each(|code| *code /= cell.count);
        }
        cells
    }
}

pub fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

pub fn outside_light() -> Vec<OutsideLight> {
    let Some(path) = std::env::var_os("GREYHOLD_OUTSIDE_LIGHT") else {
        println!("skipped: GREYHOLD_OUTSIDE_LIGHT names no light of an outside decoder (.ci/formats writes it)");
        return Vec::new();
    };
    serde_json::from_slice(&std::fs::read(Path::new(&path)).unwrap()).unwrap()
}

#[cfg(feature = "raw")]
mod raw {
    use std::process::Command;

    use greyhold::container::Kind;
    use greyhold::frame::{self, Frame};
    use greyhold::outlet::plain::{Paint, block};
    use greyhold::photometry::Series;
    use serde_json::{Value, json};

    use super::{median, outside_light};
    use crate::harness::exiftool::{compare_settings, exiftool};
    use crate::harness::http::Feed;
    use crate::harness::{Shot, Studio, real_frames, shot};

    /// In the folder of real raw files, as its SOURCE.md lists them; two of them are CIFF, and of one no library reads the light.
    const FILES: usize = 6;
    const CIFF_FILES: usize = 2;

    fn files() -> Vec<std::path::PathBuf> {
        let folder = real_frames().map(|frames| frames.join("raw")).filter(|folder| folder.is_dir());
        let Some(folder) = folder else {
            println!("skipped: the folder of real raw files is not here");
            return Vec::new();
        };
        let entries = std::fs::read_dir(folder).unwrap().flatten().map(|entry| entry.path());
        let files: Vec<_> = entries.filter(|path| Kind::of(path).is_some()).collect();
        assert_eq!(files.len(), FILES, "{files:?}");
        files
    }

    fn read(path: &std::path::Path) -> Frame {
        frame::read(Kind::of(path).unwrap(), path, Series::Thirds).unwrap()
    }

    #[test]
    fn each_is_metered_by_its_light_or_says_by_what() {
        for path in files() {
            let frame = read(&path);
            let by_light = frame.picture.as_ref().is_some_and(|picture| picture.linear.is_some());
            println!("{}: by its light {by_light}; {:?}", path.display(), frame.notes);
            let is_vc5 = path.extension().is_some_and(|extension| extension == "GPR");
            // Eight bits, which a curve in the file makes light.
            let is_lossy = path.ends_with("canon_eos_6d.dng");
            assert_eq!(by_light, !is_vc5 && !is_lossy, "{}: {:?}", path.display(), frame.notes);
            assert!(!is_lossy || (frame.picture.is_some() && frame.notes[0].starts_with(SAID)), "{:?}", frame.notes);
            if is_vc5 {
                // It has no picture beside its light.
                assert!(
                    frame.picture.is_none() && frame.notes[0].starts_with("no library here reads"),
                    "{:?}",
                    frame.notes
                );
            }
        }
    }

    #[test]
    fn settings_are_exiftools() {
        let files = files();
        let Some(folder) = files.first().and_then(|file| file.parent()) else { return };
        let told = exiftool(folder);
        if told.is_empty() {
            return;
        }
        let mut compared = 0;
        for theirs in told {
            let path = std::path::PathBuf::from(theirs["SourceFile"].as_str().unwrap());
            match Kind::of(&path) {
                Some(Kind::RawCiff) => compare_settings(&path, &read(&path).settings, &of_ciff(&path)),
                Some(kind) if kind.is_raw() => compare_settings(&path, &read(&path).settings, &theirs),
                _ => continue,
            }
            compared += 1;
        }
        assert_eq!(compared, FILES);
    }

    /// These files have no Exif: what exiftool makes of the maker's own numbers, under the names of Exif.
    fn of_ciff(path: &std::path::Path) -> Value {
        let tags =
            ["Canon:FNumber", "Canon:ExposureTime", "Composite:ISO", "Canon:ExposureCompensation", "CanonRaw:Model"];
        let more = ["CanonRaw:DateTimeOriginal", "Canon:FocalLength"];
        let output = Command::new("exiftool")
            .args(["-j", "-n", "-q"])
            .args(tags.iter().chain(&more).map(|tag| format!("-{tag}")))
            .arg(path)
            .output()
            .unwrap();
        let read: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
        assert!(read[0]["ISO"].is_number() && read[0]["ExposureTime"].is_number(), "{read:?}");
        read.into_iter().next().unwrap()
    }

    /// Two decoders fill colours in and bring them to sRGB by matrices of their own, so that luminance differs where colours are strong,
    /// and cut the sensor's border otherwise, which moves the cells by some pixels: a tenth of a stop for nine of ten cells of light that is
    /// neither saturated nor lost in noise (0.054 were measured of the oldest camera's file). That is less than a watch's tolerance.
    #[test]
    fn light_between_patches_is_librawss() {
        let lights: Vec<_> = outside_light().into_iter().filter(|light| light.linear).collect();
        if lights.is_empty() {
            println!("skipped: there is no light of raw files by an outside decoder");
            return;
        }
        let mut compared = 0;
        for light in lights {
            let frame = read(&light.file);
            let Some(picture) = frame.picture.filter(|picture| picture.linear.is_some()) else {
                println!("{}: not read by its light", light.file.display());
                continue;
            };
            compared += 1;
            let ours = light.cells_of(&picture);
            let luminance = |[r, g, b]: &[f64; 3]| 0.2126 * r + 0.7152 * g + 0.0722 * b;
            let usable = |light: f64| (0.005..0.5).contains(&light);
            let pairs: Vec<f64> = ours
                .iter()
                .zip(&light.cells)
                .filter(|(a, b)| usable(a.light) && usable(luminance(b)))
                .map(|(a, b)| (a.light / luminance(b)).log2())
                .collect();
            let middle = median(pairs.clone());
            let mut apart: Vec<f64> = pairs.iter().map(|ratio| (ratio - middle).abs()).collect();
            apart.sort_by(f64::total_cmp);
            let nine_of_ten = apart[apart.len() * 9 / 10];
            println!(
                "{}: {} cells, {:.3} stop apart (median), {nine_of_ten:.3} (nine of ten), {:.3} (worst)",
                light.file.display(),
                apart.len(),
                median(apart.clone()),
                apart[apart.len() - 1]
            );
            assert!(apart.len() >= 10 && nine_of_ten <= 0.1, "{}: {apart:?}", light.file.display());
        }
        // Of one no library reads the pixels, and another's numbers are made light by a curve that isn't read.
        assert_eq!(compared, FILES - 2);
    }

    const SAID: &str =
        "metered by the picture embedded in the raw file, through a curve as a JPEG is, and not by the sensor's light";

    /// A raw file in a coding that no library reads, with the camera's picture in it.
    fn unread(shot: Shot) -> Vec<u8> {
        let shot = Shot { size: (720, 480), ..shot };
        let mut bytes = shot.raw_with(&shot.jpeg());
        // TIFF 6.0: tag 259, one short; 1 is not compressed. 9 is VC-5 (SMPTE ST 2073), from memory.
        let entry = [3, 1, 3, 0, 1, 0, 0, 0, 1, 0];
        let at = bytes.windows(entry.len()).position(|ten| ten == entry).unwrap();
        bytes[at + 8] = 9;
        bytes
    }

    #[test]
    fn a_raw_file_that_no_library_reads_is_metered_by_the_picture_in_it_and_says_so_everywhere() {
        let studio = Studio::open();
        let mut feed = Feed::open(&studio, None).unwrap();
        let first = studio.take_bytes("a.dng", &unread(shot(8.0, 0.0, 1)));
        assert!(first["notes"][0].as_str().unwrap().starts_with(SAID), "{first}");
        // The start is told before it.
        assert!((0..8).any(|_| feed.next("news").to_string().contains(SAID)));
        let darker = studio.take_bytes("b.dng", &unread(shot(8.0, -1.0, 2)));
        let verdict = &darker["verdict"];
        let observed = verdict["observed"].as_f64().unwrap();
        assert!((observed + 1.0).abs() < verdict["observed_uncertainty"].as_f64().unwrap(), "{darker}");
        // By a curve, and never as light.
        assert!(verdict["response"].as_str().unwrap().starts_with("stock-camera"), "{darker}");
        let text: String = studio.records().iter().filter_map(|record| block(record, Paint::Plain)).collect();
        assert_eq!(text.matches(SAID).count(), 2, "{text}");
        // One frame is a suspicion.
        studio.take_bytes("c.dng", &unread(shot(8.0, -1.0, 3)));
        assert!(!studio.corrections().is_empty(), "what is seen in it is acted on");
    }

    /// A raw file whose light can be read is held against none that is known by its embedded picture alone.
    #[test]
    fn light_is_not_compared_with_an_embedded_picture() {
        let studio = Studio::open();
        studio.take_bytes("a.dng", &unread(shot(8.0, 0.0, 1)));
        let light = studio.take_bytes("b.dng", &shot(8.0, 0.0, 2).raw());
        assert!(light["verdict"]["observed"].is_null(), "{light}");
        // Nor is a JPEG: the picture in a raw file may be of another look.
        let picture = studio.take("c.jpg", shot(8.0, 0.0, 3));
        assert!(picture["verdict"]["observed"].is_null(), "{picture}");
        assert_eq!(studio.tell(json!({"command": "reference"}))["ok"], true);
    }

    /// A raw file that is cut has no directory at its end.
    #[test]
    fn a_cut_ciff_file_is_not_taken_up() {
        let files = files();
        let ciff: Vec<_> = files.iter().filter(|path| Kind::of(path) == Some(Kind::RawCiff)).collect();
        assert!(files.is_empty() || ciff.len() == CIFF_FILES, "{ciff:?}");
        for path in ciff {
            let bytes = std::fs::read(path).unwrap();
            for part in [0.0, 0.001, 0.1, 0.5, 0.9, 0.99, 0.9999] {
                let end = (bytes.len() as f64 * part) as usize + 1;
                let mut file = std::io::Cursor::new(&bytes[..end]);
                // What stands at the cut is no directory: one that is missing, or none that a camera wrote.
                let fault = greyhold::container::examine(Kind::RawCiff, &mut file).unwrap_err().to_string();
                assert!(fault.contains("not whole") || fault.contains("too many entries"), "{end}: {fault}");
            }
        }
    }
}
