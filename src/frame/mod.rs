//! One photograph, read: its settings from the metadata, its pixels as a small linear-light proxy.
//!
//! Stateless and synchronous. What is wrong with a file costs as little as possible: a frame
//! without settings is still metered, one without pixels still has its settings.

mod captured;
mod colour;
mod cuts;
mod dc;
mod dc_codes;
#[cfg(test)]
mod dc_tests;
mod embedded;
mod ends;
mod guard;
#[cfg(feature = "heif")]
mod heif;
mod pixels;
mod proxy;
#[cfg(feature = "raw")]
mod raw;
#[cfg(feature = "raw")]
mod raw_cuts;
#[cfg(feature = "raw")]
mod raw_opcodes;
mod settings;
mod small;
mod strips;
mod thumbnail;

use std::path::Path;
use std::sync::Arc;

use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};
use thiserror::Error;

pub use captured::Captured;
pub use colour::{Colour, EMBEDDED, HeifRange, Space, apart};
pub use cuts::{Cut, CutPlace, MOST_CUTS, Rectangle};
pub use ends::Ends;
pub use proxy::{PixelFault, Proxy};
pub use settings::{ColourTag, FlashTag, IsoKind, Rendering, Settings};
pub use small::Small;

use crate::container::{self, Extent, Fault, Fingerprints, Kind, Links, Source};
use crate::photometry::Series;
use crate::response::srgb_decode;

#[cfg(test)]
impl Settings {
    /// `f/8`, `1/125`, `100`; what is no such setting is not known.
    pub fn shot_at(f_number: &str, time: &str, iso: &str) -> Settings {
        Settings {
            f_number: f_number.parse().ok(),
            exposure_time: time.parse().ok(),
            iso: iso.parse().ok(),
            ..Settings::default()
        }
    }
}

/// A photograph as far as it could be read.
#[derive(Debug, Clone)]
pub struct Frame {
    pub settings: Settings,
    /// Absent when the pixels are not metered; the first of `notes` says why.
    pub picture: Option<Picture>,
    /// The picture that the camera rendered and put into the file, where it was asked for and is there.
    pub embedded: Option<Picture>,
    /// What was wrong or missing, a sentence each.
    pub notes: Vec<String>,
}

impl Frame {
    /// Why its pixels are not metered, as the end of a sentence; `None` where they are.
    pub fn not_metered(&self) -> Option<String> {
        let why = || self.notes.first().cloned().unwrap_or_else(|| "it has no picture".to_owned());
        (self.picture.is_none() && self.embedded.is_none()).then(why)
    }
}

/// What is read of a raw file besides its settings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum RawParts {
    /// The sensor's light.
    Light,
    /// The light, and the picture embedded in the file beside it.
    LightAndEmbedded,
    /// The embedded picture alone, which is read much sooner; the light where there is none that serves.
    EmbeddedFirst,
}

/// Pixels and what they mean.
#[derive(Debug, Clone)]
pub struct Picture {
    pub proxy: Proxy,
    pub colour: Colour,
    /// Luminance of each pixel, where the file holds linear light: 1 is saturation.
    pub linear: Option<Vec<f32>>,
}

impl Picture {
    /// As a picture that stands for the light of its raw file.
    fn standing_in(self) -> Picture {
        Picture { colour: Colour { space: Space::Embedded, ..self.colour }, ..self }
    }

    /// Luminance of each pixel as the file's own curve has it, 0 to 1.
    pub fn luminance(&self) -> impl Iterator<Item = f32> + '_ {
        let decoded = self.colour.srgb_code.map(|code| srgb_decode(f64::from(code) / 255.0) as f32);
        let [r, g, b] = self.colour.weights;
        self.proxy.rgb.iter().enumerate().map(move |(at, [red, green, blue])| match &self.linear {
            Some(linear) => linear[at],
            None => r * decoded[*red as usize] + g * decoded[*green as usize] + b * decoded[*blue as usize],
        })
    }
}

/// One photograph could not be used at all. Reported, then the next is taken.
#[derive(Debug, Error)]
#[error(transparent)]
pub struct FrameError(#[from] pub Fault);

/// What one reading of a file gives.
#[derive(Debug, Clone, Default)]
pub struct Read {
    /// Absent of a file that is not whole.
    pub fingerprints: Option<Fingerprints>,
    pub captured: Option<DateTime>,
    /// The picture is whole but something announced behind it (a preview) is not.
    pub tail_missing: bool,
    /// Why the file may not be written wholly yet, although its structure is whole: while it was touched lately, wait.
    pub perhaps_unfinished: Option<String>,
    /// Absent when only the structure was looked at.
    pub frame: Option<Frame>,
}

/// What is said of a raw file that is metered by another's means than its light.
const STANDS_IN: &str =
    "metered by the picture embedded in the raw file, through a curve as a JPEG is, and not by the sensor's light";

/// Reads a photograph. `Err` only when the file is not whole, not a picture or not readable.
pub fn read_from(kind: Kind, path: &Path, source: &mut dyn Source, series: Series) -> Result<Read, FrameError> {
    read_parts_from(kind, path, source, series, RawParts::Light)
}

/// The same; of a raw file these parts.
pub fn read_parts_from(
    kind: Kind,
    path: &Path,
    source: &mut dyn Source,
    series: Series,
    parts: RawParts,
) -> Result<Read, FrameError> {
    let (layout, bytes) = container::load(kind, source)?;
    let fingerprints = match bytes.is_empty() {
        true => Fingerprints::of(source, &layout, Extent::Whole)?,
        false => Fingerprints::of_bytes(&bytes, &layout)?,
    };
    let mut notes = Vec::new();
    let settings = settings_of(kind, &layout, &bytes, series, &mut notes);
    let tail_missing = layout.tail_missing;
    let perhaps_unfinished = layout.perhaps_unfinished.map(str::to_owned);
    let is_asked_for = kind.is_raw() && parts != RawParts::Light;
    let mut embedded = if is_asked_for { embedded::decode(&bytes, &layout, &settings) } else { None };
    let picture = if embedded.is_some() && parts == RawParts::EmbeddedFirst {
        None
    } else {
        let bytes = Arc::new(bytes);
        match picture_of(kind, path, source, &layout, &bytes, &settings) {
            Ok(picture) => Some(picture),
            Err(fault) => {
                // A camera that writes what no library knows writes it in every frame: these have their pictures in common.
                let is_lasting = fault == PixelFault::RawCoding;
                let stands_in = if is_lasting { embedded.take() } else { None };
                let decode = || embedded::decode(&bytes, &layout, &settings).filter(|_| is_lasting);
                let stands_in = stands_in.or_else(decode).map(Picture::standing_in);
                // What comes first says why there is no picture, or none of light.
                let why = if stands_in.is_some() { format!("{STANDS_IN}: {fault}") } else { fault.to_string() };
                notes.insert(0, why);
                stands_in
            }
        }
    };
    if tail_missing {
        notes.push(
            "the picture is whole, but a preview or a part of its metadata, announced behind it, is missing".to_owned(),
        );
    }
    let captured = settings.captured.as_ref().map(|c| c.local);
    let frame = Some(Frame { settings, picture, embedded, notes });
    Ok(Read { fingerprints: Some(fingerprints), captured, tail_missing, perhaps_unfinished, frame })
}

/// Reads a photograph for people to look at: its light may be left unread.
pub fn glance_from(kind: Kind, path: &Path, source: &mut dyn Source, series: Series) -> Result<Read, FrameError> {
    if kind == Kind::Jpeg {
        let (layout, bytes) = container::load(kind, source)?;
        let mut notes = Vec::new();
        let settings = settings_of(kind, &layout, &bytes, series, &mut notes);
        let of = layout.exif.as_deref().zip(layout.coding.as_ref());
        if let Some(embedded) = of.and_then(|(exif, coding)| thumbnail::decode(exif, coding, &settings)) {
            let frame = Some(Frame { settings, picture: None, embedded: Some(embedded), notes });
            return Ok(Read { frame, ..Read::default() });
        }
    }
    read_parts_from(kind, path, source, series, RawParts::EmbeddedFirst)
}

/// Like [`read_from`], but of a raw file that is cut behind its metadata these are still told: for
/// looking at a file, not for taking it up.
pub fn read_leniently_from(
    kind: Kind,
    path: &Path,
    source: &mut dyn Source,
    series: Series,
) -> Result<Read, FrameError> {
    let fault = match read_from(kind, path, source, series) {
        Err(FrameError(fault @ Fault::Incomplete(_))) => fault,
        read => return read,
    };
    let Some(layout) = container::examine_cut(kind, source) else { return Err(fault.into()) };
    let mut notes = vec![format!("{fault}; only its settings are read")];
    let settings = settings_of(kind, &layout, &[], series, &mut notes);
    let captured = settings.captured.as_ref().map(|c| c.local);
    let frame = Some(Frame { settings, picture: None, embedded: None, notes });
    Ok(Read { fingerprints: None, captured, tail_missing: false, perhaps_unfinished: None, frame })
}

/// Whether a file is whole, what its picture is told by, and when it was captured; decodes nothing.
pub fn examine(kind: Kind, source: &mut dyn Source) -> Result<Read, FrameError> {
    let layout = container::examine(kind, source)?;
    let fingerprints = Some(Fingerprints::of(source, &layout, Extent::Samples)?);
    let captured = layout.exif.as_deref().and_then(settings::captured_at);
    let perhaps_unfinished = layout.perhaps_unfinished.map(str::to_owned);
    Ok(Read { fingerprints, captured, tail_missing: layout.tail_missing, perhaps_unfinished, frame: None })
}

/// Reads a photograph in this process: for tests and measuring. The program reads by its workers.
pub fn read(kind: Kind, path: &Path, series: Series) -> Result<Frame, FrameError> {
    let mut file = container::open(path, Links::Followed).map_err(Fault::from)?;
    read_from(kind, path, &mut file, series).map(whole)
}

/// Like [`read`], with the settings of a raw file that is cut behind them.
pub fn read_leniently(kind: Kind, path: &Path, series: Series) -> Result<Frame, FrameError> {
    let mut file = container::open(path, Links::Followed).map_err(Fault::from)?;
    read_leniently_from(kind, path, &mut file, series).map(whole)
}

/// The frame of a reading that went as far as that.
fn whole(read: Read) -> Frame {
    read.frame.unwrap_or_else(|| Frame {
        settings: Settings::default(),
        picture: None,
        embedded: None,
        notes: Vec::new(),
    })
}

fn picture_of(
    kind: Kind,
    path: &Path,
    source: &mut dyn Source,
    layout: &container::Layout,
    bytes: &Arc<Vec<u8>>,
    settings: &Settings,
) -> Result<Picture, PixelFault> {
    if !kind.is_metered() {
        return Err(PixelFault::NotMetered(match kind {
            Kind::Heif => {
                "this greyhold was built without HEIF (HEIC, AVIF): only the settings are read. Set the camera to JPEG or raw"
            }
            _ => "this kind of file is logged but not metered",
        }));
    }
    if kind.is_raw() {
        return develop(path, Arc::clone(bytes), settings.orientation);
    }
    #[cfg(feature = "heif")]
    if kind == Kind::Heif {
        let (proxy, colour) = heif::decode(bytes)?;
        return Ok(Picture { proxy, colour, linear: None });
    }
    let decoded = match kind {
        Kind::Tiff => strips::decode(source, settings.orientation),
        _ => pixels::decode(kind, bytes, layout.coding.as_ref(), settings.orientation),
    };
    let proxy = decoded?;
    Ok(Picture { proxy, colour: Colour::of(layout.icc.as_deref(), settings.colour_space), linear: None })
}

#[cfg(feature = "raw")]
use raw::develop;

#[cfg(not(feature = "raw"))]
fn develop(_: &Path, _: Arc<Vec<u8>>, _: u8) -> Result<Picture, PixelFault> {
    Err(PixelFault::Raw("this greyhold was built without raw files".to_owned()))
}

/// Cuts pieces out of a photograph. The inner error is why its pixels can't be had.
pub fn cut_from(
    kind: Kind,
    path: &Path,
    source: &mut dyn Source,
    places: &[CutPlace],
) -> Result<Result<Vec<Cut>, String>, FrameError> {
    let (layout, bytes) = container::load(kind, source)?;
    let settings = settings_of(kind, &layout, &bytes, Series::Thirds, &mut Vec::new());
    if !kind.is_metered() {
        return Ok(Err("the pixels of this kind of file can't be read".to_owned()));
    }
    let places = &places[..places.len().min(MOST_CUTS)];
    let cut = if kind.is_raw() {
        cut_raw(path, Arc::new(bytes), settings.orientation, places)
    } else {
        cuts::cut_picture(kind, source, &layout, &bytes, &settings, places)
    };
    Ok(cut.map_err(|fault| fault.to_string()))
}

#[cfg(feature = "raw")]
use raw_cuts::cut_raw;

#[cfg(not(feature = "raw"))]
fn cut_raw(_: &Path, _: Arc<Vec<u8>>, _: u8, _: &[CutPlace]) -> Result<Vec<Cut>, PixelFault> {
    Err(PixelFault::Raw("this greyhold was built without raw files".to_owned()))
}

fn settings_of(
    kind: Kind,
    layout: &container::Layout,
    bytes: &[u8],
    series: Series,
    notes: &mut Vec<String>,
) -> Settings {
    let read = match (&layout.exif, kind) {
        (Some(block), _) => {
            let blocks: Vec<&[u8]> = std::iter::once(block.as_slice()).chain(layout.exif_more.as_deref()).collect();
            Settings::from_blocks(&blocks, series)
        }
        (None, Kind::Heif) => Settings::from_heif(bytes, series),
        (None, _) => Err("the file carries no camera metadata"),
    };
    match read {
        Ok(settings) => {
            notes.extend(settings.gaps());
            settings
        }
        Err(sentence) => {
            notes.push(sentence.to_owned());
            Settings { orientation: 1, ..Settings::default() }
        }
    }
}

/// The capture time of a file, for sorting a folder; `None` when it can't be had.
pub fn capture_time(path: &Path) -> Option<DateTime> {
    let kind = Kind::of(path)?;
    let mut file = container::open(path, Links::Refused).ok()?;
    let layout = container::examine(kind, &mut file).ok()?;
    settings::captured_at(&layout.exif?)
}
