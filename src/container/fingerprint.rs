//! Checksums of a picture's own bytes: a changed caption leaves them, another picture does not.

use std::fmt;
use std::io::{self, Cursor, Read, SeekFrom};
use std::str::FromStr;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use xxhash_rust::xxh3::{Xxh3, xxh3_64};

use super::{Fault, Layout, Piece, Source};

/// How a picture was told from others when it was taken up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fingerprint {
    /// Over every byte of the picture's own data, wherever they lie in the file, and how many they are.
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
    pub fn of_bytes(bytes: &[u8], layout: &Layout) -> Result<Fingerprints, Fault> {
        Fingerprints::of(&mut Cursor::new(bytes), layout, Extent::Whole)
    }

    /// Of an examined file, read here.
    pub fn of(file: &mut dyn Source, layout: &Layout, extent: Extent) -> Result<Fingerprints, Fault> {
        let told = layout.picture.iter().map(|piece| piece.length).sum::<u64>();
        // Where nothing tells which bytes are the picture's, all of them are: else such files would look alike.
        let all = [Piece { at: 0, length: file.length()? }];
        let (picture, length) = if told > 0 { (&layout.picture[..], told) } else { (&all[..], all[0].length) };
        let mut samples = Xxh3::new();
        samples.update(&length.to_le_bytes());
        for from in sample_places(length) {
            samples.update(&sample(file, picture, from)?);
        }
        let head = crc32fast::hash(&read_at(file, layout.payload, HEAD)?);
        let whole = match extent {
            Extent::Samples => None,
            Extent::Whole => Some(sized(digest(file, picture)?, length)),
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

/// Over all pieces of a picture, as if they followed each other.
fn digest(mut file: &mut dyn Source, picture: &[Piece]) -> Result<u64, Fault> {
    let mut whole = Xxh3::new();
    let mut chunk = vec![0; CHUNK];
    for piece in picture {
        file.seek(SeekFrom::Start(piece.at))?;
        let mut left = piece.length;
        while left > 0 {
            let most = left.min(CHUNK as u64);
            match (&mut file).take(most).read(&mut chunk)? {
                0 => return Err(Fault::Incomplete("it changed while it was read")),
                n => {
                    whole.update(&chunk[..n]);
                    left -= n as u64;
                }
            }
        }
    }
    Ok(whole.digest())
}

/// A sample from a place on, counted over all pieces.
fn sample(file: &mut dyn Source, picture: &[Piece], from: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut begins = 0;
    for piece in picture {
        let ends = begins + piece.length;
        let wanted = from + bytes.len() as u64;
        if wanted < ends && (bytes.len() as u64) < SAMPLE {
            let most = (SAMPLE - bytes.len() as u64).min(ends - wanted);
            let read = read_at(file, piece.at + (wanted - begins), most)?;
            if read.is_empty() {
                break;
            }
            bytes.extend(read);
        }
        begins = ends;
    }
    Ok(bytes)
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

    fn layout(pieces: &[(u64, u64)]) -> Layout {
        let picture = pieces.iter().map(|(at, length)| Piece { at: *at, length: *length }).collect();
        Layout { payload: pieces[0].0, picture, ..Layout::default() }
    }

    #[test]
    fn samples_are_the_same_with_and_without_the_whole() {
        for length in [0_usize, 5, 70_000, 3_000_000] {
            let bytes: Vec<u8> = (0..length + 10).map(|n| (n * 31 % 251) as u8).collect();
            let layout = layout(&[(10, length as u64)]);
            let read = Fingerprints::of_bytes(&bytes, &layout).unwrap();
            let sampled = Fingerprints::of(&mut Cursor::new(&bytes), &layout, Extent::Samples).unwrap();
            assert_eq!((sampled.sampled, sampled.whole, sampled.head), (read.sampled, None, read.head));
        }
    }

    #[test]
    fn one_byte_anywhere_is_another_picture() {
        let mut bytes = vec![255_u8; 200_000];
        let layout = layout(&[(0, 200_000)]);
        let before = Fingerprints::of_bytes(&bytes, &layout).unwrap();
        bytes[150_001] = 0;
        assert!(!Fingerprints::of_bytes(&bytes, &layout).unwrap().are_of(before.best()));
    }

    #[test]
    fn pieces_count_as_if_they_followed_each_other() {
        let bytes: Vec<u8> = (0..300_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
        let scattered = Fingerprints::of_bytes(&bytes, &layout(&[(200_000, 90_000), (1_000, 70_001)])).unwrap();
        let joined = [&bytes[200_000..290_000], &bytes[1_000..71_001]].concat();
        let whole = Fingerprints::of_bytes(&joined, &layout(&[(0, joined.len() as u64)])).unwrap();
        assert_eq!((scattered.whole, scattered.sampled), (whole.whole, whole.sampled));
    }

    #[test]
    fn a_piece_behind_the_end_is_a_file_that_changed() {
        assert!(Fingerprints::of_bytes(&[1; 100], &layout(&[(50, 51)])).is_err());
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
