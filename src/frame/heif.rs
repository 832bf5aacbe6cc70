//! HEIF pictures (ISO/IEC 23008-12), coded as HEVC: pixels at reduced size and in pieces, and what colours they are in.
//!
//! The library turns a picture upright by the file's own index, so that Exif's orientation, which tells the same once more,
//! is left out here.

use heifer::heifer_hevc_dec::nal::NalUnit;
use heifer::heifer_hevc_dec::params::ParameterSets;
use heifer::heifer_isobmff::boxes::{ColorInfo, Property};
use heifer::heifer_isobmff::{HeifFile, ItemId};
use heifer::{Error, Options};
use image::{DynamicImage, RgbImage};

use super::colour::{Colour, HeifColour};
use super::guard::{guarded, plainly};
use super::pixels::{check_area, damaged, shrink};
use super::proxy::{PixelFault, Proxy};

/// Of memory, for all that decoding takes: more than of other pictures, since the library decodes at full size.
const MOST_MIB: u64 = 768;
/// A picture's samples of 16 bits in 4:2:2 (4), the same as 8-bit colours with opacity (4), and once more turned upright (4).
const BYTES_A_PIXEL: u64 = 12;
/// Pictures that one is put together of; cameras' and phones' have some hundred tiles at most.
const MOST_PARTS: usize = 4096;
/// Pictures of pictures.
const DEEPEST: usize = 4;

/// Decodes a whole file to a proxy.
pub(super) fn decode(bytes: &[u8]) -> Result<(Proxy, Colour), PixelFault> {
    let (picture, colour) = decode_whole(bytes)?;
    Ok((shrink(&picture), colour))
}

/// Decodes a whole file at full size, upright.
pub(super) fn decode_whole(bytes: &[u8]) -> Result<(DynamicImage, Colour), PixelFault> {
    let decoded = guarded(|| {
        let file = HeifFile::parse(bytes).map_err(|fault| refused(&fault.into()))?;
        let pixels = check_work(&file)?;
        let colour = colour_of(&file);
        // One thread: a worker reads one file, and others read beside it.
        let options = Options { max_threads: 1, max_pixels: pixels };
        let decoded = heifer::decode_rgba8(bytes, &options).map_err(|fault| refused(&fault))?;
        let (width, height) = (decoded.width, decoded.height);
        let rgb = RgbImage::from_raw(width, height, decoded.into_rgb8());
        let picture =
            rgb.filter(|rgb| rgb.width() > 0 && rgb.height() > 0).ok_or_else(|| damaged("it has no pixels"))?;
        Ok((DynamicImage::ImageRgb8(picture), colour))
    });
    decoded.map_err(|panic| PixelFault::Damaged(plainly(&panic)))?
}

/// What the index claims, before anything of that size is allocated. Gives the pixels of the largest picture.
fn check_work(file: &HeifFile<'_>) -> Result<u64, PixelFault> {
    let mut work = Work { largest: 0, all: 0, parts: 0 };
    work.add(file, file.primary_id, 0)?;
    let needed = work.all.saturating_mul(BYTES_A_PIXEL);
    if needed > MOST_MIB << 20 { Err(PixelFault::HeifMemory { mib: needed >> 20 }) } else { Ok(work.largest) }
}

struct Work {
    largest: u64,
    all: u64,
    parts: usize,
}

impl Work {
    fn add(&mut self, file: &HeifFile<'_>, item: ItemId, depth: usize) -> Result<(), PixelFault> {
        self.parts += 1;
        if self.parts > MOST_PARTS || depth > DEEPEST {
            return Err(damaged("it is put together of too many pictures"));
        }
        let size = file.image_size(item).map_err(|fault| refused(&fault.into()))?;
        let kind = file.item(item).map_err(|fault| refused(&fault.into()))?.item_type;
        let (width, height) = size.ok_or_else(|| damaged("a picture in it has no size"))?;
        check_area(width, height)?;
        // HEVC codes whole blocks of up to 64 x 64.
        let padded = |side: u32| u64::from(side.next_multiple_of(64));
        self.largest = self.largest.max(padded(width) * padded(height));
        let parts = file.referenced_items(item, b"dimg");
        // A picture that is put together is as large as its parts are together: counted once.
        if parts.is_empty() || kind.0 == *b"iovl" {
            self.all += u64::from(width) * u64::from(height);
        }
        let opacity = file.referencing_items(item, b"auxl");
        parts.iter().chain(&opacity).try_for_each(|part| self.add(file, *part, depth + 1))
    }
}

/// The colours of the primary picture, or of the first that it is put together of: as the index tells them, else the coded stream.
fn colour_of(file: &HeifFile<'_>) -> Colour {
    let first = file.referenced_items(file.primary_id, b"dimg").first().copied();
    let items = [Some(file.primary_id), first].into_iter().flatten();
    let index = items.clone().find_map(|item| in_index(file, item));
    let stream = || items.clone().find_map(|item| in_stream(file, item)).filter(HeifColour::tells_transfer);
    let coded = index.filter(HeifColour::tells_transfer).or_else(stream).or(index);
    let profile = file.icc_profile(file.primary_id).ok().flatten();
    Colour::of_heif(profile, coded)
}

fn in_index(file: &HeifFile<'_>, item: ItemId) -> Option<HeifColour> {
    file.item_properties(item).ok()?.find_map(|property| match property {
        Property::Color(ColorInfo::Nclx { primaries, transfer, .. }) => {
            Some(HeifColour { primaries: *primaries, transfer: *transfer })
        }
        _ => None,
    })
}

/// Some encoders tell them there alone: in the sequence parameter set (ITU-T H.265, annex E), which stands in the index beside the
/// coded picture.
fn in_stream(file: &HeifFile<'_>, item: ItemId) -> Option<HeifColour> {
    let mut sets = ParameterSets::default();
    for unit in &file.hevc_config(item).ok()??.nal_units {
        sets.add(&NalUnit::parse(unit).ok()?).ok()?;
    }
    let vui = sets.sps.iter().flatten().find_map(|sps| sps.vui.as_ref())?;
    Some(HeifColour { primaries: u16::from(vui.colour_primaries), transfer: u16::from(vui.transfer_characteristics) })
}

/// What the library says, in a person's words.
fn refused(fault: &Error) -> PixelFault {
    match fault {
        Error::Unsupported(what) if what.contains("image item type") => PixelFault::HeifCoding,
        Error::Hevc(heifer::heifer_hevc_dec::Error::Unimplemented(_)) => PixelFault::HeifCoding,
        Error::Container(_) => damaged("its index can't be made out"),
        _ => damaged("the coded picture breaks off or contradicts itself"),
    }
}

#[cfg(test)]
mod tests {
    use heifer::heifer_hevc_enc::encoder::{EncoderConfig, Planes, encode_picture};
    use heifer::heifer_isobmff::boxes::HevcConfig;
    use heifer::heifer_isobmff::writer::{HeifWriter, ImageSpec};

    use super::*;
    use crate::frame::Space;

    /// A grey picture whose coded stream tells primaries, transfer and matrix, and whose index tells a transfer or none.
    fn grey(stream: (u8, u8, u8), index: Option<u16>) -> Vec<u8> {
        const SIDE: u32 = 32;
        let (luma, chroma) = ([148; (SIDE * SIDE) as usize], [128; (SIDE * SIDE / 4) as usize]);
        let planes = Planes { y: &luma, chroma: Some((&chroma, &chroma)) };
        let config = EncoderConfig { colour: stream, ..EncoderConfig::default() };
        let picture = encode_picture(SIDE, SIDE, planes, &config).unwrap();
        let config = HevcConfig {
            profile_idc: picture.profile_idc,
            level_idc: picture.level_idc,
            chroma_format: picture.chroma_format,
            bit_depth_luma: 8,
            bit_depth_chroma: 8,
            nal_length_size: 4,
            nal_units: picture.parameter_sets,
        };
        let mut writer = HeifWriter::new();
        let mut spec = ImageSpec::new(picture.width, picture.height, config, &picture.slices);
        let told = |transfer| ColorInfo::Nclx { primaries: 1, transfer, matrix: 6, full_range: true };
        spec.color = index.map(told);
        let id = writer.add_image(&spec);
        writer.set_primary(id);
        writer.finish()
    }

    /// CHECK: code points by ITU-T H.273, table 3: 13 sRGB, 16 PQ, 18 HLG, 2 unspecified.
    #[test]
    fn a_transfer_that_the_coded_stream_alone_tells_is_read() {
        for (stream, index, space) in [
            ((9, 16, 9), None, Space::HeifPq),
            ((9, 18, 9), None, Space::HeifHlg),
            ((9, 18, 9), Some(2), Space::HeifHlg),
            ((9, 18, 9), Some(13), Space::Heif),
            ((1, 13, 6), None, Space::Heif),
            ((2, 2, 2), None, Space::HeifUntold),
        ] {
            let (_, colour) = decode(&grey(stream, index)).unwrap();
            assert_eq!(colour.space, space, "{stream:?} {index:?}");
        }
    }
}
