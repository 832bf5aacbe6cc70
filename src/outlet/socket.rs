//! The local socket: newline-delimited JSON, for any number of listeners up to a bound.
//!
//! A slow listener loses its place, never a frame: it is told how many events it missed, and can
//! ask from a record number on. Bad input gets an error reply and costs nothing else. Who may come in, and who
//! gives way, is for `seats`; where the socket lies is for `socket_place`.

use std::io;
use std::num::NonZeroU32;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use governor::clock::{Clock, DefaultClock};
use governor::{DefaultDirectRateLimiter, Quota, RateLimiter};
use interprocess::local_socket::tokio::{Listener, Stream, prelude::*};
use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::sync::{OwnedSemaphorePermit, broadcast, mpsc, oneshot};
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};

use super::seats::{Seat, Seats};
use super::shot_log::{LogReader, PORTION, portion};
pub use super::socket_place::{SocketFile, connect, listen, name_of};
use super::socket_words::{SocketRequest, busy, record_message, refusal, reply_message};
use crate::numbers::RecordNumber;
use crate::session::{Command, Published, Reply};

/// Version of the message format.
const PROTOCOL: u32 = 2;
/// No command is longer.
const LONGEST_COMMAND: u64 = 8 << 10;
/// A listener that takes nothing for this long is let go.
const WRITE_PATIENCE: Duration = Duration::from_secs(5);
/// Commands of one client in a second; more of them wait, and hold nobody else up.
const COMMANDS_A_SECOND: u32 = 50;
/// At the end clients get this long to hear of it.
const FAREWELL: Duration = Duration::from_millis(100);
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
        ask(&self.commands, command).await
    }

    fn downgrade(&self) -> Guest {
        Guest { events: self.events.downgrade(), commands: self.commands.clone(), log: self.log.clone() }
    }
}

/// Tells the sitting something, and waits for its answer.
pub async fn ask(commands: &mpsc::Sender<Ask>, command: Command) -> Reply {
    let (back, answer) = oneshot::channel();
    let gone = || Reply::refused("greyhold is ending");
    match commands.send((command, back)).await {
        Ok(()) => answer.await.unwrap_or_else(|_| gone()),
        Err(_) => gone(),
    }
}

/// What one client needs; it doesn't keep the sitting alive.
struct Guest {
    events: broadcast::WeakSender<Arc<Published>>,
    commands: mpsc::Sender<Ask>,
    log: PathBuf,
}

/// The socket while it is served.
#[derive(Debug)]
pub struct Serving {
    accepting: JoinHandle<()>,
    seats: Seats,
    _file: SocketFile,
}

impl Serving {
    /// Begins to serve clients.
    pub fn start(listener: Listener, file: SocketFile, hub: Hub) -> Serving {
        let seats = Seats::default();
        Serving { accepting: tokio::spawn(accept(listener, hub, seats.clone())), seats, _file: file }
    }

    /// Lets nobody in any more, takes the socket away, and lets those who are there hear that it ended.
    pub async fn end(self) {
        self.accepting.abort();
        let _ = timeout(FAREWELL, self.seats.all_left()).await;
    }
}

async fn accept(listener: Listener, hub: Hub, seats: Seats) {
    let mut pause = Duration::from_millis(10);
    loop {
        match listener.accept().await {
            Ok(stream) => {
                pause = Duration::from_millis(10);
                tokio::spawn(welcome(stream, hub.downgrade(), seats.clone()));
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

/// Serves a client, or says that there is no room. A client that goes away is no fault of anybody's.
async fn welcome(stream: Stream, hub: Guest, seats: Seats) {
    let _ = match seats.take().await {
        Some(seat) => Client::new(&stream, hub, seat).serve().await,
        None => send(&stream, &busy(&seats.in_words())).await,
    };
}

async fn send(mut stream: &Stream, line: &str) -> io::Result<()> {
    let message = format!("{line}\n");
    timeout(WRITE_PATIENCE, stream.write_all(message.as_bytes())).await.map_err(|_| io::ErrorKind::TimedOut)?
}

/// One connection.
struct Client<'s> {
    stream: &'s Stream,
    hub: Guest,
    seat: Seat,
    events: Option<broadcast::Receiver<Arc<Published>>>,
    /// Held while it listens.
    listening: Option<OwnedSemaphorePermit>,
    sent: Sent,
}

/// How far a listener was told.
#[derive(Default)]
struct Sent {
    /// The last record, once it is known which came first.
    last: Option<RecordNumber>,
    /// Events that were lost before the first record.
    missed: u64,
}

impl Sent {
    /// The message on the records before this one that the client was not told, if there are such.
    fn gap_before(&mut self, n: RecordNumber) -> Option<String> {
        let missed = self.last.map_or(self.missed, |last| n.since(last.next()));
        self.missed = 0;
        let from = n.back(missed);
        (missed > 0).then(|| json!({"kind": "gap", "missed": missed, "from": from}).to_string())
    }
}

impl<'s> Client<'s> {
    fn new(stream: &'s Stream, hub: Guest, seat: Seat) -> Client<'s> {
        Client { stream, hub, seat, events: None, listening: None, sent: Sent::default() }
    }

    async fn serve(mut self) -> io::Result<()> {
        let hello = json!({"kind": "hello", "protocol": PROTOCOL, "program": env!("CARGO_PKG_VERSION")});
        send(self.stream, &hello.to_string()).await?;
        let mut lines = BufReader::new(self.stream);
        let mut line = Vec::new();
        let mut turns = Turns::default();
        loop {
            tokio::select! {
                read = turns.read_command(&mut lines, &mut line) => match read? {
                    Line::End => return Ok(()),
                    Line::TooLong => {
                        let why = format!("a command has at most {LONGEST_COMMAND} bytes");
                        return send(self.stream, &refusal(&Value::Null, why)).await;
                    }
                    Line::Whole => {
                        self.seat.works();
                        self.answer(&line).await?;
                        self.seat.rests(self.events.is_none());
                        line.clear();
                        turns.is_mine = false;
                    }
                },
                event = next_event(&mut self.events) => match event {
                    Ok(event) => self.tell(&event).await?,
                    // The next record's number says how many.
                    Err(broadcast::error::RecvError::Lagged(missed)) => self.sent.missed += missed,
                    Err(broadcast::error::RecvError::Closed) => {
                        return send(self.stream, &json!({"kind": "goodbye"}).to_string()).await;
                    }
                },
                () = self.seat.wanted() => {
                    let why = "greyhold is busy: this connection asked nothing for a while and gives way to another";
                    return send(self.stream, &busy(why)).await;
                }
            }
        }
    }

    async fn tell(&mut self, event: &Published) -> io::Result<()> {
        let n = event.record.n;
        if self.sent.last.is_some_and(|last| n <= last) {
            return Ok(());
        }
        if let Some(gap) = self.sent.gap_before(n) {
            send(self.stream, &gap).await?;
        }
        self.sent.last = Some(n);
        send(self.stream, &record_message(&event.line, event.logged)).await
    }

    async fn answer(&mut self, line: &[u8]) -> io::Result<()> {
        if line.iter().all(u8::is_ascii_whitespace) {
            return Ok(());
        }
        let mut value: Value = match serde_json::from_slice(line) {
            Ok(value) => value,
            Err(e) => {
                let why = format!("a command is one line of JSON, and this is none (at character {})", e.column());
                return send(self.stream, &refusal(&Value::Null, why)).await;
            }
        };
        let id = value.as_object_mut().and_then(|o| o.remove("id")).filter(|id| id.is_string() || id.is_number());
        let id = id.unwrap_or(Value::Null);
        let reply = match SocketRequest::of(value) {
            Ok(SocketRequest::Listen(since)) => return self.listen(&id, since).await,
            Ok(SocketRequest::Since(n)) => self.since(n).await?,
            Ok(SocketRequest::Engine(command)) => ask(&self.hub.commands, command).await,
            Err(why) => Reply::refused(why),
        };
        send(self.stream, &reply_message(&id, &reply)).await
    }

    /// Listening is between the socket and its client.
    async fn listen(&mut self, id: &Value, since: Option<RecordNumber>) -> io::Result<()> {
        let refused = match since {
            Some(since) => self.unexplained(since).await,
            None => None,
        };
        if let Some(why) = refused {
            return send(self.stream, &refusal(id, why)).await;
        }
        if self.listening.is_none() {
            self.listening = self.seat.listening();
        }
        if self.listening.is_none() {
            return send(self.stream, &busy(&self.seat.no_room())).await;
        }
        let Some(events) = self.hub.events.upgrade().map(|events| events.subscribe()) else {
            return send(self.stream, &refusal(id, "greyhold is ending".to_owned())).await;
        };
        (self.events, self.sent) = (Some(events), Sent::default());
        send(self.stream, &reply_message(id, &Reply::done("listening"))).await?;
        if let Some(since) = since {
            self.sent.last = Some(since.back(1));
            self.sent.last = Some(self.tell_since(since).await?);
        }
        Ok(())
    }

    /// The records from `n` on, once.
    async fn since(&mut self, n: RecordNumber) -> io::Result<Reply> {
        if let Some(why) = self.unexplained(n).await {
            return Ok(Reply::refused(why));
        }
        let last = self.tell_since(n).await?;
        Ok(Reply::with("that is all so far", json!({"next": last.next()})))
    }

    /// Why a number is none to begin with: it is far from being written.
    async fn unexplained(&self, n: RecordNumber) -> Option<String> {
        let status = ask(&self.hub.commands, Command::Status {}).await;
        let last = status.value.get("records").and_then(Value::as_u64).map(RecordNumber::new)?;
        (n > last.next()).then(|| format!("there is no record {n} yet: the last one is {last}"))
    }

    /// Sends the records from `n` on out of the log; the number of the last one.
    async fn tell_since(&self, n: RecordNumber) -> io::Result<RecordNumber> {
        let mut sent = Sent { last: Some(n.back(1)), missed: 0 };
        let mut log = LogReader::new(&self.hub.log, n);
        loop {
            let lines = portion(&mut log).await?;
            for (n, line) in &lines {
                if let Some(gap) = sent.gap_before(*n) {
                    send(self.stream, &gap).await?;
                }
                sent.last = Some(*n);
                send(self.stream, &record_message(line, true)).await?;
            }
            if lines.len() < PORTION {
                return Ok(sent.last.unwrap_or_default());
            }
        }
    }
}

/// When a client may say its next command.
struct Turns {
    limit: DefaultDirectRateLimiter,
    /// Its turn has come, and it has not spoken yet.
    is_mine: bool,
}

impl Default for Turns {
    fn default() -> Turns {
        let quota = Quota::per_second(NonZeroU32::new(COMMANDS_A_SECOND).unwrap_or(NonZeroU32::MIN));
        Turns { limit: RateLimiter::direct(quota), is_mine: false }
    }
}

impl Turns {
    /// Reads on to the end of a line as soon as it is this client's turn; what was read before a cancellation stays
    /// in `line`.
    async fn read_command(&mut self, lines: &mut BufReader<&Stream>, line: &mut Vec<u8>) -> io::Result<Line> {
        while !self.is_mine {
            match self.limit.check() {
                Ok(()) => self.is_mine = true,
                Err(until) => sleep(until.wait_time_from(DefaultClock::default().now())).await,
            }
        }
        read_line(lines, line).await
    }
}

enum Line {
    Whole,
    TooLong,
    End,
}

async fn read_line(lines: &mut BufReader<&Stream>, line: &mut Vec<u8>) -> io::Result<Line> {
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
