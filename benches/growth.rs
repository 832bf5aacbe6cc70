//! What it costs to grow: from a closed file to its judgement, the daemon's memory and its start anew, over the frames of a sitting,
//! groups of lights, spots, and pages that are open, each by itself.
//!
//! `cargo bench --bench growth -- --sittings 100` tells instead how long the sittings of a long log take to be listed and opened.
//!
//! `cargo bench --bench growth -- --frames 10000` prints the tables of docs/growth.md; without a number it stops at 1,000 frames.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "../tests/harness/mod.rs"]
mod harness;
mod long_log;

use std::fmt::Write;
use std::fs;
use std::time::{Duration, Instant};

use greyhold::studio::Light;
use harness::http::follow_as_a_page;
use harness::process::status_of;
use harness::random::Random;
use harness::sittings::{Lamp, Lamps, Rig, SECONDS, Take, calibrate_into, pose};
use harness::{Shot, Studio, shot};
use serde_json::{Value, json};

const FRAMES: [u64; 4] = [100, 1_000, 10_000, 100_000];
const USUAL_MOST: u64 = 1_000;
const GROUPS: [usize; 4] = [1, 2, 4, 8];
const SPOTS: [usize; 4] = [3, 10, 20, 40];
const PAGES: [usize; 4] = [0, 10, 25, 50];
/// Frames of which the median is told, and those before them.
const MEASURED: usize = 40;
const WARMING: usize = 10;
/// Frames that are put before it is waited for them.
const AT_ONCE: u64 = 20;

fn main() {
    if let Some(most) = number_behind("--sittings") {
        return long_log::over_sittings(most);
    }
    over_frames(number_behind("--frames").unwrap_or(USUAL_MOST));
    heading("groups, surveyed where they are two or more", "");
    for groups in GROUPS {
        let sitting = Sitting::open(groups, 3);
        row(groups, &mut if groups > 1 { sitting.surveyed() } else { sitting }, false);
    }
    heading("spots", "");
    SPOTS.into_iter().for_each(|spots| row(spots, &mut Sitting::open(3, spots), false));
    heading("pages that are open", "");
    for pages in PAGES {
        let mut sitting = Sitting::open(3, 3);
        let (port, cookie) = (sitting.studio.port(), sitting.studio.session());
        (0..pages).for_each(|_| follow_as_a_page(port, cookie.clone()));
        row(pages, &mut sitting, false);
    }
}

fn number_behind(word: &str) -> Option<u64> {
    let mut words = std::env::args();
    words.find(|w| w == word)?;
    Some(words.next().and_then(|n| n.parse().ok()).expect("a number follows the word"))
}

/// Small pictures, so that what grows isn't hidden by reading them.
fn over_frames(most: u64) {
    heading("frames", " start anew | open part of the log |");
    let mut sitting = Sitting::open(3, 3);
    for frames in FRAMES.into_iter().filter(|n| *n <= most) {
        while sitting.shots < frames - (MEASURED + WARMING) as u64 {
            let small = sitting.small();
            sitting.put(&small);
            if sitting.shots.is_multiple_of(AT_ONCE) {
                assert!(sitting.studio.sync().is_empty());
            }
        }
        assert!(sitting.studio.sync().is_empty());
        row(frames as usize, &mut sitting, true);
    }
}

fn heading(what: &str, more: &str) {
    println!(
        "\n| {what} | closed file to judgement | memory |{more}\n|---|---|---|{}",
        if more.is_empty() { "" } else { "---|---|" }
    );
}

fn row(count: usize, sitting: &mut Sitting, small: bool) {
    let latency = sitting.latency(small);
    let memory = sitting.memory().map_or_else(|| "?".into(), |mib| format!("{mib:.1} MiB"));
    let mut line = format!("| {count} | {:.1} ms | {memory} |", latency.as_secs_f64() * 1e3);
    if small {
        let log = fs::metadata(sitting.studio.log()).unwrap().len() >> 20;
        write!(line, " {:.2} s | {log} MiB |", sitting.start_anew().as_secs_f64()).unwrap();
    }
    println!("{line}");
}

struct Sitting {
    studio: Studio,
    rig: Rig,
    random: Random,
    shots: u64,
}

impl Sitting {
    fn open(groups: usize, spots: usize) -> Sitting {
        let rig = rig_of(groups);
        let mut yaml = "curves: ./curves\nspots:\n".to_owned();
        for n in 0..spots {
            let (left, top) = (0.05 + 0.11 * (n % 8) as f64, 0.05 + 0.18 * (n / 8) as f64);
            writeln!(
                yaml,
                "  - {{name: s{n}, left: {left:.2}, top: {top:.2}, right: {:.2}, bottom: {:.2}}}",
                left + 0.1,
                top + 0.12
            )
            .unwrap();
        }
        yaml.push_str("groups:\n");
        for lamp in &rig.lamps {
            writeln!(yaml, "  - {{name: {}, dial: fraction, step: 1/3, range: 1/256 to 1/1, power: 1/4}}", lamp.name)
                .unwrap();
        }
        let mut studio = Studio::empty();
        calibrate_into(&studio.home.path().join("curves"));
        studio.configure(&yaml);
        studio.start();
        Sitting { studio, rig, random: Random(11), shots: 0 }
    }

    fn put(&mut self, jpeg: &[u8]) -> Instant {
        self.shots += 1;
        self.studio.put(&format!("frame_{:06}.jpg", self.shots), jpeg);
        Instant::now()
    }

    fn small(&self) -> Vec<u8> {
        let number = self.shots + 1;
        Shot { size: (120, 80), ..shot(8.0, 0.0, number) }.jpeg()
    }

    fn usual(&mut self) -> Vec<u8> {
        let pose = pose(0.01, 2.0, &mut self.random);
        let take = Take { pose, ..self.take() };
        take.jpeg(&self.rig, &mut self.random)
    }

    fn take(&self) -> Take {
        let number = self.shots + 1;
        Take { at: number as f64 * 20.0, ..Take::at_reference(&self.rig, number) }
    }

    /// A picture lands, and is judged.
    fn put_and_wait(&mut self, jpeg: &[u8]) {
        self.put(jpeg);
        assert!(self.studio.sync().is_empty());
    }

    /// Shoots what a survey asks for.
    fn surveyed(mut self) -> Sitting {
        let jpeg = self.usual();
        self.put_and_wait(&jpeg);
        let begun = self.studio.tell(json!({"command": "survey"}));
        assert_eq!(begun["ok"], true, "{begun}");
        let groups = self.rig.lamps.len();
        for firing in [Lamps::None].into_iter().chain((0..groups).map(Lamps::Only)).chain([Lamps::All]) {
            let before = self.asked();
            // A light that is dark alone is asked for anew.
            for iso in [100.0, 200.0, 400.0, 800.0] {
                let seconds = if firing == Lamps::None { 0.1 } else { SECONDS };
                let take = Take { seconds, iso, ..self.take() }.firing(firing);
                let jpeg = take.jpeg(&self.rig, &mut self.random);
                self.put_and_wait(&jpeg);
                if self.asked() != before {
                    break;
                }
            }
            assert_ne!(self.asked(), before, "it doesn't go on: {:?}", self.studio.of_type("survey").pop());
        }
        assert!(self.asked().is_null(), "it asks for more: {:?}", self.studio.of_type("survey").pop());
        self
    }

    /// What the survey asks for.
    fn asked(&self) -> Value {
        self.studio.tell(json!({"command": "status"}))["value"]["survey"]["next"].clone()
    }

    /// From the closed file to its judgement on the socket, the median.
    fn latency(&mut self, small: bool) -> Duration {
        let mut line = self.studio.connect();
        line.ask(json!({"command": "listen"}));
        let mut took = Vec::new();
        for _ in 0..WARMING + MEASURED {
            let jpeg = if small { self.small() } else { self.usual() };
            let closed = self.put(&jpeg);
            while line.try_next().expect("the watch ended")["record"]["type"] != "judged" {}
            took.push(closed.elapsed());
        }
        let measured = &mut took[WARMING..];
        measured.sort();
        measured[MEASURED / 2]
    }

    /// Resident memory in MiB, where the system tells it as Linux does.
    fn memory(&self) -> Option<f64> {
        status_of(self.studio.pid(), "VmRSS:").map(|kib| kib as f64 / 1024.0)
    }

    fn start_anew(&mut self) -> Duration {
        self.studio.stop();
        let began = Instant::now();
        self.studio.start();
        began.elapsed()
    }
}

/// Hard lights in a ring about the sitter, so that each shows what the others don't.
fn rig_of(groups: usize) -> Rig {
    const NAMES: [&str; 8] = ["key", "fill", "rim", "background", "hair", "kicker", "left", "right"];
    let lamp = |(n, name): (usize, &'static str)| {
        let way = std::f32::consts::TAU * n as f32 / groups as f32;
        let light = Light {
            from: [way.cos(), way.sin(), 0.25],
            strength: (4.0 / groups as f32).min(1.2),
            on_backdrop: 0.02,
            softness: 0.05,
        };
        Lamp { name, light, reflector: None, step: 1.0 / 3.0 }
    };
    Rig { lamps: NAMES.into_iter().take(groups).enumerate().map(lamp).collect(), ambient: Rig::portrait().ambient }
}
