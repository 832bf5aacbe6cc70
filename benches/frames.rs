//! From a settled file to a finished reading, against the plain full decode of the same file; and from
//! the closed file to its event on the socket. One run, side by side: the ratios are what counts.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[cfg(feature = "raw")]
#[path = "../tests/harness/mod.rs"]
mod harness;

use std::hint::black_box;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use criterion::{Criterion, criterion_group, criterion_main};
use greyhold::align::{CodePicture, Overlay, Prepared};
#[cfg(feature = "raw")]
use greyhold::config::Curves;
use greyhold::container::{Kind, Links, examine};
use greyhold::frame::{self, Picture};
#[cfg(feature = "raw")]
use greyhold::meter::LightMap;
use greyhold::meter::{Spot, light_map, meter};
#[cfg(feature = "raw")]
use greyhold::photometry::Stops;
use greyhold::photometry::{ExposureTime, FNumber, IsoSpeed, Series};
#[cfg(feature = "raw")]
use greyhold::response::Response;
#[cfg(feature = "raw")]
use greyhold::rig::PatchLight;
#[cfg(feature = "raw")]
use greyhold::rig::solve::{Basis, Before, Single, SourcePrior, read};
use greyhold::studio::{CameraSettings, Light, Pose, Scene, exif_block};
use greyhold::workers::{Depth, Pool, Task};
#[cfg(feature = "raw")]
use harness::http::{follow_as_a_page, here, sign_in};
#[cfg(feature = "raw")]
use harness::random::Random;
#[cfg(feature = "raw")]
use harness::sittings::{Lamps, Rig, Take};
use image::ImageFormat;
use interprocess::local_socket::{Stream, prelude::*};

const WIDTH: u32 = 6000;
const HEIGHT: u32 = 4000;

/// A 24-megapixel camera JPEG, 4:2:2, about 10 MB.
fn big_jpeg(pose: Pose) -> Vec<u8> {
    let light = |from, strength, softness| Light { from, strength, on_backdrop: 0.3, softness };
    let lights = [(light([-0.8, 0.6, 0.9], 0.9, 0.4), 0.0), (light([0.6, 0.0, 1.0], 0.35, 0.9), 0.0)];
    let pixels = Scene { width: WIDTH, height: HEIGHT, pose }.render(&lights);
    let mut seed = 1_u32;
    let grain = |v: f32, seed: &mut u32| {
        *seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let noise = ((*seed >> 16) as f32 / 65_535.0 - 0.5) * 18.0;
        (v.clamp(0.0, 1.0).powf(0.45) * 255.0 + noise).clamp(0.0, 255.0) as u8
    };
    let bytes: Vec<u8> = pixels.iter().flatten().map(|v| grain(*v, &mut seed)).collect();
    let mut encoder = mozjpeg::Compress::new(mozjpeg::ColorSpace::JCS_RGB);
    encoder.set_size(WIDTH as usize, HEIGHT as usize);
    encoder.set_fastest_defaults();
    encoder.set_quality(95.0);
    encoder.set_chroma_sampling_pixel_sizes((2, 1), (2, 1));
    let mut started = encoder.start_compress(Vec::new()).unwrap();
    let exposure = CameraSettings {
        f_number: FNumber::new(8.0, None, Series::Thirds).unwrap(),
        time: ExposureTime::new(1.0 / 160.0, None, Series::Thirds).unwrap(),
        iso: IsoSpeed::new(100.0).unwrap(),
        at: jiff::civil::date(2026, 3, 2).at(10, 0, 0, 0),
    };
    let exif = [b"Exif\0\0", exif_block(&exposure).unwrap().as_slice()].concat();
    started.write_marker(mozjpeg::Marker::APP(1), &exif);
    started.write_scanlines(&bytes).unwrap();
    started.finish().unwrap()
}

/// A survey of the portrait's lights, and a frame in which the rim light was turned.
#[cfg(feature = "raw")]
fn surveyed(response: &Response) -> (Basis, Vec<SourcePrior>, LightMap) {
    let rig = Rig::portrait();
    let mut random = Random(1);
    let mut map = |take: Take| light_map(&take.shoot(&rig, &mut random));
    let light = |map: &LightMap| PatchLight::of(map, response);
    let usual = Take::at_reference(&rig, 1);
    let dark = light(&map(usual.clone().firing(Lamps::None)));
    let singles = (0..rig.lamps.len()).map(Lamps::Only);
    let mut singles: Vec<Single> = singles
        .map(|firing| Single {
            light: light(&map(usual.clone().firing(firing))).without(&dark, Stops::ZERO),
            gain: Stops::ZERO,
        })
        .collect();
    singles.push(Single { light: dark.clone(), gain: Stops::ZERO });
    let basis = Basis::of(&singles, &light(&map(usual.clone())), response, true).unwrap();
    let mut turned = usual;
    turned.powers[2] = -1.0;
    let prior = |flash| SourcePrior { is_flash: flash, step: Stops(1.0 / 3.0), asked: None, told: None, denied: None };
    (basis, vec![prior(true), prior(true), prior(true), prior(false)], map(turned))
}

fn decoding(c: &mut Criterion) {
    let jpeg = big_jpeg(Pose::default());
    println!("a JPEG of {WIDTH} x {HEIGHT} pixels, 4:2:2, {:.1} MB", jpeg.len() as f64 / 1e6);
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("big.jpg");
    std::fs::write(&path, &jpeg).unwrap();
    let spots = Spot::ready();
    let mut group = c.benchmark_group("24 megapixels");
    group.sample_size(10).measurement_time(Duration::from_secs(6));
    group.bench_function("1.00 baseline: full decode by the image crate", |b| {
        b.iter(|| black_box(image::load_from_memory_with_format(&jpeg, ImageFormat::Jpeg).unwrap()));
    });
    group.bench_function("structure gate alone", |b| {
        b.iter(|| examine(Kind::Jpeg, &mut std::fs::File::open(&path).unwrap()).unwrap());
    });
    group.bench_function("settled file to reduced picture and settings", |b| {
        b.iter(|| black_box(frame::read(Kind::Jpeg, &path, Series::Thirds).unwrap()));
    });
    group.bench_function("settled file to finished reading, JPEG", |b| {
        b.iter(|| {
            let picture = frame::read(Kind::Jpeg, &path, Series::Thirds).unwrap().picture.unwrap();
            black_box((meter(&picture, &spots), light_map(&picture)))
        });
    });
    #[cfg(feature = "raw")]
    {
        let response = Curves::stock_only().stock().clone();
        let (basis, priors, map) = surveyed(&response);
        let expected = vec![Stops::ZERO; priors.len()];
        group.bench_function("single lights out of a finished reading, by a survey of three groups", |b| {
            let before = Before { expected: &expected, priors: &priors, soon: false, usual: Stops::ZERO };
            b.iter(|| black_box(read(&basis, &before, &map, &response)));
        });
    }
    #[cfg(feature = "raw")]
    {
        let light: Vec<[f32; 3]> = (0..WIDTH * HEIGHT)
            .map(|i| [(i % WIDTH) as f32 / WIDTH as f32, 0.18, (i / WIDTH) as f32 / HEIGHT as f32])
            .collect();
        let sensor = harness::dng::Sensor::usual();
        let raw = harness::dng::dng(&light, WIDTH, HEIGHT, &sensor, &harness::shot(8.0, 0.0, 1));
        println!("a raw file (DNG, not compressed) of {WIDTH} x {HEIGHT} samples, {:.1} MB", raw.len() as f64 / 1e6);
        let path = home.path().join("big.dng");
        std::fs::write(&path, raw).unwrap();
        group.bench_function("settled file to reduced picture and settings, raw (DNG)", |b| {
            b.iter(|| black_box(frame::read(Kind::RawTiff, &path, Series::Thirds).unwrap()));
        });
        group.bench_function("settled file to finished reading, raw (DNG)", |b| {
            b.iter(|| {
                let picture = frame::read(Kind::RawTiff, &path, Series::Thirds).unwrap().picture.unwrap();
                black_box((meter(&picture, &spots), light_map(&picture)))
            });
        });
    }
    group.finish();
    what_a_worker_adds("JPEG", Kind::Jpeg, &path);
    what_an_alignment_costs(&jpeg, &path);
    #[cfg(feature = "raw")]
    what_a_worker_adds("DNG", Kind::RawTiff, &home.path().join("big.dng"));
}

/// A frame in which the sitter moved, laid over its reference: against a full decode and a finished reading, in turn.
fn what_an_alignment_costs(jpeg: &[u8], path: &Path) {
    const TURNS: usize = 20;
    let prepared = |picture: &Picture| Prepared::of(&Arc::new(CodePicture::of(picture)));
    let read = |path: &Path| frame::read(Kind::Jpeg, path, Series::Thirds).unwrap().picture.unwrap();
    let reference = prepared(&read(path));
    let moved = path.with_file_name("moved.jpg");
    std::fs::write(&moved, big_jpeg(Pose { right: 0.03, up: 0.01, turn: 4.0, nearer: 0.05 })).unwrap();
    let spots = Spot::ready();
    let [mut decodes, mut readings, mut alignments] = [(); 3].map(|()| Vec::new());
    for turn in 0..=TURNS {
        let began = Instant::now();
        black_box(image::load_from_memory_with_format(jpeg, ImageFormat::Jpeg).unwrap());
        let decoded = Instant::now();
        let picture = read(&moved);
        black_box((meter(&picture, &spots), light_map(&picture)));
        let metered = Instant::now();
        let overlay = black_box(Overlay::of(&reference, &prepared(&picture)));
        let laid = Instant::now();
        assert!(overlay.alignment().is_some(), "{overlay:?}");
        // The first turn warms all.
        if turn > 0 {
            decodes.push(decoded - began);
            readings.push(metered - decoded);
            alignments.push(laid - metered);
        }
    }
    let [decode, reading, alignment] = [decodes, readings, alignments].map(|mut times| {
        times.sort();
        times[TURNS / 2].as_secs_f64() * 1e3
    });
    println!(
        "a frame laid over its reference: {alignment:.1} ms, {:.3} of a full decode ({decode:.1} ms); a finished reading of \
         {reading:.1} ms takes {:.2} times as long with it; medians of {TURNS} in turn",
        alignment / decode,
        (reading + alignment) / reading
    );
}

/// The same file by this process and by a warm worker, in turn: their difference is smaller than what a machine's own
/// speed changes between two benches.
fn what_a_worker_adds(what: &str, kind: Kind, path: &Path) {
    const TURNS: usize = 40;
    let pool = Pool::new(PathBuf::from(env!("CARGO_BIN_EXE_greyhold")), 1);
    let task = Task {
        path: path.to_owned(),
        kind,
        series: Series::Thirds,
        depth: Depth::Whole,
        links: Links::Refused,
        cuts: Vec::new(),
    };
    let (mut alone, mut by_worker) = (Vec::new(), Vec::new());
    for turn in 0..=TURNS {
        let began = Instant::now();
        black_box(frame::read(kind, path, Series::Thirds).unwrap());
        let between = Instant::now();
        black_box(pool.read(&task).unwrap());
        // The first turn warms both.
        if turn > 0 {
            alone.push(between - began);
            by_worker.push(between.elapsed());
        }
    }
    let median = |mut times: Vec<Duration>| {
        times.sort();
        times[TURNS / 2].as_secs_f64() * 1e3
    };
    let (alone, by_worker) = (median(alone), median(by_worker));
    println!(
        "{what}: read by this process {alone:.1} ms, by a warm worker {by_worker:.1} ms ({:+.1} ms), medians of {TURNS} in turn",
        by_worker - alone
    );
}

/// The real program in the background.
struct Watch {
    child: Child,
    folder: PathBuf,
    port: Option<u16>,
    token: Option<String>,
    events: BufReader<Stream>,
}

/// Whether the stand page is served.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Page {
    Served,
    Off,
}

impl Watch {
    fn start(home: &Path, page: Page) -> Watch {
        let folder = home.join("capture");
        std::fs::create_dir(&folder).unwrap();
        let socket = home.join("s.sock");
        let mut child = Command::new(env!("CARGO_BIN_EXE_greyhold"))
            .args(["watch".as_ref(), folder.as_os_str(), "--socket".as_ref(), socket.as_os_str()])
            .args((page == Page::Off).then_some("--no-page"))
            .env("XDG_STATE_HOME", home.join("state"))
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        assert!(lines.any(|l| l.is_ok_and(|l| l.starts_with("watching "))));
        let port = (page == Page::Served).then(|| {
            let address = lines.find_map(|l| Some(l.ok()?.split_once("http://127.0.0.1:")?.1.to_owned())).unwrap();
            address.split('/').next().unwrap().parse().unwrap()
        });
        let token = (page == Page::Served).then(|| {
            let mut files = std::fs::read_dir(home.join("state/greyhold")).unwrap().map(|e| e.unwrap().path());
            let file = files.find(|f| f.extension().is_some_and(|e| e == "token")).unwrap();
            let text = std::fs::read_to_string(file).unwrap();
            text.lines().next().unwrap().split_once('#').unwrap().1.to_owned()
        });
        std::thread::spawn(move || lines.for_each(drop));
        let name = greyhold::outlet::socket::name_of(&socket).unwrap().into_owned();
        let mut stream = Stream::connect(name).unwrap();
        stream.write_all(b"{\"command\":\"listen\"}\n").unwrap();
        Watch { child, folder, port, token, events: BufReader::new(stream) }
    }

    fn wait_for_frames(&mut self, mut count: usize) {
        let mut line = String::new();
        while count > 0 {
            line.clear();
            assert!(self.events.read_line(&mut line).unwrap() > 0);
            count -= usize::from(line.contains("\"type\":\"frame\""));
        }
    }

    /// Resident memory at its highest, in MiB.
    fn peak_memory(&self) -> Option<f64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).ok()?;
        let line = status.lines().find(|l| l.starts_with("VmHWM"))?;
        Some(line.split_whitespace().nth(1)?.parse::<f64>().ok()? / 1024.0)
    }
}

impl Watch {
    /// Its processor time so far in seconds, by hundredths as Linux counts them.
    fn processor_time(&self) -> Option<f64> {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.child.id())).ok()?;
        let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
        Some((fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?) / 100.0)
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[cfg(feature = "raw")]
fn follow(watch: &Watch, pages: usize) {
    let Some((port, token)) = watch.port.zip(watch.token.as_deref()) else { return };
    (0..pages).for_each(|_| follow_as_a_page(port, sign_in(here(port), token)));
}

fn closed_file_to_event(c: &mut Criterion) {
    let jpeg = big_jpeg(Pose::default());
    let mut group = c.benchmark_group("closed file to event on the socket");
    group.sample_size(10).measurement_time(Duration::from_secs(6));
    for (name, page, followers) in
        [("no page", Page::Off, 0), ("page served, nobody looks", Page::Served, 0), ("20 pages", Page::Served, 20)]
    {
        let home = tempfile::tempdir().unwrap();
        let mut watch = Watch::start(home.path(), page);
        #[cfg(feature = "raw")]
        follow(&watch, followers);
        let mut number = 0_u32;
        group.bench_function(format!("24 megapixels, {name}"), |b| {
            b.iter_custom(|rounds| {
                let mut total = Duration::ZERO;
                for _ in 0..rounds {
                    number += 1;
                    std::fs::write(watch.folder.join(format!("{number:05}.jpg")), &jpeg).unwrap();
                    let closed = Instant::now();
                    watch.wait_for_frames(1);
                    total += closed.elapsed();
                }
                total
            });
        });
    }
    group.finish();
}

/// From the closed raw file to its answers on the socket: with a picture embedded in it, which is proved first, and without one.
#[cfg(feature = "raw")]
fn a_raw_file_answered(_: &mut Criterion) {
    const TURNS: u8 = 12;
    let light: Vec<[f32; 3]> = (0..WIDTH * HEIGHT)
        .map(|i| [(i % WIDTH) as f32 / WIDTH as f32, 0.18, (i / WIDTH) as f32 / HEIGHT as f32])
        .collect();
    let sensor = harness::dng::Sensor::usual();
    let shot = harness::shot(14.0, 0.0, 1);
    let embedded = harness::Shot { size: (1620, 1080), ..shot }.jpeg();
    let with = harness::dng::dng_with(&embedded, &light, (WIDTH, HEIGHT), &sensor, &shot);
    let without = harness::dng::dng(&light, WIDTH, HEIGHT, &sensor, &shot);
    for (what, raw) in [("with an embedded picture", with), ("without one", without)] {
        let studio = harness::Studio::open();
        let mut line = studio.connect();
        line.ask(serde_json::json!({"command": "listen"}));
        let (mut first, mut last) = (Vec::new(), Vec::new());
        // Three wait for a picture beside them, three prove the camera.
        for n in 0..TURNS + 5 {
            let mut bytes = raw.clone();
            // Another picture, if only by a sample.
            bytes[1_000_000] = n;
            studio.put(&format!("{n:03}.dng"), &bytes);
            let closed = Instant::now();
            let mut answers = 0;
            loop {
                let record = line.next()["record"].clone();
                if record["type"] == "judged" {
                    answers += 1;
                    let took = closed.elapsed();
                    if n >= 5 && answers == 1 {
                        first.push(took);
                    }
                    if record["by_embedded"] != true {
                        last.extend((n >= 5).then_some(took));
                        break;
                    }
                }
            }
        }
        let [first, last] = [first, last].map(|mut times| {
            times.sort();
            times[times.len() / 2].as_secs_f64() * 1e3
        });
        println!("raw file {what}: first answer {first:.1} ms, by its light {last:.1} ms after the close");
    }
}

#[cfg(not(feature = "raw"))]
fn a_raw_file_answered(_: &mut Criterion) {}

/// From the closed file to the light's answer: with sharpness measured, once while nothing is measured and once in the midst of measuring the
/// frame before, and with `sharpness: no`. In turn, so that what else goes on meets all alike.
#[cfg(feature = "raw")]
fn an_answer_beside_sharpness(_: &mut Criterion) {
    const TURNS: usize = 24;
    // Longer than the watch waits before it measures, and than nothing lands.
    const UNDER_WAY: Duration = Duration::from_millis(520);
    let frames = [big_jpeg(Pose::default()), big_jpeg(Pose { right: 0.002, ..Pose::default() })];
    let spots: String = (0..16).map(spot_of_sixteen).collect();
    let mut sides = [("on", ""), ("off", "sharpness: no\n")]
        .map(|(name, more)| (name, Answering::open(&format!("{more}spots:\n{spots}"))));
    // In either: after a rest, and right in the measuring of that one.
    let mut times = [(); 2].map(|()| [Vec::new(), Vec::new()]);
    for turn in 0..=TURNS {
        for (side, (_, answering)) in sides.iter_mut().enumerate() {
            let rested = answering.answered_after(&frames[0]);
            std::thread::sleep(UNDER_WAY);
            let beside = answering.answered_after(&frames[1]);
            answering.rest();
            if turn > 0 {
                times[side][0].push(rested);
                times[side][1].push(beside);
            }
        }
    }
    let measured = sides[0].1.studio.of_type("sharpness").len();
    assert!(measured >= TURNS && sides[1].1.studio.of_type("sharpness").is_empty(), "{measured} frames were measured");
    let [on, off] = times.map(|of_side| of_side.map(quartiles));
    for (what, at) in [("after a rest", 0), ("while the frame before is measured", 1)] {
        let [[on_low, on, on_high], [off_low, off, off_high]] = [on[at], off[at]];
        println!(
            "light's answer {what}: sharpness on {on:.1} ms ({on_low:.1} to {on_high:.1}), off {off:.1} ms ({off_low:.1} to {off_high:.1}): {:.2} \
             times as long; medians and quartiles of {TURNS} in turn",
            on / off
        );
    }
    println!("{measured} frames were measured meanwhile, in 16 spots each");
}

#[cfg(feature = "raw")]
fn spot_of_sixteen(at: usize) -> String {
    let (left, top) = ((at % 4) as f64 / 4.0 + 0.08, (at / 4) as f64 / 4.0 + 0.08);
    format!("  - {{name: spot {at}, left: {left}, top: {top}, right: {}, bottom: {}}}\n", left + 0.1, top + 0.1)
}

#[cfg(feature = "raw")]
fn quartiles(mut times: Vec<Duration>) -> [f64; 3] {
    times.sort();
    [1, 2, 3].map(|quarter| times[times.len() * quarter / 4].as_secs_f64() * 1e3)
}

/// A watch whose answers are waited for.
#[cfg(feature = "raw")]
struct Answering {
    studio: harness::Studio,
    line: harness::Client,
    frames: usize,
}

#[cfg(feature = "raw")]
impl Answering {
    /// With a reference that frames are held against.
    fn open(yaml: &str) -> Answering {
        let studio = harness::Studio::with_config(yaml);
        let mut line = studio.connect();
        line.ask(serde_json::json!({"command": "listen"}));
        let mut answering = Answering { studio, line, frames: 0 };
        answering.answered_after(&big_jpeg(Pose::default()));
        answering
    }

    /// How long its light's answer took from its close.
    fn answered_after(&mut self, jpeg: &[u8]) -> Duration {
        self.frames += 1;
        self.studio.put(&format!("{:04}.jpg", self.frames), jpeg);
        let closed = Instant::now();
        while self.line.next()["record"]["type"] != "judged" {}
        closed.elapsed()
    }

    /// Until whatever was begun is done.
    fn rest(&self) {
        std::thread::sleep(Duration::from_millis(2500));
    }
}

#[cfg(not(feature = "raw"))]
fn an_answer_beside_sharpness(_: &mut Criterion) {}

/// Frames landing at 20 a second: how far behind is the last one, and how much memory did it take?
fn burst(_: &mut Criterion) {
    burst_with(0);
    #[cfg(feature = "raw")]
    burst_with(20);
}

fn burst_with(pages: usize) {
    const FRAMES: usize = 200;
    const A_SECOND: f64 = 20.0;
    let home = tempfile::tempdir().unwrap();
    let jpeg = big_jpeg(Pose::default());
    let mut watch = Watch::start(home.path(), Page::Served);
    #[cfg(feature = "raw")]
    follow(&watch, pages);
    let folder = watch.folder.clone();
    let began = Instant::now();
    let writer = std::thread::spawn(move || {
        for n in 0..FRAMES {
            let due = Duration::from_secs_f64(n as f64 / A_SECOND);
            std::thread::sleep(due.saturating_sub(began.elapsed()));
            std::fs::write(folder.join(format!("{n:05}.jpg")), &jpeg).unwrap();
        }
        began.elapsed()
    });
    watch.wait_for_frames(FRAMES);
    let all = began.elapsed();
    let written = writer.join().unwrap();
    println!(
        "burst, {pages} pages: {FRAMES} frames of 24 megapixels written in {:.2} s, all announced after {:.2} s ({:.1} a second); \
         peak memory {:.0} MiB, {:.2} s of processor time",
        written.as_secs_f64(),
        all.as_secs_f64(),
        FRAMES as f64 / all.as_secs_f64(),
        watch.peak_memory().unwrap_or(f64::NAN),
        watch.processor_time().unwrap_or(f64::NAN)
    );
}

criterion_group!(benches, a_raw_file_answered, an_answer_beside_sharpness, decoding, closed_file_to_event, burst);
criterion_main!(benches);
