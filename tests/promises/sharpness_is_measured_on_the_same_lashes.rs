//! Sharpness, spot by spot: `compare --sharpness` says how much of the finest detail each frame keeps and which blur explains the loss,
//! and tells depth of field, a missed focus and a motion apart; `--crops` shows it.
//!
//! CHECK: the blurs are convolutions of light with Gaussians of known width, made here; `.ci/sharpness-reference.py` has scipy make them.

use std::fs;

use greyhold::photometry::{ExposureTime, FNumber, IsoSpeed, Series};
use greyhold::response::srgb_encode;
use greyhold::studio::{CameraSettings, with_exif};
use jiff::civil::date;
use serde_json::{Value, json};

use crate::harness::dng::{Sensor, dng};
use crate::harness::random::Random;
use crate::harness::{Shot, greyhold, real_frames, shot};

pub const SIZE: [usize; 2] = [1200, 800];
/// Names, middles and half of the sides of three spots, as parts of the frame's width and height.
pub const SPOTS: [(&str, [f64; 2]); 3] = [("eyes", [0.2, 0.35]), ("lips", [0.5, 0.6]), ("ear", [0.8, 0.4])];
const RADIUS: f64 = 0.11;

/// Light, one number a pixel.
pub type Light = Vec<f64>;

/// A wall with stains of all sizes, down to a pixel.
fn wall() -> Light {
    const CELLS: usize = 331;
    let mut random = Random(17);
    let stains: Vec<f64> = (0..CELLS * CELLS).map(|_| random.next()).collect();
    let stain = |x: f64, y: f64| {
        let (column, row) = (x as usize, y as usize);
        let at = |column: usize, row: usize| stains[row % CELLS * CELLS + column % CELLS];
        let along = |row: usize| at(column, row) * (1.0 - x.fract()) + at(column + 1, row) * x.fract();
        along(row) * (1.0 - y.fract()) + along(row + 1) * y.fract()
    };
    let mut light = Vec::with_capacity(SIZE[0] * SIZE[1]);
    for y in 0..SIZE[1] {
        for x in 0..SIZE[0] {
            let sizes = [1.7, 3.3, 7.1, 15.7, 33.1];
            let sum: f64 = sizes.iter().map(|size| stain(x as f64 / size, y as f64 / size) - 0.5).sum();
            light.push(0.2 * (1.0 + 0.35 * sum));
        }
    }
    light
}

/// Convolved with a Gaussian of these deviations across and down.
fn blurred(light: &Light, across: f64, down: f64) -> Light {
    let pass = |from: &Light, deviation: f64, step: usize, length: usize| -> Light {
        if deviation == 0.0 {
            return from.clone();
        }
        let far = (5.0 * deviation).ceil() as isize;
        let weights: Vec<f64> = (-far..=far).map(|at| (-(at as f64 / deviation).powi(2) / 2.0).exp()).collect();
        let all: f64 = weights.iter().sum();
        let place = |at: usize| if step == 1 { at % SIZE[0] } else { at / SIZE[0] };
        let value = |at: usize| {
            let taps = weights.iter().zip(-far..).map(|(weight, off)| {
                let to = (place(at) as isize + off).clamp(0, length as isize - 1);
                weight * from[at.wrapping_add_signed((to - place(at) as isize) * step as isize)]
            });
            taps.sum::<f64>() / all
        };
        (0..from.len()).map(value).collect()
    };
    pass(&pass(light, across, 1, SIZE[0]), down, SIZE[0], SIZE[1])
}

/// How a frame is taken: its spots blurred across and down each, by so many stops brighter, moved by so many pixels.
pub struct Taken {
    pub f_number: f64,
    pub blurs: [[f64; 2]; 3],
    pub stops: f64,
    pub moved: [usize; 2],
}

pub const SHARP: Taken = Taken { f_number: 14.0, blurs: [[0.0; 2]; 3], stops: 0.0, moved: [0; 2] };

pub fn round(f_number: f64, blurs: [f64; 3]) -> Taken {
    Taken { f_number, blurs: blurs.map(|blur| [blur; 2]), ..SHARP }
}

pub struct Sitting {
    folder: tempfile::TempDir,
    wall: Light,
}

impl Sitting {
    pub fn new() -> Sitting {
        Sitting::before(wall())
    }

    /// Any other scene.
    pub fn before(wall: Light) -> Sitting {
        assert_eq!(wall.len(), SIZE[0] * SIZE[1]);
        Sitting { folder: tempfile::tempdir().unwrap(), wall }
    }

    pub fn path(&self, name: &str) -> String {
        self.folder.path().join(name).display().to_string()
    }

    /// The light of a frame with its noise. A third of the frame belongs to each spot.
    fn exposed(&self, name: &str, how: &Taken) -> Light {
        let thirds = how.blurs.map(|[across, down]| blurred(&self.wall, across, down));
        let mut random = Random(name.bytes().map(u64::from).sum());
        let light = |at: usize| {
            let (x, y) = (at % SIZE[0] + how.moved[0], at / SIZE[0] + how.moved[1]);
            let (x, y) = (x.min(SIZE[0] - 1), y.min(SIZE[1] - 1));
            let light = thirds[x * 3 / SIZE[0]][y * SIZE[0] + x] * how.stops.exp2();
            // Noise as at ISO 100 or 200, about.
            light + (light * 2e-5).sqrt() * random.normal()
        };
        (0..self.wall.len()).map(light).collect()
    }

    pub fn put(&self, name: &str, how: &Taken) -> String {
        let code = |light: f64| (srgb_encode(light.clamp(0.0, 1.0)) * 255.0).round() as u8;
        let rgb: Vec<u8> = self.exposed(name, how).into_iter().flat_map(|light| [code(light); 3]).collect();
        let settings = CameraSettings {
            f_number: FNumber::new(how.f_number, None, Series::Thirds).unwrap(),
            time: ExposureTime::new(1.0 / 160.0, None, Series::Thirds).unwrap(),
            iso: IsoSpeed::new(100.0).unwrap(),
            at: date(2026, 3, 1).at(10, 0, 0, 0),
        };
        fs::write(self.path(name), with_exif(&rgb, SIZE[0] as u32, SIZE[1] as u32, &settings, 94).unwrap()).unwrap();
        self.path(name)
    }

    /// The same as a raw file: each sample has noise of its own.
    pub fn put_raw(&self, name: &str, how: &Taken) -> String {
        let light: Vec<[f32; 3]> = self.exposed(name, how).into_iter().map(|light| [light as f32; 3]).collect();
        // Of the same time as the pictures.
        let shot = Shot { at: -86_400.0, ..shot(how.f_number, 0.0, 1) };
        let raw = dng(&light, SIZE[0] as u32, SIZE[1] as u32, &Sensor::usual(), &shot);
        fs::write(self.path(name), raw).unwrap();
        self.path(name)
    }

    fn compare(&self, options: &[&str], files: &[String]) -> std::process::Output {
        let spots = SPOTS.map(|(name, [x, y])| format!("--spot={name}:{x},{y},{RADIUS}"));
        let spots = spots.iter().map(String::as_str);
        let files = files.iter().map(String::as_str);
        let args: Vec<&str> = ["compare", "--response", "srgb"]
            .into_iter()
            .chain(options.iter().copied())
            .chain(spots)
            .chain(files)
            .collect();
        let output = greyhold(&args);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        output
    }

    /// One object a file, and the last for all.
    pub fn told(&self, files: &[String]) -> Vec<Value> {
        let output = self.compare(&["--sharpness", "--json"], files);
        let told: Vec<Value> =
            String::from_utf8(output.stdout).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        assert_eq!(told.len(), files.len() + 1);
        told
    }
}

pub fn blur(told: &Value, spot: usize) -> f64 {
    told["spots"][spot]["softness"]["blur"].as_f64().unwrap_or_else(|| panic!("{told}"))
}

#[test]
fn each_aperture_is_told_what_it_keeps_of_each_spot() {
    let sitting = Sitting::new();
    let files = [
        sitting.put("a.jpg", &SHARP),
        sitting.put("b.jpg", &round(5.6, [0.0, 0.0, 1.0])),
        sitting.put("c.jpg", &round(2.8, [0.0, 1.5, 4.0])),
    ];
    let told = sitting.told(&files);
    assert!((blur(&told[1], 2) - 1.0).abs() < 0.25, "{}", told[1]);
    assert!((blur(&told[2], 1) - 1.5).abs() < 0.25 && (blur(&told[2], 2) - 4.0).abs() < 0.6, "{}", told[2]);
    assert_eq!(told[1]["cause"]["kind"], "less_depth");
    assert_eq!(told[1]["sentence"], "less depth of field: eyes and lips kept, ear softer");
    assert_eq!(told[2]["sentence"], "less depth of field: eyes kept, lips and ear softer");
    assert_eq!(told[3]["sentence"], "f/14 keeps eyes, lips and ear; f/5.6 loses ear; f/2.8 loses lips");
    let table = String::from_utf8(sitting.compare(&["--sharpness"], &files).stdout).unwrap();
    let row = table.lines().find(|line| line.starts_with("b.jpg  f/5.6")).unwrap();
    assert_eq!(row.matches("100 %").count(), 2, "{table}");
    assert!(row.contains("±") && row.ends_with("px)"), "{table}");
    // In any order: each spot is held against the frame that is the sharpest there.
    let turned = sitting.told(&[files[2].clone(), files[0].clone()]);
    assert!((blur(&turned[0], 2) - 4.0).abs() < 0.6, "{}", turned[0]);
    assert_eq!(turned[1]["sentence"], "more depth of field: lips and ear sharper");
}

#[test]
fn neither_an_exposure_nor_a_moved_frame_is_a_change_of_sharpness() {
    let sitting = Sitting::new();
    let files = [
        sitting.put("a.jpg", &SHARP),
        sitting.put("b.jpg", &Taken { stops: 1.0, ..SHARP }),
        sitting.put("c.jpg", &Taken { stops: -1.0, moved: [23, 9], ..SHARP }),
    ];
    let mut measured = 0;
    for (nth, told) in sitting.told(&files).iter().take(files.len()).enumerate() {
        // Of the first nothing has to be explained.
        assert_eq!(told["cause"]["kind"], if nth > 0 { json!("as_sharp") } else { json!(null) }, "{told}");
        // Any of the three may be the one that the others are held against.
        for spot in told["spots"].as_array().unwrap().iter().filter(|spot| spot["sharpest"] != true) {
            let share = spot["softness"]["detail"]["share"].as_f64().unwrap_or_else(|| panic!("{told}"));
            assert!((share - 1.0).abs() <= 0.02, "{told}");
            measured += 1;
        }
    }
    assert_eq!(measured, 2 * SPOTS.len());
}

#[test]
fn a_motion_and_a_missed_focus_are_no_depth_of_field() {
    let sitting = Sitting::new();
    let reference = sitting.put("a.jpg", &Taken { f_number: 5.6, ..round(5.6, [0.0, 0.0, 2.0]) });
    let kind = |name: &str, how: &Taken| {
        let told = sitting.told(&[reference.clone(), sitting.put(name, how)]);
        told[1]["cause"]["kind"].as_str().unwrap().to_owned()
    };
    let moved = Taken { f_number: 5.6, blurs: [[3.0, 0.0], [3.0, 0.0], [3.6, 2.0]], ..SHARP };
    assert_eq!(kind("moved.jpg", &moved), "moved_while_exposed");
    assert_eq!(kind("missed.jpg", &round(5.6, [2.0, 2.0, 4.0])), "focus_missed");
    assert_eq!(kind("elsewhere.jpg", &round(5.6, [2.0, 1.0, 0.0])), "focus_elsewhere");
    assert_eq!(kind("wider.jpg", &round(2.8, [0.0, 0.0, 4.0])), "less_depth");
}

#[test]
fn the_spots_stand_side_by_side_in_one_file_that_needs_no_other() {
    let sitting = Sitting::new();
    let files =
        [sitting.put("a.jpg", &SHARP), sitting.put("b<i>.jpg", &Taken { stops: 1.0, ..round(5.6, [0.0, 0.0, 2.0]) })];
    let page = sitting.path("out.html");
    sitting.compare(&["--crops", &page], &files);
    let html = fs::read_to_string(&page).unwrap();
    assert_eq!(html.matches("<img ").count(), SPOTS.len() * files.len());
    assert_eq!(html.matches("src=\"data:image/jpeg;base64,").count(), SPOTS.len() * files.len());
    assert!(!html.contains("http:") && !html.contains("https:") && !html.contains("<script") && !html.contains("<i>"));
    let picture = |number: usize| {
        let coded = html.split("base64,").nth(number + 1).unwrap().split('"').next().unwrap();
        image::load_from_memory(&decoded(coded)).unwrap().to_luma8()
    };
    // The narrowest aperture stands first; both are equally bright, and the ear is softer in one.
    let mean = |number| {
        let picture = picture(number);
        picture.pixels().map(|pixel| f64::from(pixel.0[0])).sum::<f64>() / f64::from(picture.width() * picture.height())
    };
    for spot in 0..SPOTS.len() {
        assert!((mean(spot * 2) - mean(spot * 2 + 1)).abs() < 3.0, "{} {}", mean(spot * 2), mean(spot * 2 + 1));
    }
    let roughness = |number| {
        let picture = picture(number);
        let steps = picture.rows().map(|row| {
            let codes: Vec<f64> = row.map(|pixel| f64::from(pixel.0[0])).collect();
            codes.windows(2).map(|pair| (pair[1] - pair[0]).powi(2)).sum::<f64>()
        });
        steps.sum::<f64>()
    };
    assert!(roughness(5) < 0.3 * roughness(4) && roughness(1) > 0.7 * roughness(0));
    let again = greyhold(&["compare", "--crops", &page, &files[0], &files[1]]);
    assert!(String::from_utf8_lossy(&again.stderr).contains("is there already, and stays as it is"));
    assert_eq!(fs::read_to_string(&page).unwrap(), html);
}

/// By RFC 4648.
fn decoded(coded: &str) -> Vec<u8> {
    const SIGNS: &str = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let values: Vec<u32> = coded.chars().filter_map(|c| SIGNS.find(c)).map(|at| at as u32).collect();
    let bytes = values.chunks(4).flat_map(|four| {
        let bits = four.iter().fold(0, |bits, value| bits << 6 | value) << (6 * (4 - four.len()));
        (0..four.len() - 1).map(move |at| (bits >> (16 - 8 * at) & 255) as u8).collect::<Vec<u8>>()
    });
    bytes.collect()
}

#[test]
fn what_can_not_be_told_is_not_told_and_says_why() {
    let sitting = Sitting::new();
    let files = [sitting.put("a.jpg", &SHARP), sitting.put("b.jpg", &Taken { stops: 5.0, ..SHARP })];
    let told = sitting.told(&files);
    assert_eq!(told[1]["cause"]["kind"], "untold");
    let table = String::from_utf8(sitting.compare(&["--sharpness"], &files).stdout).unwrap();
    assert!(table.contains("? b.jpg, eyes: "), "{table}");
    let wrong = |args: &[&str]| {
        let output = greyhold(&[&["compare"], args, &[files[0].as_str(), files[1].as_str()]].concat());
        assert_eq!(output.status.code(), Some(2), "{args:?}");
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    assert!(wrong(&["--sharpness", "--spot", "ear"]).contains("left eye:0.42,0.35,0.04"));
    assert!(wrong(&["--spot", "ear:0.5,0.5,0.1"]).contains("add --sharpness or --crops"));
    assert!(wrong(&["--crops", "out.png"]).contains("ends in .html"));
    // Told before anything is measured.
    let nowhere = greyhold(&["compare", "--crops", "no-such-folder/out.html", &files[0], &files[1]]);
    let said = String::from_utf8_lossy(&nowhere.stderr);
    assert!(nowhere.stdout.is_empty() && said.contains("there is no folder no-such-folder: make it"), "{said}");
}

/// CHECK: photographs that were published with their apertures. The grid's f/1.4 is out of focus (../shared/frames/SOURCE.md).
#[test]
fn real_apertures_stand_in_their_order() {
    let Some(frames) = real_frames() else { return };
    let file = |name: &str| frames.join("aperture-grid").join(name).display().to_string();
    // Each pair is of one exposure.
    for pair in [["4f11.jpg", "30f4.jpg"], ["30f11.jpg", "250f4.jpg"], ["30f4.jpg", "250f1.4.jpg"]] {
        let [narrow, wide] = pair.map(file);
        for files in [[&narrow, &wide], [&wide, &narrow]] {
            let output =
                greyhold(&["compare", "--sharpness", "--json", "--spot", "middle:0.5,0.5,0.45", files[0], files[1]]);
            let told = String::from_utf8(output.stdout).unwrap();
            let told: Vec<Value> = told.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
            let of_wide = told.iter().find(|told| told["file"].as_str() == Some(wide.as_str())).unwrap();
            assert!(blur(of_wide, 0) > 0.5, "{pair:?}: {of_wide}");
        }
    }
}
