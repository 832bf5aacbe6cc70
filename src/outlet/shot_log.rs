//! The shot log: JSON Lines, append-only, synced before anything is announced.
//!
//! A torn tail is cut before anything is appended, and kept beside the log. After a failed sync
//! nothing that was written is trusted: the lines go into a new segment (`….2.jsonl`), and reading
//! takes the segments in order, each record once.

use std::collections::VecDeque;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use thiserror::Error;

use super::storage::{Open, Storage, on_disk};
use crate::intake::FileState;
use crate::session::{Ledger, LineFault, Record, State};

/// Lines kept in memory while the disk doesn't take them.
pub const MOST_WAITING: usize = 10_000;
/// No record is longer; a longer line is damage.
const LONGEST_LINE: u64 = 16 << 20;

#[derive(Debug, Error)]
pub enum LogError {
    #[error("another greyhold (process {process}) writes to {log}: stop it first, or give this one its own log")]
    InUse { log: String, process: String },
    #[error("{log}, line {line}, was written by a newer greyhold: {fault}")]
    Newer { log: String, line: usize, fault: LineFault },
    #[error("the shot log {log} can't be read: {cause}")]
    Unreadable { log: String, cause: io::Error },
}

/// What opening a log found.
#[derive(Debug, Default)]
pub struct Opened {
    pub state: State,
    /// What was wrong, a sentence each.
    pub damage: Vec<String>,
}

pub struct ShotLog {
    path: PathBuf,
    open: Open,
    active: Option<Active>,
    segment: u32,
    waiting: VecDeque<String>,
    /// Why the disk takes nothing, while it doesn't.
    trouble: Option<String>,
    _lock: Option<File>,
}

struct Active {
    storage: Box<dyn Storage>,
    path: PathBuf,
    /// Everything before this is whole and synced.
    good: u64,
}

/// The `n`-th file of a log; the first is the log itself.
fn segment_path(log: &Path, n: u32) -> PathBuf {
    if n <= 1 { log.to_owned() } else { log.with_extension(format!("{n}.jsonl")) }
}

/// The existing files of a log, in order.
pub fn segments(log: &Path) -> Vec<PathBuf> {
    (1..).map(|n| segment_path(log, n)).take_while(|p| p.exists()).collect()
}

impl ShotLog {
    /// Opens a log for writing: locks it, replays it, cuts a torn tail. A folder that can't be
    /// written to is no error: lines then wait in memory.
    pub fn open(path: &Path) -> Result<(ShotLog, Opened), LogError> {
        ShotLog::open_with(path, on_disk())
    }

    pub fn open_with(path: &Path, open: Open) -> Result<(ShotLog, Opened), LogError> {
        let lock = lock(path)?;
        let mut opened = Opened::default();
        let files = segments(path);
        for (i, file) in files.iter().enumerate() {
            let tail = replay(file, &mut opened)?;
            if i + 1 == files.len() {
                cut_tail(file, tail, &mut opened);
            }
        }
        let segment = files.len().max(1) as u32;
        let mut log = ShotLog {
            path: path.to_owned(),
            open,
            active: None,
            segment,
            waiting: VecDeque::new(),
            trouble: None,
            _lock: lock,
        };
        log.activate();
        Ok((log, opened))
    }

    fn activate(&mut self) {
        // A file that came back with half a line at its end is left as it is.
        while !ends_with_a_line(&segment_path(&self.path, self.segment)) {
            self.segment += 1;
        }
        let path = segment_path(&self.path, self.segment);
        let opened = (self.open)(&path).and_then(|storage| storage.state().map(|state| (storage, state.size)));
        match opened {
            Ok((storage, good)) => self.active = Some(Active { storage, path, good }),
            Err(e) => self.trouble = Some(e.to_string()),
        }
    }

    /// Why the disk takes nothing, while it doesn't.
    pub fn trouble(&self) -> Option<&str> {
        self.trouble.as_deref()
    }

    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Whether memory holds all the lines it may: then nothing new should be taken up.
    pub fn is_full(&self) -> bool {
        self.waiting.len() >= MOST_WAITING
    }

    /// Tries to write what waits. `true` when nothing waits any more.
    pub fn retry(&mut self) -> bool {
        if self.waiting.is_empty() && self.trouble.is_none() {
            return true;
        }
        if self.active.is_none() {
            self.activate();
        }
        self.write_waiting()
    }

    fn write_waiting(&mut self) -> bool {
        let Some(active) = self.active.as_mut() else {
            return self.waiting.is_empty();
        };
        // Somebody cut, replaced or removed the file: what follows goes into a file of its own.
        if active.was_tampered_with() {
            self.next_segment();
            return self.retry_once();
        }
        let mut bytes = Vec::new();
        for line in &self.waiting {
            bytes.extend_from_slice(line.as_bytes());
            bytes.push(b'\n');
        }
        if let Err(e) = active.storage.write(&bytes) {
            self.trouble = Some(e.to_string());
            // Half a line must not stay: the next one would be lost behind it.
            if active.storage.cut(active.good).is_err() {
                self.next_segment();
            }
            return false;
        }
        if let Err(e) = active.storage.sync() {
            self.trouble = Some(e.to_string());
            self.next_segment();
            return false;
        }
        active.good += bytes.len() as u64;
        self.waiting.clear();
        self.trouble = None;
        true
    }

    fn retry_once(&mut self) -> bool {
        self.activate();
        match self.active.as_mut() {
            Some(active) if !active.was_tampered_with() => self.write_waiting(),
            _ => false,
        }
    }

    fn next_segment(&mut self) {
        self.active = None;
        let mut next = self.segment + 1;
        while segment_path(&self.path, next).exists() {
            next += 1;
        }
        // A removed log begins anew under its own name.
        self.segment = if segment_path(&self.path, 1).exists() { next } else { 1 };
    }
}

impl Active {
    fn was_tampered_with(&self) -> bool {
        let (here, there) = (self.storage.state().ok(), FileState::at(&self.path));
        match (here, there) {
            (Some(here), Some(there)) => here.inode != there.inode || here.size != self.good,
            _ => true,
        }
    }
}

impl Ledger for ShotLog {
    fn append(&mut self, lines: Vec<String>) -> bool {
        self.waiting.extend(lines);
        self.retry()
    }
}

/// Whether lines can be appended to a file; one that isn't there is fine.
fn ends_with_a_line(path: &Path) -> bool {
    let last_byte = || -> io::Result<u8> {
        let mut file = File::open(path)?;
        let mut last = [b'\n'];
        if file.seek(SeekFrom::End(0))? > 0 {
            file.seek(SeekFrom::End(-1))?;
            file.read_exact(&mut last)?;
        }
        Ok(last[0])
    };
    last_byte().map_or(true, |byte| byte == b'\n')
}

/// Holds the log for this process alone. A folder that takes no lock file is not locked.
fn lock(log: &Path) -> Result<Option<File>, LogError> {
    let path = log.with_extension("lock");
    let opened = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path);
    let Ok(mut file) = opened else {
        return Ok(None);
    };
    match file.try_lock() {
        Ok(()) => {
            let _ = file.set_len(0);
            let _ = write!(file, "{}", std::process::id());
            Ok(Some(file))
        }
        Err(TryLockError::WouldBlock) => {
            let mut process = String::new();
            let _ = file.read_to_string(&mut process);
            let process = if process.is_empty() { "unknown".to_owned() } else { process };
            Err(LogError::InUse { log: log.display().to_string(), process })
        }
        Err(TryLockError::Error(_)) => Ok(None),
    }
}

/// Applies a file's records; gives the place behind the last good line.
fn replay(file: &Path, opened: &mut Opened) -> Result<u64, LogError> {
    let name = file.display().to_string();
    let unreadable = |cause| LogError::Unreadable { log: name.clone(), cause };
    let mut good = 0;
    let mut at = 0;
    let mut bad: Vec<usize> = Vec::new();
    for (number, line) in lines_of(file).map_err(unreadable)?.enumerate() {
        let line = line.map_err(unreadable)?;
        at += line.len() as u64;
        match decode(&line) {
            Ok(record) => {
                if record.n == opened.state.records + 1 {
                    opened.state.apply(&record);
                } else if record.n > opened.state.records {
                    opened.damage.push(format!(
                        "{name}, line {}: records {} to {} are missing",
                        number + 1,
                        opened.state.records + 1,
                        record.n - 1
                    ));
                    opened.state.apply(&record);
                }
                // A record that is known already was written again behind a failed sync.
                for line in bad.drain(..) {
                    opened.damage.push(format!("{name}, line {line}, is damaged and was passed over"));
                }
                good = at;
            }
            Err(fault @ LineFault::Newer(_)) => return Err(LogError::Newer { log: name, line: number + 1, fault }),
            Err(_) => bad.push(number + 1),
        }
    }
    Ok(good)
}

fn decode(line: &[u8]) -> Result<Record, LineFault> {
    let whole = line.strip_suffix(b"\n").ok_or(LineFault::NoChecksum)?;
    let text = std::str::from_utf8(whole).map_err(|_| LineFault::NoText)?;
    Record::from_line(text)
}

/// The lines of a file with their ends, as bytes.
fn lines_of(file: &Path) -> io::Result<impl Iterator<Item = io::Result<Vec<u8>>>> {
    let mut reader = BufReader::new(File::open(file)?);
    Ok(std::iter::from_fn(move || {
        let mut line = Vec::new();
        match reader.by_ref().take(LONGEST_LINE).read_until(b'\n', &mut line) {
            Ok(0) => None,
            Ok(_) => Some(Ok(line)),
            Err(e) => Some(Err(e)),
        }
    }))
}

/// Cuts what stands behind the last good line, and keeps it beside the log.
fn cut_tail(file: &Path, good: u64, opened: &mut Opened) {
    let kept = || -> io::Result<Option<PathBuf>> {
        let mut log = OpenOptions::new().read(true).write(true).open(file)?;
        if log.metadata()?.len() == good {
            return Ok(None);
        }
        let mut tail = Vec::new();
        log.seek(SeekFrom::Start(good))?;
        log.read_to_end(&mut tail)?;
        let beside = file.with_extension(format!("torn-{}", jiff::Timestamp::now().as_millisecond()));
        std::fs::write(&beside, &tail)?;
        log.set_len(good)?;
        log.sync_all()?;
        Ok(Some(beside))
    };
    match kept() {
        Ok(None) => {}
        Ok(Some(beside)) => opened.damage.push(format!(
            "the end of {} was torn and is cut off; what stood there is kept in {}",
            file.display(),
            beside.display()
        )),
        Err(e) => opened.damage.push(format!("the torn end of {} could not be cut: {e}", file.display())),
    }
}

/// Records that are read out of a log at one time, so that memory stays flat.
pub const PORTION: usize = 256;

/// The lines of the next records from number `from` on, at most [`PORTION`]; fewer when that is all.
pub async fn portion(log: &Path, from: u64) -> io::Result<Vec<(u64, String)>> {
    let log = log.to_owned();
    let read = tokio::task::spawn_blocking(move || {
        let mut lines: Vec<(u64, String)> = Vec::new();
        read_since(&log, from, |n, line| {
            lines.push((n, line.to_owned()));
            lines.len() < PORTION
        })
        .map(|()| lines)
    });
    read.await.map_err(io::Error::other)?
}

/// Reads a log without changing it: the lines of all good records from number `n` on, each once.
pub fn read_since(log: &Path, n: u64, mut each: impl FnMut(u64, &str) -> bool) -> io::Result<()> {
    let mut next = n.max(1);
    for file in segments(log) {
        for line in lines_of(&file)? {
            let line = line?;
            // A long log is not decoded for its last lines.
            if Record::number_in(&line).is_some_and(|n| n < next) {
                continue;
            }
            let Ok(record) = decode(&line) else { continue };
            if record.n < next {
                continue;
            }
            next = record.n + 1;
            let text = String::from_utf8_lossy(&line);
            if !each(record.n, text.trim_end()) {
                return Ok(());
            }
        }
    }
    Ok(())
}
