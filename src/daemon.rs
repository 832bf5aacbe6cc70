//! The daemon: intake, metering workers, engine and socket, tied together and ended in order.
//!
//! Installs no signal handler and binds no place of its own choosing: the world comes in through
//! the arguments.

use std::collections::HashMap;
use std::future::Future;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use thiserror::Error;
use tokio::sync::{Semaphore, broadcast, mpsc, oneshot, watch};
use tokio::task::{JoinHandle, block_in_place, spawn_blocking};
use tokio::time::{MissedTickBehavior, interval, timeout};

use crate::config::{Config, ConfigWatch, Curves};
use crate::container::Kind;
use crate::frame;
use crate::intake::{Arrival, Control, FirstStart, FolderNews, Intake, Options};
use crate::outlet::corrections;
use crate::outlet::shot_log::{LogError, ShotLog};
use crate::outlet::socket::{self, Ask, Hub};
use crate::session::{Command, Engine, FrameInput, FrameOutcome, Input, Landed, Metering, Published, Reply};

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
}

/// The daemon can't go on.
#[derive(Debug, Error)]
pub enum RunError {
    #[error(transparent)]
    Log(#[from] LogError),
    #[error("the socket {path} can't be opened: {cause}")]
    Socket { path: PathBuf, cause: std::io::Error },
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
    Metered(JoinHandle<FrameInput>),
    Ready(Input),
    Mark { token: u64, waiting: Vec<String> },
}

/// Runs until `stop` resolves. `show` sees every record as it is announced; `ready` is told when
/// the first scan is done.
pub async fn run(
    mut setup: Setup,
    mut show: impl FnMut(&Published) + Send + 'static,
    ready: Option<oneshot::Sender<()>>,
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
    let serving = tokio::spawn(socket::serve(listener, hub));

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
    let dispatching = tokio::spawn(dispatch(arrivals, work, metering_now, ready));

    let mut session = Session {
        engine,
        metering,
        setup,
        marks: HashMap::new(),
        next_mark: 1,
        control: intake.control.clone(),
        trouble_said: false,
        curves,
    };
    let result = session.serve(works, asked, stop).await;
    serving.abort();
    dispatching.abort();
    remove_socket(&session.setup.socket);
    result
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
    mut ready: Option<oneshot::Sender<()>>,
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
                    let outcome = meter_file(&path, kind, &metering);
                    FrameInput { file: Landed { name, is_raw: kind.is_raw(), state, fingerprint, late }, outcome }
                }))
            }
            Arrival::Rewritten { name, was, state } => Work::Ready(Input::Rewritten { name, was, state }),
            Arrival::Known { files, last } => Work::Ready(Input::Known { files, last }),
            Arrival::Skipped { name, why } => Work::Ready(Input::Skipped { name, why }),
            Arrival::Mark { token, waiting } => Work::Mark { token, waiting },
            Arrival::Folder(news) => {
                if let (FolderNews::Watching { .. }, Some(ready)) = (&news, ready.take()) {
                    let _ = ready.send(());
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
fn meter_file(path: &Path, kind: Kind, metering: &Metering) -> Result<FrameOutcome, String> {
    let read = frame::read(kind, path, metering.marks).map_err(|e| e.to_string())?;
    Ok(metering.subject(read))
}

struct Session {
    engine: Engine<ShotLog>,
    metering: watch::Sender<Arc<Metering>>,
    setup: Setup,
    /// Those who wait for a mark.
    marks: HashMap<u64, oneshot::Sender<Reply>>,
    next_mark: u64,
    control: std::sync::mpsc::Sender<Control>,
    trouble_said: bool,
    /// What lay in the folder of curves when it was read.
    curves: CurvesStamp,
}

impl Session {
    async fn serve(
        &mut self,
        mut works: mpsc::Receiver<Work>,
        mut asked: mpsc::Receiver<Ask>,
        stop: impl Future<Output = ()>,
    ) -> Result<(), RunError> {
        let mut ticks = interval(TICK);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        tokio::pin!(stop);
        loop {
            // While memory is full of unwritten records, the folder is the queue.
            let has_room = !self.engine.ledger().is_full();
            tokio::select! {
                biased;
                () = &mut stop => break,
                Some((command, back)) = asked.recv() => self.ask(command, back).await,
                work = works.recv(), if has_room => match work {
                    Some(work) => self.take(work).await,
                    None => return Err(RunError::IntakeEnded),
                },
                _ = ticks.tick() => self.tick(),
            }
        }
        let _ = self.control.send(Control::Stop);
        let drain = async {
            while let Some(work) = works.recv().await {
                self.take(work).await;
            }
        };
        if timeout(ENDING, drain).await.is_err() {
            tracing::warn!("some frames were not metered any more; they will be at the next start");
        }
        block_in_place(|| {
            self.engine.close();
            self.engine.ledger().retry();
        });
        Ok(())
    }

    async fn take(&mut self, work: Work) {
        let input = match work {
            Work::Ready(input) => input,
            Work::Metered(task) => match task.await {
                Ok(frame) => Input::Frame(Box::new(frame)),
                // A panic is a defect, but never worth a sitting.
                Err(e) => Input::Warning(format!("a frame could not be metered, which is a defect: {e}")),
            },
            Work::Mark { token, waiting } => {
                if let Some(back) = self.marks.remove(&token) {
                    let _ = back.send(synced(waiting));
                }
                return;
            }
        };
        block_in_place(|| self.engine.take(input));
        self.speak_of_trouble();
    }

    async fn ask(&mut self, command: Command, back: oneshot::Sender<Reply>) {
        match &command {
            Command::Sync {} => {
                let token = self.next_mark;
                self.next_mark += 1;
                self.marks.insert(token, back);
                let _ = self.control.send(Control::Sync(token));
                return;
            }
            Command::Reference { file: Some(file), .. } => {
                let path = self.setup.folder.join(file);
                let metering = Arc::clone(&self.metering.borrow());
                let metered = spawn_blocking(move || {
                    let kind = Kind::of(&path).ok_or("it is no picture by its name".to_owned())?;
                    meter_file(&path, kind, &metering)
                });
                let reply = match metered.await {
                    Ok(Ok(outcome)) => block_in_place(|| self.engine.command(&command, Some(outcome.subject))),
                    Ok(Err(why)) => Reply::refused(format!("{file} can't be a reference: {why}")),
                    Err(_) => Reply::refused(format!("{file} can't be a reference: metering it failed")),
                };
                let _ = back.send(reply);
            }
            _ => {
                let reply = block_in_place(|| self.engine.command(&command, None));
                let _ = back.send(reply);
            }
        }
        self.speak_of_trouble();
    }

    fn tick(&mut self) {
        block_in_place(|| self.engine.ledger().retry());
        self.speak_of_trouble();
        self.look_for_curves();
        match self.setup.config_watch.look() {
            None => {}
            Some(Ok(config)) => self.take_config(*config),
            Some(Err(fault)) => {
                self.warn(format!("the changed configuration is not taken up, the old one holds: {fault}"))
            }
        }
    }

    fn take_config(&mut self, config: Config) {
        let old = self.setup.config.clone();
        let fixed = (&config.folder, &config.log, &config.socket, config.mode, &config.rules)
            != (&old.folder, &old.log, &old.socket, old.mode, &old.rules);
        if fixed {
            self.warn("folder, log, socket, watch and ignore take effect at the next start".to_owned());
        }
        self.setup.config = config.clone();
        let metering = metering_of(&config);
        let _ = self.metering.send(Arc::clone(&metering));
        block_in_place(|| self.engine.take(Input::Config(Box::new(config), metering)));
        tracing::info!("the changed configuration is taken up");
    }

    /// A camera that is calibrated while the daemon runs is read by its own curve from then on.
    fn look_for_curves(&mut self) {
        let now = Curves::stamp(self.setup.config.curves.as_deref());
        if now != self.curves {
            self.curves = now;
            let metering = metering_of(&self.setup.config);
            let _ = self.metering.send(Arc::clone(&metering));
            block_in_place(|| self.engine.take(Input::Curves(metering)));
            tracing::info!("the camera curves are read anew");
        }
    }

    fn warn(&mut self, text: String) {
        // The record is shown, too; here it is for those who read messages only.
        tracing::info!("{text}");
        block_in_place(|| self.engine.take(Input::Warning(text)));
    }

    /// Says once that the log takes nothing, and once that it does again.
    fn speak_of_trouble(&mut self) {
        let log = self.engine.ledger();
        let (trouble, waiting) = (log.trouble().map(str::to_owned), log.waiting());
        match (trouble, self.trouble_said) {
            (Some(why), false) => {
                self.trouble_said = true;
                let log = self.setup.log.display().to_string();
                self.warn(format!(
                    "THE SHOT LOG {log} CAN'T BE WRITTEN ({why}): metering goes on, {waiting} records wait in memory; free the disk or its folder"
                ));
            }
            (None, true) => {
                self.trouble_said = false;
                self.warn("the shot log is written again, nothing was lost".to_owned());
            }
            _ => {}
        }
    }
}

fn synced(waiting: Vec<String>) -> Reply {
    let says = match waiting.as_slice() {
        [] => "everything in the folder is logged".to_owned(),
        rest => format!("everything is logged but what is not whole yet: {}", rest.join(", ")),
    };
    Reply::with(says, serde_json::json!({"waiting": waiting}))
}
