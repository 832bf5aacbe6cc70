//! The real program on a folder of its own, with its streams drained, its life watched, and every wait bounded.

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tempfile::TempDir;

use crate::process::Process;
use crate::pulse::{Measured, Pulse};
use crate::wire::{Silence, Wire};

/// No start takes longer, on however busy a machine.
const START: Duration = Duration::from_secs(60);
/// A daemon that has not ended by then is killed, and the promise is broken.
const PATIENCE_AT_THE_END: Duration = Duration::from_secs(20);

/// The program, or another build of it: `GREYHOLD_PROGRAM=target/release/greyhold`.
pub fn program() -> PathBuf {
    let named = std::env::var_os("GREYHOLD_PROGRAM");
    fs::canonicalize(named.unwrap_or_else(|| env!("CARGO_BIN_EXE_greyhold").into())).unwrap()
}

/// What is done with standard output.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Printing {
    Drained,
    /// A pipe that nobody reads.
    Unread,
}

/// Where and how it runs.
pub struct Place {
    pub home: TempDir,
    pub folder: PathBuf,
    pub log: PathBuf,
    pub socket: PathBuf,
    pub page: bool,
    pub printing: Printing,
    /// Words in front of the program: a tool that runs it.
    pub through: Vec<String>,
    pub environment: Vec<(String, String)>,
}

impl Place {
    pub fn new() -> Place {
        let home = tempfile::Builder::new().prefix("gh-faults-").tempdir().unwrap();
        let folder = home.path().join("capture");
        let logs = home.path().join("log");
        fs::create_dir(&folder).unwrap();
        fs::create_dir(&logs).unwrap();
        fs::create_dir(home.path().join("user")).unwrap();
        let socket = home.path().join("s.sock");
        let log = logs.join("greyhold-shots.jsonl");
        let (through, environment) = (Vec::new(), Vec::new());
        Place { home, folder, log, socket, page: false, printing: Printing::Drained, through, environment }
    }

    /// What is run: the tool in front, if there is one, and the program with its arguments. Photographs that lie there
    /// at the first start count, too, so that the oracle need not know when that was over.
    pub fn words(&self) -> Vec<String> {
        let mut words = self.through.clone();
        let path = |p: &Path| p.display().to_string();
        words.extend([path(&program()), "watch".into(), path(&self.folder), "--plain".into(), "--meter-old".into()]);
        words.extend(["--log".into(), path(&self.log), "--socket".into(), path(&self.socket)]);
        if !self.page {
            words.push("--no-page".into());
        }
        words
    }

    fn command(&self) -> Command {
        let words = self.words();
        let mut command = Command::new(&words[0]);
        command.args(&words[1..]).current_dir(self.home.path()).stdin(Stdio::null());
        // What it keeps for its user is the test's own, too.
        for folder in ["HOME", "XDG_STATE_HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME"] {
            command.env(folder, self.home.path().join("user"));
        }
        command.envs(self.environment.iter().cloned()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }
}

/// How it ended.
#[derive(Debug)]
pub struct Ended {
    pub took: Duration,
    pub code: Option<i32>,
    /// It had to be killed.
    pub killed: bool,
    /// Worker processes that were still there a while later.
    pub left_behind: usize,
    pub measured: Measured,
    pub said: String,
}

pub struct Daemon {
    child: Child,
    pub process: Process,
    socket: PathBuf,
    pulse: Option<Pulse>,
    said: Arc<Mutex<String>>,
    pub printed: Arc<Mutex<String>>,
    unread: Option<std::process::ChildStdout>,
    is_traced: bool,
    pub ready_after: Duration,
}

impl Daemon {
    /// Starts it and waits until its socket answers; what it said when it doesn't.
    pub fn start(place: &Place) -> Result<Daemon, String> {
        let began = Instant::now();
        let mut child = place.command().spawn().map_err(|e| format!("{:?}: {e}", place.words()))?;
        let said = drain(child.stderr.take().unwrap());
        let mut printed = Arc::default();
        let mut unread = None;
        match place.printing {
            Printing::Drained => printed = drain(child.stdout.take().unwrap()),
            Printing::Unread => unread = child.stdout.take(),
        }
        let process = Process::of(child.id()).ok_or("it ended at once")?;
        let socket = place.socket.clone();
        let (ready_after, is_traced) = (Duration::ZERO, !place.through.is_empty());
        let mut daemon = Daemon { child, process, socket, pulse: None, said, printed, unread, is_traced, ready_after };
        loop {
            if let Some(status) = daemon.child.try_wait().unwrap() {
                std::thread::sleep(Duration::from_millis(50));
                return Err(format!("it ended with {status}: {}", daemon.said.lock().unwrap()));
            }
            if began.elapsed() > START {
                return Err(format!("its socket did not answer within {START:?}: {}", daemon.said.lock().unwrap()));
            }
            if Wire::connect(&place.socket, Duration::from_millis(500)).is_ok() {
                break;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        daemon.ready_after = began.elapsed();
        daemon.process = daemon.itself();
        daemon.pulse = Some(Pulse::start(place.socket.clone(), daemon.process, program()));
        Ok(daemon)
    }

    /// The process that runs the program, behind whatever tool started it.
    fn itself(&self) -> Process {
        let program = program();
        let started = Process::of(self.child.id()).unwrap_or(self.process);
        if started.runs(&program) {
            return started;
        }
        let mut behind = started.descendants();
        behind.retain(|p| p.runs(&program));
        // The daemon is older than its workers.
        behind.into_iter().min_by_key(|p| p.pid).unwrap_or(started)
    }

    pub fn workers(&self) -> Vec<Process> {
        let program = program();
        self.process.descendants().into_iter().filter(|p| p.runs(&program)).collect()
    }

    pub fn pulse(&self) -> &Pulse {
        self.pulse.as_ref().unwrap()
    }

    pub fn connect(&self) -> Result<Wire, Silence> {
        Wire::connect(&self.socket, Duration::from_secs(10))
    }

    /// A command's reply, on a connection of its own.
    pub fn tell(&self, command: &Value) -> Result<Value, Silence> {
        self.connect()?.ask(command, Duration::from_secs(20))
    }

    pub fn note(&self, text: &str) -> bool {
        self.tell(&json!({"command": "note", "text": text})).is_ok_and(|reply| reply["ok"] == true)
    }

    pub fn said(&self) -> String {
        self.said.lock().unwrap().clone()
    }

    /// What it prints from here on is read again.
    pub fn read_on(&mut self) {
        if let Some(output) = self.unread.take() {
            self.printed = drain(output);
        }
    }

    /// Kills it, and waits a while for that: what the system holds in a read can't even be killed.
    fn put_down(&mut self) {
        self.process.signal("KILL");
        let _ = self.child.kill();
        let began = Instant::now();
        while matches!(self.child.try_wait(), Ok(None)) && began.elapsed() < Duration::from_secs(5) {
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// Ends it at once, as a power cut does, but for what the system still writes.
    pub fn kill(mut self) -> Ended {
        let pulse = self.pulse.take().unwrap();
        let workers = self.workers();
        pulse.look_away();
        let began = Instant::now();
        self.put_down();
        let code = None;
        self.ended(began.elapsed(), code, false, workers, pulse)
    }

    /// Asks it to end, as a system does.
    pub fn end(mut self) -> Ended {
        let pulse = self.pulse.take().unwrap();
        let workers = self.workers();
        pulse.look_away();
        let began = Instant::now();
        self.process.signal("TERM");
        // A tracer keeps a thread that it delays, and so the name of a program that is gone.
        let mut gone_after = None;
        let (code, killed) = loop {
            if self.is_traced && gone_after.is_none() && !self.process.lives() {
                gone_after = Some(began.elapsed());
            }
            if let Some(status) = self.child.try_wait().unwrap() {
                break (status.code(), false);
            }
            if began.elapsed() > PATIENCE_AT_THE_END {
                self.put_down();
                break (None, true);
            }
            std::thread::sleep(Duration::from_millis(2));
        };
        let took = gone_after.unwrap_or_else(|| began.elapsed());
        self.ended(took, code, killed, workers, pulse)
    }

    fn ended(&self, took: Duration, code: Option<i32>, killed: bool, workers: Vec<Process>, pulse: Pulse) -> Ended {
        let left_behind = workers.iter().filter(|w| !w.is_gone_within(crate::effort::WORKERS_GONE_WITHIN)).count();
        let measured = pulse.end();
        Ended { took, code, killed, left_behind, measured, said: self.said() }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if matches!(self.child.try_wait(), Ok(None)) {
            self.process.signal("CONT");
            self.put_down();
        }
    }
}

/// Reads a stream to its end, so that its writer never waits; keeps the first megabyte.
pub fn drain(stream: impl std::io::Read + Send + 'static) -> Arc<Mutex<String>> {
    let kept = Arc::new(Mutex::new(String::new()));
    let own = Arc::clone(&kept);
    std::thread::spawn(move || {
        let mut reader = BufReader::new(stream);
        let mut line = Vec::new();
        while reader.read_until(b'\n', &mut line).is_ok_and(|n| n > 0) {
            let mut text = own.lock().unwrap();
            if text.len() < 1 << 20 {
                text.push_str(&String::from_utf8_lossy(&line));
            }
            drop(text);
            line.clear();
        }
    });
    kept
}
