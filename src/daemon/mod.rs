//! The daemon: intake, metering workers, engine, socket and page, tied together and ended in order.
//!
//! Installs no signal handler and binds no place of its own choosing: the world comes in through
//! the arguments.

mod answers;
mod desk;
mod keeper;
mod light_kept;
mod pictures_kept;
mod pipeline;
mod reading;
mod session;
mod sharpness;

use std::collections::HashMap;
use std::future::Future;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use thiserror::Error;
use tokio::runtime::Handle;
use tokio::sync::broadcast::{self, error::RecvError};
use tokio::sync::{Semaphore, mpsc, oneshot, watch};
use tokio::task::JoinSet;
use tokio::time::timeout;

use self::desk::{Desk, curves_of};
use self::light_kept::LightKeeper;
use self::pictures_kept::PictureKeeper;
use self::reading::{Named, Workers};
use self::session::{LIGHTS_AT_ONCE, Lights, MOST_ASKING, Rereading, Session, Turns};
use self::sharpness::Sharpening;
use crate::config::{Config, ConfigWatch};
use crate::intake::{Before, FirstStart, Intake, MOST_READINGS, Options};
use crate::outlet::corrections::CorrectionsList;
use crate::outlet::screen::Shown;
use crate::outlet::shot_log::{LogError, LogWriter, ShotLog, Unwritten};
use crate::outlet::socket::{self, Ask, Hub, Serving};
use crate::outlet::stand_page::{Opened, PageSetup};
use crate::session::{Engine, Input, MeteringPlan, Published, raw_parts};
use crate::workers::Pool;

/// How many files are read at one time, at most: what the intake begins, raw files whose light comes second, and one that somebody
/// named. Only files that hold up their readers make them so many. One more is read where sharpness is measured.
pub const SEATS: usize = MOST_READINGS + LIGHTS_AT_ONCE + 1;

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
    /// Read the files; [`SEATS`] of them are enough.
    pub workers: Pool,
}

/// What a caller learns when the first scan is done.
#[derive(Debug)]
pub struct Ready {
    /// The port of the stand page.
    pub port: Option<u16>,
    pub screens: watch::Receiver<Arc<Shown>>,
    /// Where the sitting is told something.
    pub commands: mpsc::Sender<Ask>,
}

/// The daemon can't go on.
#[derive(Debug, Error)]
pub enum RunError {
    #[error(transparent)]
    Log(#[from] LogError),
    #[error(transparent)]
    Unwritten(#[from] Unwritten),
    #[error("the socket {path} can't be opened: {cause}")]
    Socket { path: PathBuf, cause: std::io::Error },
    #[error("the stand page can't be served: {0} (choose another with --port, or leave it out with --no-page)")]
    Page(std::io::Error),
    #[error("the folder can't be watched: {0}")]
    Watch(std::io::Error),
    #[error("the intake ended by itself, which is a defect: please report it")]
    IntakeEnded,
}

const COMMANDS_WAITING: usize = 64;
/// What is under way at the end gets this long.
const ENDING: Duration = Duration::from_millis(1200);
/// The log's last lines get what is left of this since the end was asked for, and never less than a moment.
const LOGGING: Duration = Duration::from_millis(1300);
const LAST_MOMENT: Duration = Duration::from_millis(300);
/// The last corrections get this long to be listed.
const LISTING: Duration = Duration::from_millis(200);
const TICK: Duration = Duration::from_millis(500);

/// Runs until `stop` resolves. Every record is announced to who listens to `events`, and none of them holds it up;
/// `ready` is told when the first scan is done.
pub async fn run(
    mut setup: Setup,
    events: broadcast::Sender<Arc<Published>>,
    ready: Option<oneshot::Sender<Ready>>,
    stop: impl Future<Output = ()>,
) -> Result<(), RunError> {
    // Events name files from the root of the disk; names in the log are from the folder.
    setup.folder = std::path::absolute(&setup.folder).map_err(RunError::Watch)?;
    let (log, opened) = ShotLog::open(&setup.log)?;
    let log = LogWriter::of(log);
    setup.log = log.path().to_owned();
    let (listener, place) =
        socket::listen(&setup.socket).map_err(|cause| RunError::Socket { path: setup.socket.clone(), cause })?;
    let (commands, asked) = mpsc::channel(COMMANDS_WAITING);
    let hub = Hub { events: events.clone(), commands: commands.clone(), log: setup.log.clone() };

    let first_start = match (opened.state.files.begun, setup.meter_old) {
        (true, _) => FirstStart::Resume,
        (false, true) => FirstStart::MeterAll,
        (false, false) => FirstStart::TakeAsKnown,
    };
    let before = Before { known: opened.state.files.known(), turned_down: opened.state.files.turned_down() };
    let listed = list_corrections(CorrectionsList::beside(&setup.log), events.subscribe());
    let publish = move |published: Published| {
        // No listener is no fault.
        let _ = events.send(Arc::new(published));
    };
    let curves = curves_of(&setup.config);
    let mut engine = Engine::new(setup.config.clone(), curves, opened.state, log, Timestamp::now, publish);
    let mut light = LightKeeper::beside(setup.log.clone());
    engine.keep_light(std::mem::take(&mut light.earlier), light.taker());
    let mut kept = PictureKeeper::beside(setup.log.clone(), engine.pictures());
    engine.keep_pictures(std::mem::take(&mut kept.earlier), kept.taker());
    let (metering, metering_now) = watch::channel(Arc::new(MeteringPlan::of(&setup.config)));

    let (parts, parts_now) = watch::channel(raw_parts(&engine.state().sitting, &setup.config));
    let (screens, screen) = watch::channel(Arc::new(Shown::new(engine.board(), None, None, Arc::default())));

    // Everything that may fail comes before the first record: what is opened is also closed.
    let (arrive, arrivals) = mpsc::unbounded_channel();
    let begun = async {
        let page = open_page(setup.page.as_ref(), hub.clone(), screen.clone()).await?;
        let reader = Workers {
            pool: setup.workers.clone(),
            metering: metering_now.clone(),
            parts: parts_now,
            runtime: Handle::current(),
        };
        let tell = move |arrival| arrive.send(arrival).is_ok();
        let intake = Intake::start(options(&setup, first_start), before, reader, tell).map_err(RunError::Watch)?;
        Ok::<_, RunError>((page, intake))
    };
    let (page, intake) = begun.await?;
    engine.open(format!("greyhold {}", env!("CARGO_PKG_VERSION")), setup.folder.display().to_string());
    let silent = kept.trouble.map(str::to_owned);
    for damage in opened.damage.into_iter().chain(light.trouble.take()).chain(silent) {
        engine.take(Input::Warning(damage));
    }

    screens.send_replace(Arc::new(Shown::new(engine.board(), None, None, Arc::default())));
    let serving = Serving::start(listener, place, hub);
    let (port, paging) = page.map(|page| (page.port, tokio::spawn(page.serve()))).unzip();
    let ready = ready.map(|tell| (tell, Ready { port, screens: screen, commands }));
    let pictures = if port.is_some() { Pictures::Kept } else { Pictures::Unseen };
    let (works, piping) = pipeline::begin(arrivals, metering_now, pictures, ready);

    let mut session = Session {
        engine,
        turns: Turns::default(),
        lights: Lights::default(),
        parts,
        metering,
        marks: HashMap::new(),
        next_mark: 1,
        control: intake.control.clone(),
        folder: intake.folder.clone(),
        trouble_said: false,
        skipped: Vec::new(),
        more_skipped: 0,
        desk: Desk::new(setup.config_watch.clone(), &setup.config),
        named: Named::new(setup.workers.clone(), setup.folder.clone()),
        sharpening: Sharpening::new(setup.workers.apart(1), setup.folder.clone()),
        references_under_way: 0,
        rereading: Rereading::default(),
        asking: Arc::new(Semaphore::new(MOST_ASKING)),
        later: JoinSet::new(),
        screens,
        picture: None,
        setup,
    };
    let (light_kept, pictures_kept) = (light.ends_with_takers(), kept.ends_with_takers());
    let result = session.serve(works, asked, stop).await;
    piping.iter().for_each(|task| task.abort());
    // With the session its screens go away, which ends the page.
    drop(session);
    if let Some(paging) = paging {
        let _ = paging.await;
    }
    serving.end().await;
    let _ = timeout(LISTING, async { tokio::join!(listed, light_kept, pictures_kept) }).await;
    result
}

/// Keeps the list of corrections, on a thread of its own: a disk that hangs must not hold up what it lists. Resolves
/// when the sitting ended and all is listed.
fn list_corrections(
    mut list: CorrectionsList,
    mut events: broadcast::Receiver<Arc<Published>>,
) -> oneshot::Receiver<()> {
    let (done, all_listed) = oneshot::channel();
    std::thread::spawn(move || {
        loop {
            match events.blocking_recv() {
                Ok(published) => {
                    let is_told = list.trouble().is_some();
                    list.take(&published.record);
                    if let Some(why) = list.trouble().filter(|_| !is_told) {
                        tracing::warn!("the list of corrections {} can't be written: {why}", list.path().display());
                    }
                }
                Err(RecvError::Lagged(missed)) => {
                    let list = list.path().display();
                    tracing::warn!("the list of corrections {list} was too slow: {missed} records were not looked at");
                }
                Err(RecvError::Closed) => break,
            }
        }
        let _ = done.send(());
    });
    all_listed
}

fn options(setup: &Setup, first_start: FirstStart) -> Options {
    Options {
        folder: setup.folder.clone(),
        mode: setup.config.mode,
        poll_every: setup.config.poll_every,
        scan_every: Duration::from_secs(3),
        rules: setup.config.rules.clone(),
        first_start,
    }
}

/// Opens the stand page. One that nobody asked for and that can't be opened is only told as missing.
async fn open_page(
    setup: Option<&PageSetup>,
    hub: Hub,
    screen: watch::Receiver<Arc<Shown>>,
) -> Result<Option<Opened>, RunError> {
    let Some(setup) = setup else { return Ok(None) };
    match Opened::open(setup, hub, screen).await {
        Ok(opened) => Ok(Some(opened)),
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
