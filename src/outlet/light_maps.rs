//! The light of the last frames' parts, in a bounded file of its own beside the shot log: a line each, sealed as the log's
//! lines are, for this user alone.
//!
//! Nothing rests on it but that a file which lands after a restart is judged by each light, as it would have been before.
//! So whatever is damaged in it is passed over, it is never waited for, and a loss of it is told and harmless. Which of its
//! maps belong to the log is for the session.

use std::collections::VecDeque;
use std::fs::{File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crate::files::{open_own, replace_private};
use crate::session::{LIGHT_HEAD, LightOfFile};

/// The file is written anew before it holds more.
pub const MOST_MAPS: usize = 32;
pub const MOST_BYTES: usize = 2 << 20;
/// What it then begins with: at least those that a session takes back, and few enough that the next frames are only
/// appended.
const CARRIED_MAPS: usize = 16;
const CARRIED_BYTES: usize = MOST_BYTES / 2;
/// With an empty line between two, no single changed byte spoils both.
const END: &str = "\n\n";

/// The file of one log.
#[derive(Debug)]
pub struct LightMaps {
    path: PathBuf,
    /// The last maps' lines, oldest first: with these the file is written anew.
    lines: VecDeque<String>,
    /// What the file holds; `None` when it is to be written anew.
    holds: Option<Holds>,
    trouble: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Holds {
    bytes: usize,
    maps: usize,
}

impl LightMaps {
    /// The file of a log, and the maps that are in it, oldest first. Whatever is no map of ours is passed over.
    pub fn beside(log: &Path) -> (LightMaps, Vec<LightOfFile>) {
        let mut name = log.file_name().unwrap_or_default().to_owned();
        name.push(".light");
        let path = log.with_file_name(name);
        let mut file = LightMaps { path, lines: VecDeque::new(), holds: None, trouble: None };
        let found = match read(&file.path) {
            Ok(bytes) => file.take_up(&bytes),
            Err(why) => {
                file.trouble = Some(why.to_string());
                Vec::new()
            }
        };
        (file, found)
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Why nothing can be kept, while it can't.
    pub fn trouble(&self) -> Option<&str> {
        self.trouble.as_deref()
    }

    /// Keeps one more. What the disk doesn't take now is written with the next one, as far as it is of the last.
    pub fn keep(&mut self, light: &LightOfFile) {
        self.trouble = self.add(light).err().map(|e| e.to_string());
    }

    fn take_up(&mut self, bytes: &[u8]) -> Vec<LightOfFile> {
        let (mut found, mut sound) = (Vec::new(), 0);
        for line in bytes.split(|byte| *byte == b'\n') {
            let Ok(line) = std::str::from_utf8(line) else { continue };
            if let Some(light) = LightOfFile::from_line(line) {
                sound += line.len() + END.len();
                found.push(light);
                self.push(line.to_owned());
            }
        }
        // What is damaged or not ended is not appended to.
        let holds = Holds { bytes: sound, maps: found.len() };
        self.holds = (sound == bytes.len()).then_some(holds);
        found
    }

    fn push(&mut self, line: String) {
        self.lines.push_back(line);
        while self.lines.len() > CARRIED_MAPS || (self.lines.len() > 1 && self.bytes_of_lines() > CARRIED_BYTES) {
            self.lines.pop_front();
        }
    }

    fn bytes_of_lines(&self) -> usize {
        self.lines.iter().map(|line| line.len() + END.len()).sum()
    }

    fn add(&mut self, light: &LightOfFile) -> io::Result<()> {
        let line = light.to_line().map_err(io::Error::other)?;
        let entry = format!("{line}{END}");
        self.push(line);
        // Until it is written, nobody knows what the file holds.
        if let Some(before) = self.holds.take() {
            let after = Holds { bytes: before.bytes + entry.len(), maps: before.maps + 1 };
            let has_room = after.maps <= MOST_MAPS && after.bytes <= MOST_BYTES;
            if has_room && append(&self.path, before.bytes, &entry)? {
                self.holds = Some(after);
                return Ok(());
            }
        }
        self.write_anew()
    }

    fn write_anew(&mut self) -> io::Result<()> {
        // Somebody else's file may lie there by now.
        read(&self.path)?;
        let text: String = self.lines.iter().flat_map(|line| [line.as_str(), END]).collect();
        replace_private(&self.path, text.as_bytes())?;
        self.holds = Some(Holds { bytes: text.len(), maps: self.lines.len() });
        Ok(())
    }
}

/// Appends to a file that is as it was left; `false` when it isn't there or is another than that. It is not synced: it
/// may lose its end with the power, and what is lost then is judged as if it had never been kept.
fn append(path: &Path, expected: usize, entry: &str) -> io::Result<bool> {
    let mut file = match open_own(path, OpenOptions::new().write(true)) {
        Ok(file) => file,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(false),
        Err(e) => return Err(e),
    };
    let end = file.seek(SeekFrom::End(0))?;
    if usize::try_from(end) != Ok(expected) {
        return Ok(false);
    }
    if let Err(e) = file.write_all(entry.as_bytes()) {
        file.set_len(end)?;
        return Err(e);
    }
    Ok(true)
}

/// What the file holds, nothing where there is none. Another program's file is refused. No more is read than a file of
/// ours can have.
fn read(path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    match open_own(path, OpenOptions::new().read(true)) {
        Ok(file) => File::take(file, MOST_BYTES as u64 + 1).read_to_end(&mut bytes)?,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(bytes),
        Err(e) => return Err(e),
    };
    let is_ours = bytes.is_empty() || bytes.split(|byte| *byte == b'\n').any(begins_as_ours);
    if is_ours {
        return Ok(bytes);
    }
    let why = "another program's file lies there and is left as it is; once it is moved away, a new one is made";
    Err(io::Error::new(io::ErrorKind::AlreadyExists, why))
}

/// Whether a line begins as one of ours: damage to a single byte, or a torn end, makes it no other program's.
fn begins_as_ours(line: &[u8]) -> bool {
    let head = LIGHT_HEAD.as_bytes();
    if line.len() < head.len() {
        return !line.is_empty() && head.starts_with(line);
    }
    line.iter().zip(head).filter(|(found, ours)| found != ours).count() <= 1
}
