//! By scans alone, whatever writers do: each picture is told once, none is missed.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod harness;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use greyhold::container::Fingerprint;
use greyhold::intake::{Arrival, Control, FirstStart, Intake, Mode, Options, Rules};
use harness::{PATIENCE, Shot, shot};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};

#[derive(Debug, Clone)]
enum Deed {
    /// A new picture under a name, whether or not the name is in use.
    Write(u8),
    Rename(u8, u8),
    Delete(u8),
    /// Written again, byte for byte, as a copy or a caption program does.
    Touch(u8),
    Copy(u8, u8),
}

fn deed() -> impl Strategy<Value = Deed> {
    let name = 0_u8..5;
    prop_oneof![
        4 => name.clone().prop_map(Deed::Write),
        1 => (name.clone(), name.clone()).prop_map(|(a, b)| Deed::Rename(a, b)),
        1 => name.clone().prop_map(Deed::Delete),
        1 => name.clone().prop_map(Deed::Touch),
        1 => (name.clone(), name).prop_map(|(a, b)| Deed::Copy(a, b)),
    ]
}

/// A small JPEG like no other.
fn picture(number: u64) -> Vec<u8> {
    Shot { size: (48, 32), ..shot(8.0, 0.0, number) }.jpeg()
}

struct Watched {
    folder: tempfile::TempDir,
    intake: Intake,
    arrivals: Receiver<Arrival>,
    tokens: u64,
}

impl Watched {
    fn start() -> Watched {
        let folder = tempfile::tempdir().unwrap();
        let (tell, arrivals) = channel();
        let options = Options {
            folder: folder.path().to_owned(),
            mode: Mode::Poll,
            poll_every: Duration::from_millis(20),
            scan_every: Duration::from_millis(20),
            rules: Rules::default(),
            first_start: FirstStart::MeterAll,
        };
        let intake = Intake::start(options, Vec::new(), |_| None, move |a| tell.send(a).is_ok()).unwrap();
        Watched { folder, intake, arrivals, tokens: 0 }
    }

    fn path(&self, name: u8) -> PathBuf {
        self.folder.path().join(format!("{name}.jpg"))
    }

    /// Names and fingerprints of the frames told up to now.
    fn told(&mut self) -> Vec<(String, Fingerprint)> {
        self.tokens += 1;
        self.intake.control.send(Control::Sync(self.tokens)).unwrap();
        let mut frames = Vec::new();
        loop {
            match self.arrivals.recv_timeout(PATIENCE).unwrap() {
                Arrival::Frame { name, fingerprint, .. } => frames.push((name, fingerprint)),
                Arrival::Mark { token, .. } if token == self.tokens => return frames,
                _ => {}
            }
        }
    }
}

/// The pictures by name, as a photographer would list them, and those that were told already.
#[derive(Default)]
struct Model {
    files: BTreeMap<u8, u64>,
    told: BTreeSet<(u8, u64)>,
    pictures: u64,
}

impl Model {
    fn carry_out(&mut self, deed: &Deed, watched: &Watched) {
        match deed {
            Deed::Write(name) => {
                self.pictures += 1;
                fs::write(watched.path(*name), picture(self.pictures)).unwrap();
                self.files.insert(*name, self.pictures);
            }
            Deed::Rename(a, b) if a != b => {
                if let Some(picture) = self.files.remove(a) {
                    fs::rename(watched.path(*a), watched.path(*b)).unwrap();
                    self.files.insert(*b, picture);
                }
            }
            Deed::Delete(name) => {
                if self.files.remove(name).is_some() {
                    fs::remove_file(watched.path(*name)).unwrap();
                }
            }
            Deed::Touch(name) => {
                if let Some(number) = self.files.get(name) {
                    fs::write(watched.path(*name), picture(*number)).unwrap();
                }
            }
            Deed::Copy(a, b) if a != b => {
                if let Some(picture) = self.files.get(a).copied() {
                    fs::copy(watched.path(*a), watched.path(*b)).unwrap();
                    self.files.insert(*b, picture);
                }
            }
            Deed::Rename(..) | Deed::Copy(..) => {}
        }
    }
}

#[test]
fn each_picture_once_whatever_happens_to_its_file() {
    let mut runner = TestRunner::new(Config { cases: 6, ..Config::default() });
    let deeds = prop::collection::vec(prop::collection::vec(deed(), 1..4), 1..8);
    runner
        .run(&deeds, |batches| {
            let mut watched = Watched::start();
            let mut model = Model::default();
            let mut seen = BTreeSet::new();
            for batch in &batches {
                for deed in batch {
                    model.carry_out(deed, &watched);
                }
                for (name, fingerprint) in watched.told() {
                    prop_assert!(seen.insert((name.clone(), fingerprint)), "{name} was told twice: {batches:?}");
                }
                // What lies there now was told under its name, or is a renamed picture told before.
                for (name, picture) in &model.files {
                    let under_this_name = seen.iter().filter(|(n, _)| *n == format!("{name}.jpg")).count();
                    let known = model.told.iter().any(|(_, p)| p == picture);
                    prop_assert!(under_this_name > 0 || known, "{name}.jpg was missed: {batches:?}");
                    model.told.insert((*name, *picture));
                }
            }
            let pictures: BTreeSet<Fingerprint> = seen.iter().map(|(_, print)| *print).collect();
            let lain: BTreeSet<u64> = model.told.iter().map(|(_, p)| *p).collect();
            prop_assert!(pictures.len() >= lain.len(), "a picture was missed: {batches:?}");
            watched.intake.control.send(Control::Stop).unwrap();
            watched.intake.thread.join().unwrap();
            Ok(())
        })
        .unwrap();
}
