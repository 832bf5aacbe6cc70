//! Pages of a picture that hold nothing but zeros: perhaps space that a copy set aside and has not filled yet.
//!
//! Black in a plain TIFF is zeros, too, so this alone refuses no file; while a file was touched lately it is a reason to
//! wait.

use std::io::{self, Read, SeekFrom};

use super::{Extent, Piece, Source};

/// Files are set aside in pages of this size, in bytes.
const PAGE: u64 = 4096;
/// Pages that are looked at where not all of them are.
const SAMPLES: u64 = 16;
const CHUNK: u64 = 1 << 20;

/// Whether a page, as the file is divided, lies in the picture and is zero; also what the picture has of its last page.
pub fn has_empty_page(file: &mut dyn Source, picture: &[Piece], extent: Extent) -> io::Result<bool> {
    for piece in joined(picture) {
        let end = piece.at + piece.length;
        let (first, last) = (piece.at.next_multiple_of(PAGE), end / PAGE * PAGE);
        // The rest behind the last whole page is a page, too: the file may end there.
        let rest = last.max(piece.at)..end;
        if rest.end - rest.start >= 16 && is_zero(file, rest.start, rest.end - rest.start)? {
            return Ok(true);
        }
        if first >= last {
            continue;
        }
        let empty = match extent {
            Extent::Whole => any_of(file, first, last)?,
            Extent::Samples => {
                let pages = (last - first) / PAGE;
                let mut places = (0..SAMPLES).map(|n| first + (pages - 1) * n / (SAMPLES - 1) * PAGE);
                places.try_fold(false, |found, at| Ok::<_, io::Error>(found || is_zero(file, at, PAGE)?))?
            }
        };
        if empty {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Pieces that follow each other without a gap as one.
fn joined(picture: &[Piece]) -> Vec<Piece> {
    let mut joined: Vec<Piece> = Vec::new();
    for piece in picture {
        match joined.last_mut() {
            Some(last) if last.at + last.length == piece.at => last.length += piece.length,
            _ => joined.push(*piece),
        }
    }
    joined
}

fn any_of(file: &mut dyn Source, first: u64, last: u64) -> io::Result<bool> {
    let mut at = first;
    while at < last {
        let bytes = read(file, at, CHUNK.min(last - at))?;
        if bytes.chunks(PAGE as usize).any(|page| page.iter().all(|b| *b == 0)) {
            return Ok(true);
        }
        at += CHUNK;
    }
    Ok(false)
}

fn is_zero(file: &mut dyn Source, at: u64, length: u64) -> io::Result<bool> {
    Ok(read(file, at, length)?.iter().all(|b| *b == 0))
}

fn read(mut file: &mut dyn Source, at: u64, length: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.seek(SeekFrom::Start(at))?;
    (&mut file).take(length).read_to_end(&mut bytes)?;
    Ok(bytes)
}
