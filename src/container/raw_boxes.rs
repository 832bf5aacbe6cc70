//! The boxes inside a raw file, walked as the raw library walks them and refused where it would walk in circles.
//!
//! The library trusts every length: one of zero takes it back to where it was, for ever, and it keeps what it reads.

use std::io::{Read, Seek, SeekFrom};

use super::box_heading::{Box, CAMERA_BOX, heading};
use super::directories::Window;
use super::tiff::check_inside;
use super::{Fault, be32};

/// Boxes of all depths in one file; cameras write some eighty.
const MOST_BOXES: usize = 1024;
/// Vendors' boxes with an identifier; cameras write three.
const MOST_VENDORS: usize = 256;
/// Entries of a table of samples; a still picture has one.
const MOST_SAMPLES: u64 = 65_536;
/// The largest block of metadata that the library takes into memory.
const MOST_METADATA: u64 = 32 << 20;

const OUTSIDE: Fault = Fault::Foreign("a box in it reaches beyond the box that holds it");

/// Checks all boxes that the raw library follows.
pub fn check(file: &mut (impl Read + Seek), length: u64) -> Result<(), Fault> {
    let mut walk = Walk { file, boxes: 0, vendors: 0 };
    walk.level(Level::Top, 0, length)
}

/// Which boxes stand side by side.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Level {
    Top,
    Movie,
    Track,
    Media,
    Information,
    Samples,
    Descriptions,
    Picture,
    Sensor,
    Camera,
    Codecs,
}

/// What a box holds.
enum Content {
    /// Boxes, behind so many bytes.
    Boxes(Level, u64),
    /// A table: where its count stands, bytes of an entry.
    Table(u64, u64),
    /// A table of lengths, which may be one length for all.
    Lengths,
    /// Metadata in TIFF form.
    Tiff,
    Vendor,
    /// Nothing that is followed.
    Bytes,
}

impl Level {
    fn content(self, name: &[u8; 4]) -> Content {
        match (self, name) {
            (Level::Top, b"moov") => Content::Boxes(Level::Movie, 0),
            (Level::Top | Level::Movie, b"uuid") => Content::Vendor,
            (Level::Movie, b"trak") => Content::Boxes(Level::Track, 0),
            (Level::Track, b"mdia") => Content::Boxes(Level::Media, 0),
            (Level::Media, b"minf") => Content::Boxes(Level::Information, 0),
            (Level::Information, b"stbl") => Content::Boxes(Level::Samples, 0),
            (Level::Samples, b"stsd") => Content::Boxes(Level::Descriptions, 8),
            (Level::Samples, b"stts") => Content::Table(4, 8),
            (Level::Samples, b"stsc") => Content::Table(4, 12),
            (Level::Samples, b"co64") => Content::Table(4, 8),
            (Level::Samples, b"stsz") => Content::Lengths,
            (Level::Descriptions, b"CRAW") => Content::Boxes(Level::Picture, 82),
            (Level::Descriptions, b"CTMD") => Content::Table(8, 8),
            (Level::Picture, b"CDI1") => Content::Boxes(Level::Sensor, 4),
            (Level::Camera, b"CCTP") => Content::Boxes(Level::Codecs, 12),
            (Level::Camera, b"CMT1" | b"CMT2" | b"CMT3" | b"CMT4") => Content::Tiff,
            _ => Content::Bytes,
        }
    }
}

struct Walk<'a, F> {
    file: &'a mut F,
    boxes: usize,
    vendors: usize,
}

impl<F: Read + Seek> Walk<'_, F> {
    fn level(&mut self, level: Level, from: u64, to: u64) -> Result<(), Fault> {
        let mut at = from;
        while at < to {
            self.boxes += 1;
            if self.boxes > MOST_BOXES {
                return Err(Fault::Overloaded("it holds more than 1024 boxes"));
            }
            let found = self.heading(at, to)?;
            at = self.content(level, found)?;
        }
        Ok(())
    }

    /// The box at a place; inside another one a length of zero, which may stand for 'all that is left', is none that the
    /// library understands.
    fn heading(&mut self, at: u64, to: u64) -> Result<Box, Fault> {
        let found = heading(self.file, at, to).map_err(|fault| match fault {
            Fault::Incomplete(_) => OUTSIDE,
            other => other,
        })?;
        if self.read(at, 4)? == [0; 4] {
            return Err(Fault::Foreign("a box in it has no length"));
        }
        if found.end > to { Err(OUTSIDE) } else { Ok(found) }
    }

    /// Checks a box's content; gives the place where the library goes on.
    fn content(&mut self, level: Level, found: Box) -> Result<u64, Fault> {
        match level.content(&found.name) {
            Content::Boxes(below, behind) => {
                if found.content + behind > found.end {
                    return Err(OUTSIDE);
                }
                self.level(below, found.content + behind, found.end)?;
            }
            Content::Table(count_at, width) => self.table(found, count_at, width)?,
            Content::Lengths => {
                let head = self.inside(found, 4, 8)?;
                let (one_for_all, count) = (be32(&head, 0).unwrap_or(0), u64::from(be32(&head, 4).unwrap_or(0)));
                let fits = one_for_all > 0 || found.content + 12 + count * 4 <= found.end;
                if count > MOST_SAMPLES || !fits {
                    return Err(Fault::Overloaded("a table in it has more entries than it can hold"));
                }
            }
            Content::Tiff => {
                let size = found.end - found.content;
                if size > MOST_METADATA {
                    return Err(Fault::Overloaded("its metadata are larger than 32 MiB"));
                }
                check_inside(&mut Window::within(self.file, found.content, size))?;
            }
            Content::Vendor => return self.vendor(level, found),
            Content::Bytes => {}
        }
        Ok(found.end)
    }

    fn table(&mut self, found: Box, count_at: u64, width: u64) -> Result<(), Fault> {
        let head = self.inside(found, count_at, 4)?;
        let count = u64::from(be32(&head, 0).unwrap_or(0));
        if count > MOST_SAMPLES || found.content + count_at + 4 + count * width > found.end {
            return Err(Fault::Overloaded("a table in it has more entries than it can hold"));
        }
        Ok(())
    }

    fn vendor(&mut self, level: Level, found: Box) -> Result<u64, Fault> {
        self.vendors += 1;
        if self.vendors > MOST_VENDORS {
            return Err(Fault::Overloaded("it holds more than 256 vendors' boxes"));
        }
        let identifier = self.inside(found, 0, 16)?;
        if level == Level::Movie && identifier == CAMERA_BOX {
            self.level(Level::Camera, found.content + 16, found.end)?;
        } else if level == Level::Movie {
            // The library looks for boxes inside a vendor's box that it doesn't know.
            return Ok(found.content + 16);
        }
        Ok(found.end)
    }

    /// Bytes of a box's content, which must be there.
    fn inside(&mut self, found: Box, at: u64, count: u64) -> Result<Vec<u8>, Fault> {
        if found.content + at + count > found.end {
            return Err(OUTSIDE);
        }
        self.read(found.content + at, count)
    }

    fn read(&mut self, at: u64, count: u64) -> Result<Vec<u8>, Fault> {
        let mut bytes = vec![0; count as usize];
        self.file.seek(SeekFrom::Start(at))?;
        self.file.read_exact(&mut bytes)?;
        Ok(bytes)
    }
}
