//! TIFF and the raw files built like it: a walk over the directories within a budget, before any decoder sees them.
//!
//! A decoder follows every directory and keeps every value that an entry claims; overlapping ones make it multiply a
//! few kilobytes into gigabytes. What is walked here, and in `maker_notes`, is what the raw library walks.

use std::collections::VecDeque;
use std::io::{Read, Seek};

use super::directories::{Window, heading, number, width};
use super::exif_block;
use super::maker_notes;
use super::{Fault, Layout, Piece};

/// Directories in one file; cameras write fewer than ten.
const MOST_DIRECTORIES: usize = 32;
/// Places of directories that wait to be looked at.
const MOST_WAITING: usize = 64;
/// Entries over all directories.
const MOST_ENTRIES: usize = 4096;
/// Strips or tiles over all directories.
const MOST_PIECES: usize = 65_536;
/// Bytes that the values of all entries may have together: the raw library keeps them all in memory.
const MOST_CLAIMED: u64 = 256 << 20;
/// The largest colour profile that is read.
pub const MOST_PROFILE: u64 = 4 << 20;

const STRIP_OFFSETS: u16 = 273;
const STRIP_COUNTS: u16 = 279;
/// Where one maker's raw files tell the place of their samples; their strip's offset is then all ones.
const RAW_OFFSET: u16 = 280;
const TILE_OFFSETS: u16 = 324;
const TILE_COUNTS: u16 = 325;
const PREVIEW_OFFSET: u16 = 513;
const PREVIEW_LENGTH: u16 = 514;
const PROFILE: u16 = 34_675;
const SUB_DIRECTORIES: u16 = 0x014A;
const EXIF: u16 = 0x8769;
const MAKER_NOTE: u16 = 0x927C;
/// Sub-directories of metadata: Exif, GPS, interoperability. A picture is whole without them.
const METADATA: [u16; 3] = [EXIF, 0x8825, 0xA005];

/// Whole when every directory and every piece of picture lies inside the file.
pub fn examine(file: &mut (impl Read + Seek), length: u64) -> Result<Layout, Fault> {
    let mut window = Window::of(file, length);
    let found = Walk::open(&mut window)?.run(Strictness::Whole)?;
    if found.reached > length {
        return Err(Fault::Incomplete("part of its picture is missing"));
    }
    if let Some((at, size)) = found.maker_note {
        maker_notes::check(&mut window, at, size, found.little)?;
    }
    let icc = match found.profile {
        Some(profile) if profile.length > MOST_PROFILE => {
            return Err(Fault::Overloaded("its colour profile is larger than 4 MiB"));
        }
        Some(profile) => window.read(profile.at, profile.length).ok(),
        None => None,
    };
    Ok(Layout {
        exif: exif_block::clean(&mut window).ok(),
        icc,
        payload: found.first_piece.unwrap_or(0),
        picture: found.picture(length),
        embedded: found.embedded(),
        tail_missing: found.tail_missing,
        ..Layout::default()
    })
}

/// The metadata, even of a file that is cut behind them.
pub fn camera_block(file: &mut (impl Read + Seek), length: u64) -> Option<Layout> {
    let exif = exif_block::clean(&mut Window::of(file, length)).ok()?;
    Some(Layout { exif: Some(exif), ..Layout::default() })
}

/// Whether a TIFF structure inside another container stays within the budget; what lies behind its end is passed over,
/// as the raw library does.
pub fn check_inside<F: Read + Seek>(window: &mut Window<'_, F>) -> Result<(), Fault> {
    let walk = match Walk::open(window) {
        // The library refuses what is no TIFF by its first bytes.
        Err(Fault::Foreign(_) | Fault::Incomplete(_)) => return Ok(()),
        walk => walk?,
    };
    let found = walk.run(Strictness::Budget)?;
    match found.maker_note {
        Some((at, size)) => maker_notes::check(window, at, size, found.little),
        None => Ok(()),
    }
}

/// What each directory's end means for the file.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Strictness {
    /// A picture's directory that lies behind the end is missing.
    Whole,
    /// Only the budget counts.
    Budget,
}

/// Where a directory was told of.
#[derive(Clone, Copy, PartialEq, Eq)]
enum DirectoryRef {
    /// The first one, or one that another links to as the next.
    Chain(u64),
    Below(u64),
    Metadata(u64),
}

impl DirectoryRef {
    fn at(self) -> u64 {
        match self {
            DirectoryRef::Chain(at) | DirectoryRef::Below(at) | DirectoryRef::Metadata(at) => at,
        }
    }
}

/// What a walk found.
#[derive(Default)]
struct Found {
    little: bool,
    pieces: Vec<Piece>,
    /// A directory told where its picture begins, but not how long it is.
    open_ended: bool,
    previews: Vec<Piece>,
    /// Strips that are alone in their directory: a picture in one piece.
    alone: Vec<Piece>,
    reached: u64,
    first_piece: Option<u64>,
    tail_missing: bool,
    profile: Option<Piece>,
    maker_note: Option<(u64, u64)>,
}

impl Found {
    /// The picture's own bytes: strips and tiles in the directories' order, so that moving them changes nothing; previews
    /// only where there is nothing else, and the whole file where most of it is told by no directory.
    fn picture(&self, length: u64) -> Vec<Piece> {
        const SMALL: u64 = 1 << 20;
        let pieces = if self.pieces.is_empty() { &self.previews } else { &self.pieces };
        let total = |pieces: &[Piece]| pieces.iter().map(|p| p.length).fold(0, u64::saturating_add);
        let told = total(&self.pieces).saturating_add(total(&self.previews));
        let untold = length.saturating_sub(told);
        let most_untold = untold > told && untold > SMALL;
        if pieces.is_empty() || self.open_ended || most_untold || total(pieces) > length {
            return vec![Piece { at: 0, length }];
        }
        pieces.clone()
    }
}

impl Found {
    /// Where pictures may lie that are a JPEG of their own.
    fn embedded(&self) -> Vec<Piece> {
        self.previews.iter().chain(&self.alone).copied().collect()
    }
}

struct Walk<'w, 'a, F> {
    window: &'w mut Window<'a, F>,
    waiting: VecDeque<DirectoryRef>,
    /// Byte ranges of the directories seen.
    seen: Vec<(u64, u64)>,
    entries: usize,
    claimed: u64,
    raw_of_its_own: bool,
    found: Found,
}

#[derive(Default)]
struct Pieces {
    offsets: Vec<u64>,
    counts: Vec<u64>,
    raw_offset: Option<u64>,
}

impl<'w, 'a, F: Read + Seek> Walk<'w, 'a, F> {
    fn open(window: &'w mut Window<'a, F>) -> Result<Self, Fault> {
        let (little, first) = heading(window)?;
        let raw_of_its_own = number(&window.read(2, 2)?, little) == 0x55;
        Ok(Walk {
            window,
            waiting: VecDeque::from([DirectoryRef::Chain(first)]),
            seen: Vec::new(),
            entries: 0,
            claimed: 0,
            raw_of_its_own,
            found: Found { little, ..Found::default() },
        })
    }

    fn run(mut self, strictness: Strictness) -> Result<Found, Fault> {
        while let Some(place) = self.waiting.pop_front() {
            match self.directory(place) {
                Err(Fault::Incomplete(_)) if matches!(place, DirectoryRef::Metadata(_)) => {
                    self.found.tail_missing = true
                }
                Err(Fault::Incomplete(_)) if strictness == Strictness::Budget => {}
                done => done?,
            }
        }
        Ok(self.found)
    }

    fn number(&self, bytes: &[u8]) -> u64 {
        number(bytes, self.found.little)
    }

    fn directory(&mut self, place: DirectoryRef) -> Result<(), Fault> {
        let at = place.at();
        let head = self.window.read(at, 2)?;
        let count = self.number(&head);
        let end = at + 2 + count * 12;
        self.entries += count as usize;
        let overlaps = self.seen.iter().any(|(from, to)| at < *to && *from < end);
        if overlaps || self.seen.len() >= MOST_DIRECTORIES || self.entries > MOST_ENTRIES {
            return Err(Fault::Tangled);
        }
        // An empty directory, too, has a place of its own: a link to itself must not be followed.
        self.seen.push((at, end.max(at + 2)));
        let table = match self.window.read(at + 2, count * 12) {
            // The library reads the entries that are there; they count for its memory.
            Err(Fault::Incomplete(_)) => {
                let there = (self.window.length - at - 2) / 12 * 12;
                let table = self.window.read(at + 2, there)?;
                self.entries(&table)?;
                return Err(Fault::Incomplete("a directory is cut"));
            }
            table => table?,
        };
        self.entries(&table)?;
        match self.window.read(end, 4) {
            Ok(next) => {
                let next = self.number(&next);
                self.wait_for(DirectoryRef::Chain, &[next])
            }
            // Some writers leave the link out of directories of metadata; a picture's own is whole only with it.
            Err(_) if place != DirectoryRef::Chain(at) => Ok(()),
            Err(fault) => Err(fault),
        }
    }

    fn entries(&mut self, table: &[u8]) -> Result<(), Fault> {
        let mut pieces = Pieces::default();
        let mut previews = Pieces::default();
        for entry in table.chunks_exact(12) {
            self.entry(entry, &mut pieces, &mut previews)?;
        }
        if pieces.offsets == [u64::from(u32::MAX)] && self.raw_of_its_own {
            pieces.offsets = pieces.raw_offset.into_iter().collect();
        }
        self.found.open_ended |= pieces.offsets.len() != pieces.counts.len();
        let (pieces, previews) = (self.account(&pieces)?, self.account(&previews)?);
        if let [alone] = pieces.as_slice() {
            self.found.alone.push(*alone);
        }
        self.found.pieces.extend(pieces);
        self.found.previews.extend(previews);
        Ok(())
    }

    fn entry(&mut self, entry: &[u8], pieces: &mut Pieces, previews: &mut Pieces) -> Result<(), Fault> {
        let tag = self.number(&entry[..2]) as u16;
        let size = self.claim(entry)?;
        match tag {
            STRIP_OFFSETS | TILE_OFFSETS => pieces.offsets = self.values(entry)?,
            STRIP_COUNTS | TILE_COUNTS => pieces.counts = self.values(entry)?,
            RAW_OFFSET if self.raw_of_its_own => pieces.raw_offset = self.values(entry)?.first().copied(),
            PREVIEW_OFFSET => previews.offsets = self.values(entry)?,
            PREVIEW_LENGTH => previews.counts = self.values(entry)?,
            SUB_DIRECTORIES => {
                let down = self.values(entry)?;
                self.wait_for(DirectoryRef::Below, &down)?;
            }
            PROFILE if self.found.profile.is_none() => {
                self.found.profile = Some(Piece { at: self.number(&entry[8..12]), length: size });
            }
            MAKER_NOTE if self.found.maker_note.is_none() => {
                self.found.maker_note = Some((self.number(&entry[8..12]), size));
            }
            _ if METADATA.contains(&tag) => {
                let down = self.values(entry)?;
                self.wait_for(DirectoryRef::Metadata, &down)?;
            }
            _ => {}
        }
        Ok(())
    }

    /// Counts the bytes of an entry's value; the library would keep them.
    fn claim(&mut self, entry: &[u8]) -> Result<u64, Fault> {
        let size = self.number(&entry[4..8]) * width(self.number(&entry[2..4]));
        self.claimed += if size <= self.window.length { size } else { 0 };
        if self.claimed > MOST_CLAIMED || size > MOST_CLAIMED.max(self.window.length) {
            return Err(Fault::Tangled);
        }
        Ok(size)
    }

    fn wait_for(&mut self, place: fn(u64) -> DirectoryRef, down: &[u64]) -> Result<(), Fault> {
        self.waiting.extend(down.iter().filter(|at| **at != 0).take(MOST_WAITING + 1).map(|at| place(*at)));
        if self.waiting.len() > MOST_WAITING { Err(Fault::Tangled) } else { Ok(()) }
    }

    fn account(&mut self, pieces: &Pieces) -> Result<Vec<Piece>, Fault> {
        let all = pieces.offsets.iter().zip(&pieces.counts).map(|(at, length)| Piece { at: *at, length: *length });
        let all: Vec<Piece> = all.collect();
        if self.found.pieces.len() + self.found.previews.len() + all.len() > MOST_PIECES {
            return Err(Fault::Tangled);
        }
        for piece in &all {
            self.found.reached = self.found.reached.max(piece.at.saturating_add(piece.length));
            self.found.first_piece.get_or_insert(piece.at);
        }
        Ok(all)
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
            self.window.read(at, bytes as u64)?
        };
        Ok(data.chunks_exact(width).map(|piece| self.number(piece)).collect())
    }
}
