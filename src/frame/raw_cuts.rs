//! Pieces of a raw file at full resolution: linear light, its missing colours filled in from what lies next to them.
//!
//! Light is told by the green samples, of which there are most. Filling in blurs a little, and alike in every frame.

use std::path::Path;
use std::sync::Arc;

use nalgebra::{Matrix3, Vector3};
use rawler::rawimage::{RawImage, RawImageData};

use super::colour::Colour;
use super::cuts::{Cut, CutPlace, Rectangle};
use super::guard::{guarded, plainly};
use super::proxy::PixelFault;
use super::raw::{Repeat, SATURATED, active_area, balance, decoded, part_of, to_srgb, unit};
use super::settings::ColourTag;
use crate::response::srgb_encode;

/// As far as that a missing colour is looked for.
const NEAREST: [isize; 2] = [1, 2];
const GREEN: usize = 1;

pub(super) fn cut_raw(
    path: &Path,
    bytes: Arc<Vec<u8>>,
    orientation: u8,
    places: &[CutPlace],
) -> Result<Vec<Cut>, PixelFault> {
    let cut = guarded(|| {
        let image = decoded(path, bytes)?;
        let sensor = Sensor::of(&image)?;
        if sensor.active.width == 0 || sensor.active.height == 0 {
            return Err(PixelFault::Damaged("it has no pixels".to_owned()));
        }
        let cut = |place: &CutPlace| {
            let laid = place.laid([sensor.active.width, sensor.active.height], orientation);
            let (rgb, linear) = sensor.piece(laid.stored());
            laid.cut(rgb, Colour::of(None, Some(ColourTag::Srgb)), Some(linear))
        };
        Ok(places.iter().map(cut).collect())
    });
    cut.unwrap_or_else(|panic| Err(PixelFault::Raw(plainly(&panic))))
}

struct Sensor<'a> {
    image: &'a RawImage,
    repeat: Repeat,
    active: Rectangle,
    to_srgb: Matrix3<f32>,
    balance: [f32; 3],
}

impl<'a> Sensor<'a> {
    fn of(image: &'a RawImage) -> Result<Sensor<'a>, PixelFault> {
        let (left, top, width, height) = active_area(image)?;
        let active = Rectangle { left, top, width, height };
        let samples = match &image.data {
            RawImageData::Integer(data) => data.len(),
            RawImageData::Float(data) => data.len(),
        };
        if samples < image.width * image.height * image.cpp {
            return Err(PixelFault::Damaged("it ends early".to_owned()));
        }
        let (repeat, _) = Repeat::of(image)?;
        Ok(Sensor { image, repeat, active, to_srgb: to_srgb(image), balance: balance(image) })
    }

    /// Codes for looking at, and light.
    fn piece(&self, piece: Rectangle) -> (Vec<[u8; 3]>, Vec<f32>) {
        let Rectangle { left, top, width, height } = piece;
        let places = (top..top + height).flat_map(|y| (left..left + width).map(move |x| (x, y)));
        places.map(|(x, y)| self.pixel(self.active.left + x, self.active.top + y)).unzip()
    }

    fn pixel(&self, column: usize, row: usize) -> ([u8; 3], f32) {
        let light = self.colours(column, row);
        let seen = self.to_srgb * Vector3::from_fn(|i, _| light[i].min(1.0) * self.balance[i]);
        let code = |i: usize| (srgb_encode(f64::from(unit(seen[i]))) * 255.0).round() as u8;
        let green = if light[GREEN] >= SATURATED { 1.0 } else { light[GREEN] };
        ([code(0), code(1), code(2)], green)
    }

    /// Light of red, green and blue: a sample's own, and the mean of the nearest ones of the others.
    fn colours(&self, column: usize, row: usize) -> [f32; 3] {
        let mut colours = [None; 3];
        self.add_samples(column, row, &mut |colour, light| colours[colour] = Some(light));
        for far in NEAREST {
            let (mut sums, mut counts) = ([0.0_f32; 3], [0_u32; 3]);
            for down in -far..=far {
                for right in -far..=far {
                    let place = column.checked_add_signed(right).zip(row.checked_add_signed(down));
                    if let Some((x, y)) = place.filter(|(x, y)| *x < self.image.width && *y < self.image.height) {
                        self.add_samples(x, y, &mut |colour, light| {
                            sums[colour] += light;
                            counts[colour] += 1;
                        });
                    }
                }
            }
            for (colour, (sum, count)) in colours.iter_mut().zip(sums.iter().zip(counts)) {
                *colour = colour.or((count > 0).then(|| sum / count as f32));
            }
        }
        colours.map(|colour| colour.unwrap_or(0.0))
    }

    fn add_samples(&self, column: usize, row: usize, add: &mut dyn FnMut(usize, f32)) {
        for sample in 0..self.image.cpp {
            let site = self.repeat.site(row, column, sample);
            if site.colour < 3 {
                let at = (row * self.image.width + column) * self.image.cpp + sample;
                let raw = match &self.image.data {
                    RawImageData::Integer(data) => f32::from(data[at]),
                    RawImageData::Float(data) => data[at],
                };
                add(site.colour, part_of(raw, site));
            }
        }
    }
}
