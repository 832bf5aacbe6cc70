//! The worker's side: a file at a time from standard input, its answer to standard output, until the input ends.

use std::io::{self, BufReader, BufWriter, Write};
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::{self, Thread};
use std::time::Duration;

use super::confinement::{attempts, confine};
use super::framing::Broken;
use super::gauge::Gauge;
use super::wire::{Request, Told};
use super::{limits, reading};

/// The hidden subcommand by which a worker is started.
pub const SUBCOMMAND: &str = "read-files";

/// How often progress is told.
const TELLING: Duration = Duration::from_millis(500);

/// Serves until the input ends. `Err` when the other end went away or can't be understood.
pub fn serve() -> io::Result<()> {
    limits::forbid_files();
    let voice = Arc::new(Voice::new()?);
    let confinement = confine();
    let ended = |broken: Broken| io::Error::other(broken.to_string());
    voice.lock().say(Told::Ready(confinement)).map_err(ended)?;
    let teller = tell_progress(voice.clone())?;
    let mut requests = BufReader::new(io::stdin().lock());
    loop {
        let request = match Request::receive(&mut requests) {
            Ok(request) => request,
            Err(Broken::Ended) => return Ok(()),
            Err(broken) => return Err(ended(broken)),
        };
        let bounds = request.bounds;
        limits::bound(bounds);
        voice.lock().reads = true;
        teller.unpark();
        let result = reading::read(&request.task(), bounds, &voice.gauge);
        let mut mouth = voice.lock();
        // Under the lock, so that no progress is told behind the answer.
        mouth.reads = false;
        mouth.say(Told::Finished(Box::new(result))).map_err(ended)?;
    }
}

/// Confines itself as a worker does, tries at a file what a worker must not do, and tells how it went.
pub fn attempt(file: &Path) -> Vec<String> {
    limits::forbid_files();
    let confinement = confine();
    let tried = attempts(file).into_iter().map(|(what, result)| match result {
        Ok(()) => format!("{what}: done"),
        Err(e) if e.kind() == io::ErrorKind::PermissionDenied => format!("{what}: refused"),
        Err(e) => format!("{what}: {e}"),
    });
    std::iter::once(confinement.to_string()).chain(tried).collect()
}

/// Standard output, shared by the answers and the progress.
struct Voice {
    gauge: Gauge,
    mouth: Mutex<Mouth>,
}

struct Mouth {
    out: BufWriter<Box<dyn Write + Send>>,
    /// A file is being read just now.
    reads: bool,
}

impl Voice {
    fn new() -> io::Result<Voice> {
        let mouth = Mouth { out: BufWriter::with_capacity(256 << 10, answers()?), reads: false };
        Ok(Voice { gauge: Gauge::default(), mouth: Mutex::new(mouth) })
    }

    fn lock(&self) -> MutexGuard<'_, Mouth> {
        self.mouth.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Mouth {
    fn say(&mut self, told: Told) -> Result<(), Broken> {
        told.send(&mut self.out)
    }
}

/// Where answers go: what a decoder prints must not get among them.
#[cfg(unix)]
fn answers() -> io::Result<Box<dyn Write + Send>> {
    use std::os::fd::AsFd;
    let answers = io::stdout().as_fd().try_clone_to_owned()?;
    rustix::stdio::dup2_stdout(io::stderr())?;
    Ok(Box::new(std::fs::File::from(answers)))
}

#[cfg(not(unix))]
fn answers() -> io::Result<Box<dyn Write + Send>> {
    Ok(Box::new(io::stdout()))
}

/// Tells how far a file that takes long is. Also notices when nobody listens any more, and ends the process: the
/// file's decoder would not.
fn tell_progress(voice: Arc<Voice>) -> io::Result<Thread> {
    let teller = thread::Builder::new().name("progress".to_owned()).spawn(move || {
        loop {
            if voice.lock().reads {
                thread::sleep(TELLING);
            } else {
                thread::park();
            }
            let progress = voice.gauge.progress();
            let mut mouth = voice.lock();
            if mouth.reads && mouth.say(Told::Reading(progress)).is_err() {
                std::process::exit(1);
            }
        }
    })?;
    Ok(teller.thread().clone())
}
