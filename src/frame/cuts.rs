//! Pieces of a frame at full resolution, upright: what sharpness is measured on.
//!
//! A JPEG in one scan is decoded line by line, so that a picture of any size takes no more memory than its pieces.

use std::io::{BufReader, Cursor};

use image::{DynamicImage, ImageFormat};
use serde::{Deserialize, Serialize};

use super::guard::{guarded, plainly};
use super::pixels::{begin_jpeg, damaged, decode_whole};
use super::proxy::{MEMORY_MIB, PixelFault, Proxy};
use super::{Colour, Picture, Settings};
use crate::container::{self, Coding, Kind, Source};

/// At most so many pieces of one frame are cut at once, of sides no longer than this.
pub const MOST_CUTS: usize = 32;
pub const LONGEST_SIDE: usize = 1024;
/// Lines of a JPEG that are decoded together.
const LINES: usize = 16;

/// Where a piece is to be cut: a spot in fractions of the upright frame, and how much of it, in pixels.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CutPlace {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
    /// Of a larger spot so much about its middle, in each direction.
    pub most: usize,
    /// How much is cut about it, where the frame goes on.
    pub margin: usize,
}

/// A piece, cut.
#[derive(Debug, Clone)]
pub struct Cut {
    /// Its pixels at 1:1.
    pub picture: Picture,
    /// Where the spot lies within it.
    pub spot: Rectangle,
    /// Width and height of the upright frame.
    pub frame: [usize; 2],
}

/// Whole pixels of a picture or a piece of one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rectangle {
    pub left: usize,
    pub top: usize,
    pub width: usize,
    pub height: usize,
}

/// Where a piece and its spot lie in a frame of a size.
pub(super) struct Laid {
    upright: Rectangle,
    spot: Rectangle,
    frame: [usize; 2],
    orientation: u8,
}

impl CutPlace {
    /// In a picture that is stored with this size and orientation. The frame must not be empty.
    pub(super) fn laid(&self, stored: [usize; 2], orientation: u8) -> Laid {
        let [width, height] = if orientation >= 5 { [stored[1], stored[0]] } else { stored };
        let along = |from: f64, to: f64, size: usize| {
            let most = self.most.clamp(1, LONGEST_SIDE).min(size);
            let length = (((to - from).clamp(0.0, 1.0) * size as f64).round() as usize).clamp(1, most);
            let middle = ((from + to) / 2.0).clamp(0.0, 1.0) * size as f64;
            let start = ((middle - length as f64 / 2.0).round().max(0.0) as usize).min(size - length);
            let margin = self.margin.min((LONGEST_SIDE - length) / 2);
            let first = start.saturating_sub(margin);
            (start, length, first, (start + length + margin).min(size) - first)
        };
        let (x, across, left, piece_width) = along(self.left, self.right, width);
        let (y, down, top, piece_height) = along(self.top, self.bottom, height);
        Laid {
            upright: Rectangle { left, top, width: piece_width, height: piece_height },
            spot: Rectangle { left: x - left, top: y - top, width: across, height: down },
            frame: [width, height],
            orientation,
        }
    }
}

impl Laid {
    /// The piece as it is stored. Orientations by Exif 2.32.
    pub(super) fn stored(&self) -> Rectangle {
        let Rectangle { left, top, width, height } = self.upright;
        let [frame_width, frame_height] = self.frame;
        let (right, bottom) = (frame_width - left - width, frame_height - top - height);
        let (left, top, width, height) = match self.orientation {
            2 => (right, top, width, height),
            3 => (right, bottom, width, height),
            4 => (left, bottom, width, height),
            5 => (top, left, height, width),
            6 => (top, right, height, width),
            7 => (bottom, right, height, width),
            8 => (bottom, left, height, width),
            _ => (left, top, width, height),
        };
        Rectangle { left, top, width, height }
    }

    pub(super) fn cut(&self, rgb: Vec<[u8; 3]>, colour: Colour, linear: Option<Vec<f32>>) -> Cut {
        let Rectangle { width, height, .. } = self.stored();
        let (proxy, order) = Proxy { width, height, rgb }.turned_with_order(self.orientation);
        let linear = linear.map(|linear| order.into_iter().map(|at| linear[at]).collect());
        Cut { picture: Picture { proxy, colour, linear }, spot: self.spot, frame: self.frame }
    }
}

pub(super) fn cut_picture(
    kind: Kind,
    source: &mut dyn Source,
    layout: &container::Layout,
    bytes: &[u8],
    settings: &Settings,
    places: &[CutPlace],
) -> Result<Vec<Cut>, PixelFault> {
    let colour = Colour::of(layout.icc.as_deref(), settings.colour_space);
    let orientation = settings.orientation;
    #[cfg(feature = "heif")]
    if kind == Kind::Heif {
        let (whole, colour) = super::heif::decode_whole(bytes)?;
        // Upright by the file's own index.
        let pieces = Pieces::of_whole(&whole, 1, places)?;
        return Ok(pieces.0.into_iter().map(|(laid, rgb)| laid.cut(rgb, colour.clone(), None)).collect());
    }
    let in_memory = |format| decode_whole(format, Cursor::new(bytes), [bytes.len(); 2], MEMORY_MIB);
    let decoded = guarded(|| {
        let whole = match kind {
            Kind::Jpeg => return Pieces::of_jpeg(bytes, layout.coding.as_ref(), orientation, places),
            Kind::Tiff => {
                let length = source.length().map_err(damaged)? as usize;
                source.rewind().map_err(damaged)?;
                decode_whole(ImageFormat::Tiff, BufReader::new(source), [length, 0], MEMORY_MIB)?
            }
            Kind::Png => in_memory(ImageFormat::Png)?,
            _ => in_memory(ImageFormat::WebP)?,
        };
        Pieces::of_whole(&whole, orientation, places)
    });
    let pieces = decoded.map_err(|panic| PixelFault::Damaged(plainly(&panic)))??;
    Ok(pieces.0.into_iter().map(|(laid, rgb)| laid.cut(rgb, colour.clone(), None)).collect())
}

/// Pieces that are filled line by line.
struct Pieces(Vec<(Laid, Vec<[u8; 3]>)>);

impl Pieces {
    fn new(stored: [usize; 2], orientation: u8, places: &[CutPlace]) -> Result<Pieces, PixelFault> {
        if stored.contains(&0) {
            return Err(damaged("it has no pixels"));
        }
        Ok(Pieces(places.iter().map(|place| (place.laid(stored, orientation), Vec::new())).collect()))
    }

    /// Lines come from the top down.
    fn add(&mut self, row: usize, line: &[[u8; 3]]) {
        for (laid, rgb) in &mut self.0 {
            let piece = laid.stored();
            if (piece.top..piece.top + piece.height).contains(&row) {
                rgb.extend_from_slice(&line[piece.left..piece.left + piece.width]);
            }
        }
    }

    fn of_jpeg(
        bytes: &[u8],
        coding: Option<&Coding>,
        orientation: u8,
        places: &[CutPlace],
    ) -> Result<Pieces, PixelFault> {
        let mut lines = begin_jpeg(bytes, coding)?.rgb().map_err(damaged)?;
        let (width, height) = (lines.width(), lines.height());
        let mut pieces = Pieces::new([width, height], orientation, places)?;
        let mut some = vec![[0_u8; 3]; width * LINES];
        let mut row = 0;
        while row < height {
            let here = &mut some[..width * LINES.min(height - row)];
            let read = lines.read_scanlines_into(here).map_err(damaged)?;
            if read.is_empty() {
                return Err(damaged("it ends early"));
            }
            for line in read.chunks_exact(width) {
                pieces.add(row, line);
                row += 1;
            }
        }
        lines.finish().map_err(damaged)?;
        Ok(pieces)
    }

    /// Out of a picture that is decoded whole.
    fn of_whole(picture: &DynamicImage, orientation: u8, places: &[CutPlace]) -> Result<Pieces, PixelFault> {
        let size = [picture.width(), picture.height()].map(|side| side as usize);
        let mut pieces = Pieces::new(size, orientation, places)?;
        for (laid, rgb) in &mut pieces.0 {
            let Rectangle { left, top, width, height } = laid.stored();
            let part = picture.crop_imm(left as u32, top as u32, width as u32, height as u32).to_rgb8();
            rgb.extend(part.pixels().map(|pixel| pixel.0));
        }
        Ok(pieces)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(left: f64, top: f64, right: f64, bottom: f64) -> CutPlace {
        CutPlace { left, top, right, bottom, most: 400, margin: 20 }
    }

    #[test]
    fn a_place_is_cut_with_its_margin_where_the_frame_goes_on() {
        let laid = place(0.0, 0.4, 0.1, 0.5).laid([1000, 800], 1);
        assert_eq!(laid.upright, Rectangle { left: 0, top: 300, width: 120, height: 120 });
        assert_eq!(laid.spot, Rectangle { left: 0, top: 20, width: 100, height: 80 });
        let large = place(0.0, 0.0, 1.0, 1.0).laid([1000, 800], 1);
        let spot = Rectangle { left: 20, top: 20, width: 400, height: 400 };
        assert_eq!((large.spot, large.upright.left), (spot, 280));
        assert_eq!(place(-3.0, f64::NAN, 9.0, 0.2).laid([3, 1], 6).frame, [1, 3]);
    }

    /// The same part of the upright picture, whatever the orientation that it is stored in.
    #[test]
    fn every_orientation_gives_the_same_upright_piece() {
        for orientation in 1..=8 {
            let (width, height) = (30, 20);
            let rgb: Vec<[u8; 3]> = (0..width * height).map(|at| [(at % 251) as u8, (at / 251) as u8, 0]).collect();
            let whole = Proxy { width, height, rgb: rgb.clone() }.turned(orientation);
            let laid = CutPlace { margin: 2, ..place(0.2, 0.3, 0.5, 0.8) }.laid([width, height], orientation);
            let piece = laid.stored();
            let stored = (piece.top..piece.top + piece.height)
                .flat_map(|row| rgb[row * width + piece.left..][..piece.width].to_vec())
                .collect();
            let cut = laid.cut(stored, Colour::of(None, None), None);
            let Rectangle { left, top, width: across, height: down } = laid.upright;
            let expected: Vec<[u8; 3]> =
                (top..top + down).flat_map(|row| whole.rgb[row * whole.width + left..][..across].to_vec()).collect();
            assert_eq!(cut.picture.proxy.rgb, expected, "orientation {orientation}");
            assert_eq!(cut.picture.proxy.width, across, "orientation {orientation}");
        }
    }
}
