//! A map of change as a picture: the frame in grey, the colours of what changed over it, and what they mean beneath.

use std::convert::Infallible;

use embedded_graphics::Drawable;
use embedded_graphics::Pixel;
use embedded_graphics::draw_target::DrawTarget;
use embedded_graphics::geometry::{OriginDimensions, Point, Size};
use embedded_graphics::mono_font::MonoTextStyle;
use embedded_graphics::mono_font::iso_8859_1::FONT_10X20;
use embedded_graphics::pixelcolor::{Rgb888, RgbColor};
use embedded_graphics::text::{Alignment, Baseline, Text, TextStyleBuilder};
use image::imageops::{self, FilterType};
use image::{Rgb, RgbImage};

use crate::drift::ChangedPatch;
use crate::meter::Area;
use crate::outlet::change_scale::{ChangeScale, Colour};
use crate::photometry::Stops;

/// What is drawn.
pub struct Map<'a> {
    pub picture: &'a RgbImage,
    pub patches: &'a [ChangedPatch],
    pub title: &'a str,
}

/// The long side of the picture within.
const LONG_SIDE: u32 = 1024;
/// What stands beneath is no narrower, so that its words have room.
const NARROWEST: u32 = 720;
const MARGIN: u32 = 20;
const LINE: u32 = 24;
const BAR: u32 = 30;
const TICK: u32 = 8;
const LETTER: u32 = 10;
const LEGEND: u32 = MARGIN * 2 + LINE * 5 + BAR + TICK * 2;
const PAPER: Colour = [246, 246, 244];
const INK: Colour = [24, 26, 24];
/// Of each number of the scale: where it stands to its tick, what is put behind it, and what it means.
const TICKS: [(Alignment, &str, &str); 5] = [
    (Alignment::Left, " and less", "darker than the reference"),
    (Alignment::Center, "", ""),
    (Alignment::Center, "", "same light"),
    (Alignment::Center, "", ""),
    (Alignment::Right, " and more", "brighter than the reference"),
];
/// A patch is drawn larger by this part of its side, so that none is parted from its neighbours by a line.
const OVERLAP: f64 = 0.12;

pub fn draw(map: &Map) -> RgbImage {
    let picture = coloured(map);
    let width = picture.width().max(NARROWEST);
    let paper = RgbImage::from_pixel(width, picture.height() + LEGEND, Rgb(PAPER));
    let mut canvas = Canvas(paper);
    imageops::replace(&mut canvas.0, &picture, i64::from((width - picture.width()) / 2), 0);
    legend(&mut canvas, picture.height(), map);
    canvas.0
}

/// The frame in grey: darker where nothing is told, in its patch's colour where something is.
fn coloured(map: &Map) -> RgbImage {
    let (width, height) = map.picture.dimensions();
    let grow = f64::from(LONG_SIDE) / f64::from(width.max(height));
    let side = |pixels: u32| ((f64::from(pixels) * grow).round() as u32).max(1);
    let grey = imageops::grayscale(map.picture);
    let grey = imageops::resize(&grey, side(width), side(height), FilterType::Triangle);
    let mut drawn = RgbImage::from_fn(grey.width(), grey.height(), |x, y| Rgb(untold(grey.get_pixel(x, y).0[0])));
    let scale = ChangeScale::of(map.patches);
    for patch in map.patches {
        let colour = scale.colour(patch.change);
        let (columns, rows) = larger(patch.area).pixels(grey.width() as usize, grey.height() as usize);
        for y in rows {
            for x in columns.clone() {
                let (x, y) = (x as u32, y as u32);
                drawn.put_pixel(x, y, Rgb(told(colour, grey.get_pixel(x, y).0[0])));
            }
        }
    }
    drawn
}

fn larger(area: Area) -> Area {
    let grow = |from: f64, to: f64| {
        let more = (to - from) * OVERLAP / 2.0;
        [(from - more).max(0.0), (to + more).min(1.0)]
    };
    let ([left, right], [top, bottom]) = (grow(area.left, area.right), grow(area.top, area.bottom));
    Area { left, top, right, bottom }
}

fn untold(grey: u8) -> Colour {
    [(20.0 + f64::from(grey) * 0.4) as u8; 3]
}

/// The picture shows through a little, so that one sees where one is; more of it would pass for another colour of the scale.
fn told(colour: Colour, grey: u8) -> Colour {
    colour.map(|code| (f64::from(code) * (0.8 + 0.2 * f64::from(grey) / 255.0)).round() as u8)
}

fn legend(canvas: &mut Canvas, top: u32, map: &Map) {
    let scale = ChangeScale::of(map.patches);
    let (left, right) = (MARGIN, canvas.0.width() - MARGIN);
    let mut y = top + MARGIN;
    canvas.write(map.title, [left, y], Alignment::Left);
    y += LINE + TICK;
    for x in left..right {
        let far = f64::from(x - left) / f64::from(right - left) * 2.0 - 1.0;
        canvas.fill([x, y], [1, BAR], scale.colour(Stops(scale.range.0 * far)));
    }
    y += BAR;
    let ticks = scale.ticks().into_iter().zip(TICKS);
    for (nth, (change, (alignment, beyond, words))) in ticks.enumerate() {
        let x = left + (right - 1 - left) * nth as u32 / 4;
        canvas.fill([x - 1, y], [2, TICK], INK);
        let number = if change == Stops::ZERO { "0".to_owned() } else { format!("{change}{beyond}") };
        canvas.write(&number, [x, y + TICK], alignment);
        canvas.write(words, [x, y + TICK + LINE], alignment);
    }
    y += TICK + LINE;
    y += LINE + LINE / 2;
    canvas.fill([left, y], [LINE, LINE - 4], untold(128));
    canvas.write(
        "not found in the reference, or too dark or too bright to compare",
        [left + LINE + LETTER, y],
        Alignment::Left,
    );
}

struct Canvas(RgbImage);

impl Canvas {
    fn fill(&mut self, [left, top]: [u32; 2], [width, height]: [u32; 2], colour: Colour) {
        for (y, x) in (top..top + height).flat_map(|y| (left..left + width).map(move |x| (y, x))) {
            self.0.put_pixel(x, y, Rgb(colour));
        }
    }

    /// Text that finds no room is cut.
    fn write(&mut self, text: &str, [x, y]: [u32; 2], alignment: Alignment) {
        let room = ((self.0.width() - MARGIN) / LETTER) as usize;
        let text: String = text.chars().take(room).collect();
        let letters = MonoTextStyle::new(&FONT_10X20, Rgb888::new(INK[0], INK[1], INK[2]));
        let style = TextStyleBuilder::new().alignment(alignment).baseline(Baseline::Top).build();
        let Ok(_) = Text::with_text_style(&text, Point::new(x as i32, y as i32), letters, style).draw(self);
    }
}

impl OriginDimensions for Canvas {
    fn size(&self) -> Size {
        Size::new(self.0.width(), self.0.height())
    }
}

impl DrawTarget for Canvas {
    type Color = Rgb888;
    type Error = Infallible;

    fn draw_iter<I: IntoIterator<Item = Pixel<Rgb888>>>(&mut self, pixels: I) -> Result<(), Infallible> {
        for Pixel(Point { x, y }, colour) in pixels {
            let at = u32::try_from(x).ok().zip(u32::try_from(y).ok());
            if let Some(pixel) = at.and_then(|(x, y)| self.0.get_pixel_mut_checked(x, y)) {
                *pixel = Rgb([colour.r(), colour.g(), colour.b()]);
            }
        }
        Ok(())
    }
}
