//! TIFF and the raw files built like it: a walk over the directories within a budget.
//!
//! The budget is the guard for the metadata parser, too: overlapping directories make it multiply
//! 65 KB into millions of fields.

use std::collections::VecDeque;
use std::io::{Read, Seek, SeekFrom};

use super::{Fault, Layout};

/// Directories in one file; cameras write fewer than ten.
const MOST_DIRECTORIES: usize = 32;
/// Entries over all directories.
const MOST_ENTRIES: usize = 4096;
/// Strips or tiles over all directories.
const MOST_PIECES: usize = 65_536;
/// Where the metadata of most camera files lies.
const HEAD: u64 = 256 << 10;
/// A file with its directories elsewhere is read whole up to this size.
const WHOLE: u64 = 32 << 20;

const STRIP_OFFSETS: u16 = 273;
const STRIP_COUNTS: u16 = 279;
const TILE_OFFSETS: u16 = 324;
const TILE_COUNTS: u16 = 325;
const PREVIEW_OFFSET: u16 = 513;
const PREVIEW_LENGTH: u16 = 514;
/// Sub-directories: SubIFDs, Exif, GPS, interoperability.
const DOWN: [u16; 4] = [0x014A, 0x8769, 0x8825, 0xA005];

/// Whole when every directory and every piece of picture lies inside the file.
pub fn examine(file: &mut (impl Read + Seek), length: u64) -> Result<Layout, Fault> {
    let mut walk = Walk::open(file, length)?;
    walk.run()?;
    let picture_at = walk.first_piece.unwrap_or(0);
    if walk.reached > length {
        return Err(Fault::Incomplete("part of its picture is missing"));
    }
    let wanted = if walk.furthest_directory < HEAD || length > WHOLE { HEAD } else { WHOLE };
    Ok(Layout { exif: Some(head(file, wanted)?), payload: picture_at, ..Layout::default() })
}

/// The metadata, even of a file that is cut behind them.
pub fn camera_block(file: &mut (impl Read + Seek)) -> Option<Layout> {
    Some(Layout { exif: Some(head(file, HEAD).ok()?), ..Layout::default() })
}

fn head(file: &mut (impl Read + Seek), wanted: u64) -> Result<Vec<u8>, Fault> {
    // The parser knows only TIFF's own magic number; some raw files differ there and nowhere else.
    file.seek(SeekFrom::Start(0))?;
    let mut exif = Vec::new();
    file.by_ref().take(wanted).read_to_end(&mut exif)?;
    match exif.get_mut(..4) {
        Some([b'I', b'I', magic, zero]) => (*magic, *zero) = (42, 0),
        Some([b'M', b'M', zero, magic]) => (*zero, *magic) = (0, 42),
        _ => {}
    }
    Ok(exif)
}

/// Whether an Exif block (TIFF form) stays within the budget: the guard in front of the parser.
/// A block that ends too early is within it; the parser keeps the good fields of such.
pub fn within_budget(block: &[u8]) -> bool {
    let mut cursor = std::io::Cursor::new(block);
    match Walk::open(&mut cursor, block.len() as u64).and_then(|mut walk| walk.run()) {
        Ok(()) | Err(Fault::Incomplete(_)) => true,
        Err(_) => false,
    }
}

struct Walk<'a, F> {
    file: &'a mut F,
    length: u64,
    little: bool,
    waiting: VecDeque<u64>,
    /// Byte ranges of the directories seen.
    seen: Vec<(u64, u64)>,
    entries: usize,
    reached: u64,
    furthest_directory: u64,
    first_piece: Option<u64>,
}

#[derive(Default)]
struct Pieces {
    offsets: Vec<u64>,
    counts: Vec<u64>,
}

impl<'a, F: Read + Seek> Walk<'a, F> {
    fn open(file: &'a mut F, length: u64) -> Result<Self, Fault> {
        let mut head = [0_u8; 8];
        file.seek(SeekFrom::Start(0))?;
        file.read_exact(&mut head).map_err(|_| Fault::Incomplete("it has no beginning yet"))?;
        let little = match &head[..2] {
            b"II" => true,
            b"MM" => false,
            _ => return Err(Fault::Foreign("it does not begin as a TIFF")),
        };
        let mut walk = Walk {
            file,
            length,
            little,
            waiting: VecDeque::new(),
            seen: Vec::new(),
            entries: 0,
            reached: 0,
            furthest_directory: 0,
            first_piece: None,
        };
        let first = walk.number(&head[4..8]);
        walk.waiting.push_back(first);
        Ok(walk)
    }

    fn run(&mut self) -> Result<(), Fault> {
        while let Some(at) = self.waiting.pop_front() {
            self.directory(at)?;
        }
        Ok(())
    }

    fn directory(&mut self, at: u64) -> Result<(), Fault> {
        let count_bytes = self.read(at, 2)?;
        let count = self.number(&count_bytes);
        let end = at + 2 + count * 12 + 4;
        self.entries += count as usize;
        let overlaps = self.seen.iter().any(|(from, to)| at < *to && *from < end);
        if overlaps || self.seen.len() >= MOST_DIRECTORIES || self.entries > MOST_ENTRIES {
            return Err(Fault::Tangled);
        }
        self.seen.push((at, end));
        self.furthest_directory = self.furthest_directory.max(end);
        let table = self.read(at + 2, count * 12)?;
        let mut pieces = Pieces::default();
        let mut previews = Pieces::default();
        for entry in table.chunks_exact(12) {
            self.entry(entry, &mut pieces, &mut previews)?;
        }
        self.account(&pieces);
        self.account(&previews);
        let next = self.read(at + 2 + count * 12, 4)?;
        let next = self.number(&next);
        if next != 0 {
            self.waiting.push_back(next);
        }
        Ok(())
    }

    fn entry(&mut self, entry: &[u8], pieces: &mut Pieces, previews: &mut Pieces) -> Result<(), Fault> {
        let tag = self.number(&entry[..2]) as u16;
        match tag {
            STRIP_OFFSETS | TILE_OFFSETS => pieces.offsets = self.values(entry)?,
            STRIP_COUNTS | TILE_COUNTS => pieces.counts = self.values(entry)?,
            PREVIEW_OFFSET => previews.offsets = self.values(entry)?,
            PREVIEW_LENGTH => previews.counts = self.values(entry)?,
            _ if DOWN.contains(&tag) => {
                let down = self.values(entry)?;
                self.waiting.extend(down.into_iter().filter(|at| *at != 0));
            }
            _ => {}
        }
        Ok(())
    }

    fn account(&mut self, pieces: &Pieces) {
        for (offset, count) in pieces.offsets.iter().zip(&pieces.counts) {
            self.reached = self.reached.max(offset.saturating_add(*count));
            self.first_piece.get_or_insert(*offset);
        }
    }

    /// The whole numbers of an entry; empty for other types.
    fn values(&mut self, entry: &[u8]) -> Result<Vec<u64>, Fault> {
        let width = match self.number(&entry[2..4]) {
            3 => 2,
            4 | 13 => 4,
            _ => return Ok(Vec::new()),
        };
        let count = self.number(&entry[4..8]) as usize;
        if count > MOST_PIECES {
            return Err(Fault::Tangled);
        }
        let bytes = count * width;
        let data = if bytes <= 4 {
            entry[8..8 + bytes].to_vec()
        } else {
            let at = self.number(&entry[8..12]);
            self.read(at, bytes as u64)?
        };
        Ok(data.chunks_exact(width).map(|piece| self.number(piece)).collect())
    }

    fn read(&mut self, at: u64, count: u64) -> Result<Vec<u8>, Fault> {
        if at.saturating_add(count) > self.length {
            return Err(Fault::Incomplete("a directory lies behind its end"));
        }
        let mut bytes = vec![0; count as usize];
        self.file.seek(SeekFrom::Start(at))?;
        self.file.read_exact(&mut bytes)?;
        Ok(bytes)
    }

    fn number(&self, bytes: &[u8]) -> u64 {
        let fold = |acc: u64, byte: &u8| acc << 8 | u64::from(*byte);
        if self.little { bytes.iter().rev().fold(0, fold) } else { bytes.iter().fold(0, fold) }
    }
}
