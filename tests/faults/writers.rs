//! The ways in which tethers, card copiers and people bring pictures into a folder, in a thread of their own.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::harness::random::Random;
use crate::pictures::Picture;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// A piece, a pause, a piece.
    Slowly,
    Burst,
    RenamedIntoPlace,
    HardLinked,
    MovedIn,
    IntoSubFolder,
    WithItsFolder,
    /// A kilobyte at a time, as over a radio link.
    Trickled,
}

pub const WAYS: [Way; 8] = [
    Way::Slowly,
    Way::Burst,
    Way::RenamedIntoPlace,
    Way::HardLinked,
    Way::MovedIn,
    Way::IntoSubFolder,
    Way::WithItsFolder,
    Way::Trickled,
];

/// Brings pictures until it is told to stop.
pub struct Writer {
    ends: Arc<AtomicBool>,
    thread: JoinHandle<Vec<Picture>>,
}

impl Writer {
    /// `aside` lies on the same file system, outside the watched folder.
    pub fn start(folder: PathBuf, aside: PathBuf, random: Random, pause: (f64, f64)) -> Writer {
        let ends = Arc::new(AtomicBool::new(false));
        let own = Arc::clone(&ends);
        let thread = std::thread::spawn(move || {
            let mut hand = Hand { folder, aside, random, next: 0, done: Vec::new() };
            while !own.load(Ordering::Relaxed) {
                let way = hand.random.pick(&WAYS);
                hand.bring(way);
                let pause = hand.random.between(pause.0, pause.1);
                std::thread::sleep(Duration::from_secs_f64(pause));
            }
            hand.done
        });
        Writer { ends, thread }
    }

    /// All that was written whole.
    pub fn stop(self) -> Vec<Picture> {
        self.ends.store(true, Ordering::Relaxed);
        self.thread.join().unwrap()
    }
}

struct Hand {
    folder: PathBuf,
    aside: PathBuf,
    random: Random,
    next: u64,
    done: Vec<Picture>,
}

impl Hand {
    fn picture(&mut self) -> Picture {
        self.next += 1;
        Picture::any(self.next, &mut self.random)
    }

    fn bring(&mut self, way: Way) {
        match way {
            Way::Slowly => self.in_pieces(|len| len / 5 + 1, (0.015, 0.045)),
            Way::Trickled => self.in_pieces(|_| 1024, (0.001, 0.003)),
            Way::Burst => {
                let pictures: Vec<Picture> = (0..4).map(|_| self.picture()).collect();
                let files: Vec<_> = pictures.iter().flat_map(Picture::files).collect();
                for (name, bytes) in files {
                    fs::write(self.folder.join(name), bytes).unwrap();
                }
                self.done.extend(pictures);
            }
            Way::RenamedIntoPlace => self.by(|hand, name, bytes| {
                let hidden = hand.folder.join(format!(".{name}.part"));
                fs::write(&hidden, bytes).unwrap();
                fs::rename(hidden, hand.folder.join(name)).unwrap();
            }),
            Way::HardLinked => self.by(|hand, name, bytes| {
                let other = hand.aside.join(name);
                fs::write(&other, bytes).unwrap();
                fs::hard_link(other, hand.folder.join(name)).unwrap();
            }),
            Way::MovedIn => self.by(|hand, name, bytes| {
                let other = hand.aside.join(name);
                fs::write(&other, bytes).unwrap();
                fs::rename(other, hand.folder.join(name)).unwrap();
            }),
            Way::IntoSubFolder => {
                let picture = self.picture();
                let sub = self.folder.join(format!("roll_{}", picture.number % 7)).join(picture.stem());
                fs::create_dir_all(&sub).unwrap();
                write_all(&sub, &picture);
                self.done.push(picture);
            }
            Way::WithItsFolder => {
                let pictures: Vec<Picture> = (0..2).map(|_| self.picture()).collect();
                let name = format!("card_{}", pictures[0].number);
                let made = self.aside.join(&name);
                fs::create_dir(&made).unwrap();
                pictures.iter().for_each(|p| write_all(&made, p));
                fs::rename(made, self.folder.join(name)).unwrap();
                self.done.extend(pictures);
            }
        }
    }

    /// File after file of one picture.
    fn by(&mut self, write: impl Fn(&Hand, &str, &[u8])) {
        let picture = self.picture();
        for (name, bytes) in picture.files() {
            write(self, &name, &bytes);
        }
        self.done.push(picture);
    }

    fn in_pieces(&mut self, piece: impl Fn(usize) -> usize, pause: (f64, f64)) {
        let picture = self.picture();
        for (name, bytes) in picture.files() {
            let mut file = File::create(self.folder.join(name)).unwrap();
            for part in bytes.chunks(piece(bytes.len())) {
                file.write_all(part).unwrap();
                std::thread::sleep(Duration::from_secs_f64(self.random.between(pause.0, pause.1)));
            }
        }
        self.done.push(picture);
    }
}

fn write_all(folder: &Path, picture: &Picture) {
    for (name, bytes) in picture.files() {
        fs::write(folder.join(name), bytes).unwrap();
    }
}
