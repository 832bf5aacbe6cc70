//! Checksums of a picture's own bytes: a changed caption leaves them, another picture does not.

use std::fmt;
use std::io::{self, Read, SeekFrom};
use std::str::FromStr;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use xxhash_rust::xxh3::{Xxh3, xxh3_64};

use super::{Fault, Layout, Source};

/// How a picture was told from others when it was taken up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fingerprint {
    /// Over every byte of the picture, and how many they are.
    Whole(u64),
    /// Over samples of it, and how many bytes it has: of photographs that were there before the first start,
    /// which nobody wants to wait for.
    Sampled(u64),
    /// Over its first 64 KiB, as logs up to format 4 have it.
    Head(u32),
}

/// Every checksum of one picture that was worked out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fingerprints {
    pub whole: Option<u64>,
    pub sampled: u64,
    pub head: u32,
}

/// How much of a picture is read for its checksums.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Extent {
    Whole,
    Samples,
}

/// Bytes that format 4 and older took a picture by.
const HEAD: u64 = 64 << 10;
/// Samples of a picture and their size. Eight of them reach into every part of a frame.
const SAMPLES: u64 = 8;
const SAMPLE: u64 = 32 << 10;
const CHUNK: usize = 1 << 20;

impl Fingerprints {
    /// Of the picture in `bytes`, a whole file that was read.
    pub fn of_bytes(bytes: &[u8], layout: &Layout) -> Fingerprints {
        let picture = bytes.get(layout.payload as usize..).unwrap_or_default();
        let mut samples = Xxh3::new();
        samples.update(&(picture.len() as u64).to_le_bytes());
        for from in sample_places(picture.len() as u64) {
            let from = from as usize;
            samples.update(&picture[from..picture.len().min(from + SAMPLE as usize)]);
        }
        let head = crc32fast::hash(&picture[..picture.len().min(HEAD as usize)]);
        Fingerprints { whole: Some(sized(xxh3_64(picture), picture.len() as u64)), sampled: samples.digest(), head }
    }

    /// Of an examined file, read here.
    pub fn of(file: &mut dyn Source, layout: &Layout, extent: Extent) -> Result<Fingerprints, Fault> {
        let length = file.length()?.saturating_sub(layout.payload);
        let mut samples = Xxh3::new();
        samples.update(&length.to_le_bytes());
        for from in sample_places(length) {
            samples.update(&read_at(file, layout.payload + from, SAMPLE)?);
        }
        let head = crc32fast::hash(&read_at(file, layout.payload, HEAD)?);
        let whole = match extent {
            Extent::Samples => None,
            Extent::Whole => {
                let mut whole = Xxh3::new();
                let mut chunk = vec![0; CHUNK];
                let mut read = 0;
                file.seek(SeekFrom::Start(layout.payload))?;
                loop {
                    match file.read(&mut chunk)? {
                        0 => break,
                        n => {
                            whole.update(&chunk[..n]);
                            read += n as u64;
                        }
                    }
                }
                if read != length {
                    return Err(Fault::Incomplete("it changed while it was read"));
                }
                Some(sized(whole.digest(), length))
            }
        };
        Ok(Fingerprints { whole, sampled: samples.digest(), head })
    }

    /// The best of them, for the log.
    pub fn best(&self) -> Fingerprint {
        self.whole.map_or(Fingerprint::Sampled(self.sampled), Fingerprint::Whole)
    }

    /// Whether a picture that was taken up by `known` is this one, as far as that can tell.
    pub fn are_of(&self, known: Fingerprint) -> bool {
        match known {
            Fingerprint::Whole(whole) => self.whole == Some(whole),
            Fingerprint::Sampled(sampled) => self.sampled == sampled,
            Fingerprint::Head(head) => self.head == head,
        }
    }
}

/// The length is part of the checksum.
fn sized(digest: u64, length: u64) -> u64 {
    xxh3_64(&[digest.to_le_bytes(), length.to_le_bytes()].concat())
}

/// Where the samples of a picture begin.
fn sample_places(length: u64) -> impl Iterator<Item = u64> {
    let last = length.saturating_sub(SAMPLE);
    (0..SAMPLES).map(move |n| last * n / (SAMPLES - 1))
}

fn read_at(mut file: &mut dyn Source, at: u64, most: u64) -> io::Result<Vec<u8>> {
    file.seek(SeekFrom::Start(at))?;
    let mut bytes = Vec::new();
    (&mut file).take(most).read_to_end(&mut bytes)?;
    Ok(bytes)
}

impl fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Fingerprint::Whole(whole) => write!(f, "whole-{whole:016x}"),
            Fingerprint::Sampled(sampled) => write!(f, "sampled-{sampled:016x}"),
            Fingerprint::Head(head) => write!(f, "head-{head:08x}"),
        }
    }
}

impl FromStr for Fingerprint {
    type Err = String;

    fn from_str(text: &str) -> Result<Fingerprint, String> {
        let parsed = text.split_once('-').and_then(|(kind, digits)| match kind {
            "whole" => u64::from_str_radix(digits, 16).ok().map(Fingerprint::Whole),
            "sampled" => u64::from_str_radix(digits, 16).ok().map(Fingerprint::Sampled),
            "head" => u32::from_str_radix(digits, 16).ok().map(Fingerprint::Head),
            _ => None,
        });
        parsed.ok_or_else(|| format!("'{text}' is no fingerprint of a picture"))
    }
}

impl Serialize for Fingerprint {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            // As formats 1 to 4 wrote it.
            Fingerprint::Head(head) => serializer.serialize_u32(*head),
            _ => serializer.collect_str(self),
        }
    }
}

impl<'de> Deserialize<'de> for Fingerprint {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Fingerprint, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged)]
        enum Written {
            Head(u32),
            Text(String),
        }
        match Written::deserialize(deserializer)? {
            Written::Head(head) => Ok(Fingerprint::Head(head)),
            Written::Text(text) => text.parse().map_err(D::Error::custom),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    #[test]
    fn bytes_in_memory_and_a_file_have_the_same_checksums() {
        for length in [0_usize, 5, 70_000, 3_000_000] {
            let bytes: Vec<u8> = (0..length + 10).map(|n| (n * 31 % 251) as u8).collect();
            let layout = Layout { payload: 10, ..Layout::default() };
            let read = Fingerprints::of(&mut Cursor::new(&bytes), &layout, Extent::Whole).unwrap();
            assert_eq!(read, Fingerprints::of_bytes(&bytes, &layout));
            let sampled = Fingerprints::of(&mut Cursor::new(&bytes), &layout, Extent::Samples).unwrap();
            assert_eq!((sampled.sampled, sampled.whole), (read.sampled, None));
        }
    }

    #[test]
    fn one_byte_anywhere_is_another_picture() {
        let mut bytes = vec![255_u8; 200_000];
        let layout = Layout::default();
        let before = Fingerprints::of_bytes(&bytes, &layout);
        bytes[150_001] = 0;
        assert!(!Fingerprints::of_bytes(&bytes, &layout).are_of(before.best()));
    }

    #[test]
    fn what_is_written_is_read_back_and_old_logs_hold_a_number() {
        for print in [Fingerprint::Whole(7), Fingerprint::Sampled(u64::MAX), Fingerprint::Head(5)] {
            let line = serde_json::to_string(&print).unwrap();
            assert_eq!(serde_json::from_str::<Fingerprint>(&line).unwrap(), print, "{line}");
        }
        assert_eq!(serde_json::from_str::<Fingerprint>("4007").unwrap(), Fingerprint::Head(4007));
    }
}
