//! The daemon: intake, metering workers, engine, socket and page, tied together and ended in order.
//!
//! Installs no signal handler and binds no place of its own choosing: the world comes in through
//! the arguments.

mod session;

use std::collections::HashMap;
use std::future::Future;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use thiserror::Error;
use tokio::sync::{Semaphore, broadcast, mpsc, oneshot, watch};
use tokio::task::{JoinHandle, spawn_blocking};

use self::session::Session;
use crate::config::{Config, ConfigWatch, Curves};
use crate::container::Kind;
use crate::frame::{self, Small};
use crate::intake::{Arrival, FirstStart, FolderNews, Intake, Options};
use crate::outlet::corrections;
use crate::outlet::screen::Shown;
use crate::outlet::shot_log::{LogError, ShotLog};
use crate::outlet::socket::{self, Hub};
use crate::outlet::stand_page::{Opened, PageSetup};
use crate::session::{Engine, FrameInput, FrameOutcome, Input, Landed, Metering, Published};

/// What a daemon runs on.
#[derive(Debug, Clone)]
pub struct Setup {
    pub config: Config,
    /// Looks for changes of the configuration while running.
    pub config_watch: ConfigWatch,
    pub folder: PathBuf,
    pub log: PathBuf,
    pub socket: PathBuf,
    /// Meter the photographs that lie in the folder at the very first start.
    pub meter_old: bool,
    /// The stand page, if it is to be served.
    pub page: Option<PageSetup>,
}

/// What a caller learns when the first scan is done.
#[derive(Debug)]
pub struct Ready {
    /// The port of the stand page.
    pub port: Option<u16>,
    pub screens: watch::Receiver<Arc<Shown>>,
}

/// The daemon can't go on.
#[derive(Debug, Error)]
pub enum RunError {
    #[error(transparent)]
    Log(#[from] LogError),
    #[error("the socket {path} can't be opened: {cause}")]
    Socket { path: PathBuf, cause: std::io::Error },
    #[error("the stand page can't be served: {0} (choose another with --port, or leave it out with --no-page)")]
    Page(std::io::Error),
    #[error("the folder can't be watched: {0}")]
    Watch(std::io::Error),
    #[error("the intake ended by itself, which is a defect: please report it")]
    IntakeEnded,
}

/// Whole frames waiting to be metered. A burst is about 20 frames a second; when full, the intake
/// waits and the folder itself is the queue.
const ARRIVALS_WAITING: usize = 32;
/// Frames decoded at one time. Each holds its file (10 MB) and a proxy (1 MB).
const WORKERS: usize = 2;
/// Results waiting for those that arrived before them.
const RESULTS_WAITING: usize = 4;
const COMMANDS_WAITING: usize = 64;
/// What is under way at the end gets this long.
const ENDING: Duration = Duration::from_millis(1500);
const TICK: Duration = Duration::from_millis(500);

/// What workers and engine meter by; curves that can't be used are told, and left out.
fn metering_of(config: &Config) -> Arc<Metering> {
    let (curves, faults) = Curves::of_folder(config.curves.as_deref());
    for fault in faults {
        tracing::warn!("{fault}");
    }
    Arc::new(Metering::of(config, curves))
}

type CurvesStamp = Vec<(PathBuf, Option<std::time::SystemTime>, u64)>;

/// One piece of work on its way to the engine, in the order of arrival.
enum Work {
    Metered(JoinHandle<(FrameInput, Option<Small>)>),
    Ready(Input),
    Mark { token: u64, waiting: Vec<String> },
}

/// Runs until `stop` resolves. `show` sees every record as it is announced; `ready` is told when
/// the first scan is done.
pub async fn run(
    mut setup: Setup,
    mut show: impl FnMut(&Published) + Send + 'static,
    ready: Option<oneshot::Sender<Ready>>,
    stop: impl Future<Output = ()>,
) -> Result<(), RunError> {
    // Events name files from the root of the disk; names in the log are from the folder.
    setup.folder = std::path::absolute(&setup.folder).map_err(RunError::Watch)?;
    let (log, opened) = ShotLog::open(&setup.log)?;
    let (events, _) = broadcast::channel(socket::EVENTS_KEPT);
    let listener =
        socket::listen(&setup.socket).await.map_err(|cause| RunError::Socket { path: setup.socket.clone(), cause })?;
    let (commands, asked) = mpsc::channel(COMMANDS_WAITING);
    let hub = Hub { events: events.clone(), commands, log: setup.log.clone() };
    let serving = tokio::spawn(socket::serve(listener, hub.clone()));

    let first_start = match (opened.state.begun, setup.meter_old) {
        (true, _) => FirstStart::Resume,
        (false, true) => FirstStart::MeterAll,
        (false, false) => FirstStart::TakeAsKnown,
    };
    let known = opened.state.known_files();
    let list = corrections::beside(&setup.log);
    let publish = move |published: Published| {
        if let Err(e) = corrections::append(&list, &published.record) {
            tracing::warn!("the list of corrections {} can't be written: {e}", list.display());
        }
        show(&published);
        // No listener is no fault.
        let _ = events.send(Arc::new(published));
    };
    let curves = Curves::stamp(setup.config.curves.as_deref());
    let by = metering_of(&setup.config);
    let mut engine = Engine::new(setup.config.clone(), Arc::clone(&by), opened.state, log, Timestamp::now, publish);
    engine.open(format!("greyhold {}", env!("CARGO_PKG_VERSION")), setup.folder.display().to_string());
    for damage in opened.damage {
        engine.take(Input::Warning(damage));
    }

    let (screens, screen) = watch::channel(Arc::new(Shown::new(engine.board(), None)));
    let (port, paging) = serve_page(setup.page.as_ref(), hub, screen.clone()).await?.unzip();
    let ready = ready.map(|tell| (tell, Ready { port, screens: screen }));

    let (metering, metering_now) = watch::channel(by);
    let (arrive, arrivals) = mpsc::channel(ARRIVALS_WAITING);
    let options = Options {
        folder: setup.folder.clone(),
        mode: setup.config.mode,
        poll_every: setup.config.poll_every,
        scan_every: Duration::from_secs(3),
        rules: setup.config.rules.clone(),
        first_start,
    };
    let tell = move |arrival| arrive.blocking_send(arrival).is_ok();
    let intake = Intake::start(options, known, frame::capture_time, tell).map_err(RunError::Watch)?;
    let (work, works) = mpsc::channel(RESULTS_WAITING);
    let pictures = if port.is_some() { Pictures::Kept } else { Pictures::Unseen };
    let dispatching = tokio::spawn(dispatch(arrivals, work, metering_now, pictures, ready));

    let mut session = Session {
        engine,
        metering,
        setup,
        marks: HashMap::new(),
        next_mark: 1,
        control: intake.control.clone(),
        trouble_said: false,
        curves,
        screens,
        picture: None,
    };
    let result = session.serve(works, asked, stop).await;
    serving.abort();
    dispatching.abort();
    remove_socket(&session.setup.socket);
    // With the session its screens go away, which ends the page.
    drop(session);
    if let Some(paging) = paging {
        let _ = paging.await;
    }
    result
}

/// Opens the stand page; its port, and the task that serves it.
async fn serve_page(
    setup: Option<&PageSetup>,
    hub: Hub,
    screen: watch::Receiver<Arc<Shown>>,
) -> Result<Option<(u16, JoinHandle<()>)>, RunError> {
    let Some(setup) = setup else { return Ok(None) };
    match Opened::open(setup, hub, screen).await {
        Ok(opened) => Ok(Some((opened.port, tokio::spawn(opened.serve())))),
        Err(e) if setup.is_asked => Err(RunError::Page(e)),
        Err(e) => {
            tracing::warn!("no stand page is served: {e}");
            Ok(None)
        }
    }
}

/// Whether anybody can see the frames' small pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Pictures {
    Kept,
    Unseen,
}

/// The listener removes its own file; this is for systems where a dropped task didn't get to it.
fn remove_socket(path: &Path) {
    let _ = std::fs::remove_file(path);
}

/// Hands frames to the workers and keeps the order of arrival.
async fn dispatch(
    mut arrivals: mpsc::Receiver<Arrival>,
    work: mpsc::Sender<Work>,
    metering: watch::Receiver<Arc<Metering>>,
    pictures: Pictures,
    mut ready: Option<(oneshot::Sender<Ready>, Ready)>,
) {
    let seats = Arc::new(Semaphore::new(WORKERS));
    while let Some(arrival) = arrivals.recv().await {
        let next = match arrival {
            Arrival::Frame { path, name, kind, state, fingerprint, late } => {
                let Ok(seat) = Arc::clone(&seats).acquire_owned().await else {
                    return;
                };
                let metering = Arc::clone(&metering.borrow());
                // Decoding 24 megapixels blocks; socket and engine must stay alive meanwhile.
                Work::Metered(spawn_blocking(move || {
                    let _seat = seat;
                    let (outcome, small) = meter_file(&path, kind, &metering, pictures);
                    let file = Landed { name, is_raw: kind.is_raw(), state, fingerprint, late };
                    (FrameInput { file, outcome }, small)
                }))
            }
            Arrival::Rewritten { name, was, state } => Work::Ready(Input::Rewritten { name, was, state }),
            Arrival::Known { files, last } => Work::Ready(Input::Known { files, last }),
            Arrival::Skipped { name, why } => Work::Ready(Input::Skipped { name, why }),
            Arrival::Mark { token, waiting } => Work::Mark { token, waiting },
            Arrival::Folder(news) => {
                if matches!(news, FolderNews::Watching { .. })
                    && let Some((tell, ready)) = ready.take()
                {
                    let _ = tell.send(ready);
                }
                match warning_of(&news) {
                    Some(text) => Work::Ready(Input::Warning(text)),
                    None => continue,
                }
            }
        };
        if work.send(next).await.is_err() {
            return;
        }
    }
}

fn warning_of(news: &FolderNews) -> Option<String> {
    match news {
        FolderNews::Watching { polling } => {
            tracing::info!(polling, "watching");
            None
        }
        FolderNews::Offline => Some(
            "the capture folder is gone (unmounted, renamed?): nothing is taken as deleted, waiting for it to come back"
                .to_owned(),
        ),
        FolderNews::Replaced => Some(
            "another folder lies at the capture folder's place (unmounted, or made anew?): nothing is taken as deleted, \
             that folder is watched now"
                .to_owned(),
        ),
        FolderNews::Back => Some("the capture folder is back".to_owned()),
        FolderNews::Polling { why } => Some(format!("polling the folder: {why}")),
    }
}

/// Reads and meters one file: stateless, for the blocking workers.
fn meter_file(
    path: &Path,
    kind: Kind,
    metering: &Metering,
    pictures: Pictures,
) -> (Result<FrameOutcome, String>, Option<Small>) {
    match frame::read(kind, path, metering.marks) {
        Ok(read) => {
            let seen = read.picture.as_ref().filter(|_| pictures == Pictures::Kept);
            let small = seen.map(|p| p.small());
            (Ok(metering.subject(read)), small)
        }
        Err(e) => (Err(e.to_string()), None),
    }
}

/// Meters a file that somebody named.
fn meter_named(path: &Path, metering: &Metering) -> Result<FrameOutcome, String> {
    let kind = Kind::of(path).ok_or("it is no picture by its name".to_owned())?;
    meter_file(path, kind, metering, Pictures::Unseen).0
}
