//! The local socket: newline-delimited JSON, for any number of listeners up to a bound.
//!
//! A slow listener loses its place, never a frame: it is told how many events it missed, and can
//! ask from a record number on. Bad input gets an error reply and costs nothing else.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use interprocess::local_socket::tokio::{Listener, Stream, prelude::*};
use interprocess::local_socket::{ListenerOptions, Name};
use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::sync::{Semaphore, broadcast, mpsc, oneshot};
use tokio::time::timeout;

use super::shot_log::{LogReader, PORTION, portion};
use crate::session::{Command, Published, Reply};

/// Version of the message format.
const PROTOCOL: u32 = 1;
/// Listeners at one time; more are told to come back.
const MOST_CLIENTS: usize = 64;
/// No command is longer.
const LONGEST_COMMAND: u64 = 8 << 10;
/// A listener that takes nothing for this long is let go.
const WRITE_PATIENCE: Duration = Duration::from_secs(5);
/// Events that a slow listener may lag behind before it loses its place.
pub const EVENTS_KEPT: usize = 1024;

/// A command on its way to the engine, and the way back for its answer.
pub type Ask = (Command, oneshot::Sender<Reply>);

/// What a client task needs.
#[derive(Clone)]
pub struct Hub {
    pub events: broadcast::Sender<Arc<Published>>,
    pub commands: mpsc::Sender<Ask>,
    pub log: PathBuf,
}

impl Hub {
    /// Asks the engine, and waits for its answer.
    pub async fn ask(&self, command: Command) -> Reply {
        let (back, answer) = oneshot::channel();
        let gone = || Reply::refused("greyhold is ending");
        match self.commands.send((command, back)).await {
            Ok(()) => answer.await.unwrap_or_else(|_| gone()),
            Err(_) => gone(),
        }
    }
}

/// The socket that belongs to a capture folder when the configuration names none.
pub fn default_path(folder: &Path) -> PathBuf {
    let folder = folder.canonicalize().unwrap_or_else(|_| folder.to_owned());
    let tag = crc32fast::hash(folder.as_os_str().as_encoded_bytes());
    private_folder().join(format!("greyhold-{tag:08x}.sock"))
}

/// A folder for this user's sockets alone.
fn private_folder() -> PathBuf {
    if let Some(runtime) = std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from).filter(|p| p.is_dir()) {
        return runtime;
    }
    let user = std::env::var("USER").or_else(|_| std::env::var("USERNAME")).unwrap_or_else(|_| "user".to_owned());
    std::env::temp_dir().join(format!("greyhold-{user}"))
}

/// Sockets of this user's running daemons, for commands that name none.
pub fn running() -> Vec<PathBuf> {
    let entries = std::fs::read_dir(private_folder()).into_iter().flatten().flatten();
    let mut found: Vec<PathBuf> = entries
        .map(|e| e.path())
        .filter(|p| {
            let name = p.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
            name.starts_with("greyhold-") && name.ends_with(".sock")
        })
        .collect();
    found.sort();
    found
}

#[cfg(unix)]
pub fn name_of(path: &Path) -> io::Result<Name<'_>> {
    use interprocess::local_socket::{GenericFilePath, ToFsName};
    path.to_fs_name::<GenericFilePath>()
}

#[cfg(not(unix))]
pub fn name_of(path: &Path) -> io::Result<Name<'_>> {
    use interprocess::local_socket::{GenericNamespaced, ToNsName};
    path.file_name().unwrap_or(path.as_os_str()).to_ns_name::<GenericNamespaced>()
}

/// Opens the socket for its owner alone. A dead daemon's socket is replaced, a live one's never.
pub async fn listen(path: &Path) -> io::Result<Listener> {
    if let Some(folder) = path.parent() {
        make_private(folder)?;
    }
    if path.exists() {
        if Stream::connect(name_of(path)?).await.is_ok() {
            return Err(io::Error::new(io::ErrorKind::AddrInUse, "another greyhold answers there"));
        }
        std::fs::remove_file(path)?;
    }
    let options = || Ok::<_, io::Error>(ListenerOptions::new().name(name_of(path)?));
    match owner_only(options()?).create_tokio() {
        // Systems without it rely on the folder's own mode.
        Err(e) if e.kind() == io::ErrorKind::Unsupported => options()?.create_tokio(),
        other => other,
    }
}

#[cfg(unix)]
fn owner_only(options: ListenerOptions<'_>) -> ListenerOptions<'_> {
    use interprocess::os::unix::local_socket::ListenerOptionsExt;
    options.mode(0o600)
}

#[cfg(not(unix))]
fn owner_only(options: ListenerOptions<'_>) -> ListenerOptions<'_> {
    options
}

fn make_private(folder: &Path) -> io::Result<()> {
    if folder.as_os_str().is_empty() || folder.exists() {
        return Ok(());
    }
    let mut builder = std::fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)
}

/// Serves clients until the listener fails or the task is dropped.
pub async fn serve(listener: Listener, hub: Hub) {
    let seats = Arc::new(Semaphore::new(MOST_CLIENTS));
    let mut pause = Duration::from_millis(10);
    loop {
        match listener.accept().await {
            Ok(stream) => {
                pause = Duration::from_millis(10);
                let hub = hub.clone();
                match Arc::clone(&seats).try_acquire_owned() {
                    Ok(seat) => {
                        tokio::spawn(async move {
                            let _seat = seat;
                            // A client that goes away is no fault of anybody's.
                            let _ = client(stream, hub).await;
                        });
                    }
                    Err(_) => {
                        tokio::spawn(async move {
                            let busy = json!({"kind": "busy", "says": format!("{MOST_CLIENTS} listeners are connected already")});
                            let _ = send(&stream, &busy.to_string()).await;
                        });
                    }
                }
            }
            // Out of file handles, most likely: wait for some to come back.
            Err(e) => {
                tracing::warn!("the socket can't take a client: {e}");
                tokio::time::sleep(pause).await;
                pause = (pause * 2).min(Duration::from_secs(1));
            }
        }
    }
}

async fn send(mut stream: &Stream, line: &str) -> io::Result<()> {
    let message = format!("{line}\n");
    timeout(WRITE_PATIENCE, stream.write_all(message.as_bytes())).await.map_err(|_| io::ErrorKind::TimedOut)?
}

async fn client(stream: Stream, hub: Hub) -> io::Result<()> {
    send(&stream, &json!({"kind": "hello", "protocol": PROTOCOL, "program": env!("CARGO_PKG_VERSION")}).to_string())
        .await?;
    let mut lines = BufReader::new(&stream);
    let mut events: Option<broadcast::Receiver<Arc<Published>>> = None;
    let mut told = Told::default();
    let mut line = Vec::new();
    loop {
        tokio::select! {
            read = read_command(&mut lines, &mut line) => {
                match read? {
                    Line::End => return Ok(()),
                    Line::TooLong => {
                        send(&stream, &refusal(&Value::Null, format!("a command has at most {LONGEST_COMMAND} bytes"))).await?;
                        return Ok(());
                    }
                    Line::Whole => {
                        answer(&stream, &hub, &line, &mut events, &mut told).await?;
                        line.clear();
                    }
                }
            }
            event = next_event(&mut events) => match event {
                Ok(event) => {
                    if let Some(gap) = told.gap_before(event.record.n) {
                        send(&stream, &gap).await?;
                    }
                    if told.is_new(event.record.n) {
                        send(&stream, &record_message(&event.line, event.logged)).await?;
                    }
                }
                // The next event shows which they were.
                Err(broadcast::error::RecvError::Lagged(missed)) => told.missed += missed,
                Err(broadcast::error::RecvError::Closed) => {
                    return send(&stream, &json!({"kind": "goodbye"}).to_string()).await;
                }
            },
        }
    }
}

/// How far a client was told what happened.
#[derive(Default)]
struct Told {
    /// The last record, once there was one.
    last: Option<u64>,
    /// Events that went by unheard before the first one.
    missed: u64,
}

impl Told {
    /// The message on the records before this one that the client was not told, if there are such.
    fn gap_before(&mut self, n: u64) -> Option<String> {
        let missed = std::mem::take(&mut self.missed);
        let last = self.last.unwrap_or(n.saturating_sub(missed + 1));
        (n > last + 1).then(|| json!({"kind": "gap", "missed": n - last - 1, "from": last + 1}).to_string())
    }

    /// Whether this record is one that the client was not told; now it is.
    fn is_new(&mut self, n: u64) -> bool {
        let new = self.last.is_none_or(|last| n > last);
        self.last = self.last.max(Some(n));
        new
    }
}

enum Line {
    Whole,
    TooLong,
    End,
}

/// Reads on to the end of a line; what was read before a cancellation stays in `line`.
async fn read_command(lines: &mut BufReader<&Stream>, line: &mut Vec<u8>) -> io::Result<Line> {
    let room = (LONGEST_COMMAND + 1).saturating_sub(line.len() as u64);
    let read = lines.take(room).read_until(b'\n', line).await?;
    Ok(match line.last() {
        Some(b'\n') => Line::Whole,
        _ if line.len() as u64 > LONGEST_COMMAND => Line::TooLong,
        _ if read == 0 => Line::End,
        // A last line without its end still counts.
        _ => Line::Whole,
    })
}

async fn next_event(
    events: &mut Option<broadcast::Receiver<Arc<Published>>>,
) -> Result<Arc<Published>, broadcast::error::RecvError> {
    match events {
        Some(events) => events.recv().await,
        None => std::future::pending().await,
    }
}

async fn answer(
    stream: &Stream,
    hub: &Hub,
    line: &[u8],
    events: &mut Option<broadcast::Receiver<Arc<Published>>>,
    told: &mut Told,
) -> io::Result<()> {
    if line.iter().all(u8::is_ascii_whitespace) {
        return Ok(());
    }
    let mut value: Value = match serde_json::from_slice(line) {
        Ok(value) => value,
        Err(e) => return send(stream, &refusal(&Value::Null, format!("a command is one line of JSON: {e}"))).await,
    };
    let id = value.as_object_mut().and_then(|o| o.remove("id")).filter(|id| id.is_string() || id.is_number());
    let id = id.unwrap_or(Value::Null);
    // Listening is between the socket and its client; everything else is asked of the engine.
    if value.get("command").and_then(Value::as_str) == Some("listen") {
        *events = Some(hub.events.subscribe());
        send(stream, &reply(&id, &Reply::done("listening"))).await?;
        if let Some(since) = value.get("since").and_then(Value::as_u64) {
            *told = Told { last: Some(since.saturating_sub(1)), missed: 0 };
            tell_since(stream, hub, told).await?;
        }
        return Ok(());
    }
    let command: Command = match serde_json::from_value(value) {
        Ok(command) => command,
        Err(e) => return send(stream, &refusal(&id, format!("this command is not known: {e}"))).await,
    };
    if let Command::Since { n } = command {
        let mut told = Told { last: Some(n.saturating_sub(1)), missed: 0 };
        tell_since(stream, hub, &mut told).await?;
        let value = json!({"next": told.last.unwrap_or_default() + 1});
        return send(stream, &reply(&id, &Reply::with("that is all so far", value))).await;
    }
    send(stream, &reply(&id, &hub.ask(command).await)).await
}

/// Sends the records that follow those already told, out of the log.
async fn tell_since(stream: &Stream, hub: &Hub, told: &mut Told) -> io::Result<()> {
    let mut log = LogReader::new(&hub.log, told.last.unwrap_or_default() + 1);
    loop {
        let lines = portion(&mut log).await?;
        for (n, line) in &lines {
            if let Some(gap) = told.gap_before(*n) {
                send(stream, &gap).await?;
            }
            told.is_new(*n);
            send(stream, &record_message(line, true)).await?;
        }
        if lines.len() < PORTION {
            return Ok(());
        }
    }
}

/// The record is embedded as it stands in the log, checksum included.
fn record_message(line: &str, logged: bool) -> String {
    format!("{{\"kind\":\"record\",\"logged\":{logged},\"record\":{line}}}")
}

fn reply(id: &Value, reply: &Reply) -> String {
    json!({"kind": "reply", "id": id, "ok": reply.ok, "says": reply.says, "value": reply.value}).to_string()
}

fn refusal(id: &Value, says: String) -> String {
    reply(id, &Reply::refused(says))
}
