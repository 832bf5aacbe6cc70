//! The spots of several frames side by side at full size: what the eye compares.

use std::io::Cursor;
use std::time::{Duration, Instant};

use axum::body::Bytes;
use image::RgbImage;
use image::codecs::jpeg::JpegEncoder;

use crate::frame::{Cut, Picture, Rectangle};
use crate::photometry::FNumber;
use crate::response::{srgb_decode, srgb_encode};
use crate::session::{Beside, SharpnessWanted};
use crate::sharpness::Pixels;

/// So much of a spot's middle is shown, in pixels.
const SHOWN: usize = 320;
/// Coding must hide nothing that the lens left.
const QUALITY: u8 = 95;
/// No picture is brightened or darkened by more: noise would be all that is seen.
const MOST_GAIN: f64 = 16.0;

/// A spot at 1:1, as a JPEG.
#[derive(Debug, Clone, PartialEq)]
pub struct SpotPicture {
    pub jpeg: Bytes,
    pub width: u32,
    pub height: u32,
}

impl SpotPicture {
    /// The middle of a spot where it was found, as bright as in the frame that it is held against.
    ///
    /// `shift` is how far it lies from where it was cut; `level` is that frame's [`level`].
    pub fn of(cut: &Cut, shift: [Pixels; 2], of_base: Option<f64>) -> Option<SpotPicture> {
        let Rectangle { left, top, width, height } = cut.spot;
        let begin = |from: usize, length: usize, shift: Pixels, size: usize| {
            let shown = length.min(SHOWN);
            let from = from as f64 + (length - shown) as f64 / 2.0 + shift.0.round();
            (from.clamp(0.0, (size - shown) as f64) as usize, shown)
        };
        let (left, width) = begin(left, width, shift[0], cut.picture.proxy.width);
        let (top, height) = begin(top, height, shift[1], cut.picture.proxy.height);
        let gain = of_base.map_or(1.0, |base| (base / level(cut)).clamp(1.0 / MOST_GAIN, MOST_GAIN));
        let codes = brightened(&cut.picture, gain);
        let line = |row: usize| &cut.picture.proxy.rgb[row * cut.picture.proxy.width + left..][..width];
        let pixels = (top..top + height).flat_map(line).flatten().map(|code| codes[usize::from(*code)]).collect();
        let picture = RgbImage::from_raw(width as u32, height as u32, pixels)?;
        let mut jpeg = Cursor::new(Vec::new());
        JpegEncoder::new_with_quality(&mut jpeg, QUALITY).encode_image(&picture).ok()?;
        Some(SpotPicture { jpeg: jpeg.into_inner().into(), width: picture.width(), height: picture.height() })
    }
}

/// Mean light of a spot by the picture's own curve; any scale, never nothing.
pub fn level(cut: &Cut) -> f64 {
    let Rectangle { left, top, width, height } = cut.spot;
    let codes = codes_as_light(&cut.picture);
    let rows = (top..top + height).map(|row| &cut.picture.proxy.rgb[row * cut.picture.proxy.width + left..][..width]);
    let sum: f64 = rows.flatten().map(|rgb| codes[usize::from(rgb[1])]).sum();
    (sum / (width * height).max(1) as f64).max(1e-4)
}

fn codes_as_light(picture: &Picture) -> [f64; 256] {
    picture.colour.srgb_code.map(|code| srgb_decode(f64::from(code) / 255.0))
}

/// The sRGB code that each code of the picture is shown by.
fn brightened(picture: &Picture, gain: f64) -> [u8; 256] {
    codes_as_light(picture).map(|light| (srgb_encode((light * gain).clamp(0.0, 1.0)) * 255.0).round() as u8)
}

/// The spots of one frame.
#[derive(Debug, Clone)]
pub struct FramePictures {
    /// Another one for each that was made.
    id: u64,
    of: Beside,
    f_number: Option<FNumber>,
    made_at: Instant,
    /// Of each spot; without one where it isn't to be had.
    pictures: Vec<Option<SpotPicture>>,
}

/// Those of the frames that stand for their apertures, one for each, laid over the one that they are held against. Of 16 spots a frame
/// takes some hundreds of kilobytes.
#[derive(Debug, Clone, Default)]
pub struct SpotPictures {
    frames: Vec<FramePictures>,
    made: u64,
}

/// A file that couldn't be read may be there again: its folder may lie on a share.
const AGAIN: Duration = Duration::from_secs(60);

impl SpotPictures {
    /// They were made, or it is too early to try again.
    pub fn has(&self, wanted: &Beside) -> bool {
        self.of(wanted).is_some_and(|frame| frame.has_any() || frame.made_at.elapsed() < AGAIN)
    }

    /// One more frame: it takes the place of another one of its aperture, and of all that were laid over another frame.
    pub fn add(&mut self, wanted: &SharpnessWanted, pictures: Vec<Option<SpotPicture>>) {
        let (of, f_number) = (wanted.beside.clone(), wanted.frame.is.f_number);
        self.frames.retain(|frame| frame.of.over == of.over && frame.f_number != f_number);
        self.made += 1;
        self.frames.push(FramePictures { id: self.made, of, f_number, made_at: Instant::now(), pictures });
    }

    /// How many were made: other pictures, another number.
    pub fn made(&self) -> u64 {
        self.made
    }

    pub fn of(&self, wanted: &Beside) -> Option<&FramePictures> {
        self.frames.iter().find(|frame| frame.of == *wanted)
    }

    pub fn picture(&self, id: u64, spot: usize) -> Option<&SpotPicture> {
        self.frames.iter().find(|frame| frame.id == id)?.pictures.get(spot)?.as_ref()
    }
}

impl FramePictures {
    fn has_any(&self) -> bool {
        self.pictures.iter().any(Option::is_some)
    }

    /// Of each spot where its picture is to be had: which of which frame, and its width and height.
    pub fn places(&self) -> Vec<Option<[u64; 4]>> {
        let place = |(picture, at): (&Option<SpotPicture>, u64)| {
            let picture = picture.as_ref()?;
            Some([self.id, at, u64::from(picture.width), u64::from(picture.height)])
        };
        self.pictures.iter().zip(0..).map(place).collect()
    }
}
