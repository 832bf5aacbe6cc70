//! A TIFF's pixels, strip by strip (or tile by tile): a picture of any size takes no more memory than one of them.

use std::io::BufReader;

use image::ImageFormat;
use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::{PlanarConfiguration, Tag};
use tiff::{ColorType, TiffError};

use super::guard::{guarded, plainly};
use super::pixels::{check_claim, decode_whole, eighths, shrink};
use super::proxy::{MEMORY_MIB, PixelFault, Proxy};
use crate::container::Source;

/// The largest strip or tile, decoded: some programs write the whole picture as one.
const MOST_STRIP_MIB: usize = 384;

type Open<'a> = Decoder<BufReader<&'a mut dyn Source>>;

/// Decodes a whole file to a proxy; `orientation` is Exif's, 1 to 8.
pub fn decode(source: &mut dyn Source, orientation: u8) -> Result<Proxy, PixelFault> {
    let decoded = guarded(|| {
        let length = source.length().map_err(|e| PixelFault::Damaged(e.to_string()))? as usize;
        let mut decoder = open(source)?;
        let (width, height) = decoder.dimensions().map_err(refused)?;
        check_claim(width, height, length)?;
        match samples(&mut decoder).map_err(refused)? {
            Some(samples) => Sums::of(&mut decoder, width as usize, height as usize, samples)?.proxy(),
            None => {
                drop(decoder);
                source.rewind().map_err(|e| PixelFault::Damaged(e.to_string()))?;
                let whole = decode_whole(ImageFormat::Tiff, BufReader::new(source), [length, 0], MEMORY_MIB)?;
                Ok(shrink(&whole))
            }
        }
    });
    decoded.map_err(|panic| PixelFault::Damaged(plainly(&panic)))?.map(|proxy| proxy.turned(orientation))
}

fn open(source: &mut dyn Source) -> Result<Open<'_>, PixelFault> {
    source.rewind().map_err(|e| PixelFault::Damaged(e.to_string()))?;
    let mut limits = Limits::default();
    limits.decoding_buffer_size = MOST_STRIP_MIB << 20;
    limits.intermediate_buffer_size = MOST_STRIP_MIB << 20;
    Ok(Decoder::new(BufReader::new(source)).map_err(refused)?.with_limits(limits))
}

fn refused(fault: TiffError) -> PixelFault {
    match fault {
        TiffError::LimitsExceeded => PixelFault::Strip,
        other => PixelFault::Damaged(plainly(&other.to_string())),
    }
}

/// Samples of a pixel, where all of them stand side by side and are whole numbers of 8 or 16 bits; others are rare.
fn samples(decoder: &mut Open<'_>) -> Result<Option<usize>, TiffError> {
    let chunky = decoder.find_tag_unsigned::<u16>(Tag::PlanarConfiguration)?;
    let formats = decoder.find_tag_unsigned_vec::<u16>(Tag::SampleFormat)?.unwrap_or_default();
    let plain = chunky.is_none_or(|c| c == PlanarConfiguration::Chunky.to_u16()) && formats.iter().all(|f| *f == 1);
    Ok(match decoder.colortype()? {
        ColorType::Gray(8 | 16) if plain => Some(1),
        ColorType::GrayA(8 | 16) if plain => Some(2),
        ColorType::RGB(8 | 16) if plain => Some(3),
        ColorType::RGBA(8 | 16) if plain => Some(4),
        _ => None,
    })
}

/// What all pixels of each cell of the proxy add up to.
struct Sums {
    /// Pixels of the picture across and down one cell.
    by: usize,
    width: usize,
    height: usize,
    sums: Vec<[u32; 3]>,
    /// The largest value of a sample.
    most: u32,
}

impl Sums {
    fn of(decoder: &mut Open<'_>, width: usize, height: usize, samples: usize) -> Result<Sums, PixelFault> {
        let by = 8 / usize::from(eighths(width, height));
        let (across, down) = (width / by, height / by);
        let mut sums = Sums { by, width: across, height: down, sums: vec![[0; 3]; across * down], most: 255 };
        let (chunk_width, chunk_height) = decoder.chunk_dimensions();
        let (chunk_width, chunk_height) = (chunk_width.max(1) as usize, chunk_height.max(1) as usize);
        let chunks_across = width.div_ceil(chunk_width);
        for number in 0..chunks_across * height.div_ceil(chunk_height) {
            let place = (number % chunks_across * chunk_width, number / chunks_across * chunk_height);
            let wide = chunk_width.min(width - place.0);
            match decoder.read_chunk(number as u32).map_err(refused)? {
                DecodingResult::U8(data) => sums.add(&data, place, wide, samples),
                DecodingResult::U16(data) => {
                    sums.most = u32::from(u16::MAX);
                    sums.add(&data, place, wide, samples);
                }
                _ => return Err(PixelFault::Damaged("its samples are of another kind than it says".to_owned())),
            }
        }
        Ok(sums)
    }

    /// Adds a strip or tile whose first pixel stands at a place of the picture.
    fn add<T: Copy + Into<u32>>(&mut self, data: &[T], place: (usize, usize), wide: usize, samples: usize) {
        let colours = if samples < 3 { [0; 3] } else { [0, 1, 2] };
        for (row, line) in data.chunks_exact(wide * samples).enumerate() {
            let y = (place.1 + row) / self.by;
            for (column, pixel) in line.chunks_exact(samples).enumerate() {
                let x = (place.0 + column) / self.by;
                // The last pixels fill no cell of their own.
                if x < self.width && y < self.height {
                    let cell = &mut self.sums[y * self.width + x];
                    for (sum, colour) in cell.iter_mut().zip(colours) {
                        *sum += pixel[colour].into();
                    }
                }
            }
        }
    }

    fn proxy(self) -> Result<Proxy, PixelFault> {
        let all = (self.by * self.by) as f32 * self.most as f32;
        let code = |sum: u32| (sum as f32 * 255.0 / all).round() as u8;
        let rgb = self.sums.iter().map(|cell| cell.map(code)).collect();
        Ok(Proxy { width: self.width, height: self.height, rgb })
    }
}
