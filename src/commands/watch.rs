//! `greyhold watch`: the daemon in the foreground.

use std::future::Future;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use jiff::ZonedDateTime;
use tokio::sync::watch::Receiver;
use tokio::sync::{broadcast, mpsc, oneshot};
use tokio::task::spawn_blocking;
use tokio::time::timeout;

use super::exit::{CommandError, Exit};
use super::handed_on::HandedOn;
use super::page::{PageArgs, page_in_words};
use super::{service_manager, signals};
use crate::config::ConfigWatch;
use crate::daemon::{self, Setup};
use crate::outlet::corrections::CorrectionsList;
use crate::outlet::live_view::{self, Fixed, Lines};
use crate::outlet::plain::{Paint, Showing, block, printable_lines};
use crate::outlet::printing::{Printer, each_record};
use crate::outlet::screen::Shown;
use crate::outlet::socket::{self, EVENTS_KEPT};
use crate::outlet::socket_place;
use crate::outlet::stand_page::Chosen;
use crate::session::{Board, Command, Published};
use crate::workers::{Pool, this_program};

/// Keys that were pressed while the sitting was at something else.
const KEYS_WAITING: usize = 8;
/// Name of the configuration that is taken when it lies in the present folder.
pub const USUAL_CONFIG: &str = "greyhold.yaml";

/// The configuration that lies here, where one does.
pub fn usual_config() -> Option<PathBuf> {
    let usual = Path::new(USUAL_CONFIG);
    usual.is_file().then(|| usual.to_owned())
}
/// At the end, what is still to be said or shown gets this long.
const FAREWELL: Duration = Duration::from_millis(250);
/// Name of the shot log in the capture folder.
pub const USUAL_LOG: &str = "greyhold-shots.jsonl";

#[derive(Debug, Default, clap::Args)]
#[command(after_help = "Examples:
  greyhold watch ~/tether                      no configuration needed: one group, stops and thirds
  greyhold watch --config studio.yaml          folder, lights and spots from the configuration
  greyhold watch ~/tether --meter-old          meter the photographs that are there already, too
  greyhold watch ~/tether --lan                phones on this network see what to do at each light

What stands before a frame's sentence:
  =  matches      ~  something is to be turned      HOLD  turn nothing, and shoot again
  ?  look first   -  nothing to compare with")]
pub struct Args {
    /// The folder that the tethered camera writes to
    folder: Option<PathBuf>,
    /// The configuration [default: greyhold.yaml here, if there is one]
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// The shot log [default: greyhold-shots.jsonl in the capture folder]
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
    /// The local socket [default: one of its own for each folder]
    #[arg(long, value_name = "PATH")]
    socket: Option<PathBuf>,
    /// At the very first start, meter the photographs that are there already
    #[arg(long)]
    meter_old: bool,
    #[command(flatten)]
    page: PageArgs,
    /// Print what happens line by line, also on a terminal
    #[arg(long)]
    plain: bool,
}

impl Args {
    /// A watch of this folder.
    pub fn of(folder: PathBuf) -> Args {
        Args { folder: Some(folder), ..Args::default() }
    }

    /// A watch of the folder that was chosen on the page, which goes on there.
    pub fn chosen(chosen: Chosen) -> Args {
        Args { page: PageArgs::going_on(chosen.port, chosen.token), ..Args::of(chosen.folder) }
    }

    /// Whether the sitting is shown on the whole terminal.
    pub fn is_live(&self) -> bool {
        !self.plain && std::io::stdout().is_terminal() && std::io::stdin().is_terminal()
    }
}

/// `lines` takes what happens when the sitting is shown on the whole terminal.
pub fn run(args: Args, mut handed_on: HandedOn, lines: Option<Lines>, evidence: bool) -> Result<Exit, CommandError> {
    let setup = setup(args)?;
    let is_live = lines.is_some();
    let give_back = move || {
        if is_live {
            live_view::give_back();
        }
    };
    let stop = match handed_on.stop.take() {
        Some(stop) => stop,
        None => signals::stop(give_back).map_err(|e| CommandError::CannotRun(e.to_string()))?,
    };
    let runtime = tokio::runtime::Runtime::new().map_err(|e| CommandError::CannotRun(e.to_string()))?;
    let printer = Printer::to_stdout();
    let result = runtime.block_on(async {
        match lines {
            Some(lines) => live(setup, handed_on, lines, &printer, evidence, stop).await,
            None => plain(setup, handed_on, &printer, Showing { paint: Paint::for_stdout(), evidence }, stop).await,
        }
    });
    printer.finish(FAREWELL);
    // A read that hangs on a dead share must not hold up the end.
    runtime.shutdown_timeout(Duration::from_millis(300));
    result.map(|()| Exit::Clean)
}

/// Prints what happens, line by line.
async fn plain(
    setup: Setup,
    handed_on: HandedOn,
    printer: &Printer,
    showing: Showing,
    stop: impl Future<Output = ()>,
) -> Result<(), CommandError> {
    let (ready, is_ready) = oneshot::channel::<daemon::Ready>();
    let head = format!(
        "watching {}\n  shot log {}\n  socket   {}",
        setup.folder.display(),
        setup.log.display(),
        setup.socket.display()
    );
    let page = setup.page.clone();
    let head_printer = printer.clone();
    let screens = Arc::new(OnceLock::new());
    let (kept, log) = (Arc::clone(&screens), setup.log.clone());
    tokio::spawn(async move {
        if let Ok(ready) = is_ready.await {
            handed_on.watch_is_up();
            let page = page.zip(ready.port).map(|(page, port)| {
                // Its second address stands below its first.
                format!("\n  page     {}", page_in_words(&page, port).replacen('\n', "\n           ", 1))
            });
            let goes_on = goes_on(&ready.screens.borrow().board).map(|said| format!("\n{said}"));
            let said = [Some(head), page, goes_on].into_iter().flatten().collect::<String>();
            head_printer.say(&printable_lines(&said));
            service_manager::is_up("watching");
            tokio::spawn(service_manager::keep_told(ready.commands));
            let _ = kept.set(ready.screens);
        }
    });
    let stop = async {
        stop.await;
        service_manager::ends();
    };
    let (events, heard) = broadcast::channel(EVENTS_KEPT);
    let (shows, misses) = (printer.clone(), printer.clone());
    let show = move |published: &Published| {
        if let Some(text) = block(&published.record, showing) {
            shows.say(&text);
        }
    };
    let showing = each_record(heard, show, move |missed| misses.say(&not_shown(missed)));
    let result = daemon::run(setup, events, Some(ready), stop).await.map_err(CommandError::from);
    let _ = timeout(FAREWELL, showing).await;
    say_the_end(screens.get().filter(|_| result.is_ok()), &log, printer);
    result
}

/// What holds of a sitting that was begun before; `None` for a new one.
fn goes_on(board: &Board) -> Option<String> {
    let pause =
        board.after_a_pause(ZonedDateTime::now().datetime()).map_or_else(String::new, |said| format!("\n  {said}"));
    (board.frames > 0).then(|| format!("goes on: {}; {}{pause}", board.so_far(), board.powers()))
}

/// What holds at the end, and where it is kept.
fn say_the_end(screens: Option<&Receiver<Arc<Shown>>>, log: &Path, printer: &Printer) {
    let Some(screens) = screens else { return };
    let so_far = screens.borrow().board.so_far();
    let corrections = CorrectionsList::beside(log).path().display().to_string();
    printer.say(&printable_lines(&format!(
        "ended: {so_far}\n  shot log     {}\n  corrections  {corrections}",
        log.display()
    )));
}

fn not_shown(missed: u64) -> String {
    format!("({missed} records not shown)")
}

/// Shows the sitting on the whole terminal.
async fn live(
    setup: Setup,
    handed_on: HandedOn,
    lines: Lines,
    printer: &Printer,
    evidence: bool,
    stop: impl Future<Output = ()>,
) -> Result<(), CommandError> {
    let (ready, is_ready) = oneshot::channel::<daemon::Ready>();
    let (end, ended) = oneshot::channel();
    let (page, folder) = (setup.page.clone(), setup.folder.display().to_string());
    let screens = Arc::new(OnceLock::new());
    let (kept, log) = (Arc::clone(&screens), setup.log.clone());
    let happened = lines.clone();
    let on_screen = Arc::new(AtomicBool::new(true));
    let is_up = Arc::clone(&on_screen);
    let says = printer.clone();
    let viewing = tokio::spawn(async move {
        let Ok(mut ready) = is_ready.await else { return };
        handed_on.watch_is_up();
        let _ = kept.set(ready.screens.clone());
        if let Some(said) = goes_on(&ready.screens.borrow().board) {
            lines.add(&said);
        }
        let page = page.zip(ready.port).map(|(page, port)| page_in_words(&page, port));
        let fixed = Fixed { folder, page };
        let answers = lines.clone();
        let (told, mut asked) = mpsc::channel::<Vec<Command>>(KEYS_WAITING);
        let (commands, says_so) = (ready.commands, lines.clone());
        // The view goes on while the sitting answers, one key after the other.
        tokio::spawn(async move {
            while let Some(keyed) = asked.recv().await {
                for command in keyed {
                    let reply = socket::ask(&commands, command).await;
                    answers.add(&format!("{} {}", if reply.ok { ">" } else { "!" }, reply.message));
                }
            }
        });
        let tell = move |keyed| {
            if told.try_send(keyed).is_err() {
                says_so.add("! greyhold is at it: press that again in a moment");
            }
        };
        let shown = spawn_blocking(move || live_view::run(&mut ready.screens, &fixed, &lines, tell)).await;
        let fault = match shown {
            // The watch may have ended by itself; then nobody hears this.
            Ok(Ok(())) => {
                let _ = end.send(());
                return;
            }
            Ok(Err(e)) => e.to_string(),
            Err(e) => e.to_string(),
        };
        // What can't be shown is no reason to end a sitting.
        is_up.store(false, Ordering::Relaxed);
        says.say(&format!(
            "the sitting can't be shown on the whole terminal ({fault}); it goes on line by line, as with --plain"
        ));
    });
    let (events, heard) = broadcast::channel(EVENTS_KEPT);
    let shows = Shows { happened, printer: printer.clone(), on_screen };
    let misses = shows.clone();
    let show = move |published: &Published| {
        if let Some(text) = block(&published.record, Showing { paint: Paint::Plain, evidence }) {
            shows.say(&text);
        }
    };
    let showing = each_record(heard, show, move |missed| misses.say(&not_shown(missed)));
    let stop = async {
        tokio::select! {
            () = stop => {}
            Ok(()) = ended => {}
        }
    };
    let result = daemon::run(setup, events, Some(ready), stop).await.map_err(CommandError::from);
    let _ = timeout(FAREWELL, showing).await;
    // It gives the terminal back before anything else is said, unless the terminal is stuck.
    let _ = timeout(FAREWELL, viewing).await;
    say_the_end(screens.get().filter(|_| result.is_ok()), &log, printer);
    result
}

/// Where a live sitting's lines go: among those of the view, or line by line when there is none.
#[derive(Clone)]
struct Shows {
    happened: Lines,
    printer: Printer,
    on_screen: Arc<AtomicBool>,
}

impl Shows {
    fn say(&self, text: &str) {
        if self.on_screen.load(Ordering::Relaxed) {
            self.happened.add(text);
        } else {
            self.printer.say(text);
        }
    }
}

fn setup(args: Args) -> Result<Setup, CommandError> {
    let config_file = args.config.or_else(usual_config);
    let (config, config_watch) = match (&config_file, &args.folder) {
        (Some(file), _) => ConfigWatch::read(file)?,
        (None, Some(folder)) => {
            let usual = checked(folder)?.join(USUAL_LOG);
            let log = args.log.as_ref().unwrap_or(&usual);
            ConfigWatch::unwritten(log)?
        }
        (None, None) => return Err(which_folder()),
    };
    let folder = args.folder.or_else(|| config.folder.clone()).ok_or_else(which_folder)?;
    checked(&folder)?;
    let log = args.log.or_else(|| config.log.clone()).unwrap_or_else(|| folder.join(USUAL_LOG));
    let socket = match args.socket.or_else(|| config.socket.clone()) {
        Some(socket) => socket,
        None => socket_place::for_folder(&folder)
            .map_err(|e| CommandError::CannotRun(format!("the socket can't be opened: {e}")))?,
    };
    let page = args.page.setup(&log)?;
    Ok(Setup {
        config,
        config_watch,
        folder,
        log,
        socket,
        meter_old: args.meter_old,
        page,
        workers: Pool::new(this_program(), daemon::SEATS),
    })
}

/// The folder, if it can be watched.
fn checked(folder: &Path) -> Result<&Path, CommandError> {
    if folder.is_dir() {
        return Ok(folder);
    }
    let what = if folder.exists() { "is no folder" } else { "does not exist" };
    Err(CommandError::CannotRun(format!("{} {what}: name the folder that the camera writes to", folder.display())))
}

pub fn which_folder() -> CommandError {
    CommandError::WrongUse(
        "which folder? name it (greyhold watch FOLDER), or as folder: in the configuration".to_owned(),
    )
}
