//! Records that the log's disk did not take up to the end: kept in a file in the user's own folder, and written to the
//! log at the next start.

use std::collections::{BTreeMap, VecDeque};
use std::fmt;
use std::fs::OpenOptions;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::{LogReader, Opened};
use crate::files::{make_private_folder, open_own, replace_private, state_folder};
use crate::numbers::RecordNumber;
use crate::session::{Body, Record};

/// Records that are in no log at the end.
#[derive(Debug)]
pub struct Unwritten {
    log: PathBuf,
    why: String,
    /// How many of each kind.
    kinds: BTreeMap<&'static str, usize>,
    /// Where they are kept, or why they aren't.
    kept: Result<PathBuf, String>,
}

impl std::error::Error for Unwritten {}

impl fmt::Display for Unwritten {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let records: usize = self.kinds.values().sum();
        let kinds: Vec<String> = self.kinds.iter().map(|(kind, n)| format!("{kind}: {n}")).collect();
        let log = self.log.display();
        write!(
            f,
            "records that could not be written to the shot log {log} ({}): {records} ({}); ",
            self.why,
            kinds.join(", ")
        )?;
        match &self.kept {
            Ok(file) => write!(f, "they are kept in {}, and the next start writes them to the log", file.display()),
            Err(why) => write!(f, "they could not be kept elsewhere ({why}) and are lost"),
        }
    }
}

/// The records of an earlier end, on their way into the log.
pub(super) struct Rescue(PathBuf);

impl Rescue {
    /// What an earlier end kept for this log: taken into the state, and to be written, where it follows the log. The
    /// file stays where it keeps anything else.
    pub fn of(log: &Path, opened: &mut Opened) -> (Option<Rescue>, VecDeque<Arc<str>>) {
        let mut taken = Taken::default();
        let Some((file, text)) = read(log) else { return (None, taken.lines) };
        let Some(first) = text.lines().find_map(Record::sound_number_in) else { return (None, taken.lines) };
        let mut logged = LogReader::new(log, first);
        let mut left = 0;
        for (line, record) in text.lines().filter_map(|line| Record::from_line(line).ok().map(|r| (line, r))) {
            if record.n == opened.state.sitting.records.next() {
                opened.state.apply(&record);
                taken.add(record.n, line);
            } else if record.n > opened.state.sitting.records
                || !(taken.has(record.n, line) || is_next(&mut logged, line))
            {
                left += 1;
            }
        }
        let name = file.display();
        if left > 0 {
            opened.damage.push(format!(
                "{name} keeps records of this log's last end that no longer follow what is in the log ({left}): they \
                 are left there"
            ));
        }
        if !taken.lines.is_empty() {
            opened.damage.push(format!(
                "records that the last end could not write were kept in {name} and are taken up: {}",
                taken.lines.len()
            ));
        }
        // One that holds nothing new is done with, too.
        ((left == 0).then_some(Rescue(file)), taken.lines)
    }

    /// Done with: all of it is in the log now.
    pub fn done(self) {
        let _ = std::fs::remove_file(self.0);
    }
}

/// The lines that are taken up, one record after the other.
#[derive(Default)]
struct Taken {
    first: RecordNumber,
    lines: VecDeque<Arc<str>>,
}

impl Taken {
    fn add(&mut self, number: RecordNumber, line: &str) {
        if self.lines.is_empty() {
            self.first = number;
        }
        self.lines.push_back(Arc::from(line));
    }

    /// Whether this very line is among them: an end may have kept it twice.
    fn has(&self, number: RecordNumber, line: &str) -> bool {
        let place = usize::try_from(number.since(self.first)).ok().filter(|_| number >= self.first);
        place.and_then(|place| self.lines.get(place)).is_some_and(|taken| **taken == *line)
    }
}

fn read(log: &Path) -> Option<(PathBuf, String)> {
    let file = place_of(log)?;
    let mut text = String::new();
    open_own(&file, OpenOptions::new().read(true)).ok()?.read_to_string(&mut text).ok()?;
    Some((file, text))
}

/// Whether the log goes on with a line.
fn is_next(log: &mut LogReader, line: &str) -> bool {
    matches!(log.next_line(), Ok(Some((_, logged))) if logged == line)
}

/// Keeps lines for the next start. `earlier` is what an end before kept, if that was taken up: it is among these lines,
/// or in the log by now.
pub(super) fn keep(log: &Path, earlier: Option<&Rescue>, waiting: &VecDeque<Arc<str>>, why: String) -> Unwritten {
    let mut kinds = BTreeMap::new();
    for record in waiting.iter().filter_map(|line| Record::from_line(line).ok()) {
        *kinds.entry(kind_of(&record.body)).or_default() += 1;
    }
    let text: String = waiting.iter().flat_map(|line| [&**line, "\n"]).collect();
    let kept = match place_of(log) {
        Some(file) => write(&file, earlier, text.as_bytes()).map(|()| file).map_err(|e| e.to_string()),
        None => Err("this system knows no folder for it".to_owned()),
    };
    Unwritten { log: log.to_owned(), why, kinds, kept }
}

fn write(file: &Path, earlier: Option<&Rescue>, bytes: &[u8]) -> io::Result<()> {
    if let Some(folder) = file.parent() {
        make_private_folder(folder)?;
    }
    // What was not taken up from there is not lost over it.
    let mut all = if earlier.is_some() { Vec::new() } else { std::fs::read(file).unwrap_or_default() };
    all.extend_from_slice(bytes);
    replace_private(file, &all)
}

/// Where the records of a log are kept.
fn place_of(log: &Path) -> Option<PathBuf> {
    let tag = crc32fast::hash(log.as_os_str().as_encoded_bytes());
    Some(state_folder()?.join(format!("unwritten-{tag:08x}.jsonl")))
}

fn kind_of(body: &Body) -> &'static str {
    match body {
        Body::Frame(_) => "frames",
        Body::FileAdded { .. } => "further files of frames",
        Body::Judged(_) => "judgements",
        Body::ExistingFiles { .. } | Body::FileChanged { .. } | Body::FileRemoved { .. } => "files known",
        Body::Skipped { .. } => "files passed over",
        Body::Reference { .. } | Body::Look { .. } | Body::NewSitter => "references and looks",
        Body::Remetered { .. } | Body::Response { .. } => "readings and curves",
        Body::Correction { .. } | Body::Resolved { .. } => "corrections",
        Body::Power { .. } | Body::Undone { .. } => "powers",
        Body::Filter { .. } => "filters on the lens",
        Body::Survey { .. } => "steps of a survey",
        Body::Sitting { .. } => "sittings",
        Body::Sharpness(_) => "measured sharpness",
        Body::Note { .. } => "notes",
        Body::Warning { .. } => "warnings",
        Body::Config { .. } => "configurations",
        Body::Opened { .. } | Body::Closed => "starts and ends",
    }
}
