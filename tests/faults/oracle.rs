//! Reads the shot log by its published form alone, and holds it against the pictures that really lay in the folder.
//!
//! It shares no code with the program's own reader: a line is JSON with a number and, at its end, a CRC-32 of all before.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use greyhold::config::Curves;
use greyhold::response::Response;
use serde_json::Value;

use crate::pictures::{Picture, VARIANTS, number_at};
use crate::sitting::Sitting;

/// Stops by which a reading may differ from the calm one of the same exposure, and one of its cells: the pose and the
/// noise differ from frame to frame.
const LEVEL_MAY_DIFFER: f64 = 0.2;
const CELL_MAY_DIFFER: f64 = 1.2;

/// Parts of records that hold readings and curves.
const BULKY: [&str; 5] = ["observation", "verdict", "metered", "observed", "curve"];

const CHECKSUM: &str = ",\"crc\":\"";

/// A frame as it was logged.
#[derive(Debug, Clone)]
pub struct Frame {
    pub n: u64,
    pub file: String,
    /// The picture that it is, by its capture time.
    pub number: Option<u64>,
    pub reading: Option<Reading>,
}

/// In stops, whatever curve the sitting has taught: the file's codes by one and the same.
#[derive(Debug, Clone)]
pub struct Reading {
    level: f64,
    cells: Vec<f64>,
}

/// A shot log as it lies on the disk.
#[derive(Debug, Default)]
pub struct Log {
    pub frames: Vec<Frame>,
    /// Every sound record, in the order of numbers, without its readings: a long log must fit into memory.
    pub records: BTreeMap<u64, Value>,
    /// Lines that are no sound record, with where they lie.
    pub damaged: Vec<String>,
    pub gaps: Vec<String>,
    pub bytes: u64,
    pub segments: usize,
}

pub fn segments(log: &Path) -> Vec<PathBuf> {
    let name = |n: u32| if n == 1 { log.to_owned() } else { log.with_extension(format!("{n}.jsonl")) };
    // The first may be missing when its folder was taken away.
    let mut found: Vec<PathBuf> = (1..).map(name).take_while(|p| p.exists()).collect();
    if found.is_empty() {
        found = (2..).map(name).take_while(|p| p.exists()).collect();
    }
    found
}

impl Log {
    pub fn read(log: &Path) -> Log {
        let mut read = Log::default();
        for (i, segment) in segments(log).iter().enumerate() {
            let bytes = fs::read(segment).unwrap_or_default();
            read.bytes += bytes.len() as u64;
            read.segments += 1;
            // The last piece is a line only with its end.
            let mut lines: Vec<&[u8]> = bytes.split(|byte| *byte == b'\n').collect();
            let torn = lines.pop().unwrap_or_default();
            if !torn.is_empty() {
                read.damaged.push(format!("{}: {} bytes behind the last line", segment.display(), torn.len()));
            }
            for (k, line) in lines.iter().enumerate() {
                let at = format!("{}, line {}", segment.display(), k + 1);
                let text = line.strip_suffix(b"\r").unwrap_or(line);
                match sound(text) {
                    // A further file begins with the state that the ones before it come to, in parts.
                    Some(value) if is_carried(&value) => read.carried(&value, &at, i > 0 && k == 0),
                    Some(value) => read.take(value, &at),
                    None => read.damaged.push(at),
                }
            }
        }
        for (before, after) in read.records.keys().zip(read.records.keys().skip(1)) {
            if after - before != 1 {
                read.gaps.push(format!("no record between {before} and {after}"));
            }
        }
        read
    }

    /// Its parts stand in order at the head of a file, and it holds no record that is not in the files before.
    fn carried(&mut self, value: &Value, at: &str, is_head: bool) {
        let (part, last) = (value["part"].as_u64().unwrap_or(0), self.records.keys().next_back().copied());
        let holds = value["carried"].as_u64();
        let in_order = if is_head { part == 1 } else { part > 1 };
        // The first files may have been taken away.
        if !in_order || (last.is_some() && holds > last) {
            self.gaps.push(format!("{at}: a state up to {holds:?}, part {part}, after record {last:?}"));
        }
    }

    fn take(&mut self, value: Value, at: &str) {
        let Some(n) = value["n"].as_u64() else {
            self.damaged.push(format!("{at}: a record without a number"));
            return;
        };
        match self.records.get(&n) {
            None => {}
            Some(same) if same["crc"] == value["crc"] => return,
            Some(_) => {
                self.gaps.push(format!("{at}: record {n} was there already, and said something else"));
                return;
            }
        }
        if value["type"] == "frame" {
            self.frames.push(frame(n, &value));
        }
        let mut value = value;
        if let Some(fields) = value.as_object_mut() {
            fields.retain(|name, _| !BULKY.contains(&name.as_str()));
        }
        self.records.insert(n, value);
    }

    pub fn of_type<'a>(&'a self, kind: &'a str) -> impl Iterator<Item = &'a Value> {
        self.records.values().filter(move |r| r["type"] == kind)
    }

    pub fn notes(&self, text: &str) -> usize {
        self.of_type("note").filter(|n| n["text"] == text).count()
    }

    pub fn has(&self, picture: &Picture) -> bool {
        self.frames.iter().any(|f| f.number == Some(picture.number))
    }

    /// Pictures of these that have no frame.
    pub fn lost(&self, whole: &[Picture]) -> Vec<Picture> {
        let logged: std::collections::HashSet<u64> = self.frames.iter().filter_map(|f| f.number).collect();
        whole.iter().filter(|p| !logged.contains(&p.number)).copied().collect()
    }

    /// What is wrong about these frames: twice, of nothing that lay there, or read from what was not whole.
    pub fn faults(&self, whole: &[Picture], truths: Option<&Truths>) -> Faults {
        let mut faults = Faults::default();
        let known: std::collections::HashSet<u64> = whole.iter().map(|p| p.number).collect();
        let mut seen: BTreeMap<u64, &str> = BTreeMap::new();
        for frame in &self.frames {
            let Some(number) = frame.number.filter(|n| known.contains(n)) else {
                faults.strangers.push(frame.file.clone());
                continue;
            };
            if let Some(first) = seen.insert(number, &frame.file) {
                faults.twice.push(format!("{} and {first} are one picture", frame.file));
            }
            if let Some(why) = truths.and_then(|t| t.contradict(number, frame)) {
                faults.not_whole.push(format!("{} (record {}): {why}", frame.file, frame.n));
            }
        }
        faults
    }
}

#[derive(Debug, Default)]
pub struct Faults {
    pub twice: Vec<String>,
    /// Frames of no picture of the test's.
    pub strangers: Vec<String>,
    pub not_whole: Vec<String>,
}

fn is_carried(value: &Value) -> bool {
    value["n"].is_null() && value["carried"].is_u64()
}

/// A line whose checksum is right.
fn sound(line: &[u8]) -> Option<Value> {
    let line = std::str::from_utf8(line).ok()?;
    let (body, sum) = line.rsplit_once(CHECKSUM)?;
    let sum = u32::from_str_radix(sum.strip_suffix("\"}")?, 16).ok()?;
    (sum == crc32fast::hash(body.as_bytes())).then(|| serde_json::from_str(line).ok())?
}

/// A line with a checksum of its own, for records that are made up.
pub fn seal(body: &str) -> String {
    format!("{body}{CHECKSUM}{:08x}\"}}", crc32fast::hash(body.as_bytes()))
}

fn frame(n: u64, value: &Value) -> Frame {
    let subject = &value["observation"];
    let number = subject["settings"]["captured"]["local"].as_str().and_then(number_at);
    let metered = &subject["metered"];
    let by = if metered["scale"] == "linear" { Response::raw() } else { Curves::stock_only().stock().clone() };
    let light = |code: f64| by.light(code).0;
    let reading = metered["readings"][0]["level"].as_f64().map(|level| Reading {
        level: light(level),
        cells: metered["cells"]
            .as_array()
            .map(|cells| cells.iter().filter_map(Value::as_f64).map(light).collect())
            .unwrap_or_default(),
    });
    Frame { n, file: value["file"].as_str().unwrap_or_default().to_owned(), number, reading }
}

/// What a calm sitting read from whole files of each exposure, as picture and as raw file.
pub struct Truths {
    by_exposure: BTreeMap<(u64, bool), Reading>,
}

fn is_raw(file: &str) -> bool {
    file.ends_with(".dng")
}

impl Truths {
    pub fn get() -> &'static Truths {
        static TRUTHS: OnceLock<Truths> = OnceLock::new();
        TRUTHS.get_or_init(|| {
            let mut sitting = Sitting::new("calm");
            sitting.start();
            let pictures = (0..VARIANTS).map(Picture::jpeg).chain((VARIANTS..2 * VARIANTS).map(Picture::raw));
            for picture in pictures {
                sitting.put(picture);
                sitting.wait_for_all();
            }
            let by_exposure = sitting
                .log()
                .frames
                .into_iter()
                .filter_map(|f| Some(((f.number? % VARIANTS, is_raw(&f.file)), f.reading?)))
                .collect();
            let truths = Truths { by_exposure };
            assert_eq!(truths.by_exposure.len() as u64, 2 * VARIANTS, "a calm sitting reads every exposure");
            sitting.done_without_truths();
            truths
        })
    }

    fn contradict(&self, number: u64, frame: &Frame) -> Option<String> {
        let truth = &self.by_exposure[&(number % VARIANTS, is_raw(&frame.file))];
        let Some(reading) = &frame.reading else { return Some("it has no reading".to_owned()) };
        let off = reading.level - truth.level;
        if off.abs() > LEVEL_MAY_DIFFER {
            return Some(format!("reads {off:+.2} stop from the whole picture"));
        }
        let cells = reading.cells.iter().zip(&truth.cells).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        (cells > CELL_MAY_DIFFER).then(|| format!("a part of it reads {cells:.2} stop from the whole picture"))
    }
}
