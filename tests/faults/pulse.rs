//! Asks a daemon for its status again and again, and looks at its memory and its open files meanwhile.

use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use serde_json::json;

use crate::process::Process;
use crate::wire::{Silence, Wire};

/// An answer that comes later than this is none.
const NO_ANSWER: Duration = Duration::from_secs(20);
const MOST_OF_THE_MACHINE_KIB: u64 = 3 << 20;
const EVERY: Duration = Duration::from_millis(60);

/// What was measured while it ran.
#[derive(Debug, Default, Clone)]
pub struct Measured {
    pub answers: u64,
    pub worst_answer: Duration,
    pub daemon_peak_kib: u64,
    pub worker_peak_kib: u64,
    pub most_workers: usize,
    pub most_open_files: usize,
}

impl Measured {
    /// Takes in what another daemon of the same fault showed.
    pub fn add(&mut self, other: &Measured) {
        self.answers += other.answers;
        self.worst_answer = self.worst_answer.max(other.worst_answer);
        self.daemon_peak_kib = self.daemon_peak_kib.max(other.daemon_peak_kib);
        self.worker_peak_kib = self.worker_peak_kib.max(other.worker_peak_kib);
        self.most_workers = self.most_workers.max(other.most_workers);
        self.most_open_files = self.most_open_files.max(other.most_open_files);
    }
}

#[derive(Default)]
struct Shared {
    ends: AtomicBool,
    /// Counts the times it was told to look away; an answer that spans one of them is not counted.
    away: AtomicU64,
    is_away: AtomicBool,
    measured: Mutex<Measured>,
}

pub struct Pulse {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl Pulse {
    pub fn start(socket: PathBuf, daemon: Process, program: PathBuf) -> Pulse {
        let shared = Arc::new(Shared::default());
        let own = Arc::clone(&shared);
        let thread = std::thread::spawn(move || own.run(&socket, daemon, &program));
        Pulse { shared, thread: Some(thread) }
    }

    /// While the process is stopped from outside, nobody can expect an answer.
    pub fn look_away(&self) {
        self.shared.is_away.store(true, Ordering::SeqCst);
        self.shared.away.fetch_add(1, Ordering::SeqCst);
    }

    pub fn look_again(&self) {
        self.shared.is_away.store(false, Ordering::SeqCst);
    }

    pub fn end(mut self) -> Measured {
        self.shared.ends.store(true, Ordering::SeqCst);
        if let Some(thread) = self.thread.take() {
            thread.join().expect("the one who looks at it all the while");
        }
        self.shared.measured.lock().unwrap().clone()
    }
}

impl Shared {
    fn run(&self, socket: &std::path::Path, daemon: Process, program: &std::path::Path) {
        let mut wire = None;
        let mut waits_since = None;
        while !self.ends.load(Ordering::SeqCst) {
            self.look_at(daemon, program);
            if self.is_away.load(Ordering::SeqCst) {
                (wire, waits_since) = (None, None);
                std::thread::sleep(EVERY);
                continue;
            }
            let before = self.away.load(Ordering::SeqCst);
            let began = *waits_since.get_or_insert_with(Instant::now);
            let answered = self.ask(&mut wire, socket);
            if self.ends.load(Ordering::SeqCst) && !answered && !daemon.lives() {
                break;
            }
            if before != self.away.load(Ordering::SeqCst) {
                continue;
            }
            let mut measured = self.measured.lock().unwrap();
            if answered {
                measured.answers += 1;
                waits_since = None;
            }
            measured.worst_answer = measured.worst_answer.max(began.elapsed());
            drop(measured);
            std::thread::sleep(EVERY);
        }
    }

    /// One question, in small steps, so that the end of the test need not wait for an answer that never comes.
    fn ask(&self, wire: &mut Option<Wire>, socket: &std::path::Path) -> bool {
        if wire.is_none() {
            *wire = Wire::connect(socket, Duration::from_secs(2)).ok();
        }
        let Some(open) = wire else { return false };
        if open.send(&json!({"command": "status"})).is_err() {
            *wire = None;
            return false;
        }
        let began = Instant::now();
        while began.elapsed() < NO_ANSWER && !self.ends.load(Ordering::SeqCst) && !self.is_away.load(Ordering::SeqCst) {
            match open.next(Duration::from_millis(100)) {
                Ok(message) if message["kind"] == "reply" => return true,
                Ok(_) | Err(Silence::TimeUp) => {}
                Err(Silence::Closed) => break,
            }
            let mut measured = self.measured.lock().unwrap();
            measured.worst_answer = measured.worst_answer.max(began.elapsed());
        }
        *wire = None;
        false
    }

    fn look_at(&self, daemon: Process, program: &std::path::Path) {
        let workers: Vec<Process> = daemon.descendants().into_iter().filter(|p| p.runs(program)).collect();
        // It must not take the machine along with it. The bound that is promised is broken long before.
        for process in workers.iter().chain([&daemon]).filter(|p| p.resident_kib() > MOST_OF_THE_MACHINE_KIB) {
            process.signal("KILL");
        }
        let mut measured = self.measured.lock().unwrap();
        measured.daemon_peak_kib = measured.daemon_peak_kib.max(daemon.peak_kib());
        measured.most_workers = measured.most_workers.max(workers.len());
        measured.most_open_files = measured.most_open_files.max(daemon.open_files());
        for worker in workers {
            measured.worker_peak_kib = measured.worker_peak_kib.max(worker.peak_kib());
        }
    }
}
