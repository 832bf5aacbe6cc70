//! The camera settings of a frame, from its Exif metadata.
//!
//! Camera data are untrusted: every value is range-checked, a bad field never costs the good ones,
//! and what is missing is said in a sentence. Knows no pixels.

use exif::{Context, Exif, In, Rational, Reader, Tag, Value};
use jiff::civil::DateTime;
use memchr::memmem;
use serde::{Deserialize, Serialize};

use super::captured::Captured;
use crate::container::{Fault, clean_block};
use crate::photometry::{Density, ExposureTime, FNumber, IsoSpeed, Metres, Series, Stops};

/// What the camera says it was set to, and the filter that somebody said was on the lens. Absent means that the file doesn't
/// tell.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(from = "Written", into = "Written")]
pub struct Settings {
    pub f_number: Option<FNumber>,
    pub exposure_time: Option<ExposureTime>,
    pub iso: Option<IsoSpeed>,
    pub iso_kind: Option<IsoKind>,
    pub exposure_bias: Option<Stops>,
    pub flash: Option<FlashTag>,
    pub captured: Option<Captured>,
    pub camera: Option<String>,
    /// The serial number of its body.
    pub body: Option<String>,
    pub lens: Option<String>,
    pub focal_length_mm: Option<f64>,
    pub subject_distance: Option<Metres>,
    pub colour_space: Option<ColourTag>,
    /// Exif orientation, 1 to 8; 1 is upright.
    pub orientation: u8,
    pub rendering: Rendering,
    /// Neutral density before the lens; no file tells it.
    pub filter: Density,
}

/// How the camera came by its ISO number (Exif SensitivityType).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum IsoKind {
    StandardOutputSensitivity,
    RecommendedExposureIndex,
    IsoSpeed,
}

/// What the camera says of its flash contact. Cable and radio triggers are usually unseen, so
/// `NotFired` must never be taken for 'no flash lit this frame'.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FlashTag {
    Fired,
    NotFired,
    NoFlashFunction,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ColourTag {
    Srgb,
    AdobeRgb,
    Uncalibrated,
}

/// Whether one exposure always becomes one code value in this camera's pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Rendering {
    /// No sign to the contrary.
    #[default]
    Fixed,
    /// The file shows signs of a camera that maps the tones of each frame anew.
    PerFrame,
}

/// Plain numbers as records and the command line show them; the places keep what a mark alone
/// can't say.
#[derive(Serialize, Deserialize)]
struct Written {
    f_number: Option<f64>,
    av: Option<Stops>,
    exposure_time: Option<f64>,
    tv: Option<Stops>,
    iso: Option<f64>,
    iso_kind: Option<IsoKind>,
    exposure_bias: Option<Stops>,
    flash: Option<FlashTag>,
    captured: Option<Captured>,
    camera: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    body: Option<String>,
    lens: Option<String>,
    focal_length_mm: Option<f64>,
    subject_distance: Option<Metres>,
    colour_space: Option<ColourTag>,
    orientation: u8,
    rendering: Rendering,
    #[serde(default, skip_serializing_if = "Density::is_none")]
    filter: Density,
}

impl From<Settings> for Written {
    fn from(s: Settings) -> Written {
        Written {
            f_number: s.f_number.map(FNumber::marked),
            av: s.f_number.map(FNumber::av),
            exposure_time: s.exposure_time.map(ExposureTime::marked_seconds),
            tv: s.exposure_time.map(ExposureTime::tv),
            iso: s.iso.map(IsoSpeed::marked),
            iso_kind: s.iso_kind,
            exposure_bias: s.exposure_bias,
            flash: s.flash,
            captured: s.captured,
            camera: s.camera,
            body: s.body,
            lens: s.lens,
            focal_length_mm: s.focal_length_mm,
            subject_distance: s.subject_distance,
            colour_space: s.colour_space,
            orientation: s.orientation,
            rendering: s.rendering,
            filter: s.filter,
        }
    }
}

impl From<Written> for Settings {
    fn from(w: Written) -> Settings {
        Settings {
            f_number: w.f_number.zip(w.av).and_then(|(n, av)| FNumber::from_parts(n, av.0)),
            exposure_time: w.exposure_time.zip(w.tv).and_then(|(t, tv)| ExposureTime::from_parts(t, tv.0)),
            iso: w.iso.and_then(IsoSpeed::new),
            iso_kind: w.iso_kind,
            exposure_bias: w.exposure_bias,
            flash: w.flash,
            captured: w.captured,
            camera: w.camera,
            body: w.body,
            lens: w.lens,
            focal_length_mm: w.focal_length_mm,
            subject_distance: w.subject_distance,
            colour_space: w.colour_space,
            orientation: w.orientation,
            rendering: w.rendering,
            filter: w.filter,
        }
    }
}

impl Settings {
    /// Reads an Exif block (TIFF form). Damage costs only the damaged fields; `Err` is the
    /// sentence to show when nothing could be read.
    pub fn from_exif(block: &[u8], series: Series) -> Result<Settings, &'static str> {
        Settings::from_blocks(&[block], series)
    }

    /// Reads metadata that a file keeps in several blocks (TIFF form), the first one counting first.
    pub fn from_blocks(blocks: &[&[u8]], series: Series) -> Result<Settings, &'static str> {
        let mut read = Vec::new();
        for block in blocks {
            match clean_block(block) {
                Ok(clean) => read.extend(leniently(clean)),
                Err(Fault::Tangled) => {
                    return Err("its metadata refer to themselves or have too many entries, and were not read");
                }
                Err(_) => {}
            }
        }
        if read.is_empty() {
            Err("its metadata are damaged and could not be read")
        } else {
            Ok(Fields(&read).settings(series))
        }
    }

    /// Reads the settings of a HEIF file whose index doesn't tell of its Exif block: it is looked for by its heading.
    pub fn from_heif(bytes: &[u8], series: Series) -> Result<Settings, &'static str> {
        let starts = memmem::find_iter(bytes, b"Exif\0\0").filter_map(|at| bytes.get(at + 6..));
        let blocks = starts.filter(|b| b.starts_with(b"II*\0") || b.starts_with(b"MM\0*"));
        let found = blocks.map(|b| &b[..b.len().min(LONGEST_BLOCK)]).find_map(|b| Settings::from_exif(b, series).ok());
        found.ok_or("it carries no camera metadata that can be read")
    }

    /// What the settings lack for working out exposure, as one sentence. `None` when complete.
    pub fn gaps(&self) -> Option<String> {
        let missing: Vec<&str> = [
            (self.f_number.is_none(), "the aperture (a lens without contacts?)"),
            (self.exposure_time.is_none(), "the exposure time"),
            (self.iso.is_none(), "the ISO speed"),
        ]
        .into_iter()
        .filter_map(|(gone, what)| gone.then_some(what))
        .collect();
        match missing.as_slice() {
            [] => None,
            [.., _] if missing.len() == 3 => Some("the file tells no camera settings".to_owned()),
            _ => Some(format!("the file doesn't tell {}", missing.join(" and "))),
        }
    }

    /// The settings on one line, as a photographer says them.
    pub fn in_short(&self) -> String {
        let parts: Vec<String> = [
            self.f_number.map(|n| n.to_string()),
            self.exposure_time.map(|t| t.to_string()),
            self.iso.map(|s| s.to_string()),
            (!self.filter.is_none()).then(|| self.filter.to_string()),
        ]
        .into_iter()
        .flatten()
        .collect();
        if parts.is_empty() { "settings unknown".to_owned() } else { parts.join("  ") }
    }
}

/// Reads what can be read: a damaged field costs only itself.
pub(super) fn leniently(block: Vec<u8>) -> Option<Exif> {
    let mut reader = Reader::new();
    reader.continue_on_error(true);
    reader.read_raw(block).or_else(|e| e.distill_partial_result(|_| ())).ok()
}

/// A file's capture time for sorting, or nothing; used before any frame is metered.
pub fn captured_at(exif: &[u8]) -> Option<DateTime> {
    Settings::from_exif(exif, Series::Thirds).ok()?.captured.map(|c| c.local)
}

const LONGEST_TEXT: usize = 256;
/// An Exif block that is looked for by its heading is read so far.
const LONGEST_BLOCK: usize = 128 << 10;
/// From this ratio of equivalent to real focal length on, the sensor is a phone's.
const PHONE_CROP: f64 = 5.5;
/// From this ratio on, a lens of one focal length and one aperture is a phone's.
const PHONE_CROP_FIXED_LENS: f64 = 3.0;

/// Where RW2 files keep their ISO speed, in their first directory (common practice, no source; held against
/// exiftool on a real file).
const RW2_ISO: Tag = Tag(Context::Tiff, 0x0017);

struct Fields<'a>(&'a [Exif]);

impl Fields<'_> {
    fn settings(&self, series: Series) -> Settings {
        let focal = self.real(Tag::FocalLength).filter(|f| (0.5..5000.0).contains(f));
        let (iso, iso_kind) = self.iso();
        Settings {
            f_number: self.real(Tag::FNumber).and_then(|n| FNumber::new(n, self.real(Tag::ApertureValue), series)),
            exposure_time: self
                .real(Tag::ExposureTime)
                .and_then(|t| ExposureTime::new(t, self.real(Tag::ShutterSpeedValue), series)),
            iso,
            iso_kind,
            exposure_bias: self.real(Tag::ExposureBiasValue).filter(|b| b.abs() < 100.0).map(Stops),
            flash: self.whole(Tag::Flash).map(|bits| match bits {
                bits if bits & 1 == 1 => FlashTag::Fired,
                bits if bits & 0x20 != 0 => FlashTag::NoFlashFunction,
                _ => FlashTag::NotFired,
            }),
            captured: self.captured(),
            camera: self.text(Tag::Model),
            body: self.text(Tag::BodySerialNumber),
            lens: self.text(Tag::LensModel),
            focal_length_mm: focal,
            subject_distance: self.real(Tag::SubjectDistance).filter(|m| *m < 1e5).and_then(Metres::new),
            colour_space: self.colour_space(),
            orientation: self.whole(Tag::Orientation).filter(|o| (1..=8).contains(o)).map_or(1, |o| o as u8),
            rendering: self.rendering(focal),
            filter: Density::default(),
        }
    }

    /// ISO 65535 means 'look at the longer tags'; 0 means nothing.
    fn iso(&self) -> (Option<IsoSpeed>, Option<IsoKind>) {
        const SOS: (Tag, IsoKind) = (Tag::StandardOutputSensitivity, IsoKind::StandardOutputSensitivity);
        const REI: (Tag, IsoKind) = (Tag::RecommendedExposureIndex, IsoKind::RecommendedExposureIndex);
        const ISO: (Tag, IsoKind) = (Tag::ISOSpeed, IsoKind::IsoSpeed);
        let first = match self.whole(Tag::SensitivityType) {
            Some(1 | 4) => Some(SOS),
            Some(2 | 6) => Some(REI),
            Some(3 | 5 | 7) => Some(ISO),
            _ => None,
        };
        let short = self.whole(Tag::PhotographicSensitivity).filter(|s| (1..65_535).contains(s));
        let long = || first.into_iter().chain([SOS, REI, ISO]).find_map(|(tag, _)| self.whole(tag).filter(|s| *s > 0));
        let speed = short.or_else(long).or_else(|| self.whole(RW2_ISO).filter(|s| (1..1_000_000).contains(s)));
        (speed.and_then(|s| IsoSpeed::new(f64::from(s))), first.map(|(_, kind)| kind))
    }

    fn captured(&self) -> Option<Captured> {
        let (at, sub, offset) = [
            (Tag::DateTimeOriginal, Tag::SubSecTimeOriginal, Tag::OffsetTimeOriginal),
            (Tag::DateTimeDigitized, Tag::SubSecTimeDigitized, Tag::OffsetTimeDigitized),
        ]
        .into_iter()
        .find_map(|(at, sub, offset)| self.text(at).map(|at| (at, self.text(sub), self.text(offset))))?;
        // The parser of the date library checks the ranges that Exif readers leave unchecked.
        let parsed = DateTime::strptime("%Y:%m:%d %H:%M:%S", at.trim()).ok()?;
        let sub: Option<f64> = sub.and_then(|digits| format!("0.{}", digits.trim()).parse().ok());
        let nanos = (sub.unwrap_or(0.0) * 1e9) as i32;
        Some(Captured {
            local: parsed.with().subsec_nanosecond(nanos).build().ok()?,
            sub_seconds: sub.is_some(),
            offset: offset.filter(|o| is_offset(o)),
        })
    }

    fn colour_space(&self) -> Option<ColourTag> {
        match self.whole(Tag::ColorSpace)? {
            1 => Some(ColourTag::Srgb),
            // Written by many cameras without being in the standard.
            2 => Some(ColourTag::AdobeRgb),
            0xFFFF if self.text(Tag::InteroperabilityIndex).is_some_and(|i| i.starts_with("R03")) => {
                Some(ColourTag::AdobeRgb)
            }
            _ => Some(ColourTag::Uncalibrated),
        }
    }

    /// Phones map the tones of each frame anew (common practice, no source). They are told by
    /// their tiny sensors and fixed lenses, and other cameras by the tag for custom rendering.
    fn rendering(&self, focal: Option<f64>) -> Rendering {
        let equivalent = self.whole(Tag::FocalLengthIn35mmFilm).filter(|f| *f > 0).map(f64::from);
        let crop = equivalent.zip(focal).map(|(e, f)| e / f);
        let tiny = crop.is_some_and(|c| c >= PHONE_CROP || (c >= PHONE_CROP_FIXED_LENS && self.has_fixed_lens()));
        let custom = self.whole(Tag::CustomRendered).is_some_and(|c| c != 0);
        if tiny || custom { Rendering::PerFrame } else { Rendering::Fixed }
    }

    fn has_fixed_lens(&self) -> bool {
        match self.value(Tag::LensSpecification) {
            Some(Value::Rational(v)) => {
                let equal = |a: &Rational, b: &Rational| {
                    u64::from(a.num) * u64::from(b.denom) == u64::from(b.num) * u64::from(a.denom)
                };
                matches!(v.as_slice(), [a, b, n, m] if equal(a, b) && n.num == m.num)
            }
            _ => false,
        }
    }

    /// Some raw files keep camera tags in their first directory (TIFF/EP) or in a block of their own.
    fn value(&self, tag: Tag) -> Option<&Value> {
        let places = [tag, Tag(Context::Tiff, tag.number())];
        let mut all = self.0.iter().flat_map(|exif| places.map(|place| exif.get_field(place, In::PRIMARY)));
        all.find_map(|field| field.map(|f| &f.value))
    }

    fn real(&self, tag: Tag) -> Option<f64> {
        let value = match self.value(tag)? {
            Value::Rational(v) => v.first()?.to_f64(),
            Value::SRational(v) => v.first()?.to_f64(),
            Value::Float(v) => f64::from(*v.first()?),
            Value::Double(v) => *v.first()?,
            other => f64::from(other.get_uint(0)?),
        };
        value.is_finite().then_some(value)
    }

    fn whole(&self, tag: Tag) -> Option<u32> {
        self.value(tag)?.get_uint(0)
    }

    /// Text without control characters, of bounded length; blank is absent.
    fn text(&self, tag: Tag) -> Option<String> {
        let Value::Ascii(parts) = self.value(tag)? else {
            return None;
        };
        let whole = String::from_utf8_lossy(parts.first()?).into_owned();
        let clean: String = whole.chars().filter(|c| !c.is_control()).take(LONGEST_TEXT).collect();
        let trimmed = clean.trim();
        (!trimmed.is_empty()).then(|| trimmed.to_owned())
    }
}

fn is_offset(text: &str) -> bool {
    let bytes = text.as_bytes();
    bytes.len() == 6
        && matches!(bytes[0], b'+' | b'-')
        && bytes[3] == b':'
        && [1, 2, 4, 5].iter().all(|i| bytes[*i].is_ascii_digit())
}
