//! A bracket from the hand teaches a camera's curve as well as one from a tripod: the frames are laid one over the other.
//!
//! CHECK: bracketed series that were published with their settings; the true difference of two frames is that of their
//! settings. From each photograph the same part is cut out, once as it stands, and once shifted by 2 to 8 % of the frame,
//! zoomed by up to 3 % and turned by up to 2 degrees, another way in each frame. The curve of either is tried on pairs of
//! frames that it was not made of. Skipped, with a line, where the photographs are not.

use std::path::Path;
use std::sync::Arc;

use crate::harness::random::Random;
use crate::harness::real_frames;
use greyhold::align::CodePicture;
use greyhold::calibration::{Bracket, SeriesFrame};
use greyhold::config::Curves;
use greyhold::container::Kind;
use greyhold::drift::{Lighting, observe};
use greyhold::frame;
use greyhold::meter::{Spot, WHOLE, meter};
use greyhold::photometry::{ExposureTime, FNumber, IsoSpeed, Series, Stops};
use greyhold::response::Response;
use greyhold::studio::{CameraSettings, with_exif};
use image::RgbImage;

/// What is cut out of each photograph, of its width and height.
const CROP: f64 = 0.76;

/// How the camera in the hand stood: shifts in parts of the cut-out's sides, a zoom, and a turn in radians.
#[derive(Clone, Copy)]
struct Stand {
    right: f64,
    down: f64,
    zoom: f64,
    turn: f64,
}

/// At ISO 12800 little is found again but noise: there a tripod helps, and the curve of fewer frames is refused or says how
/// unsure it is.
const NOISY: &str = "series-c";

const TRIPOD: Stand = Stand { right: 0.0, down: 0.0, zoom: 1.0, turn: 0.0 };

fn from_the_hand(random: &mut Random) -> Stand {
    let (far, way) = (random.between(0.02, 0.08), random.between(0.0, std::f64::consts::TAU));
    Stand {
        right: far * way.cos(),
        down: far * way.sin(),
        zoom: random.between(0.97, 1.03),
        turn: random.between(-2.0, 2.0).to_radians(),
    }
}

/// The part of a photograph that the camera sees from there.
fn cut(photograph: &RgbImage, stand: Stand) -> RgbImage {
    let (width, height) = (f64::from(photograph.width()), f64::from(photograph.height()));
    let (wide, high) = ((width * CROP).round(), (height * CROP).round());
    let middle = [width / 2.0 + stand.right * wide, height / 2.0 + stand.down * high];
    let (along, across) = (stand.turn.cos() / stand.zoom, stand.turn.sin() / stand.zoom);
    RgbImage::from_fn(wide as u32, high as u32, |x, y| {
        let (right, down) = (f64::from(x) + 0.5 - wide / 2.0, f64::from(y) + 0.5 - high / 2.0);
        let u = middle[0] + along * right - across * down - 0.5;
        let v = middle[1] + across * right + along * down - 0.5;
        between(photograph, u, v)
    })
}

fn between(photograph: &RgbImage, u: f64, v: f64) -> image::Rgb<u8> {
    let (beside, below) = (u - u.floor(), v - v.floor());
    let at = |x: f64, y: f64| photograph.get_pixel(x as u32, y as u32).0.map(f64::from);
    let [a, b, c, d] = [at(u, v), at(u + 1.0, v), at(u, v + 1.0), at(u + 1.0, v + 1.0)];
    image::Rgb(std::array::from_fn(|i| {
        let (upper, lower) = (a[i] + (b[i] - a[i]) * beside, c[i] + (d[i] - c[i]) * beside);
        (upper + (lower - upper) * below).round() as u8
    }))
}

/// A row of the table of exposures.
struct Row {
    file: String,
    numbers: [f64; 4],
}

fn rows(folder: &Path, name: &str) -> Vec<Row> {
    let table = std::fs::read_to_string(folder.join("EXPOSURE.csv")).unwrap();
    let rows = table.lines().skip(1).map(|l| l.split(',').collect::<Vec<_>>());
    rows.filter(|r| r[0].starts_with(&format!("{name}/")))
        .map(|r| Row { file: r[0].to_owned(), numbers: std::array::from_fn(|i| r[i + 1].parse().unwrap()) })
        .collect()
}

fn taken(photograph: &RgbImage, row: &Row, stand: Stand, folder: &Path) -> SeriesFrame {
    let crop = cut(photograph, stand);
    let [f_number, seconds, iso, exposure] = row.numbers;
    let settings = CameraSettings {
        f_number: FNumber::new(f_number, None, Series::Thirds).unwrap(),
        time: ExposureTime::new(seconds, None, Series::Thirds).unwrap(),
        iso: IsoSpeed::new(iso).unwrap(),
        at: jiff::civil::date(2026, 3, 2).at(10, 0, 0, 0),
    };
    let file = folder.join("taken.jpg");
    std::fs::write(&file, with_exif(&crop, crop.width(), crop.height(), &settings, 92).unwrap()).unwrap();
    let read = frame::read(Kind::Jpeg, &file, Series::Thirds).unwrap();
    let picture = read.picture.unwrap();
    SeriesFrame {
        file: row.file.clone(),
        settings: read.settings,
        exposure: Some(Stops(exposure)),
        is_raw: false,
        codes: Arc::new(CodePicture::of(&picture)),
        metered: meter(&picture, &Spot::ready()),
    }
}

struct Errors {
    told: usize,
    refused: usize,
    inside: usize,
    median: f64,
    worst: f64,
}

/// Frames of the tripod, read by a curve of other frames of the one who taught.
fn errors(tripod: &[SeriesFrame], teaching: &[SeriesFrame]) -> Errors {
    let prior = Curves::stock_only().prior("sRGB");
    let bracket = Bracket::of(teaching.iter().collect(), Lighting::Continuous).unwrap();
    let (mut found, mut refused, mut inside) = (Vec::new(), 0, 0);
    for (i, a) in tripod.iter().enumerate() {
        for (j, b) in tripod.iter().enumerate().skip(i + 1) {
            let truth = b.exposure.unwrap() - a.exposure.unwrap();
            if truth.abs() < Stops(0.1) || truth.abs() > Stops(2.01) {
                continue;
            }
            let others: Vec<usize> = (0..tripod.len()).filter(|k| *k != i && *k != j).collect();
            let made = bracket.luminance_by(&others, &prior);
            let Ok((made, _)) = made else {
                refused += 1;
                continue;
            };
            let own = Response::new("own".to_owned(), made.curve, None, made.scatter);
            let (a, b) = (a.metered.reading(WHOLE).unwrap(), b.metered.reading(WHOLE).unwrap());
            let Some(seen) = observe(a, b, &own) else { continue };
            let error = (seen.drift - truth).abs();
            let half = seen.half_width.in_quadrature(own.scatter_of_two());
            inside += usize::from(error <= half);
            found.push(error.0);
        }
    }
    found.sort_by(f64::total_cmp);
    let worst = found.last().copied().unwrap_or(f64::NAN);
    let median = found.get(found.len() / 2).copied().unwrap_or(f64::NAN);
    Errors { told: found.len(), refused, inside, median, worst }
}

#[test]
fn a_curve_from_the_hand_is_as_good_as_one_from_a_tripod() {
    let Some(folder) = real_frames() else { return };
    let home = tempfile::tempdir().unwrap();
    for name in ["third-stops", "series-b", NOISY, "series-d"] {
        let mut random = Random(2026);
        let (mut tripod, mut hand) = (Vec::new(), Vec::new());
        for row in rows(&folder, name) {
            let photograph = image::open(folder.join(&row.file)).unwrap().to_rgb8();
            tripod.push(taken(&photograph, &row, TRIPOD, home.path()));
            hand.push(taken(&photograph, &row, from_the_hand(&mut random), home.path()));
        }
        let [still, moved] = [("tripod", &tripod), ("hand", &hand)].map(|(how, teaching)| {
            let errors = errors(&tripod, teaching);
            let Errors { told, refused, inside, median, worst } = errors;
            println!(
                "{name} from the {how}: median error {median:.3}, worst {worst:.3} of {told}, {inside} of them inside the \
                 interval, {refused} refused"
            );
            errors
        });
        assert!(moved.inside * 100 >= moved.told * 80, "{name}: {} of {}", moved.inside, moved.told);
        if name != NOISY {
            assert!(moved.refused == 0 && moved.told == still.told, "{name}");
            assert!(moved.median <= still.median + 0.02, "{name}: {} and {}", moved.median, still.median);
            assert!(moved.worst <= still.worst + 0.05, "{name}: {} and {}", moved.worst, still.worst);
        }
    }
}
