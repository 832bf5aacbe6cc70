//! Raw files of known linear light, written by a general-purpose TIFF library.

use std::io::Cursor;

use tiff::encoder::colortype::{Gray16, Gray32Float};
use tiff::encoder::{Rational, SRational, TiffEncoder};
use tiff::tags::Tag;

use super::Shot;

/// What a sensor is like.
#[derive(Debug, Clone)]
pub struct Sensor {
    /// Colours of the 2 x 2 repeat, row by row: 0 red, 1 green, 2 blue.
    pub filter: [u8; 4],
    /// Black level of each place of the repeat.
    pub black: [u16; 4],
    pub white: u16,
    /// What white light reads in each colour, green 1.
    pub neutral: [f64; 3],
}

impl Sensor {
    pub fn usual() -> Sensor {
        Sensor { filter: [0, 1, 1, 2], black: [512, 520, 505, 511], white: 15_300, neutral: [0.48, 1.0, 0.66] }
    }
}

/// A DNG (Adobe's DNG specification 1.6, from memory) of linear sRGB light, 1 at saturation of a white surface.
pub fn dng(light: &[[f32; 3]], width: u32, height: u32, sensor: &Sensor, shot: &Shot) -> Vec<u8> {
    written(light, width, height, sensor, shot, None)
}

/// Where a picture begins that lies in the file as a JPEG of its own, and its length (TIFF 6.0, section 22).
const EMBEDDED: [u16; 2] = [513, 514];

/// The same with a picture embedded in it.
pub fn dng_with(jpeg: &[u8], light: &[[f32; 3]], size: (u32, u32), sensor: &Sensor, shot: &Shot) -> Vec<u8> {
    let mut bytes = written(light, size.0, size.1, sensor, shot, Some(jpeg.len()));
    let at = bytes.len() as u32;
    let [low, high] = EMBEDDED[0].to_le_bytes();
    let entry = [low, high, 4, 0, 1, 0, 0, 0];
    let place = bytes.windows(8).position(|eight| eight == entry).unwrap() + 8;
    bytes[place..place + 4].copy_from_slice(&at.to_le_bytes());
    bytes.extend_from_slice(jpeg);
    bytes
}

fn written(
    light: &[[f32; 3]],
    width: u32,
    height: u32,
    sensor: &Sensor,
    shot: &Shot,
    embedded: Option<usize>,
) -> Vec<u8> {
    let mut samples = Vec::with_capacity((width * height) as usize);
    for y in 0..height as usize {
        for x in 0..width as usize {
            let place = (y % 2) * 2 + x % 2;
            let colour = usize::from(sensor.filter[place]);
            let linear = f64::from(light[y * width as usize + x][colour]) * sensor.neutral[colour];
            let black = f64::from(sensor.black[place]);
            samples
                .push((black + linear * (f64::from(sensor.white) - black)).round().clamp(0.0, f64::from(sensor.white))
                    as u16);
        }
    }
    let exposure = shot.exposure();
    let mut bytes = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut bytes).unwrap();
    let mut image = encoder.new_image::<Gray16>(width, height).unwrap();
    let tags = image.encoder();
    let ratio = |v: f64| Rational { n: (v * 10_000.0).round() as u32, d: 10_000 };
    tags.write_tag(Tag::PhotometricInterpretation, 32_803_u16).unwrap();
    if let Some(length) = embedded {
        tags.write_tag(Tag::from_u16_exhaustive(EMBEDDED[0]), 0_u32).unwrap();
        tags.write_tag(Tag::from_u16_exhaustive(EMBEDDED[1]), length as u32).unwrap();
    }
    tags.write_tag(Tag::Make, "Studio").unwrap();
    tags.write_tag(Tag::Model, "a made-up camera").unwrap();
    tags.write_tag(Tag::Unknown(33_421), &[2_u16, 2][..]).unwrap();
    tags.write_tag(Tag::Unknown(33_422), &sensor.filter[..]).unwrap();
    let time = Rational { n: 1, d: (1.0 / exposure.time.marked_seconds()).round() as u32 };
    tags.write_tag(Tag::Unknown(33_434), time).unwrap();
    tags.write_tag(Tag::Unknown(33_437), ratio(exposure.f_number.marked())).unwrap();
    tags.write_tag(Tag::Unknown(34_855), 100_u16).unwrap();
    tags.write_tag(Tag::Unknown(36_867), exposure.at.strftime("%Y:%m:%d %H:%M:%S").to_string().as_str()).unwrap();
    tags.write_tag(Tag::Unknown(50_706), &[1_u8, 6, 0, 0][..]).unwrap();
    tags.write_tag(Tag::Unknown(50_708), "a made-up camera").unwrap();
    tags.write_tag(Tag::Unknown(50_713), &[2_u16, 2][..]).unwrap();
    tags.write_tag(Tag::Unknown(50_714), &sensor.black[..]).unwrap();
    tags.write_tag(Tag::Unknown(50_717), sensor.white).unwrap();
    // The inverse of sRGB to XYZ (IEC 61966-2-1): this camera sees as sRGB does.
    let matrix = [3.2406, -1.5372, -0.4986, -0.9689, 1.8758, 0.0415, 0.0557, -0.2040, 1.0570];
    let matrix = matrix.map(|v: f64| SRational { n: (v * 10_000.0).round() as i32, d: 10_000 });
    tags.write_tag(Tag::Unknown(50_721), &matrix[..]).unwrap();
    tags.write_tag(Tag::Unknown(50_728), &sensor.neutral.map(ratio)[..]).unwrap();
    tags.write_tag(Tag::Unknown(50_778), 21_u16).unwrap();
    image.write_data(&samples).unwrap();
    bytes.into_inner()
}

/// A DNG whose samples are floating point, 1 at saturation.
pub fn float_dng(samples: &[f32], width: u32, height: u32) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut bytes).unwrap();
    let mut image = encoder.new_image::<Gray32Float>(width, height).unwrap();
    let tags = image.encoder();
    tags.write_tag(Tag::PhotometricInterpretation, 32_803_u16).unwrap();
    tags.write_tag(Tag::Make, "Studio").unwrap();
    tags.write_tag(Tag::Model, "a made-up camera").unwrap();
    tags.write_tag(Tag::Unknown(33_421), &[2_u16, 2][..]).unwrap();
    tags.write_tag(Tag::Unknown(33_422), &[0_u8, 1, 1, 2][..]).unwrap();
    tags.write_tag(Tag::Unknown(50_706), &[1_u8, 6, 0, 0][..]).unwrap();
    tags.write_tag(Tag::Unknown(50_708), "a made-up camera").unwrap();
    tags.write_tag(Tag::Unknown(50_714), 0_u16).unwrap();
    tags.write_tag(Tag::Unknown(50_717), 1_u16).unwrap();
    image.write_data(samples).unwrap();
    bytes.into_inner()
}
