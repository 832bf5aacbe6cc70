//! A conversation with a running greyhold, in which no wait is without an end.

use std::io::{self, BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::Duration;

use serde_json::{Value, json};

use super::exit::CommandError;
use crate::outlet::socket_place::connect;

/// A greyhold that lives answers a question about itself within a second, however busy it is; one that is silent for
/// this long hangs.
pub const PATIENCE: Duration = Duration::from_secs(8);
/// Who only wants to know which one it is doesn't wait longer.
const MOMENT: Duration = Duration::from_secs(1);
/// Lines that were heard and not looked at yet.
const LINES_WAITING: usize = 64;

/// One command that was said, and what comes back.
pub struct Talk {
    socket: PathBuf,
    lines: Receiver<io::Result<String>>,
}

/// A line of the answer.
pub struct Heard {
    pub line: String,
    pub message: Value,
}

impl Talk {
    /// Says a command; its answer is heard with [`Talk::next`].
    pub fn say(socket: &Path, command: &Value) -> Result<Talk, CommandError> {
        let stream = connect(socket).map_err(|e| not_there(socket, &e))?;
        // One that is busy says so and hangs up, perhaps before it read this: then its word is still to be heard.
        let said = (&stream).write_all(format!("{command}\n").as_bytes());
        let (hear, lines) = sync_channel(LINES_WAITING);
        // A read can't be given a deadline on every system; waiting for this thread can.
        std::thread::spawn(move || {
            let said = said.err().map(Err);
            BufReader::new(&stream).lines().chain(said).all(|line| hear.send(line).is_ok())
        });
        Ok(Talk { socket: socket.to_owned(), lines })
    }

    /// The next line; `None` when none came for this long. That it ended, or is busy, is an error that says so.
    pub fn next(&self, patience: Duration) -> Result<Option<Heard>, CommandError> {
        let line = match self.lines.recv_timeout(patience) {
            Ok(Ok(line)) => line,
            Ok(Err(e)) => return Err(not_there(&self.socket, &e)),
            Err(RecvTimeoutError::Timeout) => return Ok(None),
            Err(RecvTimeoutError::Disconnected) => {
                return Err(CommandError::NotRunning("greyhold has ended".to_owned()));
            }
        };
        let message: Value = serde_json::from_str(&line).unwrap_or_default();
        if message["kind"] == "busy" {
            return Err(CommandError::NotRunning(message["message"].as_str().unwrap_or_default().to_owned()));
        }
        Ok(Some(Heard { line, message }))
    }
}

/// Whether a greyhold that is silent still lives: it is asked how things stand.
pub fn is_alive(socket: &Path) -> bool {
    let Ok(talk) = Talk::say(socket, &json!({"command": "status"})) else {
        return false;
    };
    while let Ok(Some(heard)) = talk.next(PATIENCE) {
        if heard.message["kind"] == "reply" {
            return true;
        }
    }
    false
}

/// The capture folder that a greyhold watches, if it answers within a moment.
pub fn folder_of(socket: &Path) -> Option<String> {
    let talk = Talk::say(socket, &json!({"command": "status", "id": 1})).ok()?;
    while let Ok(Some(heard)) = talk.next(MOMENT) {
        if heard.message["kind"] == "reply" {
            return heard.message["value"]["folder"]["path"].as_str().map(str::to_owned);
        }
    }
    None
}

/// What is said of one that hangs.
pub fn hangs(socket: &Path) -> CommandError {
    CommandError::NotRunning(format!(
        "the greyhold at {} has not answered for {} seconds: it is stopped or hangs; end it and start it again, no frame \
         is lost by that",
        socket.display(),
        PATIENCE.as_secs()
    ))
}

fn not_there(socket: &Path, e: &io::Error) -> CommandError {
    let at = socket.display();
    CommandError::NotRunning(match e.kind() {
        // The system lets no more than so many wait at the door.
        io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut => return hangs(socket),
        io::ErrorKind::PermissionDenied => format!("no greyhold of yours answers at {at} ({e})"),
        _ => format!("no greyhold answers at {at} ({e}); start one with 'greyhold watch FOLDER'"),
    })
}
