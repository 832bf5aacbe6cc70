//! A client of the socket, in which no wait is without an end.

use std::io::{BufRead, BufReader, ErrorKind, Write};
use std::path::Path;
use std::time::{Duration, Instant};

use interprocess::local_socket::{Stream, prelude::*};
use serde_json::Value;

use super::SEARCH;

/// The longest silence. A `wait` may have a burst of frames before it, on a machine with other work.
const SILENCE: Duration = Duration::from_secs(90);

pub struct Client {
    reader: BufReader<Stream>,
    silence: Duration,
}

impl Client {
    pub fn connect(socket: &Path) -> Client {
        let mut client = Client::ungreeted(socket);
        assert_eq!(client.expect("the greeting")["kind"], "hello");
        client
    }

    /// One that has heard nothing yet.
    pub fn ungreeted(socket: &Path) -> Client {
        Client::with_patience(socket, SILENCE)
    }

    /// The same; it waits no longer than this for each message.
    pub fn with_patience(socket: &Path, silence: Duration) -> Client {
        let name = greyhold::outlet::socket::name_of(socket).unwrap();
        let stream = Stream::connect(name).unwrap();
        stream.set_recv_timeout(Some(silence)).unwrap();
        stream.set_send_timeout(Some(silence)).unwrap();
        Client { reader: BufReader::new(stream), silence }
    }

    pub fn send(&mut self, bytes: &[u8]) {
        self.reader.get_mut().write_all(bytes).unwrap();
    }

    /// The next line as it is; `None` where the socket was closed. Silence is a failure that tells what was waited for.
    pub fn line(&mut self, awaited: &str) -> Option<String> {
        let mut line = String::new();
        match self.reader.read_line(&mut line) {
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {
                panic!("waited in vain for {awaited}: silence for {:?}", self.silence);
            }
            Ok(0) | Err(_) => None,
            Ok(_) => Some(line),
        }
    }

    /// The next message, or `None` where the socket was closed.
    pub fn try_next(&mut self) -> Option<Value> {
        self.line("the next message").map(|line| serde_json::from_str(&line).unwrap())
    }

    pub fn next(&mut self) -> Value {
        self.expect("the next message")
    }

    fn expect(&mut self, awaited: &str) -> Value {
        let line = self.line(awaited).unwrap_or_else(|| panic!("waited in vain for {awaited}: the socket closed"));
        serde_json::from_str(&line).unwrap()
    }

    /// The first message of which something is found.
    fn find<T>(&mut self, awaited: &str, mut sought: impl FnMut(Value) -> Option<T>) -> T {
        let began = Instant::now();
        loop {
            let message = self.expect(awaited);
            if let Some(found) = sought(message) {
                return found;
            }
            assert!(began.elapsed() < SEARCH, "waited in vain for {awaited}, among many other messages");
        }
    }

    /// Sends a command and gives its reply, passing over events.
    pub fn ask(&mut self, command: Value) -> Value {
        self.send(format!("{command}\n").as_bytes());
        self.find(&format!("the reply to {command}"), |message| (message["kind"] == "reply").then_some(message))
    }

    /// The next record of a kind.
    pub fn next_record(&mut self, kind: &str) -> Value {
        self.find(&format!("a record of the kind '{kind}'"), |message| {
            (message["kind"] == "record" && message["record"]["type"] == kind).then(|| message["record"].clone())
        })
    }
}
