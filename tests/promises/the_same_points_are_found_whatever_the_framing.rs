//! Real photographs, framed anew as a hand would: their points are found, and the light of these is what it was. Skipped,
//! with a line, where the photographs are not.
//!
//! CHECK: the truth is how the frames were made: windows of one photograph, with noise and a coding of their own. Of bracketed
//! series the true difference is that of the published settings.

use std::path::Path;
use std::sync::Arc;

use greyhold::align::{Alignment, CodePicture, Overlay, Prepared};
use greyhold::calibration::{SeriesFrame, calibrate};
use greyhold::config::Curves;
use greyhold::container::Kind;
use greyhold::drift::{Lighting, SpotPlace, observe_patches};
use greyhold::frame;
use greyhold::meter::{Area, Spot, Weighting, meter};
use greyhold::photometry::{Series, Stops};
use greyhold::response::Response;

use super::real_photographs_are_read_in_true_stops::series;
use crate::harness::handheld::{Coding, Framing, Photograph, read};
use crate::harness::random::Random;
use crate::harness::{real_frames, whole};

/// Photographs of scenes unlike each other; of a series its middle. Their long sides have 576 pixels and more.
const PHOTOGRAPHS: [&str; 36] = [
    "third-stops/0010.jpg",
    "series-b/DSCF6020.jpg",
    "series-c/DSC04061.JPG",
    "series-d/img06.jpg",
    "flash/Canon EOS REBEL T3i.jpg",
    "flash/Canon PowerShot S230.jpg",
    "flash/FujiFilm DX-10.jpg",
    "flash/FujiFilm FinePix4900Zoom.jpg",
    "flash/Kodak DC3400.jpg",
    "flash/Nikon E900 (1).jpg",
    "flash/Nikon E900 (2).jpg",
    "flash/Sony DCR-PC110E (1).jpg",
    "flash/Casio EX-S1.jpg",
    "flash/FujiFilm FinePix40i.jpg",
    "flash/Kodak DC210.jpg",
    "flash/Kodak DC240.jpg",
    "flash/Konica Q-M100 (1).jpg",
    "flash/Nikon D1X.jpg",
    "flash/Sony Cybershot (4).jpg",
    "flash/Sony Cybershot (5).jpg",
    "cameras/canon-ixus.jpg",
    "cameras/fujifilm-mx1700.jpg",
    "cameras/landscape_1.jpg",
    "cameras/nikon-e950.jpg",
    "cameras/olympus-c960.jpg",
    "cameras/olympus-d320l.jpg",
    "cameras/ricoh-rdc5300.jpg",
    "cameras/sanyo-vpcg250.jpg",
    "cameras/sanyo-vpcsx550.jpg",
    "cameras/sony-cybershot.jpg",
    "cameras/sony-d700.jpg",
    "cameras/sony-powershota5.jpg",
    "cameras/DSCN0010.jpg",
    "cameras/DSCN0012.jpg",
    "cameras/DSCN0021.jpg",
    "cameras/DSCN0042.jpg",
];
/// Frames of an ordinary run, and of a whole one.
const FRAMES: [usize; 2] = [120, 1_000];
const FRAMES_A_REFERENCE: usize = 4;

/// How a frame differs from its reference.
#[derive(Debug, Clone, Copy)]
struct Moved {
    /// In parts of the reference's width and height.
    shift: [f64; 2],
    zoom: f64,
    turn: f64,
}

impl Moved {
    fn any(random: &mut Random) -> Moved {
        let far = random.between(0.0, 0.25);
        let way = random.between(0.0, std::f64::consts::TAU);
        let zoom = random.between(0.75_f64.ln(), 1.33_f64.ln()).exp();
        Moved { shift: [far * way.cos(), far * way.sin()], zoom, turn: random.between(-8.0, 8.0) }
    }

    fn far(&self) -> f64 {
        self.shift[0].hypot(self.shift[1])
    }

    fn of(&self, reference: &Framing, [width, height]: [usize; 2]) -> Framing {
        let shape = height as f64 / width as f64;
        let [right, down] = [self.shift[0] * reference.width, self.shift[1] * reference.width * shape];
        let middle = [reference.middle[0] - right, reference.middle[1] - down];
        Framing { middle, width: reference.width / self.zoom, turn: self.turn }
    }
}

/// A window in the midst of the photograph, and the frame's size: a frame that shows less of it has no fewer pixels than the
/// photograph has there, where that is large.
fn reference_of(photograph: &Photograph, random: &mut Random) -> (Framing, [usize; 2]) {
    let share = random.between(0.45, 0.6);
    let (width, height) = (photograph.width as f64, photograph.height as f64);
    let mut about = |side: f64| side / 2.0 + random.between(-0.5, 0.5) * side * (1.0 - share) * 0.5;
    let framing = Framing { middle: [about(width), about(height)], width: width * share, turn: 0.0 };
    let shrink = if width.max(height) >= 1000.0 { 0.75 } else { 1.0 };
    (framing, [width, height].map(|side| (side * share * shrink).round() as usize))
}

/// Noise of a frame that shows a lit scene, in codes. Sensors' pixels, averaged to frames as small as these, have less.
const NOISE: [f64; 2] = [0.5, 3.0];
/// Frames of series have noise of their own, and are dark.
const NOISE_OF_SERIES: [f64; 2] = [0.2, 0.8];

fn coding(size: [usize; 2], [least, most]: [f64; 2], random: &mut Random) -> Coding {
    Coding { size, noise: random.between(least, most), quality: random.between(75.0, 96.0) as u8 }
}

/// Two frames of photographs that differ as `moved` says; `None` where the photographs don't reach as far.
fn framed(reference: (&Photograph, &Framing), frame: &Photograph, size: [usize; 2], moved: &Moved) -> Option<Framing> {
    let framing = moved.of(reference.1, size);
    (reference.1.lies_within(reference.0, size) && framing.lies_within(frame, size)).then_some(framing)
}

/// The change of light of all that was found, in stops, as the program tells it.
fn change(alignment: &Alignment, response: &Response) -> Option<f64> {
    let place = SpotPlace { spot: "whole", area: Area::WHOLE, weighting: Weighting::Even };
    Some(observe_patches(place, alignment, response)?.drift.0)
}

/// How far from the truth nine of ten found patches lie at most, in 384ths of the frame's width.
fn off(alignment: &Alignment, reference: &Framing, frame: &Framing, size: [usize; 2]) -> f64 {
    let pixels = |place: [f32; 2]| [0, 1].map(|side| f64::from(place[side]) * size[side] as f64);
    let off = alignment.found().map(|patch| {
        let wanted = frame.in_frame(size, reference.in_photograph(size, pixels(patch.at)));
        let found = pixels(patch.to);
        (wanted[0] - found[0]).hypot(wanted[1] - found[1]) * 384.0 / size[0] as f64
    });
    let mut off: Vec<f64> = off.collect();
    off.sort_by(f64::total_cmp);
    at(&off, 0.9)
}

/// One frame that was laid over its reference.
struct Trial {
    moved: Moved,
    photograph: String,
    overlay: Overlay,
    error: Option<f64>,
    off: Option<f64>,
}

fn trials(folder: &Path, count: usize) -> Vec<Trial> {
    let mut random = Random(17);
    let srgb = Response::srgb();
    let mut trials = Vec::new();
    let mut photographs = PHOTOGRAPHS.iter().cycle();
    while trials.len() < count {
        let name = photographs.next().unwrap();
        let photograph = Photograph::open(&folder.join(name));
        let (framing, size) = reference_of(&photograph, &mut random);
        let reference = photograph.frame(&framing, &coding(size, NOISE, &mut random), &mut random);
        let mut taken = 0;
        // A photograph that reaches not far enough for one movement does for another one.
        while taken < FRAMES_A_REFERENCE {
            let moved = Moved::any(&mut random);
            let Some(moved_framing) = framed((&photograph, &framing), &photograph, size, &moved) else { continue };
            taken += 1;
            let frame = photograph.frame(&moved_framing, &coding(size, NOISE, &mut random), &mut random);
            let overlay = Overlay::of(&reference, &frame);
            let error = overlay.alignment().and_then(|alignment| change(alignment, &srgb));
            let off = overlay.alignment().map(|alignment| off(alignment, &framing, &moved_framing, size));
            trials.push(Trial { moved, photograph: (*name).to_owned(), overlay, error, off });
        }
    }
    trials
}

/// Of sorted values.
fn at(sorted: &[f64], share: f64) -> f64 {
    sorted[((sorted.len() as f64 * share) as usize).min(sorted.len() - 1)]
}

fn told(trials: &[&Trial]) -> String {
    let matched: Vec<&Alignment> = trials.iter().filter_map(|trial| trial.overlay.alignment()).collect();
    let plain = trials.iter().filter(|trial| trial.overlay == Overlay::TooPlain).count();
    let mut errors: Vec<f64> = trials.iter().filter_map(|trial| Some(trial.error?.abs())).collect();
    let mut shares: Vec<f64> = matched.iter().map(|alignment| alignment.share).collect();
    errors.sort_by(f64::total_cmp);
    shares.sort_by(f64::total_cmp);
    let mut offs: Vec<f64> = trials.iter().filter_map(|trial| trial.off).collect();
    offs.sort_by(f64::total_cmp);
    let (Some(worst), false) = (errors.last(), shares.is_empty()) else {
        return format!("{} frames, none matched", trials.len());
    };
    format!(
        "{:4} frames, matched {:4}, too plain {plain:2}, another scene {:2}; share {:.2} (10 % {:.2}); error {:.4}, 95 % {:.4}, worst {worst:.3}; \
         nine of ten patches within {:.2} pixels, 95 % {:.2}",
        trials.len(),
        matched.len(),
        trials.len() - matched.len() - plain,
        at(&shares, 0.5),
        at(&shares, 0.1),
        at(&errors, 0.5),
        at(&errors, 0.95),
        at(&offs, 0.5),
        at(&offs, 0.95)
    )
}

fn print_by(what: &str, trials: &[Trial], of: impl Fn(&Moved) -> f64, edges: &[f64]) {
    for range in edges.windows(2) {
        let within: Vec<&Trial> =
            trials.iter().filter(|trial| (range[0]..range[1]).contains(&of(&trial.moved))).collect();
        println!("{what} {:5.2} to {:5.2}: {}", range[0], range[1], told(&within));
    }
}

#[test]
fn light_that_did_not_change_reads_the_same_however_the_frame_was_taken() {
    let Some(folder) = real_frames() else { return };
    let trials = trials(&folder, FRAMES[usize::from(whole())]);
    println!("all: {}", told(&trials.iter().collect::<Vec<_>>()));
    print_by("shift", &trials, Moved::far, &[0.0, 0.05, 0.1, 0.15, 0.2, 0.25]);
    print_by("zoom", &trials, |moved| moved.zoom, &[0.75, 0.84, 0.94, 1.06, 1.19, 1.34]);
    print_by("turn", &trials, |moved| moved.turn.abs(), &[0.0, 2.0, 4.0, 6.0, 8.0]);
    let mut worst: Vec<&Trial> = trials.iter().collect();
    worst.sort_by(|a, b| b.error.unwrap_or(9.0).abs().total_cmp(&a.error.unwrap_or(9.0).abs()));
    for trial in worst.iter().take(20) {
        let share = trial.overlay.alignment().map(|alignment| alignment.share);
        println!("{:?} share {share:?} {:?} {}", trial.error, trial.moved, trial.photograph);
    }
    let mut errors: Vec<f64> = trials.iter().filter_map(|trial| Some(trial.error?.abs())).collect();
    errors.sort_by(f64::total_cmp);
    let (median, nearly_all) = (at(&errors, 0.5), at(&errors, 0.95));
    assert!(median <= 0.01, "half of the frames are off by {median} stop or more");
    assert!(nearly_all <= 0.04, "a twentieth of the frames are off by {nearly_all} stop or more");
    assert!(errors.len() * 100 >= trials.len() * 95, "{} of {} frames are matched", errors.len(), trials.len());
}

const SERIES: [&str; 4] = ["third-stops", "series-b", "series-c", "series-d"];
/// Pairs of frames of a series in an ordinary run, and in a whole one.
const PAIRS: [usize; 2] = [8, 60];
const FARTHEST: f64 = 3.01;

/// A frame of a series as a calibration takes it.
fn series_frame(path: &Path, exposure: f64) -> SeriesFrame {
    let frame = frame::read(Kind::of(path).unwrap(), path, Series::Thirds).unwrap();
    let picture = frame.picture.unwrap();
    SeriesFrame {
        file: path.display().to_string(),
        settings: frame.settings,
        exposure: Some(Stops(exposure)),
        is_raw: false,
        codes: Arc::new(CodePicture::of(&picture)),
        metered: meter(&picture, &Spot::ready()),
    }
}

/// The curve of a series' camera, by all of its frames but some.
fn curve_without(frames: &[SeriesFrame], out: &[usize]) -> Option<Response> {
    let others: Vec<SeriesFrame> =
        frames.iter().enumerate().filter(|(at, _)| !out.contains(at)).map(|(_, frame)| frame.clone()).collect();
    let found = calibrate(&others, &Curves::stock_only().prior("sRGB"), Lighting::Continuous).ok()?;
    Some(Response::new("the others'".to_owned(), found.luminance.curve, None, found.luminance.scatter))
}

/// Errors of the change of light between frames of a series that are framed anew, and how many of them were matched.
fn errors_of(folder: &Path, name: &str, count: usize) -> (Vec<f64>, usize) {
    let mut random = Random(23);
    let all = series(folder, name);
    let frames: Vec<SeriesFrame> = all.iter().map(|(file, stops)| series_frame(&folder.join(file), *stops)).collect();
    let (mut errors, mut tried) = (Vec::new(), 0);
    while tried < count {
        let [a, b] = [(); 2].map(|()| (random.next() * all.len() as f64) as usize);
        let truth = all[b].1 - all[a].1;
        if a == b || truth.abs() > FARTHEST {
            continue;
        }
        let Some(response) = curve_without(&frames, &[a, b]) else { continue };
        let [then, now] = [a, b].map(|at| Photograph::open(&folder.join(&all[at].0)));
        let (framing, size) = reference_of(&then, &mut random);
        let moved = Moved::any(&mut random);
        let Some(moved_framing) = framed((&then, &framing), &now, size, &moved) else { continue };
        tried += 1;
        let reference = then.frame(&framing, &coding(size, NOISE_OF_SERIES, &mut random), &mut random);
        let frame = now.frame(&moved_framing, &coding(size, NOISE_OF_SERIES, &mut random), &mut random);
        let overlay = Overlay::of(&reference, &frame);
        let Some(change) = overlay.alignment().and_then(|alignment| change(alignment, &response)) else {
            println!("{} in {}, {truth:+.2} stop, {moved:?}: {overlay:?}", all[a].0, all[b].0);
            continue;
        };
        errors.push(change - truth);
    }
    errors.sort_by(|a, b| a.abs().total_cmp(&b.abs()));
    (errors, tried)
}

/// Errors of the change of light between a photograph of a series and itself, framed anew and exposed otherwise by the
/// camera's own curve. A camera's codes have eight bits, so its middle frames alone can be exposed both ways.
fn errors_of_exposed(folder: &Path, name: &str, count: usize) -> (Vec<f64>, usize) {
    let mut random = Random(31);
    let all = series(folder, name);
    let frames: Vec<SeriesFrame> = all.iter().map(|(file, stops)| series_frame(&folder.join(file), *stops)).collect();
    let response = curve_without(&frames, &[]).unwrap();
    let (mut errors, mut tried) = (Vec::new(), 0);
    while tried < count {
        let middle = all.len() / 3 + (random.next() * (all.len() as f64 / 3.0)) as usize;
        let photograph = Photograph::open(&folder.join(&all[middle].0));
        let (framing, size) = reference_of(&photograph, &mut random);
        let moved = Moved::any(&mut random);
        let Some(moved_framing) = framed((&photograph, &framing), &photograph, size, &moved) else { continue };
        tried += 1;
        let truth = (random.between(-3.0, 3.0) * 3.0).round() / 3.0;
        let reference = photograph.frame(&framing, &coding(size, NOISE_OF_SERIES, &mut random), &mut random);
        let exposed = photograph.exposed(Stops(truth), &response);
        let frame = exposed.frame(&moved_framing, &coding(size, NOISE_OF_SERIES, &mut random), &mut random);
        let overlay = Overlay::of(&reference, &frame);
        let Some(change) = overlay.alignment().and_then(|alignment| change(alignment, &response)) else {
            println!("{}, {truth:+.2} stop, {moved:?}: {overlay:?}", all[middle].0);
            continue;
        };
        if (change - truth).abs() > 0.04 {
            let share = overlay.alignment().map(|alignment| alignment.share);
            println!("{}, {truth:+.2} stop reads {change:+.3}, share {share:.2?}, {moved:?}", all[middle].0);
        }
        errors.push(change - truth);
    }
    errors.sort_by(|a, b| a.abs().total_cmp(&b.abs()));
    (errors, tried)
}

#[test]
fn the_same_photograph_exposed_otherwise_reads_as_it_was_exposed() {
    let Some(folder) = real_frames() else { return };
    let (sizes, all) = told_by_series(|name| errors_of_exposed(&folder, name, PAIRS[usize::from(whole())]));
    let (median, nearly_all) = (at(&sizes, 0.5), at(&sizes, 0.95));
    assert!(median <= 0.01, "half of the frames are off by {median} stop or more");
    assert!(nearly_all <= 0.04, "a twentieth of the frames are off by {nearly_all} stop or more");
    assert!(sizes.len() * 10 >= all * 9, "{} of {all} frames are matched", sizes.len());
}

/// The sorted sizes of the errors of all series, and how many frames were tried.
fn told_by_series(errors_of: impl Fn(&str) -> (Vec<f64>, usize)) -> (Vec<f64>, usize) {
    let (mut sizes, mut all) = (Vec::new(), 0);
    for name in SERIES {
        let (errors, tried) = errors_of(name);
        let of_this: Vec<f64> = errors.iter().map(|error| error.abs()).collect();
        println!(
            "{name}: {} of {tried} matched, error {:.4}, 95 % {:.4}, worst {:+.3}",
            errors.len(),
            at(&of_this, 0.5),
            at(&of_this, 0.95),
            errors.last().unwrap()
        );
        sizes.extend(of_this);
        all += tried;
    }
    sizes.sort_by(f64::total_cmp);
    println!("all: {} of {all} matched, error {:.4}, 95 % {:.4}", sizes.len(), at(&sizes, 0.5), at(&sizes, 0.95));
    (sizes, all)
}

/// By the camera's own curve, fitted on the other frames of its series.
#[test]
fn an_exposure_that_changed_reads_as_it_was_set_however_the_frame_was_taken() {
    let Some(folder) = real_frames() else { return };
    let (sizes, all) = told_by_series(|name| errors_of(&folder, name, PAIRS[usize::from(whole())]));
    let (median, nearly_all) = (at(&sizes, 0.5), at(&sizes, 0.95));
    // Settings themselves are off by up to a tenth of a stop, and half a frame is little to read three stops by.
    assert!(median <= 0.08, "half of the frames are off by {median} stop or more");
    assert!(nearly_all <= 0.3, "a twentieth of the frames are off by {nearly_all} stop or more");
    assert!(sizes.len() * 10 >= all * 7, "{} of {all} frames are matched", sizes.len());
}

#[test]
fn another_photograph_is_another_scene() {
    let Some(folder) = real_frames() else { return };
    let prepared: Vec<(&str, Prepared)> =
        PHOTOGRAPHS.iter().map(|name| (*name, read(&folder.join(name)).unwrap())).collect();
    let pairs = (0..prepared.len()).flat_map(|a| (0..prepared.len()).map(move |b| (a, b))).filter(|(a, b)| a != b);
    // A step that has no divisor in common with how many there are of a row.
    let step = if whole() { 1 } else { 6 };
    let (mut told, mut plain, mut wrong) = (0, 0, Vec::new());
    for (a, b) in pairs.step_by(step) {
        match Overlay::of(&prepared[a].1, &prepared[b].1) {
            Overlay::OtherScene => told += 1,
            Overlay::TooPlain => plain += 1,
            Overlay::Matched(alignment) => {
                wrong.push(format!("{} in {}, share {:.3}", prepared[a].0, prepared[b].0, alignment.share));
            }
        }
    }
    let all = told + plain + wrong.len();
    println!("of {all} pairs {told} are told as other scenes, {plain} are too plain to tell, matched: {wrong:#?}");
    assert!(told * 100 >= all * 99, "{told} of {all}");
}
