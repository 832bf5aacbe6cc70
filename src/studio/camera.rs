//! The camera: exposure, sensor noise, a tone curve, and a JPEG with Exif.

use std::io::{self, Cursor};

use exif::experimental::Writer;
use exif::{Field, In, Rational, SRational, Tag, Value};
use image::{ExtendedColorType, ImageEncoder, codecs::jpeg::JpegEncoder};
use jiff::civil::DateTime;

use crate::photometry::{ExposureTime, FNumber, IsoSpeed, Stops};
use crate::response::srgb_encode;

/// What the camera is set to for one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CameraSettings {
    pub f_number: FNumber,
    pub time: ExposureTime,
    pub iso: IsoSpeed,
    pub at: DateTime,
}

/// f/14: where the scene's lights give mid-grey at ISO 100.
const REFERENCE_AV: Stops = Stops(23.0 / 3.0);
const REFERENCE_SV: Stops = Stops(5.0);

/// Exposes linear light to a JPEG with Exif. `seed` makes the noise; the exposure time does not
/// enter, for flash lights the scene.
pub fn expose(
    light: &[[f32; 3]],
    width: u32,
    height: u32,
    exposure: &CameraSettings,
    quality: u8,
    seed: u64,
) -> io::Result<Vec<u8>> {
    let bytes = codes(light, exposure, seed).concat();
    encode(&bytes, width, height, &exif_block(exposure)?, quality)
}

/// The 8-bit codes that the camera makes of linear light, before they are written as a JPEG.
pub fn codes(light: &[[f32; 3]], exposure: &CameraSettings, seed: u64) -> Vec<[u8; 3]> {
    let gain = (exposure.iso.sv() - REFERENCE_SV - exposure.f_number.av() + REFERENCE_AV).ratio() as f32;
    let grain = 0.012 * ((exposure.iso.sv() - REFERENCE_SV).ratio() as f32).sqrt();
    let mut noise = Noise(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let tones = Tones::new();
    let mut of_channel = |channel: f32| {
        let signal = channel * gain;
        // Photons scatter with the root of their number; a little comes from the electronics.
        let noisy = signal + grain * (signal.max(0.0).sqrt() * 0.35 + 0.02) * noise.normal();
        tones.of(noisy)
    };
    light.iter().map(|pixel| pixel.map(&mut of_channel)).collect()
}

/// Writes 8-bit RGB as a JPEG with an Exif block.
pub fn with_exif(rgb: &[u8], width: u32, height: u32, exposure: &CameraSettings, quality: u8) -> io::Result<Vec<u8>> {
    encode(rgb, width, height, &exif_block(exposure)?, quality)
}

fn encode(rgb: &[u8], width: u32, height: u32, exif: &[u8], quality: u8) -> io::Result<Vec<u8>> {
    let mut jpeg = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut jpeg, quality);
    encoder.set_exif_metadata(exif.to_vec()).map_err(io::Error::other)?;
    encoder.write_image(rgb, width, height, ExtendedColorType::Rgb8).map_err(io::Error::other)?;
    Ok(jpeg)
}

/// The camera's look: a shoulder that spares the highlights and a toe that deepens the shadows,
/// through the sRGB curve, with mid-grey at code 118. Steeper than sRGB, as camera looks are.
fn tone(linear: f64) -> u8 {
    const SHOULDER: f64 = 1.84;
    const TOE: f64 = 1.351;
    let bent = (1.0 - (-SHOULDER * linear.max(0.0)).exp()).powf(TOE);
    (srgb_encode(bent) * 255.0).round() as u8
}

/// The look as the least light of every code: quicker than its formula for every pixel.
struct Tones([f32; 256]);

impl Tones {
    fn new() -> Tones {
        Tones(std::array::from_fn(|code| {
            let (mut dark, mut bright) = (0.0_f64, 16.0_f64);
            for _ in 0..40 {
                let middle = (dark + bright) / 2.0;
                if usize::from(tone(middle)) < code { dark = middle } else { bright = middle }
            }
            if code == 0 { f32::NEG_INFINITY } else { bright as f32 }
        }))
    }

    fn of(&self, linear: f32) -> u8 {
        (self.0.partition_point(|least| *least <= linear).max(1) - 1) as u8
    }
}

/// A small generator: the demo must look the same everywhere, and needs no more than this.
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f32 {
        // Xorshift (Marsaglia 2003).
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 40) as f32 / (1_u64 << 24) as f32
    }

    /// Close to a normal distribution: the sum of four uniform ones, scaled to unit variance.
    fn normal(&mut self) -> f32 {
        let sum: f32 = (0..4).map(|_| self.uniform()).sum();
        (sum - 2.0) * 3.0_f32.sqrt()
    }
}

/// An Exif block (TIFF form) for an exposure.
pub fn exif_block(exposure: &CameraSettings) -> io::Result<Vec<u8>> {
    let milli = |v: f64| Rational { num: (v * 1000.0).round() as u32, denom: 1000 };
    let field = |tag, value| Field { tag, ifd_num: In::PRIMARY, value };
    let ascii = |text: String| Value::Ascii(vec![text.into_bytes()]);
    let seconds = exposure.time.marked_seconds();
    let time = if seconds < 0.3 {
        Rational { num: 1, denom: (1.0 / seconds).round() as u32 }
    } else {
        Rational { num: (seconds * 10.0).round() as u32, denom: 10 }
    };
    let tenths = Rational { num: (exposure.f_number.marked() * 10.0).round() as u32, denom: 10 };
    let micro = (exposure.time.tv().0 * 1e6).round() as i32;
    let fields = [
        field(Tag::Model, ascii("a made-up camera".to_owned())),
        field(Tag::Orientation, Value::Short(vec![1])),
        field(Tag::ExposureTime, Value::Rational(vec![time])),
        field(Tag::FNumber, Value::Rational(vec![tenths])),
        field(Tag::PhotographicSensitivity, Value::Short(vec![exposure.iso.marked() as u16])),
        field(Tag::ShutterSpeedValue, Value::SRational(vec![SRational { num: micro, denom: 1_000_000 }])),
        field(Tag::ApertureValue, Value::Rational(vec![milli(exposure.f_number.av().0)])),
        field(Tag::Flash, Value::Short(vec![0x10])),
        field(Tag::ColorSpace, Value::Short(vec![1])),
        field(Tag::DateTimeOriginal, ascii(exposure.at.strftime("%Y:%m:%d %H:%M:%S").to_string())),
        field(Tag::SubSecTimeOriginal, ascii(format!("{:03}", exposure.at.subsec_nanosecond() / 1_000_000))),
    ];
    let mut writer = Writer::new();
    for field in &fields {
        writer.push_field(field);
    }
    let mut block = Cursor::new(Vec::new());
    writer.write(&mut block, false).map_err(io::Error::other)?;
    Ok(block.into_inner())
}
