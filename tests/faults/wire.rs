//! A client of the socket that never waits for ever.

use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::time::{Duration, Instant};

use serde_json::Value;

pub struct Wire {
    pub stream: UnixStream,
    pending: Vec<u8>,
}

/// Why there is no message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Silence {
    /// Nothing came in time.
    TimeUp,
    /// The other side ended it.
    Closed,
}

impl Wire {
    /// Connects, and reads the greeting.
    pub fn connect(socket: &Path, within: Duration) -> Result<Wire, Silence> {
        let mut wire = Wire::raw(socket)?;
        match wire.next(within)? {
            hello if hello["kind"] == "hello" => Ok(wire),
            _ => Err(Silence::Closed),
        }
    }

    /// Connects, and reads nothing.
    pub fn raw(socket: &Path) -> Result<Wire, Silence> {
        let stream = UnixStream::connect(socket).map_err(|_| Silence::Closed)?;
        stream.set_read_timeout(Some(Duration::from_millis(20))).unwrap();
        stream.set_write_timeout(Some(Duration::from_secs(1))).unwrap();
        Ok(Wire { stream, pending: Vec::new() })
    }

    pub fn send(&mut self, command: &Value) -> Result<(), Silence> {
        self.stream.write_all(format!("{command}\n").as_bytes()).map_err(|_| Silence::Closed)
    }

    pub fn next(&mut self, within: Duration) -> Result<Value, Silence> {
        let began = Instant::now();
        let mut buffer = vec![0_u8; 64 << 10];
        loop {
            if let Some(end) = self.pending.iter().position(|byte| *byte == b'\n') {
                let line: Vec<u8> = self.pending.drain(..=end).collect();
                return serde_json::from_slice(&line).map_err(|_| Silence::Closed);
            }
            match self.stream.read(&mut buffer) {
                Ok(0) => return Err(Silence::Closed),
                Ok(n) => self.pending.extend_from_slice(&buffer[..n]),
                Err(e) if matches!(e.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) => {}
                Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
                Err(_) => return Err(Silence::Closed),
            }
            if began.elapsed() >= within {
                return Err(Silence::TimeUp);
            }
        }
    }

    /// Sends a command and gives its reply, passing over events.
    pub fn ask(&mut self, command: &Value, within: Duration) -> Result<Value, Silence> {
        let began = Instant::now();
        self.send(command)?;
        loop {
            let message = self.next(within.saturating_sub(began.elapsed()))?;
            match message["kind"].as_str() {
                Some("reply") => return Ok(message),
                Some("busy" | "goodbye") => return Err(Silence::Closed),
                _ => {}
            }
        }
    }
}
