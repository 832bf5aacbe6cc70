//! `greyhold watch`: the daemon in the foreground.

use std::path::{Path, PathBuf};

use tokio::sync::oneshot;

use super::exit::{CommandError, Exit};
use super::say;
use crate::config::{Config, ConfigWatch};
use crate::daemon::{self, Setup};
use crate::outlet::plain::{Paint, block};
use crate::outlet::socket;

/// Name of the configuration that is taken when it lies in the present folder.
const USUAL_CONFIG: &str = "greyhold.yaml";
/// Name of the shot log in the capture folder.
const USUAL_LOG: &str = "greyhold-shots.jsonl";

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold watch ~/tether                      no configuration needed: one group, stops and thirds
  greyhold watch --config studio.yaml          folder, lights and spots from the configuration
  greyhold watch ~/tether --meter-old          meter the photographs that are there already, too")]
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
}

pub fn run(args: Args) -> Result<Exit, CommandError> {
    let setup = setup(args)?;
    let paint = Paint::for_stdout();
    let runtime = tokio::runtime::Runtime::new().map_err(|e| CommandError::CannotRun(e.to_string()))?;
    let result = runtime.block_on(async {
        let stop = stop_signal()?;
        let (ready, is_ready) = oneshot::channel();
        let head = format!(
            "watching {}\n  shot log {}\n  socket   {}",
            setup.folder.display(),
            setup.log.display(),
            setup.socket.display()
        );
        tokio::spawn(async move {
            if is_ready.await.is_ok() {
                say(&head);
            }
        });
        let show = move |published: &crate::session::Published| {
            if let Some(text) = block(&published.record, paint) {
                say(&text);
            }
        };
        daemon::run(setup, show, Some(ready), stop).await.map_err(CommandError::from)
    });
    // A read that hangs on a dead share must not hold up the end.
    runtime.shutdown_timeout(std::time::Duration::from_millis(300));
    result.map(|()| Exit::Clean)
}

fn setup(args: Args) -> Result<Setup, CommandError> {
    let usual = Path::new(USUAL_CONFIG);
    let config_file = args.config.or_else(|| usual.is_file().then(|| usual.to_owned()));
    let (config, config_watch) = match &config_file {
        Some(file) => ConfigWatch::read(file)?,
        None => (Config::default(), ConfigWatch::default()),
    };
    let folder = args.folder.or_else(|| config.folder.clone()).ok_or_else(|| {
        CommandError::WrongUse(
            "which folder? name it (greyhold watch FOLDER), or as folder: in the configuration".to_owned(),
        )
    })?;
    if !folder.is_dir() {
        let what = if folder.exists() { "is no folder" } else { "does not exist" };
        return Err(CommandError::CannotRun(format!(
            "{} {what}: name the folder that the camera writes to",
            folder.display()
        )));
    }
    let log = args.log.or_else(|| config.log.clone()).unwrap_or_else(|| folder.join(USUAL_LOG));
    let socket = args.socket.or_else(|| config.socket.clone()).unwrap_or_else(|| socket::default_path(&folder));
    Ok(Setup { config, config_watch, folder, log, socket, meter_old: args.meter_old })
}

/// Resolves on the first request to end.
fn stop_signal() -> Result<impl Future<Output = ()>, CommandError> {
    #[cfg(unix)]
    let mut terminate = {
        use tokio::signal::unix::{SignalKind, signal};
        signal(SignalKind::terminate()).map_err(|e| CommandError::CannotRun(e.to_string()))?
    };
    Ok(async move {
        #[cfg(unix)]
        tokio::select! {
            _ = tokio::signal::ctrl_c() => {}
            _ = terminate.recv() => {}
        }
        #[cfg(not(unix))]
        let _ = tokio::signal::ctrl_c().await;
    })
}
