//! Files of full length that are not filled yet, as copies to a share and some copy programs make them: at a start and
//! while it runs, only the finished picture is read.

use std::fs::{File, OpenOptions};
use std::io::{Seek, SeekFrom, Write};
use std::path::Path;
use std::time::Duration;

use crate::pictures::Picture;
use crate::sitting::Sitting;

/// Makes a file of full length and empty, then fills it piece by piece.
fn fill(path: &Path, bytes: &[u8], pieces: usize, pause: Duration, mut between: impl FnMut(usize)) {
    File::create(path).unwrap().set_len(bytes.len() as u64).unwrap();
    let piece = bytes.len().div_ceil(pieces);
    for (k, part) in bytes.chunks(piece).enumerate() {
        between(k);
        std::thread::sleep(pause);
        let mut file = OpenOptions::new().write(true).open(path).unwrap();
        file.seek(SeekFrom::Start((k * piece) as u64)).unwrap();
        file.write_all(part).unwrap();
    }
}

fn started_amid(kill: bool) {
    let name = if kill { "killed amid a copy" } else { "stopped amid a copy" };
    let mut sitting = Sitting::new(name);
    sitting.start();
    for round in 0..sitting.effort.up_to(20).div_ceil(2) {
        let picture = if round % 2 == 0 { sitting.fresh_raw() } else { sitting.fresh_jpeg() };
        let (name, bytes) = picture.files().remove(0);
        let path = sitting.place.folder.join(name);
        let at = 2 + (sitting.random.next() * 6.0) as usize;
        fill(&path, &bytes, 14, Duration::from_millis(110), |k| {
            if k == at {
                if kill {
                    sitting.kill();
                } else {
                    sitting.end();
                }
                sitting.start();
            }
        });
        sitting.whole.push(picture);
        sitting.wait_for_all();
    }
    sitting.done();
}

#[test]
fn killed_and_started_amid_a_copy() {
    started_amid(true);
}

#[test]
fn stopped_and_started_amid_a_copy() {
    started_amid(false);
}

/// A picture cut off at any place is never read, and is read once its rest comes.
#[test]
fn a_cut_picture_waits_for_its_rest() {
    let mut sitting = Sitting::new("pictures cut off");
    sitting.start();
    let rounds = sitting.effort.up_to(25).max(6);
    let pictures: Vec<Picture> =
        (0..rounds).map(|k| if k % 2 == 0 { sitting.fresh_jpeg() } else { sitting.fresh_raw() }).collect();
    let files: Vec<(String, Vec<u8>)> = pictures.iter().flat_map(Picture::files).collect();
    for (name, bytes) in &files {
        let cut = (bytes.len() as f64 * sitting.random.between(0.05, 0.98)) as usize;
        std::fs::write(sitting.place.folder.join(name), &bytes[..cut]).unwrap();
    }
    // Longer than any quiet time.
    std::thread::sleep(sitting.effort.wait(4, 20));
    sitting.kill();
    sitting.start();
    std::thread::sleep(sitting.effort.wait(3, 12));
    let read: Vec<String> = sitting.log().frames.iter().map(|f| f.file.clone()).collect();
    sitting.promise(read.is_empty(), format!("read while cut off: {read:?}"));
    for (name, bytes) in &files {
        std::fs::write(sitting.place.folder.join(name), bytes).unwrap();
    }
    sitting.whole = pictures;
    sitting.wait_for_all();
    sitting.done();
}
