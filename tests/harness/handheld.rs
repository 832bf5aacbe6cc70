//! Frames from the hand: a real photograph, framed anew.
//!
//! A window of the photograph is resampled to a frame's size, by its light as the sRGB curve has it, as a lens and a sensor
//! would. It gets noise of its own and is coded as a JPEG of its own.

use std::path::Path;
use std::sync::Arc;

use greyhold::align::{CodePicture, Prepared};
use greyhold::container::Kind;
use greyhold::frame;
use greyhold::photometry::{Series, Stops};
use greyhold::response::{Response, Tones, srgb_decode};
use greyhold::studio::with_exif;

use super::random::Random;
use super::shot;

/// A photograph at its full size, as light.
pub struct Photograph {
    pub width: usize,
    pub height: usize,
    light: Vec<[f32; 3]>,
}

/// A window of a photograph. Its height follows from the photograph's own shape.
#[derive(Debug, Clone, Copy)]
pub struct Framing {
    /// The window's middle and its width, in pixels of the photograph.
    pub middle: [f64; 2],
    pub width: f64,
    /// How far the scene is turned in it: clockwise, in degrees.
    pub turn: f64,
}

/// What happens to a frame after the lens.
#[derive(Debug, Clone, Copy)]
pub struct Coding {
    /// The frame's width and height in pixels.
    pub size: [usize; 2],
    /// Of every channel's code, normal.
    pub noise: f64,
    pub quality: u8,
}

impl Photograph {
    /// Decodes a JPEG at full size, upright as it is stored.
    pub fn open(path: &Path) -> Photograph {
        let picture =
            image::ImageReader::open(path).unwrap().with_guessed_format().unwrap().decode().unwrap().to_rgb8();
        let light: [f32; 256] = std::array::from_fn(|code| srgb_decode(code as f64 / 255.0) as f32);
        let (width, height) = (picture.width() as usize, picture.height() as usize);
        Photograph {
            width,
            height,
            light: picture.pixels().map(|p| p.0.map(|code| light[usize::from(code)])).collect(),
        }
    }

    /// The photograph as its camera would have taken it with so much more light. Hues stay, until a channel burns out.
    pub fn exposed(&self, by: Stops, camera: &Response) -> Photograph {
        let codes = Tones::new(|code| code);
        let more = |light: [f32; 3]| {
            let luminance = luminance(light);
            let code = camera.code(camera.light(f64::from(codes.of(luminance))) + by);
            let gain = srgb_decode(code / 255.0) as f32 / luminance.max(1e-6);
            light.map(|light| (light * gain).min(1.0))
        };
        Photograph { light: self.light.iter().copied().map(more).collect(), ..*self }
    }

    /// A frame of it, prepared as one that was read from a file.
    pub fn frame(&self, framing: &Framing, coding: &Coding, random: &mut Random) -> Prepared {
        prepared(&self.jpeg(framing, coding, random))
    }

    /// A frame of it, as a camera writes it.
    pub fn jpeg(&self, framing: &Framing, coding: &Coding, random: &mut Random) -> Vec<u8> {
        let [width, height] = coding.size;
        let codes = Tones::new(|code| code);
        let mut rgb = Vec::with_capacity(3 * width * height);
        for y in 0..height {
            for x in 0..width {
                for light in self.seen(framing, coding.size, x, y) {
                    let code = f64::from(codes.of(light)) + coding.noise * random.normal();
                    rgb.push(code.round().clamp(0.0, 255.0) as u8);
                }
            }
        }
        with_exif(&rgb, width as u32, height as u32, &shot(8.0, 0.0, 1).exposure(), coding.quality).unwrap()
    }

    /// The mean light of what a pixel covers: bicubic samples on a small grid within it.
    fn seen(&self, framing: &Framing, size: [usize; 2], x: usize, y: usize) -> [f32; 3] {
        let step = framing.width / size[0] as f64;
        let samples = (step.ceil() as usize).max(1) + 1;
        let mut sum = [0.0; 3];
        for i in 0..samples * samples {
            let within = |at: usize| (at as f64 + 0.5) / samples as f64;
            let at = framing.in_photograph(size, [x as f64 + within(i % samples), y as f64 + within(i / samples)]);
            let light = self.between(at);
            (0..3).for_each(|channel| sum[channel] += light[channel]);
        }
        sum.map(|sum| (sum / (samples * samples) as f32).clamp(0.0, 1.0))
    }

    /// Bicubic between pixels (Keys 1981).
    fn between(&self, [x, y]: [f64; 2]) -> [f32; 3] {
        let (x, y) = (x - 0.5, y - 0.5);
        let (across, down) = (cubic(x - x.floor()), cubic(y - y.floor()));
        let mut sum = [0.0_f32; 3];
        for (row, by_row) in down.iter().enumerate() {
            let line = (y.floor() as isize + row as isize - 1).clamp(0, self.height as isize - 1) as usize * self.width;
            for (column, by_column) in across.iter().enumerate() {
                let at = (x.floor() as isize + column as isize - 1).clamp(0, self.width as isize - 1) as usize;
                let light = self.light[line + at];
                (0..3).for_each(|channel| sum[channel] += light[channel] * by_row * by_column);
            }
        }
        sum
    }
}

/// Rec. ITU-R BT.709-6, item 3.2.
fn luminance([red, green, blue]: [f32; 3]) -> f32 {
    0.2126 * red + 0.7152 * green + 0.0722 * blue
}

/// Weights of the four neighbours.
fn cubic(part: f64) -> [f32; 4] {
    let weight = |d: f64| match d.abs() {
        d if d < 1.0 => (1.5 * d - 2.5) * d * d + 1.0,
        d if d < 2.0 => ((-0.5 * d + 2.5) * d - 4.0) * d + 2.0,
        _ => 0.0,
    };
    [part + 1.0, part, 1.0 - part, 2.0 - part].map(|d| weight(d) as f32)
}

impl Framing {
    /// Where a place of a frame lies in the photograph, both in pixels.
    pub fn in_photograph(&self, [width, height]: [usize; 2], [x, y]: [f64; 2]) -> [f64; 2] {
        let step = self.width / width as f64;
        let (right, down) = ((x - width as f64 / 2.0) * step, (y - height as f64 / 2.0) * step);
        let (sine, cosine) = self.turn.to_radians().sin_cos();
        [self.middle[0] + cosine * right + sine * down, self.middle[1] - sine * right + cosine * down]
    }

    /// Where a place of the photograph lies in a frame.
    pub fn in_frame(&self, [width, height]: [usize; 2], [x, y]: [f64; 2]) -> [f64; 2] {
        let step = self.width / width as f64;
        let (right, down) = (x - self.middle[0], y - self.middle[1]);
        let (sine, cosine) = self.turn.to_radians().sin_cos();
        let [u, v] = [(cosine * right - sine * down) / step, (sine * right + cosine * down) / step];
        [u + width as f64 / 2.0, v + height as f64 / 2.0]
    }

    /// It shows nothing from beyond the photograph's edge.
    pub fn lies_within(&self, photograph: &Photograph, [width, height]: [usize; 2]) -> bool {
        let corners = [[0.0, 0.0], [width as f64, 0.0], [0.0, height as f64], [width as f64, height as f64]];
        let (most_x, most_y) = (photograph.width as f64, photograph.height as f64);
        corners.iter().all(|corner| {
            let [x, y] = self.in_photograph([width, height], *corner);
            (0.0..=most_x).contains(&x) && (0.0..=most_y).contains(&y)
        })
    }
}

/// What the program makes of a JPEG.
pub fn prepared(jpeg: &[u8]) -> Prepared {
    let mut file = tempfile::NamedTempFile::with_suffix(".jpg").unwrap();
    std::io::Write::write_all(&mut file, jpeg).unwrap();
    read(file.path()).unwrap()
}

/// A photograph as the program reads it; `None` where it holds no picture.
pub fn read(path: &Path) -> Option<Prepared> {
    let frame = frame::read_leniently(Kind::of(path)?, path, Series::Thirds).ok()?;
    Some(Prepared::of(&Arc::new(CodePicture::of(&frame.picture?))))
}
