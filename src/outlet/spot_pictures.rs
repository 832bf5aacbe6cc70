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
use crate::wording::counted;

/// So much of a spot's middle is shown, in pixels.
const SHOWN: usize = 320;
/// Coding must hide nothing that the lens left.
const QUALITY: u8 = 95;
/// No picture is made as bright as another by more: noise would be all that is seen.
const MOST_GAIN: f64 = 16.0;
/// Detail is judged best about mid-grey: a spot that is darker is brightened towards this, by whole stops, at all apertures alike.
const MID_GREY: f64 = 0.18;
const MOST_LIFT: u32 = 4;
/// So much of a spot may be burnt out by that, in whichever of its colours.
const GLINTS: f64 = 0.01;

/// A spot at 1:1, as a JPEG.
#[derive(Debug, Clone, PartialEq)]
pub struct SpotPicture {
    pub jpeg: Bytes,
    pub width: u32,
    pub height: u32,
    /// By so many stops it is shown brighter than the frame that it is held against.
    pub lift: u32,
}

/// How bright a spot is in the frame that others are held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BaseLevel {
    light: f64,
    lift: u32,
}

impl BaseLevel {
    /// By so many stops the spot is shown brighter, whatever the frame.
    pub fn lift(&self) -> u32 {
        self.lift
    }

    pub fn of(cut: &Cut) -> BaseLevel {
        let mean = mean_of(&greens(cut));
        // Skin burns out in red first.
        let mut brightest: Vec<f64> = of_spot(cut).map(|rgb| rgb.into_iter().fold(0.0, f64::max)).collect();
        let top = brightest.len().checked_sub(1).map_or(1.0, |last| {
            let at = (last as f64 * (1.0 - GLINTS)) as usize;
            *brightest.select_nth_unstable_by(at, f64::total_cmp).1
        });
        let is_room = |lift: &u32| {
            let gain = f64::from(1 << lift);
            mean * gain <= MID_GREY && top * gain <= 1.0
        };
        BaseLevel { light: mean, lift: (1..=MOST_LIFT).take_while(is_room).last().unwrap_or(0) }
    }
}

impl SpotPicture {
    /// The middle of a spot where it was found, as bright as in the frame that it is held against, and brighter where that is dark.
    ///
    /// `shift` is how far it lies from where it was cut.
    pub fn of(cut: &Cut, shift: [Pixels; 2], of_base: Option<BaseLevel>) -> Option<SpotPicture> {
        let Rectangle { left, top, width, height } = cut.spot;
        let begin = |from: usize, length: usize, shift: Pixels, size: usize| {
            let shown = length.min(SHOWN);
            let from = from as f64 + (length - shown) as f64 / 2.0 + shift.0.round();
            (from.clamp(0.0, (size - shown) as f64) as usize, shown)
        };
        let (left, width) = begin(left, width, shift[0], cut.picture.proxy.width);
        let (top, height) = begin(top, height, shift[1], cut.picture.proxy.height);
        let gain_to = |base: BaseLevel| (base.light / mean_of(&greens(cut))).clamp(1.0 / MOST_GAIN, MOST_GAIN);
        let gain = of_base.map_or(1.0, gain_to);
        let lift = of_base.map_or(0, |base| base.lift);
        let codes = brightened(&cut.picture, gain * f64::from(1 << lift));
        let line = |row: usize| &cut.picture.proxy.rgb[row * cut.picture.proxy.width + left..][..width];
        let pixels = (top..top + height).flat_map(line).flatten().map(|code| codes[usize::from(*code)]).collect();
        let picture = RgbImage::from_raw(width as u32, height as u32, pixels)?;
        let mut jpeg = Cursor::new(Vec::new());
        JpegEncoder::new_with_quality(&mut jpeg, QUALITY).encode_image(&picture).ok()?;
        let (width, height) = (picture.width(), picture.height());
        Some(SpotPicture { jpeg: jpeg.into_inner().into(), width, height, lift })
    }

    /// 'brightened by 2 stops'; nothing where it is as dark as it was shot.
    pub fn lift_in_words(lift: u32) -> Option<String> {
        (lift > 0).then(|| format!("brightened by {}", counted(lift as usize, "stop")))
    }
}

/// Mean of a spot's light; of full scale, never nothing.
fn mean_of(light: &[f64]) -> f64 {
    (light.iter().sum::<f64>() / light.len().max(1) as f64).max(1e-4)
}

/// How bright a spot's pixels are.
fn greens(cut: &Cut) -> Vec<f64> {
    of_spot(cut).map(|[_, green, _]| green).collect()
}

/// The light of a spot's pixels by the picture's own curve, each colour for itself.
fn of_spot(cut: &Cut) -> impl Iterator<Item = [f64; 3]> {
    let Rectangle { left, top, width, height } = cut.spot;
    let codes = codes_as_light(&cut.picture);
    let proxy = &cut.picture.proxy;
    let rows = (top..top + height).map(move |row| &proxy.rgb[row * proxy.width + left..][..width]);
    rows.flatten().map(move |rgb| rgb.map(|code| codes[usize::from(code)]))
}

fn codes_as_light(picture: &Picture) -> [f64; 256] {
    picture.colour.srgb_code.map(|code| srgb_decode(f64::from(code) / 255.0))
}

/// The sRGB code that each code of the picture is shown by.
fn brightened(picture: &Picture, gain: f64) -> [u8; 256] {
    codes_as_light(picture).map(|light| (srgb_encode((light * gain).clamp(0.0, 1.0)) * 255.0).round() as u8)
}

/// Where a spot's picture is to be had: which of which frame; its width and height; by how much it was brightened, in words.
pub type PicturePlace = (u64, u64, u32, u32, Option<String>);

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

    /// Of each spot where its picture is to be had.
    pub fn places(&self) -> Vec<Option<PicturePlace>> {
        let place = |(picture, at): (&Option<SpotPicture>, u64)| {
            let SpotPicture { width, height, lift, .. } = picture.as_ref()?;
            Some((self.id, at, *width, *height, SpotPicture::lift_in_words(*lift)))
        };
        self.pictures.iter().zip(0..).map(place).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Proxy};

    const SIDE: usize = 64;

    /// A spot of two tones in equal parts.
    fn cut(codes: [u8; 2]) -> Cut {
        let rgb = (0..SIDE * SIDE).map(|at| [codes[at % 2]; 3]).collect();
        let picture =
            Picture { proxy: Proxy { width: SIDE, height: SIDE, rgb }, colour: Colour::of(None, None), linear: None };
        let spot = Rectangle { left: 0, top: 0, width: SIDE, height: SIDE };
        Cut { picture, spot, frame: [SIDE, SIDE] }
    }

    fn mean(picture: &SpotPicture) -> f64 {
        let grey = image::load_from_memory(&picture.jpeg).unwrap().to_luma8();
        grey.iter().map(|code| f64::from(*code)).sum::<f64>() / f64::from(grey.width() * grey.height())
    }

    /// CHECK: the sRGB codes 30 and 60 of light 0.013 and 0.045 (IEC 61966-2-1): their mean is two whole stops and a half under mid-grey.
    #[test]
    fn dark_spots_are_brightened_by_as_much_at_every_aperture() {
        let (dark, darker) = (cut([30, 60]), cut([20, 42]));
        let base = BaseLevel::of(&dark);
        assert_eq!(
            (base.lift(), SpotPicture::lift_in_words(base.lift()).unwrap().as_str()),
            (2, "brightened by 2 stops")
        );
        let shown = [&dark, &darker].map(|cut| SpotPicture::of(cut, [Pixels(0.0); 2], Some(base)).unwrap());
        assert_eq!(shown.each_ref().map(|picture| picture.lift), [2, 2]);
        let [one, other] = shown.each_ref().map(mean);
        assert!((one - other).abs() < 4.0 && (80.0..118.0).contains(&one), "{one} {other}");
        assert_eq!(BaseLevel::of(&cut([110, 130])).lift(), 0, "bright enough");
        // What would burn out is not brightened so far: the lashes' catchlight is a part of the eye.
        assert_eq!(BaseLevel::of(&cut([5, 150])).lift(), 0);
        assert_eq!(SpotPicture::lift_in_words(0), None);
    }

    /// CHECK: of the sRGB codes 170, 50 and 40 the first is of light 0.40 (IEC 61966-2-1): a stop brightens it to 0.80, two burn it out.
    #[test]
    fn no_colour_of_a_spot_is_brightened_beyond_white() {
        let mut red = cut([50, 50]);
        red.picture.proxy.rgb.iter_mut().for_each(|rgb| *rgb = [170, 50, 40]);
        assert_eq!((BaseLevel::of(&red).lift(), BaseLevel::of(&cut([50, 50])).lift()), (1, 2));
    }
}
