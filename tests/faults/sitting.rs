//! One fault's sitting: what was put into the folder, the daemons that watched it, and what was promised and not held.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use crate::daemon::{Daemon, Ended, Place};
use crate::effort::{DAEMON_MEMORY_KIB, END_WITHIN, Effort, FOUND_WITHIN, STATUS_WITHIN, WORKER_MEMORY_KIB};
use crate::harness::random::Random;
use crate::machine::{Since, held_up};
use crate::oracle::{Log, Truths};
use crate::pictures::Picture;
use crate::pulse::Measured;

pub struct Sitting {
    pub name: &'static str,
    pub effort: Effort,
    pub random: Random,
    pub place: Place,
    daemon: Option<Daemon>,
    /// Whole pictures that lay in the folder.
    pub whole: Vec<Picture>,
    next: u64,
    /// Lines of the log that the fault itself damaged, and places where it took records away.
    pub damage_allowed: usize,
    pub gaps_allowed: usize,
    /// Frames of files that are not the test's own pictures.
    pub strangers_allowed: bool,
    /// The system itself holds them, and lets not even a killed one go.
    pub workers_may_stay: bool,
    pub broken: Vec<String>,
    measured: Measured,
    worst_end: Duration,
    ends: u32,
    extra: Vec<String>,
    began: Instant,
    pub machine: Since,
}

impl Sitting {
    pub fn new(name: &'static str) -> Sitting {
        let effort = Effort::asked();
        Sitting {
            name,
            effort,
            random: effort.random(name),
            place: Place::new(),
            daemon: None,
            whole: Vec::new(),
            next: 0,
            damage_allowed: 0,
            gaps_allowed: 0,
            strangers_allowed: false,
            workers_may_stay: false,
            broken: Vec::new(),
            measured: Measured::default(),
            worst_end: Duration::ZERO,
            ends: 0,
            extra: Vec::new(),
            began: Instant::now(),
            machine: Since::now(),
        }
    }

    pub fn start(&mut self) {
        match Daemon::start(&self.place) {
            Ok(daemon) => self.daemon = Some(daemon),
            Err(why) => panic!("{}: no start: {why}; before that: {:?}", self.name, self.broken),
        }
    }

    /// Goes on with a daemon that was started elsewhere.
    pub fn adopt(&mut self, daemon: Daemon) {
        self.daemon = Some(daemon);
    }

    pub fn daemon(&self) -> &Daemon {
        self.daemon.as_ref().unwrap()
    }

    pub fn daemon_mut(&mut self) -> &mut Daemon {
        self.daemon.as_mut().unwrap()
    }

    pub fn log(&self) -> Log {
        Log::read(&self.place.log)
    }

    pub fn promise(&mut self, holds: bool, sentence: impl Into<String>) {
        if !holds {
            self.broken.push(sentence.into());
        }
    }

    /// A figure for the line that is printed at the end.
    pub fn tell(&mut self, figure: impl Into<String>) {
        self.extra.push(figure.into());
    }

    /// A picture that was not yet there.
    pub fn fresh(&mut self) -> Picture {
        self.next += 1;
        Picture::any(self.next, &mut self.random)
    }

    pub fn fresh_jpeg(&mut self) -> Picture {
        self.next += 1;
        Picture::jpeg(self.next)
    }

    pub fn fresh_raw(&mut self) -> Picture {
        self.next += 1;
        Picture::raw(self.next)
    }

    /// Writes a picture's files as most programs do, and counts on it.
    pub fn put(&mut self, picture: Picture) -> Vec<PathBuf> {
        let folder = self.place.folder.clone();
        self.put_into(picture, &folder)
    }

    pub fn put_into(&mut self, picture: Picture, folder: &std::path::Path) -> Vec<PathBuf> {
        let mut paths = Vec::new();
        for (name, bytes) in picture.files() {
            let path = folder.join(name);
            std::fs::write(&path, bytes).unwrap();
            paths.push(path);
        }
        self.next = self.next.max(picture.number);
        self.whole.push(picture);
        paths
    }

    pub fn put_some(&mut self, count: u64) {
        for _ in 0..count {
            let picture = self.fresh();
            self.put(picture);
        }
    }

    /// Waits until the log has every whole picture: by the log, and not by what the program says of itself.
    pub fn wait_for_all(&mut self) {
        self.wait_for_all_within(FOUND_WITHIN);
    }

    pub fn wait_for_all_within(&mut self, time: Duration) {
        // What is lost once stays lost: no need to wait for it as long again.
        let time =
            if self.broken.iter().any(|b| b.contains("not logged")) { time.min(Duration::from_secs(3)) } else { time };
        let began = Instant::now();
        loop {
            let looked = Instant::now();
            let lost = self.log().lost(&self.whole);
            if lost.is_empty() {
                return;
            }
            if began.elapsed() > time {
                let some: Vec<String> = lost.iter().take(5).map(Picture::stem).collect();
                let of = self.whole.len();
                self.broken.push(format!(
                    "{} of {of} frames are not logged after {time:.0?}: {some:?} (records {:?})",
                    lost.len(),
                    self.about(&some),
                ));
                return;
            }
            // A long log takes long to read, and the machine is the program's, too.
            std::thread::sleep(Duration::from_millis(25).max(looked.elapsed()));
        }
    }

    /// What the log says of the first of these, other than a frame.
    fn about(&self, stems: &[String]) -> Vec<String> {
        let log = self.log();
        let texts = log.records.values().filter(|r| r["type"] != "frame").map(ToString::to_string);
        texts.filter(|t| stems.iter().any(|s| t.contains(s.as_str()))).take(3).map(|t| short(&t)).collect()
    }

    pub fn kill(&mut self) {
        if let Some(daemon) = self.daemon.take() {
            let ended = daemon.kill();
            self.note_end(&ended);
        }
    }

    /// Asks it to end, and holds it to that.
    pub fn end(&mut self) -> Option<i32> {
        let ended = self.daemon.take()?.end();
        self.ends += 1;
        self.worst_end = self.worst_end.max(ended.took);
        let within = self.machine.allows(END_WITHIN);
        self.promise(!ended.killed, "it did not end when it was asked to");
        self.promise(ended.took <= within, format!("the end took {:.2?}", ended.took));
        self.promise(ended.code != Some(101), "it ended by a panic");
        self.note_end(&ended);
        ended.code
    }

    /// What was measured of a daemon that another hand started.
    pub fn take_in(&mut self, measured: &Measured) {
        self.measured.add(measured);
    }

    fn note_end(&mut self, ended: &Ended) {
        self.measured.add(&ended.measured);
        let (said, left) = (&ended.said, ended.left_behind);
        let panicked = said.lines().find(|l| l.contains("panicked")).map(short);
        self.promise(panicked.is_none(), format!("a panic was told: {panicked:?}"));
        self.promise(left == 0 || self.workers_may_stay, format!("{left} worker processes outlived it"));
    }

    /// The end of the fault: the last daemon ends, everything is judged, the figures are printed.
    pub fn done(self) {
        self.done_on(());
    }

    /// The same, with what holds its mounts: they are there until the log is read, and gone before the folders go.
    pub fn done_on(self, held: impl Sized) {
        self.finish(Some(Truths::get()), held);
    }

    pub fn done_without_truths(self) {
        self.finish(None, ());
    }

    fn finish(mut self, truths: Option<&Truths>, held: impl Sized) {
        self.end();
        let log = self.log();
        drop(held);
        let lost = log.lost(&self.whole);
        let faults = log.faults(&self.whole, truths);
        let strangers = if self.strangers_allowed { 0 } else { faults.strangers.len() };
        let within = self.machine.allows(STATUS_WITHIN);
        let m = self.measured.clone();
        println!(
            "{} ({:.0} s): {} pictures, {} lost, {} twice, {} read before they were whole; records to {}, {} gaps, {} damaged; \
             status {} times, worst {:.2} s; end worst {:.2} s of {}; peak {} MiB, worker {} MiB; most {} open files, {} \
             workers; the machine was {:.1} times slower than at its best, and \
             held sleepers up {:.2} s{}{}",
            self.name,
            self.began.elapsed().as_secs_f64(),
            self.whole.len(),
            lost.len(),
            faults.twice.len(),
            faults.not_whole.len(),
            log.records.keys().next_back().unwrap_or(&0),
            log.gaps.len(),
            log.damaged.len(),
            m.answers,
            m.worst_answer.as_secs_f64(),
            self.worst_end.as_secs_f64(),
            self.ends,
            m.daemon_peak_kib >> 10,
            m.worker_peak_kib >> 10,
            m.most_open_files,
            m.most_workers,
            self.machine.slower(),
            held_up().as_secs_f64(),
            if self.extra.is_empty() { "" } else { "; " },
            self.extra.join("; "),
        );
        let missed = !lost.is_empty() && !self.broken.iter().any(|b| b.contains("not logged"));
        self.promise(!missed, format!("{} frames are lost: {lost:?}", lost.len()));
        self.promise(faults.twice.is_empty(), format!("logged twice: {:?}", faults.twice));
        self.promise(strangers == 0, format!("frames of what is no picture: {:?}", faults.strangers));
        self.promise(faults.not_whole.is_empty(), format!("read before they were whole: {:?}", faults.not_whole));
        self.promise(log.gaps.len() <= self.gaps_allowed, format!("numbers of the log: {:?}", log.gaps));
        self.promise(log.damaged.len() <= self.damage_allowed, format!("damaged lines: {:?}", log.damaged));
        self.promise(m.worst_answer <= within, format!("`status` took {:.2?}", m.worst_answer));
        let (daemon, worker) = (m.daemon_peak_kib, m.worker_peak_kib);
        self.promise(daemon <= DAEMON_MEMORY_KIB, format!("the daemon took {} MiB", daemon >> 10));
        self.promise(worker <= WORKER_MEMORY_KIB, format!("a worker took {} MiB", worker >> 10));
        let shown: Vec<String> = self.broken.iter().map(|b| format!("  - {}", short(b))).collect();
        assert!(shown.is_empty(), "{} (seed {}):\n{}", self.name, self.effort.seed, shown.join("\n"));
    }
}

/// A sentence that fits on a few lines.
fn short(text: impl AsRef<str>) -> String {
    let text = text.as_ref();
    match text.char_indices().nth(600) {
        Some((at, _)) => format!("{} ...", &text[..at]),
        None => text.to_owned(),
    }
}

/// Says that a fault can't be done here.
pub fn skip(name: &str, why: &str) {
    println!("skipped: {name}: {why}");
}
