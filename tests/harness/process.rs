//! Programs that tests run. What they say is taken from them, so that none ever waits for its reader, and every wait for one
//! has an end that tells what was waited for.

use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::PATIENCE;

/// No start takes longer, on however busy a machine.
const START: Duration = Duration::from_secs(60);
/// No command that ends by itself takes longer: the longest reads a hundred photographs.
const LONGEST_RUN: Duration = Duration::from_secs(600);
/// The first bytes of an error output are kept, and tell the cause; the others are only taken.
const KEPT: usize = 256 << 10;
/// Names the test for which a process was started by `in_a_process_of_its_own`.
const ALONE: &str = "GREYHOLD_TEST_ALONE";

/// The lines that a program prints.
pub struct Printed(Receiver<String>);

impl Printed {
    pub fn of(stream: impl Read + Send + 'static) -> Printed {
        let (hear, lines) = channel();
        std::thread::spawn(move || {
            let mut stream = BufReader::new(stream);
            let mut line = Vec::new();
            while stream.read_until(b'\n', &mut line).is_ok_and(|n| n > 0) {
                // Nobody may listen any more; the pipe flows on.
                let _ = hear.send(String::from_utf8_lossy(&line).trim_end().to_owned());
                line.clear();
            }
        });
        Printed(lines)
    }

    /// What is found in the first line that has it. An error tells whether the program went silent or ended.
    pub fn find<T>(&self, mut sought: impl FnMut(&str) -> Option<T>) -> Result<T, String> {
        let until = Instant::now() + START;
        loop {
            match self.0.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(line) => {
                    if let Some(found) = sought(&line) {
                        return Ok(found);
                    }
                }
                Err(e) => return Err(e.to_string()),
            }
        }
    }
}

/// A stream that is drained, and what came of it so far.
pub struct Drained {
    heard: Arc<Mutex<Vec<u8>>>,
    reading: JoinHandle<()>,
}

impl Drained {
    pub fn of(mut stream: impl Read + Send + 'static) -> Drained {
        let heard = Arc::new(Mutex::new(Vec::new()));
        let own = heard.clone();
        let reading = std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(n @ 1..) = stream.read(&mut bytes) {
                let mut heard = own.lock().unwrap_or_else(PoisonError::into_inner);
                let room = KEPT.saturating_sub(heard.len());
                heard.extend(&bytes[..n.min(room)]);
            }
        });
        Drained { heard, reading }
    }

    pub fn so_far(&self) -> String {
        String::from_utf8_lossy(&self.heard.lock().unwrap_or_else(PoisonError::into_inner)).into_owned()
    }

    /// All of it. Whoever else still holds the stream open is waited for, but not for ever.
    fn whole(self) -> Vec<u8> {
        let began = Instant::now();
        while !self.reading.is_finished() && began.elapsed() < PATIENCE {
            std::thread::sleep(Duration::from_millis(5));
        }
        std::mem::take(&mut *self.heard.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// The same as text.
    pub fn text(self) -> String {
        String::from_utf8_lossy(&self.whole()).into_owned()
    }
}

/// Waits for the end of a program; one that doesn't end is killed, and `None` given.
pub fn ended(child: &mut Child, within: Duration) -> Option<ExitStatus> {
    let began = Instant::now();
    loop {
        if let Some(status) = child.try_wait().unwrap() {
            return Some(status);
        }
        if began.elapsed() > within {
            let _ = child.kill();
            let _ = child.wait();
            return None;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// Asks a program something by a signal's name: TERM, INT, STOP. Windows knows none that a program without a console could hear:
/// there it is ended.
#[cfg(unix)]
pub fn signal(child: &Child, name: &str) {
    assert!(Command::new("kill").arg(format!("-{name}")).arg(child.id().to_string()).status().unwrap().success());
}

#[cfg(windows)]
pub fn signal(child: &Child, name: &str) {
    assert_eq!(name, "TERM");
    assert!(Command::new("taskkill").args(["/F", "/PID", &child.id().to_string()]).status().unwrap().success());
}

/// Starts a program so that it, and whatever it starts, can be ended together by [`end_all`].
pub fn apart(command: &mut Command) -> &mut Command {
    #[cfg(unix)]
    std::os::unix::process::CommandExt::process_group(command, 0);
    command
}

/// Ends a program that was started [`apart`], and all that it started.
pub fn end_all(child: &mut Child) {
    #[cfg(unix)]
    let _ = Command::new("kill").args(["-KILL", "--", &format!("-{}", child.id())]).status();
    #[cfg(windows)]
    let _ = Command::new("taskkill").args(["/F", "/T", "/PID", &child.id().to_string()]).status();
    let _ = child.wait();
}

/// Runs a program that is expected to end by itself.
pub fn run(command: &mut Command) -> Output {
    let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let printed = All::of(child.stdout.take().unwrap());
    let errors = Drained::of(child.stderr.take().unwrap());
    let Some(status) = ended(&mut child, LONGEST_RUN) else {
        panic!("{command:?} did not end; it said:\n{}", errors.text());
    };
    // A process that it left behind may hold the stream open for ever.
    let stdout =
        printed.0.recv_timeout(PATIENCE).unwrap_or_else(|e| panic!("{command:?} ended, its output did not: {e}"));
    Output { status, stdout, stderr: errors.whole() }
}

/// A stream of which everything is wanted.
struct All(Receiver<Vec<u8>>);

impl All {
    fn of(mut stream: impl Read + Send + 'static) -> All {
        let (hear, all) = channel();
        std::thread::spawn(move || {
            let mut bytes = Vec::new();
            stream.read_to_end(&mut bytes).unwrap();
            let _ = hear.send(bytes);
        });
        All(all)
    }
}

/// Plays a promise in a process that no other test shares: for one that looks at its own process's memory, children, threads or
/// open files. The test's name is that of the function around the closure.
pub fn in_a_process_of_its_own<F: FnOnce()>(promise: F) {
    let path = std::any::type_name::<F>();
    // `program::module::test::{{closure}}`; the program's name is no part of a test's.
    let test = path.split_once("::").unwrap().1.trim_end_matches("::{{closure}}");
    if std::env::var(ALONE).is_ok_and(|name| name == test) {
        return promise();
    }
    let own = std::env::current_exe().unwrap();
    let output = run(Command::new(own).args([test, "--exact", "--nocapture", "--test-threads=1"]).env(ALONE, test));
    let said = String::from_utf8_lossy(&output.stdout);
    println!("{said}");
    // A name that no test has would run none, and succeed.
    let played = output.status.success() && said.contains("1 passed");
    assert!(played, "in a process of its own:\n{said}\n{}", String::from_utf8_lossy(&output.stderr));
}

/// A number of a process's `/proc` status, as `VmRSS:` in KiB; `None` where the system has none.
pub fn status_of(pid: u32, name: &str) -> Option<u64> {
    let text = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    text.lines().find_map(|line| line.strip_prefix(name))?.split_whitespace().next()?.parse().ok()
}
