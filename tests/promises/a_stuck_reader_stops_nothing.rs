//! Whoever doesn't read what greyhold prints, holds the terminal or closes it, stops no frame, no answer and no end.
#![cfg(unix)]

use std::fs;
use std::io::Write;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::harness::process::{Drained, Printed};
use crate::harness::{Client, greyhold, shot, wait_for};
use greyhold::session::{Body, Record};
use serde_json::json;
use tempfile::TempDir;

/// The end comes within two seconds; a busy machine gets some more.
const END: Duration = Duration::from_secs(5);

/// A watch in a folder of its own, started by the test's own means.
struct Watch {
    home: TempDir,
    started: Option<Child>,
}

impl Watch {
    fn new() -> Watch {
        let home = tempfile::tempdir().unwrap();
        fs::create_dir(home.path().join("capture")).unwrap();
        Watch { home, started: None }
    }

    /// Runs a line of the shell in which WATCH stands for the watch.
    fn start(&mut self, line: &str, stdin: Stdio, stdout: Stdio) -> &mut Child {
        let watch = format!("{} watch capture --no-page --plain --socket s.sock", env!("CARGO_BIN_EXE_greyhold"));
        let child = Command::new("sh")
            .args(["-c", &line.replace("WATCH", &watch)])
            .current_dir(self.home.path())
            .env("SHELL", "/bin/sh")
            .stdin(stdin)
            .stdout(stdout)
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        self.started.insert(child)
    }

    fn socket(&self) -> PathBuf {
        self.home.path().join("s.sock")
    }

    fn client(&self) -> Client {
        wait_for("the socket", || greyhold::outlet::socket::connect(&self.socket()).is_ok());
        Client::connect(&self.socket())
    }

    fn records(&self) -> Vec<Record> {
        let text = fs::read_to_string(self.home.path().join("capture/greyhold-shots.jsonl")).unwrap_or_default();
        text.lines().filter_map(|l| Record::from_line(l).ok()).collect()
    }

    fn frames(&self) -> usize {
        self.records().iter().filter(|r| matches!(r.body, Body::Frame(_))).count()
    }

    /// The process that watches, as its log names it.
    fn pid(&self) -> u32 {
        let opened = |r: Record| match r.body {
            Body::Opened { process, .. } => Some(process),
            _ => None,
        };
        wait_for("the watch to open its log", || !self.records().is_empty());
        self.records().into_iter().find_map(opened).unwrap()
    }

    /// Puts frames into the folder, once what lay there at the start is known.
    fn take(&self, frames: u64) {
        assert_eq!(self.client().ask(json!({"command": "wait"}))["ok"], true);
        for n in 0..frames {
            fs::write(self.home.path().join(format!("capture/{n}.jpg")), shot(8.0, 0.0, n).jpeg()).unwrap();
        }
    }

    /// More than any terminal, pipe and queue take.
    fn fill(&self) {
        let mut client = self.client();
        for _ in 0..120 {
            assert_eq!(client.ask(json!({"command": "note", "text": "x".repeat(6000)}))["ok"], true);
        }
    }

    fn signal(&self, name: &str) {
        Command::new("kill").arg(format!("-{name}")).arg(self.pid().to_string()).status().unwrap();
    }

    /// Whether its last record says that it ended in order.
    fn is_closed(&self) -> bool {
        self.records().last().is_some_and(|r| matches!(r.body, Body::Closed))
    }

    /// What holds of every watch whose output is stuck.
    fn assert_goes_on_and_ends(&mut self) {
        self.fill();
        self.take(3);
        wait_for("the frames in the log", || self.frames() == 3);
        assert_eq!(self.client().ask(json!({"command": "status"}))["ok"], true);
        let began = Instant::now();
        self.signal("TERM");
        wait_for("the end", || self.is_closed());
        wait_for("the program to go", || {
            !PathBuf::from(format!("/proc/{}/stat", self.pid())).exists() || is_zombie(self.pid())
        });
        assert!(began.elapsed() < END, "{:?}", began.elapsed());
    }
}

fn is_zombie(pid: u32) -> bool {
    fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default().contains(") Z ")
}

impl Drop for Watch {
    fn drop(&mut self) {
        if let Some(mut child) = self.started.take() {
            if let Some(Body::Opened { process, .. }) = self.records().into_iter().next().map(|r| r.body) {
                let _ = Command::new("kill").args(["-KILL", &process.to_string()]).stderr(Stdio::null()).status();
            }
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

fn has_script() -> bool {
    let is_here = Command::new("script").arg("--version").stdout(Stdio::null()).status().is_ok();
    if !is_here {
        println!("skipped: 'script' (util-linux) is not here");
    }
    is_here
}

#[test]
fn a_pipe_that_nobody_reads() {
    let mut watch = Watch::new();
    let out = watch.start("exec WATCH", Stdio::null(), Stdio::piped()).stdout.take().unwrap();
    watch.assert_goes_on_and_ends();
    // What was never shown is not shown later either.
    let text = Drained::of(out).text();
    assert!(text.starts_with("watching capture"), "{}", &text[..text.len().min(200)]);
}

#[test]
fn a_pipe_that_is_read_again_tells_how_much_was_left_out() {
    let mut watch = Watch::new();
    let out = watch.start("exec WATCH", Stdio::null(), Stdio::piped()).stdout.take().unwrap();
    watch.fill();
    watch.client().ask(json!({"command": "note", "text": "and on it goes"}));
    let (mut shown, mut left_out) = (0, 0);
    let last = Printed::of(out).find(|line| {
        shown += usize::from(line.contains("note: xxx"));
        // More than once, where the reader falls behind again.
        if let Some(told) = line.strip_prefix('(').and_then(|l| l.strip_suffix(" lines not shown)")) {
            left_out += told.parse::<usize>().unwrap();
        }
        line.contains("and on it goes").then_some(())
    });
    assert_eq!(last, Ok(()), "after {shown} shown and {left_out} left out");
    assert!(left_out > 0);
    assert_eq!(shown + left_out, 120, "every note is shown or counted");
}

#[test]
fn standard_output_that_is_closed_or_a_full_disk() {
    for line in ["exec WATCH >&-", "WATCH | true", "exec WATCH > /dev/full"] {
        let mut watch = Watch::new();
        watch.start(line, Stdio::null(), Stdio::null());
        watch.assert_goes_on_and_ends();
    }
}

#[test]
fn a_terminal_that_is_held() {
    if !has_script() {
        return;
    }
    let mut watch = Watch::new();
    let child = watch.start("exec script -qefc 'WATCH' /dev/null", Stdio::piped(), Stdio::null());
    let mut keys = child.stdin.take().unwrap();
    watch.client().ask(json!({"command": "wait"}));
    // Ctrl-S, as somebody presses it by mistake.
    keys.write_all(b"\x13").unwrap();
    watch.assert_goes_on_and_ends();
}

#[test]
fn a_terminal_that_nobody_reads_with_the_sitting_on_the_whole_of_it() {
    if !has_script() {
        return;
    }
    let mut watch = Watch::new();
    let line = format!(
        "exec script -qefc 'stty rows 40 columns 120; exec {} watch capture --no-page --socket s.sock' /dev/null",
        env!("CARGO_BIN_EXE_greyhold")
    );
    let child = watch.start(&line, Stdio::piped(), Stdio::piped());
    let _never_read = child.stdout.take();
    watch.assert_goes_on_and_ends();
}

#[test]
fn a_terminal_that_is_closed_ends_the_sitting_in_order() {
    let mut watch = Watch::new();
    // Whoever runs the tests may have that ignored, which a program takes over from who starts it.
    let line = if cfg!(target_os = "linux") { "exec env --default-signal=HUP WATCH" } else { "exec WATCH" };
    watch.start(line, Stdio::null(), Stdio::null());
    watch.take(1);
    wait_for("the frame in the log", || watch.frames() == 1);
    let mut listener = watch.client();
    listener.ask(json!({"command": "listen"}));
    watch.signal("HUP");
    wait_for("the end", || watch.is_closed());
    assert_eq!(std::iter::from_fn(|| listener.try_next()).last().unwrap()["kind"], "goodbye");
    // That comes last, behind the goodbyes.
    wait_for("the socket to be gone", || !watch.socket().exists());
}

#[cfg(target_os = "linux")]
#[test]
fn one_that_was_told_to_outlive_its_terminal_does() {
    let mut watch = Watch::new();
    watch.start("trap '' HUP; exec WATCH", Stdio::null(), Stdio::null());
    assert_eq!(watch.client().ask(json!({"command": "status"}))["ok"], true);
    watch.signal("HUP");
    watch.take(1);
    wait_for("the frame in the log", || watch.frames() == 1);
    assert!(!watch.is_closed());
}

#[test]
fn one_that_hangs_is_told_of_and_no_command_waits_for_ever() {
    let mut watch = Watch::new();
    watch.start("exec WATCH", Stdio::null(), Stdio::null());
    let socket = watch.socket().display().to_string();
    drop(watch.client());
    watch.signal("STOP");
    for command in [&["tell", "--socket", &socket, "status"][..], &["follow", "--socket", &socket]] {
        let began = Instant::now();
        let output = greyhold(command);
        assert_eq!(output.status.code(), Some(4), "{command:?}");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.contains("has not answered for") && said.lines().count() == 1, "{said}");
        assert!(began.elapsed() < Duration::from_secs(25), "{:?}", began.elapsed());
    }
    watch.signal("CONT");
    assert_eq!(greyhold(&["tell", "--socket", &socket, "status"]).status.code(), Some(0));
}
