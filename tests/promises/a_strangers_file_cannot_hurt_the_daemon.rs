//! A stranger's file can't hurt the daemon: photographs are read by processes that are bounded, confined, killed and
//! started anew, and the next file is read as if nothing had been.

use std::fs;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use crate::harness::{Shot, greyhold, real_frames, shot};
use greyhold::container::{Kind, Links, open};
use greyhold::frame::{self, CutPlace, Frame, Picture, RawParts};
use greyhold::intake::FileState;
use greyhold::photometry::Series;
use greyhold::workers::{Answer, Bounds, Depth, Limits, Pool, Refused, Task, this_program};
use image::ImageFormat;
use tempfile::TempDir;

fn program() -> PathBuf {
    PathBuf::from(env!("CARGO_BIN_EXE_greyhold"))
}

fn small_limits() -> Limits {
    let bounds = Bounds { processor_seconds: 1, memory_mib: 256 };
    Limits { picture: bounds, raw: bounds, silence: Duration::from_secs(30) }
}

fn of(path: &Path, depth: Depth) -> Task {
    let kind = Kind::of(path).unwrap();
    let piece = CutPlace { left: 0.2, top: 0.1, right: 0.6, bottom: 0.5, most: 64, margin: 9 };
    let cuts = if depth == Depth::Cuts { vec![piece; 2] } else { Vec::new() };
    Task { path: path.to_owned(), kind, series: Series::Thirds, depth, links: Links::Refused, cuts }
}

/// A folder with one sound photograph, by which a pool is tried after each mishap.
struct Desk {
    home: TempDir,
    sound: PathBuf,
}

impl Desk {
    fn new() -> Desk {
        let home = tempfile::tempdir().unwrap();
        let sound = home.path().join("sound.jpg");
        fs::write(&sound, shot(8.0, 0.0, 1).jpeg()).unwrap();
        Desk { home, sound }
    }

    fn put(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.home.path().join(name);
        fs::write(&path, bytes).unwrap();
        path
    }

    fn assert_next_is_read_rightly(&self, pool: &Pool) {
        assert_same(&pool.read(&of(&self.sound, Depth::Whole)).unwrap(), &of(&self.sound, Depth::Whole));
    }
}

/// What a worker said is what reading here says: field by field, pixel by pixel.
fn assert_same(answer: &Answer, task: &Task) {
    let what = format!("{} {:?}", task.path.display(), task.depth);
    let mut file = open(&task.path, task.links).unwrap();
    let here = match task.depth {
        Depth::Structure => frame::examine(task.kind, &mut file),
        Depth::Whole => frame::read_from(task.kind, &task.path, &mut file, task.series),
        Depth::WithEmbedded => {
            frame::read_parts_from(task.kind, &task.path, &mut file, task.series, RawParts::LightAndEmbedded)
        }
        Depth::EmbeddedFirst => {
            frame::read_parts_from(task.kind, &task.path, &mut file, task.series, RawParts::EmbeddedFirst)
        }
        Depth::Glance => frame::glance_from(task.kind, &task.path, &mut file, task.series),
        Depth::Lenient => frame::read_leniently_from(task.kind, &task.path, &mut file, task.series),
        Depth::Cuts => {
            let here = frame::cut_from(task.kind, &task.path, &mut file, &task.cuts).unwrap().unwrap();
            assert_eq!((answer.cuts.len(), here.len()), (task.cuts.len(), task.cuts.len()), "{what}");
            for (theirs, ours) in answer.cuts.iter().zip(&here) {
                assert_eq!((theirs.spot, theirs.frame), (ours.spot, ours.frame), "{what}");
                assert_eq!(
                    (&theirs.picture.proxy, &theirs.picture.linear),
                    (&ours.picture.proxy, &ours.picture.linear),
                    "{what}"
                );
            }
            return;
        }
    };
    let here = here.unwrap();
    assert_eq!(answer.state, FileState::of_open(&file).unwrap(), "{what}");
    assert_eq!(answer.fingerprints, here.fingerprints, "{what}");
    assert_eq!(answer.captured, here.captured, "{what}");
    assert_eq!(answer.tail_missing, here.tail_missing, "{what}");
    assert_eq!(answer.perhaps_unfinished, here.perhaps_unfinished, "{what}");
    match (&answer.frame, &here.frame) {
        (None, None) => assert_eq!(task.depth, Depth::Structure, "{what}"),
        (Some(theirs), Some(ours)) => assert_same_frame(theirs, ours, &what),
        _ => panic!("{what}: one has a frame and the other has none"),
    }
}

fn assert_same_frame(theirs: &Frame, ours: &Frame, what: &str) {
    assert_eq!(theirs.settings, ours.settings, "{what}");
    assert_eq!(theirs.notes, ours.notes, "{what}");
    let (Some(theirs), Some(ours)) = (&theirs.picture, &ours.picture) else {
        panic!("{what}: both have a picture");
    };
    assert_eq!(theirs.proxy, ours.proxy, "{what}");
    assert_eq!(theirs.colour.space, ours.colour.space, "{what}");
    let numbers = |p: &Picture| -> Vec<u32> {
        let linear = p.linear.as_deref().unwrap_or_default();
        p.colour.weights.iter().chain(&p.colour.srgb_code).chain(linear).map(|real| real.to_bits()).collect()
    };
    assert_eq!(theirs.linear.is_some(), ours.linear.is_some(), "{what}");
    assert!(numbers(theirs) == numbers(ours), "{what}: every number is the same");
}

fn encoded(format: ImageFormat, width: u32, height: u32) -> Vec<u8> {
    let code = |x: u32, y: u32| [(x * 7 + y) as u8, (x + y * 3) as u8, (x * y / 64) as u8];
    let picture = image::RgbImage::from_fn(width, height, |x, y| image::Rgb(code(x, y)));
    let mut bytes = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut bytes, format).unwrap();
    bytes.into_inner()
}

/// A sound PNG of 64 x 64 pixels before whose compressed pixels stand empty blocks, each of which makes the decoder
/// build its tables anew. Source: RFC 1951, section 3.2.7. Eight blocks of 91 bits are whole bytes.
fn slow_png(eights: usize) -> Vec<u8> {
    let mut bits: Vec<bool> = Vec::new();
    for _ in 0..8 {
        let mut put = |value: u32, count: u32| bits.extend((0..count).map(|bit| value >> bit & 1 == 1));
        put(0, 1);
        put(2, 2);
        [(0, 5), (0, 5), (14, 4)].into_iter().for_each(|(value, count)| put(value, count));
        // Lengths are written by two codes of one bit: 'length 1' and 'so many zeros'.
        for symbol in [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1] {
            put(u32::from(symbol == 1 || symbol == 18), 3);
        }
        put(0, 1);
        [138, 117].into_iter().for_each(|zeros| put(1 | (zeros - 11) << 1, 8));
        put(0, 2);
        put(1, 1);
    }
    let byte = |eight: &[bool]| eight.iter().rev().fold(0, |byte, bit| byte << 1 | u8::from(*bit));
    let blocks: Vec<u8> = bits.chunks(8).map(byte).collect();
    let png = encoded(ImageFormat::Png, 64, 64);
    let at = png.windows(4).position(|name| name == b"IDAT").unwrap();
    let length = u32::from_be_bytes(png[at - 4..at].try_into().unwrap()) as usize;
    // Behind the two bytes of the stream's heading.
    let data = [&png[at..at + 6], &blocks.repeat(eights), &png[at + 6..at + 4 + length]].concat();
    let checksum = crc32fast::hash(&data).to_be_bytes();
    let new_length = (data.len() as u32 - 4).to_be_bytes();
    [&png[..at - 4], &new_length, &data, &checksum, &png[at + 8 + length..]].concat()
}

/// Takes some seconds of processor time, and then is a picture.
const SECONDS_OF_WORK: usize = 250_000;

#[test]
fn what_a_worker_reads_is_what_reading_here_gives() {
    let desk = Desk::new();
    let pool = Pool::new(program(), 2);
    let large = Shot { size: (2400, 1600), ..shot(7.1, 0.3, 2) };
    let mut files = vec![
        desk.sound.clone(),
        desk.put("large.jpg", &large.jpeg()),
        desk.put("no settings.png", &encoded(ImageFormat::Png, 500, 400)),
        desk.put("a.tif", &encoded(ImageFormat::Tiff, 1800, 1200)),
        desk.put("a.webp", &encoded(ImageFormat::WebP, 300, 200)),
    ];
    if cfg!(feature = "raw") {
        files.push(desk.put("a.dng", &shot(8.0, 0.0, 3).raw()));
    }
    #[cfg(target_os = "linux")]
    {
        use std::os::unix::ffi::OsStrExt;
        let name = desk.home.path().join(std::ffi::OsStr::from_bytes(b"not unicode \xff\n.jpg"));
        fs::write(&name, shot(5.6, 0.0, 4).jpeg()).unwrap();
        files.push(name);
    }
    // More at a time than there are seats, each in an order of its own: no answer goes to another's question.
    thread::scope(|scope| {
        for first in 0..4 {
            let (files, pool) = (&files, pool.clone());
            scope.spawn(move || {
                for at in 0..files.len() {
                    for depth in [Depth::Structure, Depth::Whole, Depth::Lenient, Depth::Glance, Depth::Cuts] {
                        let task = of(&files[(at + first * 2) % files.len()], depth);
                        assert_same(&pool.read(&task).unwrap(), &task);
                    }
                }
            });
        }
    });
}

#[test]
fn a_file_that_keeps_its_decoder_busy_is_given_up_and_the_next_is_read() {
    let desk = Desk::new();
    let busy = desk.put("busy.png", &slow_png(SECONDS_OF_WORK));
    let pool = Pool::with_limits(program(), 1, small_limits());
    assert_eq!(pool.read(&of(&busy, Depth::Whole)).unwrap_err(), Refused::TookTooLong { seconds: 1 });
    desk.assert_next_is_read_rightly(&pool);
}

#[test]
#[cfg(target_os = "linux")]
fn a_file_that_takes_the_memory_is_given_up_and_the_next_is_read() {
    let desk = Desk::new();
    let large = desk.put("large.png", &encoded(ImageFormat::Png, 6000, 4500));
    let mut limits = small_limits();
    limits.picture.memory_mib = 64;
    let pool = Pool::with_limits(program(), 1, limits);
    assert_eq!(pool.read(&of(&large, Depth::Whole)).unwrap_err(), Refused::TookTooMuch { mib: 64 });
    desk.assert_next_is_read_rightly(&pool);
    limits.picture.memory_mib = 512;
    assert!(Pool::with_limits(program(), 1, limits).read(&of(&large, Depth::Whole)).is_ok(), "it is a sound picture");
}

#[test]
fn what_is_no_file_is_refused_at_once() {
    let desk = Desk::new();
    let pool = Pool::new(program(), 1);
    let name = |name: &str| desk.home.path().join(name);
    let wrong = [name("missing.jpg"), name("folder.jpg")];
    fs::create_dir(name("folder.jpg")).unwrap();
    #[cfg(unix)]
    let wrong = {
        assert!(std::process::Command::new("mkfifo").arg(name("pipe.jpg")).status().unwrap().success());
        std::os::unix::fs::symlink(&desk.sound, name("link.jpg")).unwrap();
        [&wrong[..], &[name("pipe.jpg"), name("link.jpg")]].concat()
    };
    for path in wrong {
        let refused = pool.read(&of(&path, Depth::Whole)).unwrap_err();
        assert!(matches!(refused, Refused::Unreadable(_)), "{}: {refused:?}", path.display());
    }
    desk.assert_next_is_read_rightly(&pool);
    #[cfg(unix)]
    {
        let pipe = name("pipe.jpg").to_str().unwrap().to_owned();
        for args in [&["check", "--frame", &pipe][..], &["compare", "--json", &pipe, &pipe]] {
            let output = greyhold(args);
            assert_eq!(output.status.code(), Some(1), "{args:?}");
            let said = String::from_utf8_lossy(&output.stdout).into_owned();
            assert!(said.trim().lines().count() == 1 && said.contains("no regular file"), "{said}");
        }
    }
}

#[test]
fn known_hostile_files_cost_themselves_alone() {
    let Some(frames) = real_frames() else { return };
    let desk = Desk::new();
    let pool = Pool::with_limits(program(), 1, small_limits());
    let mut tried = 0;
    for entry in fs::read_dir(frames.join("hostile")).unwrap().flatten() {
        let path = entry.path();
        let Some(kind) = Kind::of(&path) else { continue };
        tried += 1;
        let began = Instant::now();
        let read = pool.read(&of(&path, Depth::Lenient));
        println!("{}: {:?} after {:?}", path.display(), read.as_ref().map(|_| "read"), began.elapsed());
        assert!(began.elapsed() < Duration::from_secs(60), "{}", path.display());
        if kind.is_raw() {
            assert!(read.is_err() || read.unwrap().frame.is_some_and(|f| f.picture.is_none()), "{}", path.display());
        }
        desk.assert_next_is_read_rightly(&pool);
    }
    assert!(tried > 5, "the folder of hostile files was found");
}

#[test]
fn a_program_that_is_no_worker_is_told_as_such() {
    let desk = Desk::new();
    let task = of(&desk.sound, Depth::Whole);
    let nowhere = Pool::new(desk.home.path().join("nowhere"), 1);
    assert!(matches!(nowhere.read(&task).unwrap_err(), Refused::Unreadable(why) if why.contains("started")));
    #[cfg(unix)]
    for program in ["/bin/echo", "/usr/bin/yes", "/bin/false"] {
        let refused = Pool::new(PathBuf::from(program), 1).read(&task).unwrap_err();
        assert!(matches!(refused, Refused::Crashed(_)), "{program}: {refused:?}");
    }
    assert!(this_program().is_absolute());
}

#[test]
fn confined_as_it_is_a_worker_writes_nothing_and_reaches_nobody() {
    if !cfg!(target_os = "linux") {
        return println!("skipped: this system confines no process");
    }
    let desk = Desk::new();
    let pool = Pool::new(program(), 1);
    let holds = pool.confinement().unwrap();
    if !holds.is_whole() {
        return println!("skipped: {holds}");
    }
    // Where this process may do it.
    fs::OpenOptions::new().write(true).open(&desk.sound).unwrap();
    std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let before = fs::metadata(&desk.sound).unwrap();
    let output = greyhold(&["read-files", "--attempt", desk.sound.to_str().unwrap()]);
    let said = String::from_utf8(output.stdout).unwrap();
    let (holding, attempts) = said.split_once('\n').unwrap();
    assert_eq!(holding, holds.to_string());
    let (done, refused): (Vec<&str>, Vec<&str>) = attempts.lines().partition(|line| line.ends_with(": done"));
    assert_eq!(done, ["a thread of its own: done", "reading: done"]);
    assert!(refused.len() >= 12 && refused.iter().all(|line| line.ends_with(": refused")), "{refused:?}");
    let after = fs::metadata(&desk.sound).unwrap();
    assert_eq!((after.modified().unwrap(), after.permissions()), (before.modified().unwrap(), before.permissions()));
    assert_eq!(fs::read_dir(desk.home.path()).unwrap().count(), 1);
}

#[cfg(target_os = "linux")]
mod on_linux {
    use std::process::Command;

    use super::*;
    use crate::harness::process::in_a_process_of_its_own;
    use crate::harness::wait_for;

    /// The fields of `/proc/PID/stat` behind the name: state, parent, group.
    fn stat(pid: u32) -> Option<Vec<String>> {
        let text = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
        Some(text.rsplit_once(')')?.1.split_whitespace().map(str::to_owned).collect())
    }

    /// Processes that `parent` started and that are not reaped.
    fn children(parent: u32) -> Vec<u32> {
        let all = fs::read_dir("/proc").unwrap().flatten();
        let pids = all.filter_map(|entry| entry.file_name().to_str()?.parse().ok());
        pids.filter(|pid| stat(*pid).is_some_and(|fields| fields[1] == parent.to_string())).collect()
    }

    /// Waits for the one worker that is not `known`, and until it has worked for a while.
    fn worker_at_work(parent: u32, known: &[u32]) -> u32 {
        let mut found = 0;
        wait_for("a worker that works", || {
            let at_work = |pid: &u32| {
                let worked = stat(*pid).and_then(|fields| fields[11].parse::<u32>().ok());
                !known.contains(pid) && worked.is_some_and(|hundredths| hundredths >= 20)
            };
            found = children(parent).into_iter().find(at_work).unwrap_or(0);
            found != 0
        });
        found
    }

    /// This process's ends of pipes.
    fn pipes() -> usize {
        let held = fs::read_dir("/proc/self/fd").unwrap().flatten();
        held.filter(|fd| fs::read_link(fd.path()).is_ok_and(|to| to.to_string_lossy().starts_with("pipe:"))).count()
    }

    /// Threads of this process that look after a worker.
    fn watchers() -> usize {
        let threads = fs::read_dir("/proc/self/task").unwrap().flatten();
        let names = threads.filter_map(|thread| fs::read_to_string(thread.path().join("comm")).ok());
        names.filter(|name| name.starts_with("worker")).count()
    }

    fn signal(pid: u32, name: &str) {
        assert!(Command::new("kill").args([name, &pid.to_string()]).status().unwrap().success());
    }

    fn patient() -> Limits {
        let bounds = Bounds { processor_seconds: 60, memory_mib: 512 };
        Limits { picture: bounds, raw: bounds, silence: Duration::from_secs(30) }
    }

    #[test]
    fn a_worker_that_somebody_kills_costs_no_frame() {
        in_a_process_of_its_own(|| {
            let desk = Desk::new();
            let busy = desk.put("busy.png", &slow_png(SECONDS_OF_WORK));
            let me = std::process::id();
            let pool = Pool::with_limits(program(), 1, patient());
            let task = of(&busy, Depth::Whole);
            thread::scope(|scope| {
                let reading = scope.spawn(|| pool.read(&task));
                let worker = worker_at_work(me, &[]);
                assert_eq!(stat(worker).unwrap()[2], worker.to_string(), "keys of the terminal don't reach it");
                signal(worker, "-KILL");
                assert_same(&reading.join().unwrap().unwrap(), &task);
                // Twice is no accident any more.
                let reading = scope.spawn(|| pool.read(&task));
                let first = worker_at_work(me, &[]);
                signal(first, "-KILL");
                signal(worker_at_work(me, &[first]), "-KILL");
                assert!(matches!(reading.join().unwrap().unwrap_err(), Refused::Crashed(_)));
            });
            desk.assert_next_is_read_rightly(&pool);
            // One that is idle is not missed either.
            let idle = children(me);
            assert_eq!(idle.len(), 1);
            signal(idle[0], "-KILL");
            desk.assert_next_is_read_rightly(&pool);
        });
    }

    #[test]
    fn a_worker_of_which_nothing_is_heard_is_told_as_silent() {
        in_a_process_of_its_own(|| {
            let desk = Desk::new();
            let busy = desk.put("busy.png", &slow_png(SECONDS_OF_WORK));
            let pool = Pool::with_limits(program(), 1, Limits { silence: Duration::from_secs(3), ..patient() });
            let task = of(&busy, Depth::Whole);
            thread::scope(|scope| {
                let reading = scope.spawn(|| pool.read(&task));
                signal(worker_at_work(std::process::id(), &[]), "-STOP");
                assert_eq!(reading.join().unwrap().unwrap_err(), Refused::Silent { seconds: 3 });
            });
            desk.assert_next_is_read_rightly(&pool);
        });
    }

    #[test]
    fn the_end_waits_for_no_file() {
        in_a_process_of_its_own(|| {
            let desk = Desk::new();
            let busy = desk.put("busy.png", &slow_png(SECONDS_OF_WORK * 4));
            let me = std::process::id();
            let pool = Pool::with_limits(program(), 1, patient());
            let task = of(&busy, Depth::Whole);
            thread::scope(|scope| {
                let reading = scope.spawn(|| pool.read(&task));
                let queued = scope.spawn(|| pool.read(&task));
                worker_at_work(me, &[]);
                let asked = Instant::now();
                pool.stop();
                assert_eq!(reading.join().unwrap().unwrap_err(), Refused::Stopped);
                assert_eq!(queued.join().unwrap().unwrap_err(), Refused::Stopped);
                assert!(asked.elapsed() < Duration::from_secs(2), "{:?}", asked.elapsed());
            });
            assert_eq!(pool.read(&of(&desk.sound, Depth::Whole)).unwrap_err(), Refused::Stopped);
            wait_for("the workers' end", || children(me).is_empty());
        });
    }

    #[test]
    fn workers_end_with_a_greyhold_that_was_killed() {
        let desk = Desk::new();
        let busy = desk.put("busy.png", &slow_png(SECONDS_OF_WORK));
        let busy = busy.to_str().unwrap();
        let mut parent = Command::new(program()).args(["check", "--frame", busy]).spawn().unwrap();
        let worker = worker_at_work(parent.id(), &[]);
        parent.kill().unwrap();
        parent.wait().unwrap();
        wait_for("the worker's end", || stat(worker).is_none_or(|fields| fields[0] == "Z"));
    }

    #[test]
    fn dozens_of_workers_that_die_leave_nothing_behind() {
        in_a_process_of_its_own(|| {
            let desk = Desk::new();
            let large = desk.put("large.tif", &encoded(ImageFormat::Tiff, 1800, 1200));
            let me = std::process::id();
            let before = pipes();
            let mut limits = small_limits();
            limits.picture.memory_mib = 1;
            let pool = Pool::with_limits(program(), 1, limits);
            for round in 0..48 {
                let refused = pool.read(&of(&large, Depth::Whole)).unwrap_err();
                assert_eq!(refused, Refused::TookTooMuch { mib: 1 }, "round {round}");
            }
            drop(pool);
            wait_for("every worker's end", || children(me).is_empty());
            wait_for("the end of the threads that looked after them", || watchers() == 0);
            wait_for("their pipes' end", || pipes() <= before);
        });
    }
}
