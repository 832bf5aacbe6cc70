//! Files read by the workers, for the intake and for whoever names one.

use std::path::{Component, Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::runtime::Handle;
use tokio::sync::{Semaphore, watch};
use tokio::task::spawn_blocking;
use tokio::time::timeout;

use crate::container::{Fingerprint, Kind};
use crate::frame::{Frame, RawParts};
use crate::intake::{FileReading, Job, NotRead, Outcome, Reader, Reply, Scope, spell};
use crate::photometry::Series;
use crate::session::{MeteredFrame, MeteringPlan};
use crate::workers::{Depth, Pool, Refused, Task};

/// Reads for the intake.
pub(super) struct Workers {
    pub pool: Pool,
    pub metering: watch::Receiver<Arc<MeteringPlan>>,
    /// What is read of raw files.
    pub parts: watch::Receiver<RawParts>,
    pub runtime: Handle,
}

impl Reader for Workers {
    type Found = Frame;

    fn begin(&self, job: Job, reply: Reply<Frame>) {
        let (pool, series, parts) = (self.pool.clone(), self.metering.borrow().camera_steps, *self.parts.borrow());
        // Waiting for a worker blocks a thread; as many are waited for as the intake begins, which is few.
        self.runtime.spawn_blocking(move || reply(read(&pool, job, series, parts)));
    }
}

fn read(pool: &Pool, job: Job, series: Series, parts: RawParts) -> Outcome<Frame> {
    let depth = match (job.scope, parts) {
        (Scope::Glance, _) => Depth::Structure,
        (Scope::Whole, RawParts::Light) => Depth::Whole,
        (Scope::Whole, RawParts::LightAndEmbedded) => Depth::WithEmbedded,
        (Scope::Whole, RawParts::EmbeddedFirst) => Depth::EmbeddedFirst,
    };
    let task = Task::of(job.path, job.kind, series, depth);
    let answer = pool.read(&task).map_err(why_not)?;
    let fingerprints = answer.fingerprints.ok_or_else(|| NotRead::Foreign("it has no picture".to_owned()))?;
    Ok(FileReading {
        state: answer.state,
        fingerprints,
        captured: answer.captured,
        perhaps_unfinished: answer.tail_missing || answer.perhaps_unfinished.is_some(),
        found: answer.frame,
    })
}

fn why_not(refused: Refused) -> NotRead {
    let text = refused.to_string();
    match refused {
        Refused::Incomplete(_) => NotRead::Incomplete(text.trim_start_matches("the file is not whole: ").to_owned()),
        Refused::Foreign(_) | Refused::TookTooLong { .. } | Refused::TookTooMuch { .. } => NotRead::Foreign(text),
        Refused::Unreadable(why) => NotRead::Unreadable(why),
        Refused::Crashed(_) | Refused::Unfinished { .. } => NotRead::BrokeOff(text),
        Refused::Silent { .. } => NotRead::Silent,
        Refused::Stopped => NotRead::Ended,
    }
}

/// Whoever named a file is answered after this long at the latest.
pub(super) const ANSWERED_WITHIN: Duration = Duration::from_secs(8);

/// Reads and meters files that somebody named, one at a time, so that the frames have their workers.
#[derive(Clone)]
pub(super) struct Named {
    pool: Pool,
    folder: PathBuf,
    one: Arc<Semaphore>,
}

impl Named {
    pub fn new(pool: Pool, folder: PathBuf) -> Named {
        Named { pool, folder, one: Arc::new(Semaphore::new(1)) }
    }

    /// What a file shows; `Err` is the end of a sentence that names it.
    pub async fn read(&self, file: &str, series: Series) -> Result<Frame, String> {
        let no_answer = || Err("its disk or share gives no bytes: try again when it does".to_owned());
        let reading = async {
            // The semaphore is never closed.
            let seat = Arc::clone(&self.one).acquire_owned().await.map_err(|e| e.to_string())?;
            let (pool, folder, file) = (self.pool.clone(), self.folder.clone(), file.to_owned());
            let read = spawn_blocking(move || {
                let _seat = seat;
                read_named(&pool, &folder, &file, series)
            });
            read.await.map_err(|_| "reading it failed".to_owned())?
        };
        timeout(ANSWERED_WITHIN, reading).await.unwrap_or_else(|_| no_answer())
    }

    /// The same, metered.
    pub async fn meter(&self, file: &str, metering: Arc<MeteringPlan>) -> Result<MeteredFrame, String> {
        let frame = self.read(file, metering.camera_steps).await?;
        if let Some(why) = frame.not_metered() {
            return Err(why);
        }
        let metered = spawn_blocking(move || metering.meter(frame)).await;
        metered.map_err(|_| "metering it failed".to_owned())
    }

    /// The name that a file has in the capture folder, where it lies in it; else as it was written.
    pub async fn name_of(&self, file: &str) -> String {
        let (folder, written) = (self.folder.clone(), file.to_owned());
        let looked = spawn_blocking(move || {
            let (folder, real) = (folder.canonicalize().ok()?, folder.join(&written).canonicalize().ok()?);
            real.starts_with(&folder).then(|| spell(&folder, &real))
        });
        let name = timeout(ANSWERED_WITHIN, looked).await;
        name.ok().and_then(Result::ok).flatten().unwrap_or_else(|| file.to_owned())
    }
}

fn read_named(pool: &Pool, folder: &Path, file: &str, series: Series) -> Result<Frame, String> {
    let (path, kind) = regular(folder, file)?;
    let task = Task::of(path, kind, series, Depth::Whole);
    let answer = pool.read(&task).map_err(|refused| refused.to_string())?;
    answer.frame.ok_or_else(|| "it has no picture".to_owned())
}

/// Tries at a file that the system or its worker let down, and the pause before each: in all longer than a file takes to be taken up
/// that was renamed just before.
const TRIES: u32 = 5;
const PAUSE: Duration = Duration::from_secs(1);

/// Reads the light of a raw file of which the embedded picture was taken; `Err` is the end of a sentence that names it.
pub(super) fn read_light(pool: &Pool, path: &Path, series: Series, taken: Fingerprint) -> Result<Frame, String> {
    let kind = Kind::of(path).ok_or("it is no picture by its name")?;
    let task = Task::of(path.to_owned(), kind, series, Depth::Whole);
    let mut tried = 1;
    loop {
        match pool.read(&task) {
            Ok(answer) if answer.fingerprints.is_some_and(|prints| prints.best() == taken) => {
                return answer.frame.ok_or_else(|| "it has no picture".to_owned());
            }
            Ok(_) => return Err("another picture lies under its name now".to_owned()),
            Err(refused) if tried == TRIES || is_final(&refused) => return Err(refused.to_string()),
            Err(_) => std::thread::sleep(PAUSE),
        }
        tried += 1;
    }
}

/// No further try is worth what the frames after it would wait. A file that isn't there may have been renamed, which the intake
/// tells soon.
fn is_final(refused: &Refused) -> bool {
    match refused {
        Refused::Foreign(_)
        | Refused::Stopped
        | Refused::TookTooLong { .. }
        | Refused::TookTooMuch { .. }
        | Refused::Unfinished { .. }
        | Refused::Silent { .. } => true,
        Refused::Incomplete(_) | Refused::Unreadable(_) | Refused::Crashed(_) => false,
    }
}

/// The photograph that a name stands for.
pub(super) fn regular(folder: &Path, file: &str) -> Result<(PathBuf, Kind), String> {
    let kind = Kind::of(Path::new(file)).ok_or("it is no picture by its name")?;
    let unreadable = |e: std::io::Error| format!("it can't be read: {e}");
    let real = folder.join(file).canonicalize().map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => "there is no such file in the capture folder".to_owned(),
        _ => unreadable(e),
    })?;
    // A plain name means a photograph in this folder. Whoever means one elsewhere writes where it is.
    let plain = Path::new(file).components().all(|c| matches!(c, Component::Normal(_) | Component::CurDir));
    if plain && !real.starts_with(folder.canonicalize().map_err(unreadable)?) {
        return Err("it is a link out of the capture folder: name the photograph itself".to_owned());
    }
    if !real.metadata().map_err(unreadable)?.is_file() {
        return Err("it is no regular file".to_owned());
    }
    Ok((real, kind))
}
