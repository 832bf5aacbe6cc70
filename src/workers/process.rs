//! One worker as the pool sees it: started, asked, killed; and what its death says about the file.

use std::collections::VecDeque;
use std::io::{self, BufReader, Read};
use std::path::Path;
use std::process::{Child, ChildStderr, ChildStdin, ChildStdout, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender, SyncSender};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use super::framing::Broken;
use super::patience::{Patience, TICK};
use super::serving::SUBCOMMAND;
use super::wire::{Request, Told};
use super::{Answer, Bounds, Confinement, Refused};

/// What a worker printed to standard error: only its end is kept, to tell what it died of.
const LAST_WORDS: usize = 4096;
/// How long a worker that closed its output may take to be gone.
const DYING: Duration = Duration::from_secs(5);

/// A worker that is kept warm. Dropping it kills it.
#[derive(Debug)]
pub(super) struct Process {
    child: Arc<Mutex<Child>>,
    requests: Sender<Request>,
    told: Receiver<Result<Told, Broken>>,
    last_words: Receiver<String>,
    stuck: Arc<AtomicUsize>,
    pub(super) confinement: Option<Confinement>,
    /// Files that it was asked for.
    pub(super) served: u32,
}

/// The worker is gone, or can't be used any more.
#[derive(Debug)]
pub(super) struct Lost {
    pub refused: Refused,
    /// Something else than this file may have ended it.
    pub perhaps_innocent: bool,
}

impl Process {
    /// `stuck` counts those that were killed and are not gone yet.
    pub(super) fn start(program: &Path, stuck: &Arc<AtomicUsize>) -> io::Result<Process> {
        let mut command = Command::new(program);
        command.arg(SUBCOMMAND).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        // Raw files are decoded by several threads, whose stacks count as memory; what is printed is for nobody.
        let threads = thread::available_parallelism().map_or(1, |n| n.get().min(4));
        command.env("RAYON_NUM_THREADS", threads.to_string()).env("RUST_BACKTRACE", "0").env_remove("RUST_LOG");
        with_large_pages(&mut command);
        apart_from_the_terminal(&mut command);
        let mut child = command.spawn()?;
        let pipes = child.stdin.take().zip(child.stdout.take()).zip(child.stderr.take());
        let Some(((stdin, stdout), stderr)) = pipes else {
            // All three were asked for, so that they are there.
            return Err(io::ErrorKind::BrokenPipe.into());
        };
        widen(&stdout);
        let (requests, to_send) = mpsc::channel();
        let (tell, told) = mpsc::sync_channel(4);
        let (say_last, last_words) = mpsc::sync_channel(1);
        let process = Process {
            child: Arc::new(Mutex::new(child)),
            requests,
            told,
            last_words,
            stuck: stuck.clone(),
            confinement: None,
            served: 0,
        };
        // A thread that can't be had drops `process`, and that kills the child.
        let named = |name: &str| thread::Builder::new().name(name.to_owned());
        named("worker").spawn(move || converse(stdin, stdout, &to_send, &tell))?;
        named("worker-words").spawn(move || listen_to_the_end(stderr, &say_last))?;
        Ok(process)
    }

    /// What can kill it from elsewhere.
    pub(super) fn leash(&self) -> Leash {
        Leash(self.child.clone())
    }

    /// Whether it may be handed a file: it lives.
    pub(super) fn lives(&self) -> bool {
        matches!(lock(&self.child).try_wait(), Ok(None))
    }

    /// Has a file read; waits as long as patience lasts.
    pub(super) fn read(&mut self, request: Request, patience: Patience) -> Result<Result<Answer, Refused>, Lost> {
        let bounds = request.bounds;
        self.served += 1;
        // The thread that takes it has ended only if the worker is lost, which is told below.
        let _ = self.requests.send(request);
        self.hear(bounds, patience, |told| match told {
            Told::Finished(result) => Some(*result),
            _ => None,
        })
    }

    /// Waits until it told what keeps it in.
    pub(super) fn greet(&mut self, bounds: Bounds, patience: Patience) -> Result<Confinement, Lost> {
        if let Some(confinement) = self.confinement {
            return Ok(confinement);
        }
        self.hear(bounds, patience, |told| match told {
            Told::Ready(confinement) => Some(confinement),
            _ => None,
        })
    }

    /// Listens until it says what is waited for.
    fn hear<T>(
        &mut self,
        bounds: Bounds,
        mut patience: Patience,
        awaited: impl Fn(Told) -> Option<T>,
    ) -> Result<T, Lost> {
        let mut looked = Instant::now();
        loop {
            let told = self.told.recv_timeout(TICK);
            let now = Instant::now();
            let out_of_patience = patience.pass(now - looked);
            looked = now;
            match told {
                Ok(Ok(told)) => {
                    match &told {
                        Told::Ready(confinement) => self.confinement = Some(*confinement),
                        Told::Reading(progress) => patience.heard(*progress),
                        Told::Finished(_) => {}
                    }
                    if let Some(said) = awaited(told) {
                        return Ok(said);
                    }
                }
                Ok(Err(broken)) => return Err(self.post_mortem(&broken, bounds)),
                Err(RecvTimeoutError::Disconnected) => return Err(self.post_mortem(&Broken::Ended, bounds)),
                Err(RecvTimeoutError::Timeout) => {}
            }
            if let Some(refused) = out_of_patience {
                return Err(Lost { refused, perhaps_innocent: false });
            }
        }
    }

    /// It closed its output or talks nonsense: what is to be said of the file?
    fn post_mortem(&self, broken: &Broken, bounds: Bounds) -> Lost {
        let began = Instant::now();
        let mut status = None;
        while status.is_none() && began.elapsed() < DYING && matches!(broken, Broken::Ended | Broken::Pipe(_)) {
            status = lock(&self.child).try_wait().ok().flatten();
            if status.is_none() {
                thread::sleep(Duration::from_millis(2));
            }
        }
        let Some(status) = status else {
            let refused = Refused::Crashed(format!("the process that read it had to be ended: {broken}"));
            return Lost { refused, perhaps_innocent: false };
        };
        let words = self.last_words.recv_timeout(DYING).unwrap_or_default();
        let (refused, perhaps_innocent) = cause_of_death(status, &words, bounds);
        Lost { refused, perhaps_innocent }
    }
}

impl Drop for Process {
    /// Never waits: a process that hangs on a dead share is gone when the system lets it go.
    fn drop(&mut self) {
        let leash = self.leash();
        leash.kill();
        if self.lives() {
            self.stuck.fetch_add(1, Ordering::SeqCst);
            let stuck = self.stuck.clone();
            let reap = move || {
                leash.wait();
                stuck.fetch_sub(1, Ordering::SeqCst);
            };
            if thread::Builder::new().name("worker-end".to_owned()).spawn(reap).is_err() {
                self.stuck.fetch_sub(1, Ordering::SeqCst);
            }
        }
    }
}

/// Kills a worker from elsewhere.
#[derive(Debug, Clone)]
pub(super) struct Leash(Arc<Mutex<Child>>);

impl Leash {
    pub(super) fn kill(&self) {
        // An error means that it is gone.
        let _ = lock(&self.0).kill();
    }

    fn wait(&self) {
        let mut pause = Duration::from_millis(1);
        while matches!(lock(&self.0).try_wait(), Ok(None)) {
            thread::sleep(pause);
            pause = (pause * 2).min(Duration::from_secs(1));
        }
    }
}

fn lock(child: &Mutex<Child>) -> MutexGuard<'_, Child> {
    child.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Hands requests on and answers back; ends with the worker, or when nobody asks any more.
fn converse(
    mut stdin: ChildStdin,
    stdout: ChildStdout,
    requests: &Receiver<Request>,
    tell: &SyncSender<Result<Told, Broken>>,
) {
    let mut answers = BufReader::with_capacity(64 << 10, stdout);
    loop {
        let told = Told::receive(&mut answers);
        let is_last = !matches!(told, Ok(Told::Reading(_)));
        let is_lost = told.is_err();
        if tell.send(told).is_err() || is_lost {
            return;
        }
        if is_last {
            let Ok(request) = requests.recv() else { return };
            if let Err(broken) = request.send(&mut stdin) {
                let _ = tell.send(Err(broken));
                return;
            }
        }
    }
}

fn listen_to_the_end(mut stderr: ChildStderr, say: &SyncSender<String>) {
    let mut last = VecDeque::with_capacity(LAST_WORDS);
    let mut some = [0; 1024];
    while let Ok(read @ 1..) = stderr.read(&mut some) {
        last.extend(&some[..read]);
        last.drain(..last.len().saturating_sub(LAST_WORDS));
    }
    let words = String::from_utf8_lossy(last.make_contiguous()).into_owned();
    let _ = say.send(words);
}

/// What a worker's end says of the file it read, and whether something else may have ended it.
fn cause_of_death(status: ExitStatus, words: &str, bounds: Bounds) -> (Refused, bool) {
    let out_of_memory = ["memory allocation of", "out of memory", "Cannot allocate memory"];
    if out_of_memory.iter().any(|sign| words.contains(sign)) {
        return (Refused::TookTooMuch { mib: bounds.memory_mib }, false);
    }
    #[cfg(unix)]
    {
        use std::os::unix::process::ExitStatusExt;
        match status.signal() {
            Some(libc::SIGXCPU) => return (Refused::TookTooLong { seconds: bounds.processor_seconds }, false),
            Some(libc::SIGKILL | libc::SIGTERM | libc::SIGINT | libc::SIGHUP | libc::SIGQUIT) => {
                return (Refused::Crashed("the process that read it was ended from outside".to_owned()), true);
            }
            Some(signal) => return (Refused::Crashed(format!("the decoder crashed (signal {signal})")), false),
            None => {}
        }
    }
    (Refused::Crashed(format!("the decoder gave up ({}){}", plain(&status.to_string()), panic_in(words))), false)
}

/// The sentence of a panic, where there is one.
fn panic_in(words: &str) -> String {
    let mut lines = words.lines().skip_while(|line| !line.contains("panicked at"));
    lines.nth(1).map_or_else(String::new, |sentence| format!(": {}", plain(sentence)))
}

/// A short line without control characters.
fn plain(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(200).collect()
}

/// A raw file's 100 MB come and go with every frame: in pages of 4 KiB the system needs a quarter of the whole
/// reading's time to hand them out. Other C libraries than glibc pay no heed.
#[cfg(target_os = "linux")]
fn with_large_pages(command: &mut Command) {
    const TUNABLES: &str = "GLIBC_TUNABLES";
    // What somebody has set for the whole machine holds.
    if std::env::var_os(TUNABLES).is_none() {
        command.env(TUNABLES, "glibc.malloc.hugetlb=1");
    }
}

#[cfg(not(target_os = "linux"))]
fn with_large_pages(_: &mut Command) {}

/// Keys of the terminal (to end or to halt) are for greyhold, which looks after its workers itself.
#[cfg(unix)]
fn apart_from_the_terminal(command: &mut Command) {
    use std::os::unix::process::CommandExt;
    command.process_group(0).arg0("greyhold");
}

#[cfg(windows)]
fn apart_from_the_terminal(command: &mut Command) {
    use std::os::windows::process::CommandExt;
    const CREATE_NEW_PROCESS_GROUP: u32 = 0x0000_0200;
    const CREATE_NO_WINDOW: u32 = 0x0800_0000;
    command.creation_flags(CREATE_NEW_PROCESS_GROUP | CREATE_NO_WINDOW);
}

#[cfg(not(any(unix, windows)))]
fn apart_from_the_terminal(_: &mut Command) {}

/// A reduced picture fits into the pipe at once, so that nobody waits for the other in the middle of it.
#[cfg(target_os = "linux")]
fn widen(pipe: &ChildStdout) {
    // Refused where the user has many: then it takes a little longer.
    let _ = rustix::pipe::fcntl_setpipe_size(pipe, 1 << 20);
}

#[cfg(not(target_os = "linux"))]
fn widen(_: &ChildStdout) {}
