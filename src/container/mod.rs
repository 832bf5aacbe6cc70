//! The structure of picture files: what kind a file is, whether it is whole, where its metadata
//! and its picture lie.
//!
//! Decoders return success on half a file, so wholeness is decided here, from the structure
//! alone. Decodes nothing and never trusts a length that the file claims of itself.

mod box_heading;
mod boxes;
mod chunks;
mod ciff;
mod directories;
mod exif_block;
mod fingerprint;
mod heif;
mod jpeg;
mod jpeg_bits;
mod jpeg_coding;
mod jpeg_holes;
mod jpeg_scans;
mod maker_notes;
mod raf;
mod raw_boxes;
mod source;
mod tiff;
mod unwritten;

use std::io::{self, Cursor, SeekFrom};
use std::path::Path;

use serde::{Deserialize, Serialize};
use thiserror::Error;

pub use exif_block::clean_block;
pub use fingerprint::{Extent, Fingerprint, Fingerprints};
pub use jpeg_coding::{Coding, Process};
pub use source::{Links, Source, open};

/// What a file is, by its name; the structure then has to agree.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Kind {
    Jpeg,
    Tiff,
    Png,
    WebP,
    /// HEIF and its kin.
    Heif,
    /// A camera's raw file in TIFF structure.
    RawTiff,
    /// A camera's raw file in ISO base media boxes.
    RawBoxes,
    /// A camera's raw file with a heading that points to its parts.
    RawRaf,
    /// A camera's raw file in heaps with their directories at the end.
    RawCiff,
    /// A camera's raw file of a structure not known here: its wholeness can't be told, so that it is
    /// logged and not metered.
    RawOther,
}

impl Kind {
    /// By file extension, any case. `None` for what no camera tether writes as a picture.
    pub fn of(path: &Path) -> Option<Kind> {
        let extension = path.extension()?.to_str()?.to_ascii_lowercase();
        Some(match extension.as_str() {
            "jpg" | "jpeg" | "jpe" | "mpo" => Kind::Jpeg,
            "tif" | "tiff" => Kind::Tiff,
            "png" => Kind::Png,
            "webp" => Kind::WebP,
            "heic" | "heif" | "hif" | "avif" => Kind::Heif,
            "nef" | "nrw" | "arw" | "sr2" | "srf" | "dng" | "cr2" | "pef" | "orf" | "rw2" | "3fr" | "iiq" | "srw"
            | "gpr" => Kind::RawTiff,
            "cr3" => Kind::RawBoxes,
            "raf" => Kind::RawRaf,
            "crw" => Kind::RawCiff,
            "x3f" | "mrw" => Kind::RawOther,
            _ => return None,
        })
    }

    /// Whether greyhold meters the pixels of this kind.
    pub fn is_metered(self) -> bool {
        matches!(self, Kind::Jpeg | Kind::Tiff | Kind::Png | Kind::WebP)
            || (cfg!(feature = "heif") && self == Kind::Heif)
            || (cfg!(feature = "raw") && matches!(self, Kind::RawTiff | Kind::RawBoxes | Kind::RawRaf | Kind::RawCiff))
    }

    pub fn is_raw(self) -> bool {
        matches!(self, Kind::RawTiff | Kind::RawBoxes | Kind::RawRaf | Kind::RawCiff | Kind::RawOther)
    }

    /// The largest file of this kind that is looked at, in bytes.
    fn size_limit(self) -> u64 {
        match self {
            Kind::Jpeg | Kind::Heif | Kind::WebP | Kind::Png => 128 << 20,
            _ => 512 << 20,
        }
    }
}

/// Why a file can't be used as it stands.
#[derive(Debug, Error)]
pub enum Fault {
    /// More bytes are missing: wait, or say so if they never come.
    #[error("the file is not whole: {0}")]
    Incomplete(&'static str),
    /// No amount of waiting helps.
    #[error("the file is not what its name says: {0}")]
    Foreign(&'static str),
    #[error("the file has {mib} MiB, more than the {limit} MiB that are looked at")]
    TooLarge { mib: u64, limit: u64 },
    #[error("the file's metadata refers to itself or has too many entries")]
    Tangled,
    /// Structures that would cost a decoder without end.
    #[error("the file is not taken: {0}")]
    Overloaded(&'static str),
    #[error("the file can't be read: {0}")]
    Unreadable(#[from] io::Error),
}

/// A range of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Piece {
    pub at: u64,
    pub length: u64,
}

/// What a whole file's structure tells.
#[derive(Debug, Default, Clone, PartialEq)]
pub struct Layout {
    /// The Exif block in TIFF form, where it can be had without decoding.
    pub exif: Option<Vec<u8>>,
    /// A second block, where a file divides its metadata.
    pub exif_more: Option<Vec<u8>>,
    pub icc: Option<Vec<u8>>,
    /// Where the picture's own bytes begin, as logs up to format 4 took a picture by them.
    pub payload: u64,
    /// Where the picture's own bytes lie: what a changed caption leaves as it is.
    pub picture: Vec<Piece>,
    /// Where pictures may lie that a camera put into a raw file beside its light.
    pub embedded: Vec<Piece>,
    /// How a JPEG is coded.
    pub coding: Option<Coding>,
    /// Why the file may not be written wholly yet, although its structure is whole: while it was touched lately, wait.
    pub perhaps_unfinished: Option<&'static str>,
    /// The picture is whole but something announced behind it (a preview) is not.
    pub tail_missing: bool,
}

/// Examines an open file of a known kind. `Ok` means that the picture is whole.
pub fn examine(kind: Kind, file: &mut dyn Source) -> Result<Layout, Fault> {
    match kind {
        Kind::Jpeg | Kind::Png | Kind::WebP => load(kind, file).map(|(layout, _)| layout),
        _ => examine_structure(kind, file, Extent::Samples),
    }
}

/// Examines a file of which more than its structure is not read here.
fn examine_structure(kind: Kind, mut file: &mut dyn Source, extent: Extent) -> Result<Layout, Fault> {
    let length = checked_length(kind, file)?;
    let mut layout = match kind {
        Kind::Tiff | Kind::RawTiff => tiff::examine(&mut file, length)?,
        Kind::Heif => boxes::examine_heif(&mut file, length)?,
        Kind::RawBoxes => boxes::examine_raw(&mut file, length)?,
        Kind::RawRaf => raf::examine(&mut file, length)?,
        Kind::RawCiff => ciff::examine(&mut file, length)?,
        _ => Layout { picture: vec![Piece { at: 0, length }], ..Layout::default() },
    };
    if unwritten::has_empty_page(file, &layout.picture, extent)? {
        layout.perhaps_unfinished = Some(EMPTY_PAGES);
    }
    Ok(layout)
}

const EMPTY_PAGES: &str = "its picture holds pages that are empty, which may not be written yet";

/// What a raw file that is not whole tells nevertheless, for looking at it.
pub fn examine_cut(kind: Kind, mut file: &mut dyn Source) -> Option<Layout> {
    let length = checked_length(kind, file).ok()?;
    match kind {
        Kind::RawBoxes => boxes::camera_blocks(&mut file, length),
        Kind::RawRaf => raf::camera_block(&mut file),
        Kind::RawTiff => tiff::camera_block(&mut file, length),
        _ => None,
    }
}

/// Examines a file and gives its bytes, too, read once. The bytes of a TIFF, which is decoded strip by strip, and of raw
/// files that nothing meters are left on the disk.
pub fn load(kind: Kind, file: &mut dyn Source) -> Result<(Layout, Vec<u8>), Fault> {
    if kind == Kind::Tiff || (kind.is_raw() && !kind.is_metered()) {
        return Ok((examine_structure(kind, file, Extent::Whole)?, Vec::new()));
    }
    let length = checked_length(kind, file)?;
    let bytes = read_all(file, length)?;
    let mut layout = match kind {
        Kind::Jpeg => jpeg::examine(&bytes)?,
        Kind::Png => chunks::examine_png(&bytes)?,
        Kind::WebP => chunks::examine_webp(&bytes)?,
        _ => examine_structure(kind, &mut Cursor::new(&bytes), Extent::Whole)?,
    };
    if kind == Kind::WebP && unwritten::has_empty_page(&mut Cursor::new(&bytes), &layout.picture, Extent::Whole)? {
        layout.perhaps_unfinished = Some(EMPTY_PAGES);
    }
    Ok((layout, bytes))
}

fn checked_length(kind: Kind, file: &mut dyn Source) -> Result<u64, Fault> {
    let length = file.length()?;
    let limit = kind.size_limit();
    if length > limit {
        return Err(Fault::TooLarge { mib: length >> 20, limit: limit >> 20 });
    }
    if length == 0 {
        return Err(Fault::Incomplete("it is empty"));
    }
    let mut start = [0_u8; 4];
    file.seek(SeekFrom::Start(0))?;
    file.read_exact(&mut start).map_err(|_| Fault::Incomplete("it has no beginning yet"))?;
    // Space set aside by a writer that fills it from behind. No picture begins with four zeros.
    if start == [0; 4] {
        return Err(Fault::Incomplete("its beginning is not written yet"));
    }
    file.seek(SeekFrom::Start(0))?;
    Ok(length)
}

fn read_all(file: &mut dyn Source, length: u64) -> Result<Vec<u8>, Fault> {
    let mut bytes = Vec::with_capacity(length as usize);
    // One byte more than was promised: a file that grew meanwhile is not whole yet.
    file.append(length + 1, &mut bytes)?;
    if bytes.len() as u64 == length { Ok(bytes) } else { Err(Fault::Incomplete("it changed while it was read")) }
}

fn be16(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes(bytes.get(at..at + 2)?.try_into().ok()?))
}

fn be32(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
}
